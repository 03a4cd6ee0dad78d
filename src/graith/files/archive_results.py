"""A season's archive listened to: one result file a recording, written as it comes, and a table made from them.

A result holds nothing that changes from run to run or from machine to machine, so that the same recording, music,
settings and version give the same bytes; its ``key`` is the hash of these, by which a later run knows that it still
holds. A ``key`` of ``null`` marks a result that the next run tries again.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import tempfile
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cache, partial
from importlib.metadata import version
from pathlib import Path

from graith import __version__
from graith.errors import FileError, GraithError
from graith.files._archive_workers import Done, Work
from graith.files.write import write_bytes
from graith.services.listen_to_archive import (
    SUMMARY_COLUMNS,
    Asked,
    Json,
    answer_of,
    one_sentence,
    refusal,
    result_key,
    summary_row,
)
from graith.services.take_recording import taken

RESULTS_FOLDER = "results"
LARGEST_SENT_BYTES = 256 * 1024 * 1024
"""A larger recording is not sent to a cluster as bytes: the scheduler holds what it passes on in memory."""

RECORDING_SUFFIXES = (
    ".3gp", ".aac", ".ac3", ".aif", ".aiff", ".amr", ".avi", ".caf", ".flac", ".m4a", ".mka", ".mkv", ".mov", ".mp3",
    ".mp4", ".oga", ".ogg", ".opus", ".wav", ".webm", ".wma", ".wmv",
)  # fmt: skip

_RESULT_FIELDS = ("recording", "sound_sha256", "key", "graith", "settings", "music", "trusted", "reason", "listening")
_COMPARED = ("av", "numba", "numpy", "scipy")


@dataclass(frozen=True, slots=True)
class Task:
    """One recording to listen to, as a worker gets it.

    Attributes
    ----------
    asked : Asked
    path : str
        Where the recording is read, when ``sound`` is None.
    sound : bytes or None
        The recording's bytes, for a worker that cannot read it.
    sound_sha256 : str
    made_with : tuple of (str, str)
        What the worker must have, of :func:`wanted_of_workers`.
    """

    asked: Asked
    path: str
    sound: bytes | None
    sound_sha256: str
    made_with: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Result:
    """What came of one recording; all of it stands on the disk.

    Attributes
    ----------
    recording : str
        Its name in the archive.
    trusted : bool
    reason : str or None
        Why not: one sentence.
    is_new : bool
        False when it stood there from an earlier run.
    """

    recording: str
    trusted: bool
    reason: str | None
    is_new: bool


Runner = Callable[[Work[Task, Json], Iterable[Task]], Generator[Done[Task, Json], None, None]]
"""What does the work: :func:`graith.files._archive_workers.done_here`, or on a cluster."""


@cache
def made_with() -> tuple[tuple[str, str], ...]:
    """Return what a result's last digits depend on here: versions, the kind of machine, one thread or several."""
    is_one = all(os.environ.get(name) == "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"))
    here = (("graith", __version__), ("machine", platform.machine()), ("threads", "one" if is_one else "several"))
    return (*here, *((name, version(name)) for name in _COMPARED))


def wanted_of_workers() -> tuple[tuple[str, str], ...]:
    """Return what every worker must be made with: as here, but one thread, since sums by several differ with them."""
    return tuple((name, "one" if name == "threads" else value) for name, value in made_with())


def recordings_below(folder: Path) -> tuple[str, ...]:
    """Return the names of all recordings in a folder and below it, by their endings, with ``/`` between, sorted.

    Hidden files and folders are passed over, and so are links to folders.

    Raises
    ------
    FileError
        If the folder is not there or may not be looked into.
    """

    def refused(error: OSError) -> None:
        raise FileError(f"{error.filename}: the folder cannot be read ({error.strerror}). Check it.") from None

    if not folder.is_dir():
        raise FileError(f"{folder}: there is no such folder. Give the folder of the recordings.")
    found: list[str] = []
    for at, folders, names in os.walk(folder, onerror=refused):
        folders[:] = [name for name in folders if not name.startswith(".")]
        here = [Path(at) / name for name in names if not name.startswith(".")]
        found += [one.relative_to(folder).as_posix() for one in here if one.suffix.lower() in RECORDING_SUFFIXES]
    return tuple(sorted(found))


