"""How answers look in a terminal: tables, problems, durations, JSON and progress."""

from __future__ import annotations

import dataclasses
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import Enum
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import click

from graith.errors import Problem, Severity

if TYPE_CHECKING:
    from rich.console import Console

VERDICT_MARKS = {"holds": "✓ holds", "fails": "✗ fails", "cannot tell": "? cannot tell"}
VERDICT_STYLES = {"holds": "green", "fails": "bold red", "cannot tell": "yellow"}


def console() -> Console:
    """Return a console on standard output that wraps at a readable width when it is not a terminal."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else 110
    return Console(width=width, highlight=False, soft_wrap=False)


def clock(seconds: float) -> str:
    """Return seconds as minutes and seconds with a tenth.

    Examples
    --------
    >>> clock(263.26), clock(59.96)
    ('4:23.3', '1:00.0')
    """
    tenths = round(seconds * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def print_json(value: object) -> None:
    """Print a value as JSON on standard output."""
    click.echo(json.dumps(plain(value), ensure_ascii=False, indent=2))


def plain(value: Any) -> Any:
    """Return dataclasses, enums, fractions and sequences as what JSON knows; a fraction becomes ``"3/8"``."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Fraction):
        return str(value)
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
    """Print each problem as its sentence, warnings marked."""
    from rich.text import Text

    out = console()
    for problem in problems:
        is_error = problem.severity is Severity.ERROR
        mark = Text("✗ ", "bold red") if is_error else Text("• ", "yellow")
        out.print(mark + Text(str(problem)))


@contextmanager
def progress(label: str, *, quiet: bool = False) -> Iterator[Callable[[int, int], None]]:
    """Show a progress bar on standard error while work goes on; give back ``on_step(done, total)``."""
    if quiet or not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task(label, total=None)
        yield lambda done, total: bars.update(task, completed=done, total=total)
