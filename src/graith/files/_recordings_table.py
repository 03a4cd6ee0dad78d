"""The small table beside an archive's recordings, which tells what was played: ``recordings.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from graith.errors import FileError, Problem
from graith.files.read_files import read_text
from graith.rules.toml_table import TomlTable, raise_first
from graith.rules.toml_text import located_toml
from graith.sets.read_set import FASTEST_BPM, MOST_PARTS, MOST_TUNE_NUMBER, SLOWEST_BPM
from graith.sound.scale import SCALES

TABLE_NAME = "recordings.toml"
LOWEST_PITCH_HZ, HIGHEST_PITCH_HZ = 400.0, 560.0
MOST_PLAYERS = 99

_KEYS = ("file", "set", "tune", "index", "parts", "tempo_bpm", "pitch_hz", "players", "scale")


@dataclass(frozen=True, slots=True)
class Listed:
    """One recording of the table; None where the table does not say.

    Attributes
    ----------
    recording : str
        Relative to the table's folder, with ``/`` between folders.
    set_file, tune_file : Path or None
        At most one of them.
    index, parts, tempo_bpm
        Which tune of the book, and how it was played; only with ``tune_file``.
    low_a_hz, n_players, scale
        What is known of the playing.
    """

    recording: str
    set_file: Path | None = None
    tune_file: Path | None = None
    index: int | None = None
    parts: tuple[int, ...] | None = None
    tempo_bpm: float | None = None
    low_a_hz: float | None = None
    n_players: int | None = None
    scale: str | None = None


def load_recordings_table(path: Path) -> tuple[Listed, ...]:
    """Return the recordings that a table lists, in its order.

    Raises
    ------
    FileError
        If the file cannot be read or is no such table; each problem names its line.
    """
    return read_recordings_table(read_text(path), path.name, path.parent)


def read_recordings_table(text: str, source: str, folder: Path) -> tuple[Listed, ...]:
    r"""Return the recordings that a table's text lists.

    Parameters
    ----------
    text, source : str
        TOML, and a label of its origin for messages.
    folder : Path
        To which its sets and tunes are relative.

    Raises
    ------
    FileError
        If it is no such table.

    Examples
    --------
    >>> text = '[[recording]]\nfile = "circle.m4a"\nset = "medley.toml"\nplayers = 8'
    >>> read_recordings_table(text, "recordings.toml", Path("season"))[0].set_file.as_posix()
    'season/medley.toml'
    """
    problems: list[Problem] = []
    table = TomlTable(located_toml(text, source, FileError), problems, "a table of recordings")
    table.refuse_unknown(("recording",))
    listed = tuple(_listed(one, folder) for one in table.tables("recording", "recording"))
    seen: set[str] = set()
    for one, entry in zip(listed, table.tables("recording", "recording"), strict=True):
        if one.recording in seen:
            entry.refuse("file", f'"{one.recording}" stands there twice', "List each recording once.")
        seen.add(one.recording)
    raise_first(FileError, problems)
    return listed


def _listed(table: TomlTable, folder: Path) -> Listed:
    table.refuse_unknown(_KEYS)
    parts = table.wholes("parts", least=1, most=MOST_PARTS)
    one = Listed(
        recording=_recording(table),
        set_file=_path(table, "set", folder),
        tune_file=_path(table, "tune", folder),
        index=table.whole("index", least=0, most=MOST_TUNE_NUMBER),
        parts=parts,
        tempo_bpm=table.number("tempo_bpm", least=SLOWEST_BPM, most=FASTEST_BPM, unit="beats a minute"),
        low_a_hz=table.number("pitch_hz", least=LOWEST_PITCH_HZ, most=HIGHEST_PITCH_HZ, unit="Hz"),
        n_players=table.whole("players", least=1, most=MOST_PLAYERS),
        scale=table.choice("scale", {name: name for name in SCALES}, None),
    )
    if one.set_file is not None and one.tune_file is not None:
        table.refuse("tune", f"{table.what} has a set and a tune", "Name the one that was played.")
    for key in ("index", "parts", "tempo_bpm"):
        if key in table and one.tune_file is None:
            table.refuse(key, f'{table.what} has "{key}" but no tune', "It goes with a tune; a set says its own.")
    return one


def _recording(table: TomlTable) -> str:
    name = table.text("file", required=True)
    path = PurePosixPath(name)
    if path.is_absolute() or ".." in path.parts or "\0" in name:
        table.refuse("file", f'{table.what} has file = "{name}", outside its folder', "Name a file beside the table.")
    return path.as_posix()


def _path(table: TomlTable, key: str, folder: Path) -> Path | None:
    name = table.text(key)
    return folder / name if name else None
