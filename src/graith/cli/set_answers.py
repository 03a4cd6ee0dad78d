"""How a set's clock and its rulings are shown."""

from __future__ import annotations

from typing import Any

from graith.cli.show import (
    VERDICT_MARKS,
    VERDICT_STYLES,
    clock,
    console,
    mixed,
    plain,
    print_json,
    print_problems,
    problem_json,
    say,
)
from graith.rules.rulebook import ADVICE
from graith.services.time_set import SetReport, SetTiming
from graith.timeline.model import rows


def timing_json(timing: SetTiming, *, beats: bool = False) -> dict[str, Any]:
    """Return a set's timing as plain data; with ``beats``, every beat, bar, note and gracenote too."""
    timeline = timing.timeline
    answer: dict[str, Any] = {
        "name": timeline.name,
        "playing_s": timeline.playing_s,
        "music_s": timeline.music_s,
        "total_beats": str(timeline.total_beats),
        "drones_in_s": timeline.drones_in_s,
        "strike_in_s": timeline.strike_in_s,
        "first_note_s": timeline.first_note_s,
        "cut_off_s": timeline.cut_off_s,
        "tunes": [
            {
                "title": span.title,
                "tune_type": span.tune_type,
                "start_s": span.start_s,
                "stop_s": span.stop_s,
                "beats": str(span.beats),
                "start_bpm": span.start_bpm,
                "end_bpm": span.end_bpm,
                "parts_played": list(facts.parts_played),
            }
            for span, facts in zip(timeline.tunes, timing.facts.tunes or (), strict=True)
        ],
    }
    if beats:
        for name in ("beats", "bars", "notes", "graces"):
            answer[name] = rows(getattr(timeline, name))
    return answer


def print_timing(timing: SetTiming) -> None:
    """Print a set's clock: one line a tune, then the totals."""
    from rich.table import Table

    timeline = timing.timeline
    table = Table(title=timeline.name, title_justify="left", title_style="bold")
    for heading in ("#", "Tune", "Type", "Parts"):
        table.add_column(heading)
    for heading in ("Beats", "Tempo", "Starts", "Lasts"):
        table.add_column(heading, justify="right")
    for number, (span, facts) in enumerate(zip(timeline.tunes, timing.facts.tunes or (), strict=True), 1):
        tempo = f"{span.start_bpm:g}" + (f" → {span.end_bpm:.4g}" if span.end_bpm != span.start_bpm else "")
        parts = " ".join(map(str, facts.parts_played))
        table.add_row(
            str(number), span.title, span.tune_type, parts, mixed(span.beats), tempo,
            clock(span.start_s), clock(span.stop_s - span.start_s),
        )  # fmt: skip
    console().print(table)
    whole = (clock(timeline.playing_s), "bold")
    if timeline.first_note_s > 0:
        say(whole, " from the first roll to the cut-off, ", (clock(timeline.music_s), "bold"), " from the first note.")
    else:
        say(whole, " from the first note to the cut-off.")
    if any(bar["number"] == 0 for bar in timeline.bars):
        say("A tune lasts from its pick-up to the next tune's; its beats count from its first full beat.")


def print_report(report: SetReport, *, as_json: bool) -> None:
    """Print a set's report: the clock, the rulings, what is wrong in the music."""
    if as_json:
        print_json(
            {
                "rulebook": report.rulebook,
                "grade": report.grade,
                "event": report.event,
                "verdict": report.verdict.value,
                "timing": timing_json(report.timing),
                "rulings": [plain(ruling) for ruling in report.rulings],
                "problems": [problem_json(problem) for problem in report.problems],
                "advice": ADVICE,
            }
        )
        return
    print_timing(report.timing)
    _print_rulings(report)
    print_problems(report.problems)
    say(ADVICE)


def _print_rulings(report: SetReport) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table(title=f"{report.rulebook}: {report.grade}, {report.event}", title_justify="left", title_style="bold")
    table.add_column("Ruling", no_wrap=True)
    for heading in ("The rule asks", "Measured", "Source"):
        table.add_column(heading)
    for ruling in report.rulings:
        verdict = ruling.verdict.value
        table.add_row(
            Text(VERDICT_MARKS[verdict], VERDICT_STYLES[verdict]), ruling.asks, ruling.measured, ruling.source
        )
    console().print(table)
    verdict = report.verdict.value
    says = {
        "holds": "Every rule holds.",
        "fails": "This set is not legal as it stands.",
        "cannot tell": "No rule fails, but some cannot be told. " + _what_lacks(report),
    }[verdict]
    say((f"{VERDICT_MARKS[verdict].split()[0]} {says}", VERDICT_STYLES[verdict]))


def _what_lacks(report: SetReport) -> str:
    roster = report.roster
    if None in (roster.pipers, roster.snares, roster.tenors, roster.basses):
        return "Say who plays with --roster, such as 8,3,2,1."
    return "Give what they lack."
