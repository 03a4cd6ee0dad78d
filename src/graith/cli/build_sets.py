"""Build sets from books and show them."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import replace
from os.path import relpath
from pathlib import Path
from typing import Any

import click

from graith.builder.model import Answer, BuiltSet
from graith.cli.main import FINE, HAS_PROBLEM
from graith.cli.show import clock, console, counted, print_json, progress, say
from graith.errors import BuilderError, FileError
from graith.files.read_files import load_books, load_readiness, load_rulebook, shipped_rulebooks
from graith.rules.rulebook import ADVICE, Rulebook
from graith.services.build_set import TuneChoice, Wishes, ask_for_sets, set_from, tune_choice
from graith.sets.model import Set

DEFAULT_RULEBOOK = "common-practice"


def build_and_show(
    books: tuple[Path, ...],
    *,
    rulebook: str | None,
    grade: str | None,
    event: str | None,
    n_best: int,
    time_limit_s: float | None,
    out: Path | None,
    as_json: bool,
    readiness: Path | None = None,
    again: bool = False,
    **wishes: Any,
) -> int:
    """Ask the builder, show its answer, write the sets; return the exit status.

    Raises
    ------
    BuilderError
        If the question cannot be taken.
    FileError
        If a file cannot be read or written, or ``out`` holds built sets already and this is not ``again``.
    RulesError
        If the rulebook cannot be used.
    """
    rules = load_rulebook(rulebook or DEFAULT_RULEBOOK)
    chosen_grade, chosen_event = _event_wanted(rules, grade, event)
    ready = {} if readiness is None else load_readiness(readiness)
    if out is not None and not again:
        _refuse_built_before(out, n_best)
    choice = _choice(books, ready)
    if not as_json or not choice.candidates:
        for one in choice.left_out:
            say(f"Left out: {one}", err=not choice.candidates)
    wanted = Wishes(readiness=ready, **{name: value for name, value in wishes.items() if value is not None})
    deadline = None if time_limit_s is None else time.monotonic() + time_limit_s
    with progress(f"Choosing among {counted(len(choice.candidates), 'tune')}"):
        answer = ask_for_sets(
            choice,
            rules,
            chosen_grade,
            chosen_event,
            wanted,
            n_best=n_best,
            should_stop=None if deadline is None else lambda: time.monotonic() > deadline,
        )
    if as_json:
        print_json(answer_json(answer, choice))
    else:
        print_answer(answer, choice)
    if out is not None and answer.sets:
        _write_sets(answer, out, rulebook or DEFAULT_RULEBOOK, chosen_grade, chosen_event)
        click.echo(f"Wrote {counted(len(answer.sets), 'set file')} to {out}", err=as_json)
    return FINE if answer.sets else HAS_PROBLEM


def _choice(books: tuple[Path, ...], ready: Mapping[str, float]) -> TuneChoice:
    with progress("Reading the books"):
        found = {path.as_posix(): book for path, book in load_books(books, on_unreadable=_tell_left_out)}
        return tune_choice(found, ready)


def _tell_left_out(error: FileError) -> None:
    say(f"Left out: {error}", err=True)


def _refuse_built_before(out: Path, n_best: int) -> None:
    if out.exists() and not out.is_dir():
        raise FileError(f"{out}: this is a file. Name a folder for the sets.")
    there = [path for path in (_set_file(out, rank) for rank in range(1, n_best + 1)) if path.exists()]
    if there:
        raise FileError(f"{there[0]}: built before, and perhaps changed since. Name a new folder, or move it away.")


def _set_file(out: Path, rank: int) -> Path:
    return out / f"built-{rank:02d}.toml"


def _event_wanted(rules: Rulebook, grade: str | None, event: str | None) -> tuple[str, str]:
    for one in rules.grades:
        for found in one.events:
            if (grade or "").casefold() == one.name.casefold() and (event or "").casefold() == found.name.casefold():
                return one.name, found.name
    listed = "; ".join(f'"{one.name}": {", ".join(e.name for e in one.events)}' for one in rules.grades)
    raise BuilderError(f"Say --grade and --event as the rulebook names them. {rules.name} has {listed}.")


def built_json(built: BuiltSet) -> dict[str, Any]:
    """Return a built set as plain data."""
    return {
        "value": built.value,
        "roll_to_cut_off_s": built.roll_to_cut_off_s,
        "first_note_to_cut_off_s": built.first_note_to_cut_off_s,
        "tunes": [
            {
                "key": one.candidate.key,
                "title": one.candidate.title,
                "tune_type": one.candidate.tune_type,
                "tempo_bpm": one.candidate.tempo_bpm,
                "parts": None if one.cut.parts is None else list(one.cut.parts),
            }
            for one in built.tunes
        ],
        "reasons": [{"kind": one.kind, "points": one.points, "says": one.says} for one in built.reasons],
    }


def answer_json(answer: Answer, choice: TuneChoice) -> dict[str, Any]:
    """Return the builder's answer as plain data."""
    clash = answer.clash
    return {
        "candidates": len(choice.candidates),
        "left_out": [str(one) for one in choice.left_out],
        "proven": answer.is_proven,
        "bound": answer.bound,
        "sets": [built_json(one) for one in answer.sets],
        "clash": None
        if clash is None
        else {
            "is_smallest": clash.is_smallest,
            "demands": [
                {"kind": one.kind, "name": one.name, "says": one.says, "source": one.source} for one in clash.demands
            ],
            "says": str(clash),
        },
        "advice": ADVICE,
    }


