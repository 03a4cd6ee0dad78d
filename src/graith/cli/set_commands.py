"""``graith set``: time, check, build, engrave and play sets."""

from __future__ import annotations

from pathlib import Path

import click

from graith.cli.main import FINE, HAS_PROBLEM
from graith.cli.options import (
    JSON,
    Amount,
    ClockTime,
    Count,
    PathArgument,
    Roster,
    check_out,
    layout_options,
    out_option,
    practice_options,
    rule_options,
)
from graith.rules.model import RosterFacts

DEFAULT_RULEBOOK = "common-practice"

set_argument = click.argument("set_file", metavar="SET", type=PathArgument(), required=True)


@click.group("set", context_settings={"help_option_names": ["-h", "--help"]})
def set_group() -> None:
    """Time, check, build, engrave and play sets."""


@set_group.command("time", short_help="Say exactly how long a set lasts.")
@set_argument
@click.option("--beats", is_flag=True, help="With --json: every beat, bar, note and gracenote too.")
@JSON
def time_command(set_file: Path, beats: bool, as_json: bool) -> int:
    """Say exactly how long SET lasts, tune by tune, from the first roll to the cut-off."""
    from graith.cli.choose_tunes import told_of_set
    from graith.cli.set_answers import print_timing, timing_json
    from graith.cli.show import print_json, say
    from graith.files.read_files import load_set_with_books
    from graith.services.time_set import time_set

    wanted, planned, books = load_set_with_books(set_file)
    timing = time_set(planned)
    if as_json:
        print_json({**timing_json(timing, beats=beats), "set_notes": wanted.notes})
    else:
        print_timing(timing)
        if wanted.notes:
            say(f"Notes: {wanted.notes}")
    return told_of_set(planned, books.values())


@set_group.command("check", short_help="Hold a set against its grade's rules.")
@set_argument
@rule_options("the set's, else common-practice")
@click.option("--roster", type=Roster(), help="Who plays: pipers,snares,tenors,basses, such as 8,3,2,1.")
@click.option(
    "--spread",
    "spread_s",
    type=Amount(0, 3600, "seconds"),
    help="How many seconds the band's own playing time varies (SD).",
)
@JSON
def check_command(
    set_file: Path,
    rulebook: str | None,
    grade: str | None,
    event: str | None,
    roster: RosterFacts | None,
    spread_s: float | None,
    as_json: bool,
) -> int:
    """Hold SET against the rulebook: every rule, what was measured, and whether it holds."""
    from graith.cli.set_answers import print_report
    from graith.files.read_files import load_rulebook, load_set_with_books
    from graith.services.time_set import report_set

    wanted, planned, books = load_set_with_books(set_file)
    rules = load_rulebook(rulebook) if rulebook else load_rulebook(wanted.rulebook or DEFAULT_RULEBOOK, set_file.parent)
    report = report_set(
        wanted,
        planned,
        rules,
        grade=grade,
        event=event,
        roster=roster,
        spread_s=spread_s,
        books=books.values(),
    )
    print_report(report, as_json=as_json)
    return FINE if report.is_fine else HAS_PROBLEM


@set_group.command("build", short_help="Find the best legal sets of a book.")
@click.argument("book", type=PathArgument(), nargs=-1, required=True)
@rule_options("common-practice")
@click.option("--target", "target_s", type=ClockTime(), help="Wanted length, such as 4:30.")
@click.option(
    "--tunes",
    "n_tunes",
    type=(Count(1, 99, "tunes"), Count(1, 99, "tunes")),
    metavar="FEWEST MOST",
    help="Fewest and most tunes.",
)
@click.option("--open-with", help="The first tune: its title, or FILE:INDEX.")
@click.option("--close-with", help="The last tune.")
@click.option("--with", "must_have", multiple=True, help="A tune that must be in it; may be given again.")
@click.option("--without", "banned", multiple=True, help="A tune that must not be in it; may be given again.")
@click.option(
    "--not-together",
    "apart",
    type=(str, str),
    multiple=True,
    metavar="TUNE TUNE",
    help="Two tunes not both in one set; may be given again.",
)
@click.option("--readiness", type=PathArgument(), help="TOML file: how ready each tune is, title = 0 to 1.")
@click.option(
    "--level",
    type=Amount(0, 10, "a difficulty"),
    help="The difficulty the band can carry, 0 to 10; harder tunes then cost.",
)
@click.option(
    "--best", "n_best", type=Count(1, 100, "sets"), default=10, show_default=True, help="How many sets to show."
)
@click.option(
    "--time-limit",
    "time_limit_s",
    type=Amount(0.001, 86_400, "seconds"),
    help="Stop after this many seconds with what was found.",
)
@click.option("--write", "out", type=PathArgument(), help="Write the sets as set files into this folder, a new one.")
@JSON
def build_command(book: tuple[Path, ...], out: Path | None, as_json: bool, **question: object) -> int:
    """Find the best legal sets that the tunes in BOOK give: proven best first, with reasons."""
    from graith.cli.build_sets import build_and_show

    return build_and_show(book, out=out, as_json=as_json, **question)  # type: ignore[arg-type]


@set_group.command("sheet", short_help="Engrave a set with tempi and links.")
@set_argument
@out_option("The pages to write: .pdf.")
@layout_options
def sheet_command(set_file: Path, out: Path, **layout: object) -> int:
    """Engrave SET: its tunes in order with tempi, links and times."""
    from graith.cli.choose_tunes import told_of_set
    from graith.cli.write_sheets import write_set_sheet
    from graith.files.read_files import load_set_with_books

    check_out(out, reads=[set_file])
    wanted, planned, books = load_set_with_books(set_file)
    write_set_sheet(wanted, planned, out, layout=layout)
    click.echo(f"Wrote {out}")
    return told_of_set(planned, books.values())


@set_group.command("sound")
@set_argument
@out_option("The sound to write: .wav .flac .mp3 .ogg, or .mid for the chanter's line.")
@practice_options
def sound_command(set_file: Path, out: Path, **practice: object) -> int:
    """Render practice sound of SET."""
    from graith.cli.choose_tunes import told_of_set
    from graith.cli.write_sounds import write_sound
    from graith.files.read_files import load_set_with_books

    check_out(out, reads=[set_file])
    _, planned, books = load_set_with_books(set_file)
    write_sound(planned, out, practice)
    return told_of_set(planned, books.values())
