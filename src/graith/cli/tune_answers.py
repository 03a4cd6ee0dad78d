"""How what is known of tunes is shown: checks, a tune's facts, and moves onto the chanter."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

import click

from graith.cli.show import (
    MARKS,
    clock,
    console,
    counted,
    print_json,
    print_problems,
    problem_json,
    progress,
    say,
)
from graith.errors import FileError, GraithError, Problem, Severity
from graith.files.read_files import load_books, music_files
from graith.music.figures import figures_in
from graith.music.fit import KeyMove, Misfit, misfits
from graith.music.model import Tune
from graith.services.check_music import BookCheck, TuneCheck, check_book
from graith.services.lay_music import planned_tune_alone
from graith.timeline.make_timeline import timeline_of


def check_music(music: Sequence[Path]) -> tuple[list[BookCheck], list[FileError]]:
    """Return the check of every book that can be read, and what is told of those that cannot."""
    files = music_files(music)
    checks: list[BookCheck] = []
    unreadable: list[FileError] = []
    with progress(f"Checking {counted(len(files), 'file')}") as on_step:
        for path, book in load_books(files, on_unreadable=unreadable.append):
            checks.append(check_book(book, path.as_posix(), on_step=on_step if len(files) == 1 else None))
            if len(files) > 1:
                on_step(len(checks) + len(unreadable), len(files))
    return checks, unreadable


def print_checks(checks: Sequence[BookCheck], unreadable: Sequence[FileError] = (), *, as_json: bool = False) -> None:
    """Print everything that is wrong with books, and one closing line that counts it."""
    problems = [problem for check in checks for problem in _all_problems(check)]
    n_tunes = sum(len(check.tunes) for check in checks)
    n_errors = sum(check.n_errors for check in checks)
    for error in unreadable:
        say(str(error), err=True)
    if as_json:
        print_json(
            {
                "files": len(checks),
                "tunes": n_tunes,
                "errors": n_errors,
                "warnings": len(problems) - n_errors,
                "problems": [problem_json(problem) for problem in problems],
                "unreadable": [str(error) for error in unreadable],
            }
        )
        return
    print_problems(problems)
    clean = sum(1 for check in checks for one in check.tunes if not one.problems)
    say(
        f"{counted(n_tunes, 'tune')} in {counted(len(checks), 'file')}: {clean} without a remark, "
        f"{counted(n_errors, 'error')} ({MARKS[Severity.ERROR]}), "
        f"{counted(len(problems) - n_errors, 'warning')} ({MARKS[Severity.WARNING]})."
    )
    if unreadable:
        say(f"{counted(len(unreadable), 'file')} could not be read.")


def _all_problems(check: BookCheck) -> list[Problem]:
    return [*check.problems, *(problem for one in check.tunes for problem in one.problems)]


def tune_json(check: TuneCheck) -> dict[str, Any]:
    """Return a tune's facts as plain data; what cannot be worked out is missing, and ``cannot_play`` says why."""
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
    try:
        answer |= _played_json(check)
    except GraithError as error:
        answer["cannot_play"] = str(error)
    return answer


def _played_json(check: TuneCheck) -> dict[str, Any]:
    timeline = timeline_of(planned_tune_alone(check.tune))
    difficulty = check.difficulty()
    whole = timeline.bars[timeline.bars["number"] > 0]
    once = whole[whole["pass_number"] == 1]
    played: dict[str, Any] = {
        "tempo_bpm": timeline.tunes[0].start_bpm,
        "playing_s": timeline.playing_s,
        "bars_played": len(whole),
        "bars_in_part": [
            len(set(once["number"][once["part"] == part].tolist())) for part in range(1, len(check.tune.parts) + 1)
        ],
    }
    if difficulty is not None:
        played["difficulty"] = difficulty.score
        played["bar_difficulty"] = [
            {"part": bar.part, "bar": bar.place.bar, "score": bar.score, "graces_per_s": bar.graces_per_s}
            for bar in difficulty.bars
        ]
    return played


def figure_counts(tune: Tune) -> list[tuple[str, int]]:
    """Return the names of a tune's figures with their counts, the commonest first."""
    return Counter(placed.figure.name for placed in figures_in(tune)).most_common()


def print_tunes(checks: Sequence[TuneCheck], *, as_json: bool) -> None:
    """Print each tune's facts: type, parts, playing time, the hardest bars, figures."""
    if as_json:
        print_json([tune_json(check) for check in checks])
        return
    for check in checks:
        _print_tune(check, tune_json(check))


def _print_tune(check: TuneCheck, answer: dict[str, Any]) -> None:
    from rich.table import Table

    tune = check.tune
    composers = f" ({', '.join(tune.composers)})" if tune.composers else ""
    say((f"{tune.number}. {tune.title}", "bold"), (composers, "italic"))
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim")
    table.add_column()
    table.add_row("type", f"{answer['tune_type'] or 'not said (write R:)'}, {answer['metre'] or 'free metre'}")
    table.add_row("parts", _parts_words(answer.get("bars_in_part") or [part.n_bars for part in tune.parts]))
    if "playing_s" in answer:
        played = counted(answer["bars_played"], "bar")
        table.add_row("time", f"{clock(answer['playing_s'])} at {answer['tempo_bpm']:g}, {played} played")
    else:
        table.add_row("time", f"cannot be told. {answer['cannot_play']}")
    if "difficulty" in answer:
        table.add_row("difficulty", f"{answer['difficulty']:.1f} of 10; hardest: {_hardest(answer['bar_difficulty'])}")
    figures = ", ".join(f"{name} {count}" for name, count in answer["figures"].items())
    table.add_row("figures", figures or "none")
    console().print(table)
    print_problems(check.problems)
    click.echo()


def _parts_words(bars: Sequence[int]) -> str:
    """Return how many parts of how many bars, parts of one length together.

    Examples
    --------
    >>> _parts_words([8, 8, 8, 8]), _parts_words([8, 9, 9]), _parts_words([1])
    ('4 of 8 bars', '1 of 8 bars, 2 of 9 bars', '1 of 1 bar')
    """
    runs = [(n_bars, len(list(run))) for n_bars, run in groupby(bars)]
    return ", ".join(f"{n_parts} of {counted(n_bars, 'bar')}" for n_bars, n_parts in runs) or "none"


def _hardest(bars: Sequence[dict[str, Any]], most: int = 3) -> str:
    ranked = sorted(bars, key=lambda bar: -bar["score"])[:most]
    return ", ".join(f"part {bar['part']} bar {bar['bar']} ({bar['score']:.1f})" for bar in ranked)


def print_fits(moves: Sequence[tuple[Tune, tuple[KeyMove, ...]]], *, most: int, as_json: bool) -> None:
    """Print the moves that bring each tune onto the chanter, or which notes stay off it."""
    if as_json:
        print_json([_fit_json(tune, found[:most]) for tune, found in moves])
        return
    for tune, found in moves:
        say(f"{tune.number}. {tune.title} ({tune.key.text})")
        for rank, move in enumerate(found[:most], 1):
            say(f"   {rank}. {move}")
        if not found:
            _print_misfits(misfits(tune))


def _print_misfits(nearest: Sequence[Misfit]) -> None:
    if not nearest:
        say("   It has no note that could be moved.")
        return
    say("   No move brings every note onto the chanter. The nearest:")
    for misfit in nearest:
        lacking = ", ".join(f"{note.pitch} ({_times(note.n_times)}, {note.why})" for note in misfit.notes)
        say(f"   - {misfit.move}; off it: {lacking}")


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


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