def measured(task: Task) -> Json:
    """Return one recording's result; the same for the same task wherever it runs.

    Raises
    ------
    FileError
        If this process is not made with what is asked for: then no result would be the same.
    """
    _check_made_with(task)
    if task.sound is None:
        answer, is_final = _answer(Path(task.path), task)
    else:
        with tempfile.TemporaryDirectory(prefix="graith-") as folder:
            path = Path(folder) / Path(task.asked.recording).name
            path.write_bytes(task.sound)
            answer, is_final = _answer(path, task)
    key = result_key(task.asked, task.sound_sha256, __version__) if is_final else None
    return _result(task.asked, answer, key, task.sound_sha256)


def _answer(path: Path, task: Task) -> tuple[Json, bool]:
    """Return the answer, and whether it will be the same the next time."""
    from graith.files.read_sound import working_blocks

    name = task.asked.recording
    try:
        if task.sound is None and sha256_of(path) != task.sound_sha256:
            return refusal(f"{name}: it is not the same file to the worker as it was here. Run this again."), False
        return answer_of(taken(partial(working_blocks, path)), task.asked), True
    except GraithError as error:
        return refusal(one_sentence(error, str(path), name)), path.is_file()


def _check_made_with(task: Task) -> None:
    here = dict(made_with())
    unlike = [f"{name} {here.get(name)}, not {wanted}" for name, wanted in task.made_with if here.get(name) != wanted]
    if unlike:
        raise FileError(
            f"A worker on {platform.node()} has {'; '.join(unlike)}: its results could differ in their last digits. "
            "Make it as this machine is; docs/listening-archive.md tells how."
        )


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes.

    Raises
    ------
    FileError
        If it cannot be read.
    """
    try:
        if not path.is_file():
            raise FileError(f"{path}: there is no such file. Check the name and the folder.")
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise FileError(f"{path}: the file cannot be read ({error.strerror}). Check its permissions.") from None


def archive_results(
    asked: Sequence[Asked],
    folder: Path,
    out: Path,
    run: Runner,
    *,
    send: bool = False,
    work: Work[Task, Json] = measured,
) -> Generator[Result, None, None]:
    """Listen to the recordings of an archive; yield each result when it stands on the disk.

    A result of an earlier run that still holds is yielded as it is. Whoever stops taking results stops the work;
    nothing half-written is left.

    Parameters
    ----------
    asked : sequence of Asked
    folder : Path
        To which the recordings' names are relative.
    out : Path
        Folder of the results; made if it is not there.
    run : callable
        What does the work.
    send : bool
        Give workers the recordings' bytes instead of their paths.
    work : callable
        Instead of :func:`measured`.

    Raises
    ------
    FileError
        If a result cannot be written, or the workers cannot be used at all.
    """
    at_hand: deque[Result] = deque()
    with closing(run(work, _tasks(asked, folder, out, at_hand, send))) as ended:
        for done in ended:
            told = done.answer if done.answer is not None else _lost(done)
            yield from _drained(at_hand)
            write_result(out, told)
            yield _in_short(told, is_new=True)
    yield from _drained(at_hand)


def _tasks(asked: Sequence[Asked], folder: Path, out: Path, at_hand: deque[Result], send: bool) -> Iterator[Task]:
    """Yield what is left to do, the sound read no sooner than it is asked for; put into ``at_hand`` what is not."""
    for one in asked:
        path = folder / one.recording
        try:
            digest = sha256_of(path)
            kept = kept_result(out, one.recording, result_key(one, digest, __version__))
            if kept is None:
                yield Task(one, str(path.absolute()), _bytes(path) if send else None, digest, wanted_of_workers())
                continue
            at_hand.append(_in_short(kept, is_new=False))
        except FileError as error:
            told = _result(one, refusal(one_sentence(error, str(path), one.recording)), None, None)
            write_result(out, told)
            at_hand.append(_in_short(told, is_new=True))


def _bytes(path: Path) -> bytes:
    if path.stat().st_size > LARGEST_SENT_BYTES:
        raise FileError(
            f"{path}: it is larger than {LARGEST_SENT_BYTES // 2**20} MiB, too large to be sent to a cluster. Save it "
            "as FLAC or M4A, or let the workers read it themselves with --shared."
        )
    return path.read_bytes()


def _in_short(told: Json, *, is_new: bool) -> Result:
    return Result(told["recording"], told["trusted"], told["reason"], is_new)


def _drained(results: deque[Result]) -> Iterator[Result]:
    while results:
        yield results.popleft()


def _lost(done: Done[Task, Json]) -> Json:
    return _result(done.job.asked, refusal(f"{done.job.asked.recording}: {done.failure}"), None, done.job.sound_sha256)


def _result(asked: Asked, answer: Json, key: str | None, sound_sha256: str | None) -> Json:
    how = asked.how
    settings = {"scale": how.scale, "low_a_hz": how.low_a_hz, "n_players": how.n_players}
    head = {"recording": asked.recording, "sound_sha256": sound_sha256, "key": key, "graith": __version__}
    told = {**head, "settings": settings, **answer}
    return {field: told[field] for field in _RESULT_FIELDS}


def result_path(out: Path, recording: str) -> Path:
    """Return where a recording's result stands."""
    return out / RESULTS_FOLDER / f"{recording}.json"


