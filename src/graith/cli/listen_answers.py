"""Listen to a recording and tell what was heard: in words, as JSON, as pages."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from graith.cli.main import FINE, HAS_PROBLEM
from graith.cli.options import as_wrong_usage, check_out
from graith.cli.show import clock, console, counted, progress, say
from graith.errors import FileError, ListenError

if TYPE_CHECKING:
    from rich.table import Table

    from graith.listen.heard import Heard
    from graith.services.listen_to_recording import Listening, Progress
    from graith.services.take_recording import Blocks, Taken
    from graith.sets.model import PlannedSet
    from graith.timeline.model import StructuredArray

STANDARD_OUTPUT = Path("-")


def listen_and_tell(
    *,
    recording: Path,
    set_file: Path | None,
    tune_file: Path | None,
    index: int | None,
    parts: tuple[int, ...] | None,
    tempo_bpm: float | None,
    low_a_hz: float | None,
    scale: str,
    n_players: int | None,
    against: Path | None,
    json_out: Path | None,
    pages_out: Path | None,
) -> int:
    """Listen to a recording and print what was heard; return the exit status.

    Raises
    ------
    click.UsageError
        If not just one of set and tune is named, or an option does not go with it.
    ListenError
        If the recording cannot be read.
    """
    from graith.services.listen_to_recording import listen_to_set
    from graith.sound.scale import scale_named

    with as_wrong_usage():
        chosen_scale = scale_named(scale)
    read = [one for one in (set_file, tune_file, against) if one is not None]
    check_outs(recording, json_out, pages_out, reads=read)
    usual = None if against is None else _usual_pointing(against)
    planned = _planned(set_file, tune_file, index=index, parts=parts, tempo_bpm=tempo_bpm)
    quiet = json_out == STANDARD_OUTPUT
    heard_sound = take_in(recording)
    with shares(f"Listening to {recording.name}") as on_share:
        listening = listen_to_set(
            heard_sound,
            planned,
            scale=chosen_scale,
            low_a_hz=low_a_hz,
            n_players=n_players,
            progress=on_share,
            against=usual,
        )
    if json_out is not None:
        write_json(listening_json(listening), json_out)
    if pages_out is not None and listening.heard.trusted:
        write_listening_pages(listening, pages_out)
    if not quiet:
        print_heard(listening)
        for out in (json_out, pages_out if listening.heard.trusted else None):
            if out is not None:
                click.echo(f"Wrote {out}")
    if not listening.heard.trusted:
        say(listening.heard.reason or "This recording cannot be trusted.", err=True)
        return HAS_PROBLEM
    return FINE


def check_outs(recording: Path, json_out: Path | None, pages_out: Path | None, *, reads: list[Path]) -> None:
    """Do nothing when what is asked for can be written.

    Raises
    ------
    FileError
        If a file cannot be written.
    click.UsageError
        If it is a file that is read, or the pages are no .pdf.
    """
    if json_out is not None and json_out != STANDARD_OUTPUT:
        check_out(json_out, reads=[recording, *reads])
    if pages_out is not None:
        if pages_out.suffix.lower() != ".pdf":
            raise click.UsageError(f"{pages_out.name}: do not know this ending. Write .pdf.")
        check_out(pages_out, reads=[recording, *reads])


def take_in(path: Path) -> Taken:
    """Return a recording taken in, with a bar for its reading.

    Raises
    ------
    ListenError
        If it cannot be read: then it is the recording that has a problem, not the command.
    """
    from graith.files.read_sound import working_blocks
    from graith.services.take_recording import taken

    with progress(f"Reading {path.name}") as on_step:

        def read(*, start_s: float = 0.0, stop_s: float | None = None) -> Blocks:
            return working_blocks(path, start_s=start_s, stop_s=stop_s, progress=_steps(on_step, start_s))

        try:
            return taken(read)
        except FileError as error:
            raise ListenError(str(error)) from None


def _steps(on_step: Callable[[int, int], object], start_s: float) -> Callable[[float, float | None], object] | None:
    """Return what moves the reading's bar; when a stretch is read again, the bar has gone."""
    if start_s > 0.0:
        return None
    return lambda done_s, all_s: on_step(round(1000 * done_s), round(1000 * all_s) if all_s is not None else 0)


@contextmanager
def shares(label: str) -> Iterator[Progress]:
    """Show a bar that is moved by the share of the work that is done."""
    with progress(label) as on_step:
        yield lambda share: on_step(round(1000 * share), 1000)


def write_json(answer: dict[str, Any], out: Path) -> None:
    """Write an answer as JSON to a file, whole or not at all, or to standard output.

    Raises
    ------
    FileError
        If it cannot be written.
    """
    from graith.files.write import write_text

    text = json.dumps(answer, ensure_ascii=False, indent=2, allow_nan=False)
    if out == STANDARD_OUTPUT:
        click.echo(text)
    else:
        write_text(out, f"{text}\n")


