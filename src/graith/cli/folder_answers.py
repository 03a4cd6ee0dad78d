"""Listen to a folder of recordings and tell what came of it."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from graith.cli.main import FINE, HAS_PROBLEM
from graith.cli.options import as_wrong_usage
from graith.cli.show import counted, progress, say
from graith.errors import FileError, GraithError
from graith.services.listen_to_archive import Asked, HowToHear, Music, music_key, music_of

if TYPE_CHECKING:
    from graith.files._recordings_table import Listed
    from graith.files.archive_results import Result, Runner


@dataclass(frozen=True, slots=True)
class _Played:
    """What was played in the recordings that the table does not tell of."""

    music: tuple[Music, ...]
    is_told: bool


def listen_to_folder(
    *,
    folder: Path,
    out: Path,
    set_file: Path | None,
    tune_file: Path | None,
    index: int | None,
    parts: tuple[int, ...] | None,
    tempo_bpm: float | None,
    book: Path | None,
    low_a_hz: float | None,
    scale: str,
    n_players: int | None,
    n_workers: int | None,
    cluster: str | None,
    shared: bool,
    tls_ca: Path | None,
    tls_cert: Path | None,
    tls_key: Path | None,
) -> int:
    """Listen to a folder's recordings; write a result for each and a summary; return the exit status.

    Raises
    ------
    click.UsageError
        If options do not go together, or nobody told what was played.
    FileError
        If the folder, its table, the music or the cluster cannot be used, or nothing can be written.
    """
    from graith.files.archive_results import archive_results, make_folder, recordings_below, write_summary
    from graith.sound.scale import scale_named

    with as_wrong_usage():
        scale_named(scale)
    run = _runner(cluster, n_workers, shared, tls_ca, tls_cert, tls_key)
    found = recordings_below(folder)
    listed = _listed(folder)
    rest = _played(set_file, tune_file, index, parts, tempo_bpm, book)
    asked, left_out = _asked(found, listed, rest, HowToHear(scale, low_a_hz, n_players))
    if not asked:
        raise FileError(_nothing_to_do(folder, left_out))
    make_folder(out)
    results = archive_results(asked, folder, out, run, send=cluster is not None and not shared)
    with closing(results):
        told = list(_shown(results, folder, len(asked)))
    written = write_summary(out)
    _tell(told, left_out, written)
    return FINE if all(one.trusted for one in told) else HAS_PROBLEM


def _runner(
    cluster: str | None,
    n_workers: int | None,
    shared: bool,
    tls_ca: Path | None,
    tls_cert: Path | None,
    tls_key: Path | None,
) -> Runner:
    """Return what does the work: processes of this machine, or a cluster."""
    from graith.files._archive_cluster import Cluster, done_on_cluster
    from graith.files._archive_workers import done_here

    tls = (tls_ca, tls_cert, tls_key)
    if cluster is None:
        if shared or any(tls):
            raise click.UsageError("--shared and the --tls options go with --cluster.")
        n_processes = n_workers or os.cpu_count() or 1
        return lambda work, jobs: done_here(work, jobs, n_workers=n_processes)
    if n_workers is not None:
        raise click.UsageError("--workers goes without --cluster: a cluster has its own.")
    scheme, mark, host = cluster.rpartition("://")
    if scheme not in ("tcp", "tls", "") or not host:
        raise click.UsageError(f"{cluster}: not a scheduler's address. Write tls://host:port, or tcp://host:port.")
    if (scheme == "tls") != all(tls) or any(tls) != all(tls):
        raise click.UsageError("tls:// needs --tls-ca, --tls-cert and --tls-key, all three; tcp:// takes none of them.")
    there = Cluster(cluster if mark else f"tcp://{host}", *tls)
    return lambda work, jobs: done_on_cluster(work, jobs, cluster=there)


def _listed(folder: Path) -> tuple[Listed, ...]:
    from graith.files._recordings_table import TABLE_NAME, load_recordings_table

    table = folder / TABLE_NAME
    return load_recordings_table(table) if table.exists() else ()


def _played(
    set_file: Path | None,
    tune_file: Path | None,
    index: int | None,
    parts: tuple[int, ...] | None,
    tempo_bpm: float | None,
    book: Path | None,
) -> _Played | None:
    """Return what the options say was played; None when they say nothing."""
    if sum(one is not None for one in (set_file, tune_file, book)) > 1:
        raise click.UsageError("Give one of --set, --tune and --book; recordings.toml can tell each recording's own.")
    if tune_file is None and (index, parts, tempo_bpm) != (None, None, None):
        raise click.UsageError("--index, --parts and --tempo go with --tune; a set file says its own.")
    if book is not None:
        from graith.cli.gather_music import music_of_book

        music, unlaid = music_of_book(book)
        if unlaid:
            say(f"{counted(len(unlaid), 'tune')} of the book could not be laid on the clock and are not asked for. "
                "See them with graith tune check.", err=True)  # fmt: skip
        return _Played(tuple(Music(name, one, music_key(line)) for name, (one, line) in music.items()), is_told=False)
    if set_file is None and tune_file is None:
        return None
    return _Played((_music(set_file, tune_file, index, parts, tempo_bpm),), is_told=True)


def _music(
    set_file: Path | None,
    tune_file: Path | None,
    index: int | None,
    parts: tuple[int, ...] | None,
    tempo_bpm: float | None,
) -> Music:
    if set_file is not None:
        from graith.files.read_files import load_planned_set

        planned = load_planned_set(set_file)[1]
    else:
        from graith.cli.choose_tunes import one_check
        from graith.services.lay_music import planned_tune_alone

        assert tune_file is not None
        planned = planned_tune_alone(one_check(tune_file, index).tune, parts=parts, tempo_bpm=tempo_bpm)
    return music_of(planned.name, planned)


def _asked(
    found: Sequence[str], listed: Sequence[Listed], rest: _Played | None, how: HowToHear
) -> tuple[tuple[Asked, ...], tuple[str, ...]]:
    """Return what is asked of each recording in order of name, and those of which nobody told what was played."""
    by_name = {one.recording: one for one in listed}
    loaded: dict[tuple[object, ...], Music] = {}
    asked: list[Asked] = []
    left_out: list[str] = []
    for name in sorted({*found, *by_name}):
        one = by_name.get(name)
        music = _listed_music(one, loaded) if one is not None else None
        played = rest if music is None else _Played((music,), is_told=True)
        if played is None:
            left_out.append(name)
        else:
            asked.append(Asked(name, played.music, played.is_told, how if one is None else _how(one, how)))
    return tuple(asked), tuple(left_out)


def _listed_music(one: Listed, loaded: dict[tuple[object, ...], Music]) -> Music | None:
    if one.set_file is None and one.tune_file is None:
        return None
    what = (one.set_file, one.tune_file, one.index, one.parts, one.tempo_bpm)
    if what not in loaded:
        try:
            loaded[what] = _music(*what)
        except GraithError as error:
            raise FileError(f"What was played in {one.recording} cannot be read: {error}") from None
    return loaded[what]


def _how(one: Listed, how: HowToHear) -> HowToHear:
    """Return what the table says of one recording, where it says it, before what the options say of all."""
    return HowToHear(
        scale=one.scale or how.scale,
        low_a_hz=how.low_a_hz if one.low_a_hz is None else one.low_a_hz,
        n_players=how.n_players if one.n_players is None else one.n_players,
    )


def _nothing_to_do(folder: Path, left_out: Sequence[str]) -> str:
    if left_out:
        return (
            f"{folder}: nobody told what was played in its {counted(len(left_out), 'recording')}. Write it in "
            "recordings.toml there, or give --set, --tune or --book."
        )
    return f"{folder}: there is no recording in it. Put .wav, .flac, .mp3, .ogg, .opus or .m4a files there."


def _shown(results: Iterator[Result], folder: Path, n_asked: int) -> Iterator[Result]:
    """Yield the results while a bar tells how many there are."""
    with progress(f"Listening to {folder.name or folder}") as on_step:
        on_step(0, n_asked)
        for n_done, result in enumerate(results, 1):
            on_step(n_done, n_asked)
            yield result


def _tell(told: Sequence[Result], left_out: Sequence[str], written: Sequence[Path]) -> None:
    n_new = sum(one.is_new for one in told)
    trusted = sum(one.trusted for one in told)
    kept = f"; {len(told) - n_new} stood there from an earlier run" if n_new < len(told) else ""
    say(f"Listened to {counted(n_new, 'recording')}{kept}. {trusted} of {len(told)} can be trusted.")
    for one in sorted(told, key=lambda result: result.recording):
        if not one.trusted:
            say(_reason(one), err=True)
    if left_out:
        say(f"Nobody told what was played in {counted(len(left_out), 'more recording')}, which therefore "
            f"{'was' if len(left_out) == 1 else 'were'} left out: {', '.join(left_out[:5])}"
            f"{' …' if len(left_out) > 5 else ''}. Add to recordings.toml, or give --book.", err=True)  # fmt: skip
    for path in written:
        click.echo(f"Wrote {path}")


def _reason(result: Result) -> str:
    """Return why a recording cannot be trusted; by its whole name, since two folders may hold files of one name."""
    name, reason = result.recording, str(result.reason)
    label = Path(name).name
    return f"{name}{reason.removeprefix(label)}" if reason.startswith(f"{label}:") else reason