def print_answer(answer: Answer, choice: TuneChoice, *, most: int | None = None) -> None:
    """Print the builder's answer: the sets with the best one's reasons, or the clash."""
    if answer.clash is not None:
        say(str(answer.clash))
        return
    if not answer.sets:
        say("No set was found in the time given, and none was ruled out. Give it more time.")
        return
    _print_sets(answer, most)
    best = answer.sets[0]
    say("Why the first:")
    for reason in best.reasons:
        say(f"  {reason}")
    if answer.is_proven:
        tunes = counted(len(choice.candidates), "tune")
        say(f"Proven: no set from {tunes} is worth more than {best.value:.2f} points.")
    else:
        say(f"Not proven: stopped early; a set could still be worth {answer.gap or 0.0:.2f} points more.")
    say(ADVICE)


def _print_sets(answer: Answer, most: int | None) -> None:
    from rich.table import Table

    table = Table(title="The best sets", title_justify="left", title_style="bold")
    table.add_column("#", justify="right")
    table.add_column("Points", justify="right")
    table.add_column("Lasts", justify="right")
    table.add_column("Tunes, in order")
    for rank, built in enumerate(answer.sets[:most], 1):
        tunes = " · ".join(_tune_words(built, index) for index in range(len(built.tunes)))
        table.add_row(str(rank), f"{built.value:.2f}", clock(built.roll_to_cut_off_s), tunes)
    console().print(table)


def _tune_words(built: BuiltSet, index: int) -> str:
    one = built.tunes[index]
    parts = f", parts {' '.join(map(str, one.cut.parts))}" if one.cut.parts is not None else ""
    return f"{one.candidate.title} ({one.candidate.tune_type}{parts})"


def _write_sets(answer: Answer, out: Path, rulebook: str, grade: str, event: str) -> None:
    from graith.files.write import write_text
    from graith.sets.write_set import write_set

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"{out}: the folder cannot be made ({error.strerror}). Choose another.") from None
    for rank, built in enumerate(answer.sets, 1):
        wanted = set_from(built, name=f"Built set {rank}", rulebook=rulebook, grade=grade, event=event)
        write_text(_set_file(out, rank), write_set(_seen_from(out, wanted)))


def _seen_from(folder: Path, wanted: Set) -> Set:
    """Return the set with its books, and a rulebook that is a file, named from the folder that its file lies in."""

    def named(path: str) -> str:
        return Path(relpath(path, folder)).as_posix()

    rulebook = wanted.rulebook if wanted.rulebook in shipped_rulebooks() else named(wanted.rulebook)
    tunes = tuple(replace(one, file=named(one.file)) for one in wanted.tunes)
    return replace(wanted, tunes=tunes, rulebook=rulebook)
