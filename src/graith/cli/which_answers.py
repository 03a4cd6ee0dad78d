"""Tell which of a book's tunes and sets a recording holds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from graith.cli.main import FINE, HAS_PROBLEM
from graith.cli.show import console, counted, say

if TYPE_CHECKING:
    from graith.listen.heard import RecordingFacts
    from graith.listen.which import Ranking
    from graith.services.which_was_played import Which

_MOST_SHOWN = 10
_LEAST_SHOWN = 0.1


def tell_which(recording: Path, book: Path, *, low_a_hz: float | None, json_out: Path | None) -> int:
    """Print which of a book's tunes and sets a recording holds; return the exit status, 1 when none of them.

    Raises
    ------
    FileError
        If the book cannot be read.
    ListenError
        If the recording cannot be read.
    """
    from graith.cli.gather_music import timelines_of_book
    from graith.cli.listen_answers import STANDARD_OUTPUT, check_outs, shares, take_in, write_json
    from graith.services.take_recording import overview_taken
    from graith.services.which_was_played import which_was_played

    check_outs(recording, json_out, None, reads=[book] if book.is_file() else [])
    timelines, unlaid = timelines_of_book(book)
    whole = take_in(recording)
    facts = whole.facts
    with shares(f"Looking for {counted(len(timelines), 'tune')} and sets") as on_share:
        which = which_was_played(facts, overview_taken(whole), timelines, low_a_hz=low_a_hz, progress=on_share)
    if json_out is not None:
        write_json(_json(which, facts), json_out)
    if json_out != STANDARD_OUTPUT:
        if which.ranking is not None:
            print_ranking(which, which.ranking)
        if unlaid:
            say(f"{counted(len(unlaid), 'tune')} could not be laid on the clock and were not looked for. "
                "See them with graith tune check.")  # fmt: skip
        if json_out is not None:
            click.echo(f"Wrote {json_out}")
    if which.name is None:
        say(which.says, err=True)
        return HAS_PROBLEM
    return FINE


def print_ranking(which: Which, ranking: Ranking) -> None:
    """Print the answer, then the likeliest in a table."""
    from rich.table import Table

    if which.name is not None:
        say((which.says, "bold"))
    likely = [one for one in ranking.candidates if one.fit > _LEAST_SHOWN * ranking.candidates[0].fit]
    if not likely:
        return
    table = Table("#", "Tune or set")
    for heading in ("Fit", "Share of it heard"):
        table.add_column(heading, justify="right")
    for number, one in enumerate(likely[:_MOST_SHOWN], 1):
        share = 0.0 if one.stretch is None else one.stretch.share
        table.add_row(str(number), one.name, f"{one.fit:.1f}", f"{100 * share:.0f} %")
    console().print(table)


def _json(which: Which, facts: RecordingFacts) -> dict[str, Any]:
    from graith.cli.show import plain

    ranking = which.ranking
    return {
        "recording": facts.label,
        "best": which.name,
        "is_clear": ranking is not None and ranking.is_clear,
        "says": which.says,
        "candidates": [] if ranking is None else plain(ranking.candidates),
    }