def _usual_pointing(path: Path) -> StructuredArray:
    """Return the dotted pairs of an earlier result.

    Raises
    ------
    FileError
        If it cannot be read, or is no result that has them.
    """
    from graith.files.read_files import read_text
    from graith.listen.player_figures import usual_pointing

    try:
        return usual_pointing(json.loads(read_text(path)))
    except (json.JSONDecodeError, ListenError) as error:
        says = str(error) if isinstance(error, ListenError) else "It is no JSON; give the file that --json wrote."
        raise FileError(f"{path}: {says[0].lower()}{says[1:]}") from None


def _planned(
    set_file: Path | None,
    tune_file: Path | None,
    *,
    index: int | None,
    parts: tuple[int, ...] | None,
    tempo_bpm: float | None,
) -> PlannedSet:
    if (set_file is None) == (tune_file is None):
        raise click.UsageError("Say what was played: either --set SET.toml or --tune FILE.abc.")
    if set_file is not None:
        if index is not None or parts is not None or tempo_bpm is not None:
            raise click.UsageError("--index, --parts and --tempo go with --tune; a set file says its own.")
        from graith.files.read_files import load_planned_set

        return load_planned_set(set_file)[1]
    from graith.cli.choose_tunes import one_check
    from graith.services.lay_music import planned_tune_alone

    assert tune_file is not None
    return planned_tune_alone(one_check(tune_file, index).tune, parts=parts, tempo_bpm=tempo_bpm)


def listening_json(listening: Listening) -> dict[str, Any]:
    """Return what was heard as plain data for JSON."""
    from graith.listen.as_json import as_json

    return as_json(listening.heard, listening.timeline)


def write_listening_pages(listening: Listening, out: Path) -> None:
    """Write the pages of what was heard.

    Raises
    ------
    FileError
        If they cannot be written.
    """
    from graith.cli.write_sheets import page_date
    from graith.files.listening_page import listening_pages
    from graith.files.pages import write_pdf

    write_pdf(listening_pages(listening, listening.samples), out, made=page_date())


def print_heard(listening: Listening) -> None:
    """Print what was heard: the facts as tables, then the findings."""
    from graith.listen.summary import summary_of

    heard = listening.heard
    if heard.trusted:
        say((f"{listening.timeline.name}, as heard in {heard.recording.label}", "bold"))
        for sentence in summary_of(heard):
            say(sentence)
        for table in (_notes_table(heard), _tunes_table(listening)):
            if table is not None:
                console().print(table)
    if heard.findings:
        say(("\nWhat is worth your time, the heaviest first:" if heard.trusted else "Of the recording itself:", "bold"))
        for number, finding in enumerate(heard.findings, 1):
            say((f"{number:>2}. ", "bold"), finding.says)
        if heard.n_more_findings:
            say(f"And {counted(heard.n_more_findings, 'lighter finding')} more.")
    elif heard.trusted:
        say("\nNothing stands out above what an ear can tell.")


def _notes_table(heard: Heard) -> Table | None:
    from rich.table import Table

    from graith.music.model import ChanterNote

    if heard.tuning is None or not heard.tuning.notes["heard"].any():
        return None
    shows_spread = heard.n_players != 1
    table = Table(
        title=f"Notes against the drones ({heard.scale_name} scale)", title_justify="left", title_style="bold"
    )
    table.add_column("Note")
    for heading in ("Hz", "Cents off", "Give or take", *(("Spread, cents",) if shows_spread else ())):
        table.add_column(heading, justify="right")
    for note in reversed(ChanterNote):
        row = heard.tuning.notes[note]
        cells = [f"{row['hz']:.1f}", f"{row['cents']:+.1f}", f"{row['uncertainty_cents']:.1f}"]
        cells += [f"{row['spread_cents']:.1f}"] if shows_spread else []
        table.add_row(note.label, *(cells if row["heard"] else ["not heard"]))
    return table


def _tunes_table(listening: Listening) -> Table | None:
    from rich.table import Table

    tempo, timeline = listening.heard.tempo, listening.timeline
    if tempo is None or not tempo.bars["heard"].any():
        return None
    table = Table(title="Tempo, beats a minute", title_justify="left", title_style="bold")
    table.add_column("Tune")
    for heading in ("From", "Bars heard", "Planned", "Played", "Slowest bar", "Fastest bar"):
        table.add_column(heading, justify="right")
    for tune, span in enumerate(timeline.tunes):
        at = (timeline.bars["tune"][tempo.bars["bar"]] == tune) & (timeline.bars["number"][tempo.bars["bar"]] != 0)
        rows, n_bars = tempo.bars[at & tempo.bars["heard"]], int(at.sum())
        if rows.size:
            means = [f"{rows.size / (1.0 / rows[name]).sum():.1f}" for name in ("planned_bpm", "bpm")]
            ends = [f"{rows['bpm'].min():.1f}", f"{rows['bpm'].max():.1f}"]
            table.add_row(span.title, clock(float(rows["time_s"].min())), f"{rows.size} of {n_bars}", *means, *ends)
        else:
            table.add_row(span.title, "not heard", f"0 of {n_bars}")
    return table