def result_bytes(told: Json) -> bytes:
    """Return a result as it is written: the same bytes for the same result."""
    return f"{json.dumps(told, ensure_ascii=False, indent=1, allow_nan=False)}\n".encode("utf-8", "backslashreplace")


def write_result(out: Path, told: Json) -> None:
    """Write one result, whole or not at all.

    Raises
    ------
    FileError
        If it cannot be written.
    """
    path = result_path(out, told["recording"])
    make_folder(path.parent)
    write_bytes(path, result_bytes(told))


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, unless it is there.

    Raises
    ------
    FileError
        If it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"{folder}: the folder cannot be made ({error.strerror}). Choose another.") from None


def kept_result(out: Path, recording: str, key: str) -> Json | None:
    """Return the result of an earlier run when it is there and still holds, else None."""
    told = _read_result(result_path(out, recording))
    return told if told is not None and told["key"] == key else None


def _read_result(path: Path) -> Json | None:
    """Return a result file's content, or None for what is none."""
    try:
        told = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return None
    return told if isinstance(told, dict) and tuple(told) == _RESULT_FIELDS else None


def write_summary(out: Path) -> tuple[Path, Path]:
    """Write the table of all results that stand in a folder, as tab-separated values and as JSON; return the paths.

    Raises
    ------
    FileError
        If they cannot be written.
    """
    found = (_read_result(path) for path in sorted((out / RESULTS_FOLDER).rglob("*.json")))
    rows = sorted((summary_row(told) for told in found if told is not None), key=lambda row: str(row["recording"]))
    make_folder(out)
    table, plain = out / "summary.tsv", out / "summary.json"
    lines = ["\t".join(SUMMARY_COLUMNS), *("\t".join(_cell(row[name]) for name in SUMMARY_COLUMNS) for row in rows)]
    write_bytes(table, "".join(f"{line}\n" for line in lines).encode("utf-8", "backslashreplace"))
    write_bytes(plain, result_bytes({"recordings": rows}))
    return table, plain


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.3f}" if isinstance(value, float) else " ".join(str(value).split())
