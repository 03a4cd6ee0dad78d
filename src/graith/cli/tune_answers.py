"""How what is known of tunes is shown: checks, a tune's facts, and moves onto the chanter."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import click

from graith.cli.show import clock, console, print_json, print_problems, problem_json
from graith.errors import Problem, Severity
from graith.music.figures import figures_in
from graith.music.fit import KeyMove, misfits
from graith.music.model import Tune
from graith.services.check_music import BookCheck, TuneCheck
from graith.services.lay_music import planned_tune_alone
from graith.timeline.make_timeline import timeline_of


def print_checks(checks: Sequence[BookCheck], *, as_json: bool) -> None:
    """Print everything that is wrong with books, and one closing line that counts it."""
    problems = [problem for check in checks for problem in _all_problems(check)]
    n_tunes = sum(len(check.tunes) for check in checks)
    n_errors = sum(check.n_errors for check in checks)
    if as_json:
        print_json(
            {
                "files": len(checks),
                "tunes": n_tunes,
                "errors": n_errors,
                "warnings": len(problems) - n_errors,
                "problems": [problem_json(problem) for problem in problems],
            }
        )
        return
    print_problems(problems)
    clean = sum(1 for check in checks for one in check.tunes if not one.problems)
    click.echo(
        f"{_counted(n_tunes, 'tune')} in {_counted(len(checks), 'file')}: {clean} without a remark, "
        f"{_counted(n_errors, 'error')}, {_counted(len(problems) - n_errors, 'warning')}."
    )


def _all_problems(check: BookCheck) -> list[Problem]:
    return [*check.problems, *(problem for one in check.tunes for problem in one.problems)]


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def tune_json(check: TuneCheck) -> dict[str, Any]:
    """Return a tune's facts as plain data."""
    tune = check.tune
    answer: dict[str, Any] = {
        "index": tune.number,
        "title": tune.title,
        "composers": list(tune.composers),
        "tune_type": check.tune_type.name if check.tune_type else None,
        "metre": str(tune.metre) if tune.metre else None,
        "key": tune.key.text,
        "parts": [{"label": part.label, "bars": part.n_bars} for part in tune.parts],
        "figures": dict(figure_counts(tune)),
        "problems": [problem_json(problem) for problem in check.problems],
    }
    if check.difficulty is not None and tune.parts:
        timeline = timeline_of(planned_tune_alone(tune))
        answer["tempo_bpm"] = timeline.tunes[0].start_bpm
        answer["playing_s"] = timeline.playing_s
        answer["bars_played"] = len(timeline.bars)
        answer["difficulty"] = check.difficulty.score
        answer["bar_difficulty"] = [
            {"part": bar.part, "bar": bar.place.bar, "score": bar.score, "graces_per_s": bar.graces_per_s}
            for bar in check.difficulty.bars
        ]
    return answer


def figure_counts(tune: Tune) -> list[tuple[str, int]]:
    """Return the names of a tune's figures with their counts, the commonest first."""
    return Counter(placed.figure.name for placed in figures_in(tune)).most_common()


def print_tunes(checks: Sequence[TuneCheck], *, as_json: bool) -> None:
    """Print each tune's facts: type, parts, playing time, the hardest bars, figures."""
    answers = [tune_json(check) for check in checks]
    if as_json:
        print_json(answers)
        return
    if not checks:
        click.echo("There is no tune in it. A tune starts with an X: line and has a K: line.")
    for check, answer in zip(checks, answers, strict=True):
        _print_tune(check, answer)


def _print_tune(check: TuneCheck, answer: dict[str, Any]) -> None:
    from rich.table import Table
    from rich.text import Text

    tune = check.tune
    out = console()
    out.print(Text(f"{tune.number}. {tune.title}", "bold"), Text(", ".join(tune.composers), "italic"))
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim")
    table.add_column()
    parts = ", ".join(f"{_counted(part.n_bars, 'bar')}" for part in tune.parts)
    table.add_row("type", f"{answer['tune_type'] or 'not said (write R:)'}, {answer['metre'] or 'free metre'}")
    table.add_row("parts", f"{len(tune.parts)} ({parts})")
    if "playing_s" in answer:
        table.add_row(
            "time", f"{clock(answer['playing_s'])} at {answer['tempo_bpm']:g}, {answer['bars_played']} bars played"
        )
        table.add_row("difficulty", f"{answer['difficulty']:.1f} of 10; hardest: {_hardest(check)}")
    figures = ", ".join(f"{name} {count}" for name, count in answer["figures"].items())
    table.add_row("figures", figures or "none")
    out.print(table)
    print_problems(check.problems)
    click.echo()


def _hardest(check: TuneCheck, most: int = 3) -> str:
    if check.difficulty is None:
        return ""
    ranked = sorted(check.difficulty.bars, key=lambda bar: -bar.score)[:most]
    return ", ".join(f"part {bar.part} bar {bar.place.bar} ({bar.score:.1f})" for bar in ranked)


def print_fits(moves: Sequence[tuple[Tune, tuple[KeyMove, ...]]], *, most: int, as_json: bool) -> None:
    """Print the moves that bring each tune onto the chanter, or which notes stay off it."""
    if as_json:
        print_json([_fit_json(tune, found[:most]) for tune, found in moves])
        return
    for tune, found in moves:
        click.echo(f"{tune.number}. {tune.title} ({tune.key.text})")
        for rank, move in enumerate(found[:most], 1):
            click.echo(f"   {rank}. {move}")
        if not found:
            click.echo("   No move brings every note onto the chanter. The nearest:")
            for misfit in misfits(tune):
                lacking = ", ".join(f"{note.pitch} ({note.n_times} times): {note.why}" for note in misfit.notes)
                click.echo(f"   - {misfit.move}; off it: {lacking}")


def _fit_json(tune: Tune, found: tuple[KeyMove, ...]) -> dict[str, Any]:
    answer: dict[str, Any] = {
        "index": tune.number,
        "title": tune.title,
        "key": tune.key.text,
        "moves": [
            {
                "semitones": move.semitones,
                "centre": move.centre,
                "lowest": move.lowest.label if move.lowest is not None else None,
                "highest": move.highest.label if move.highest is not None else None,
            }
            for move in found
        ],
    }
    if not found:
        answer["misfits"] = [
            {
                "semitones": misfit.move.semitones,
                "notes": [{"pitch": str(n.pitch), "why": n.why, "times": n.n_times} for n in misfit.notes],
            }
            for misfit in misfits(tune)
        ]
    return answer


def has_errors(problems: Sequence[Problem]) -> bool:
    """Return whether any problem is an error."""
    return any(problem.severity is Severity.ERROR for problem in problems)
