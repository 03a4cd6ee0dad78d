"""How answers look in a terminal: tables, problems, durations, JSON and progress."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import Enum
from fractions import Fraction
from typing import TYPE_CHECKING, Any, TextIO

import click

from graith.errors import Problem, Severity

if TYPE_CHECKING:
    from rich.console import Console

VERDICT_MARKS = {"holds": "✓ holds", "fails": "✗ fails", "cannot tell": "? cannot tell"}
VERDICT_STYLES = {"holds": "green", "fails": "bold red", "cannot tell": "yellow"}
MARKS = {Severity.ERROR: "✗", Severity.WARNING: "•"}
WIDTH_OFF_TERMINAL = 110


def is_terminal(stream: TextIO | None) -> bool:
    """Return whether a stream is open and shown to somebody."""
    return stream is not None and stream.isatty()


def console() -> Console:
    """Return a console on standard output, as wide as the terminal; names are shown as they are, never as markup."""
    from rich.console import Console

    class PlainConsole(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    width = None if is_terminal(sys.stdout) else WIDTH_OFF_TERMINAL
    return PlainConsole(width=width, highlight=False, markup=False, emoji=False)


def say(*words: str | tuple[str, str], err: bool = False) -> None:
    """Print one sentence: broken between words in a terminal, on one line elsewhere; a pair is a text and its style."""
    from rich.text import Text

    text = Text.assemble(*words)
    if err or not is_terminal(sys.stdout):
        click.echo(text.plain, err=err)
    else:
        console().print(text)


def clock(seconds: float) -> str:
    """Return seconds as minutes and seconds with a tenth.

    Examples
    --------
    >>> clock(263.26), clock(59.96)
    ('4:23.3', '1:00.0')
    """
    tenths = round(seconds * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def counted(count: int, word: str) -> str:
    """Return a number and what it counts.

    Examples
    --------
    >>> counted(1, "tune"), counted(3, "bar")
    ('1 tune', '3 bars')
    """
    return f"{count} {word}{'' if count == 1 else 's'}"


def mixed(number: Fraction) -> str:
    """Return an exact number as people write it, whole part first.

    Examples
    --------
    >>> mixed(Fraction(193, 2)), mixed(Fraction(64)), mixed(Fraction(1, 3))
    ('96 1/2', '64', '1/3')
    """
    whole, rest = divmod(number.numerator, number.denominator)
    if not rest:
        return str(whole)
    return f"{f'{whole} ' if whole else ''}{rest}/{number.denominator}"


def print_json(value: object) -> None:
    """Print a value as JSON on standard output; JSON has no infinity and no NaN, they become null."""
    click.echo(json.dumps(plain(value), ensure_ascii=False, indent=2, allow_nan=False))


def plain(value: Any) -> Any:
    """Return dataclasses, enums, fractions and sequences as what JSON knows; a fraction becomes ``"3/8"``."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Fraction):
        return str(value)
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {str(plain(key)): plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(one) for one in value]
    return value


def problem_json(problem: Problem) -> dict[str, Any]:
    """Return a problem as plain data, with its sentence."""
    place = problem.place
    return {
        "file": place.source,
        "line": place.line,
        "column": place.column,
        "tune": place.tune,
        "part": place.part,
        "bar": place.bar,
        "kind": problem.kind,
        "severity": problem.severity.value,
        "says": problem.says,
        "remedy": problem.remedy,
        "text": problem.text,
        "sentence": str(problem),
    }


def print_problems(problems: Sequence[Problem]) -> None:
    """Print each problem as its sentence, errors and warnings marked."""
    for problem in problems:
        style = "bold red" if problem.severity is Severity.ERROR else "yellow"
        say((f"{MARKS[problem.severity]} ", style), str(problem))


def tell_errors(problems: Sequence[Problem]) -> None:
    """Print the problems on standard error, for a command whose answer is a file."""
    for problem in problems:
        say(f"{MARKS[problem.severity]} {problem}", err=True)


@contextmanager
def progress(label: str, *, quiet: bool = False) -> Iterator[Callable[[int, int], None]]:
    """Show a progress bar on standard error while work goes on; give back ``on_step(done, total)``."""
    if quiet or not is_terminal(sys.stderr):
        yield lambda _done, _total: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task(label, total=None)
        yield lambda done, total: bars.update(task, completed=done, total=total)
