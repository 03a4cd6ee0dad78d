"""Arguments and options that several commands share, and what the values of options may be."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from graith.errors import GraithError
from graith.rules.model import RosterFacts

Command = TypeVar("Command", bound=Callable[..., Any])


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:39]}…"


class PathArgument(click.ParamType[Path]):
    """A path; whether it can be read is said later, in one sentence."""

    name = "path"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the value as a path."""
        del param, ctx
        return Path(value)


class WholeNumbers(click.ParamType[tuple[int, ...]]):
    """Whole numbers from 1 with commas between, such as ``1,2,1``."""

    name = "numbers"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, ...]:
        """Return the numbers."""
        if isinstance(value, tuple):
            return value
        try:
            numbers = tuple(int(one) for one in str(value).split(","))
        except ValueError:
            numbers = ()
        if not numbers or min(numbers) < 1:
            self.fail(f"{_short(value)} is not a list of part numbers. Write it as 1,2,1.", param, ctx)
        return numbers


class ClockTime(click.ParamType[float]):
    """A length of time as seconds or as minutes and seconds: ``270`` or ``4:30``."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return seconds."""
        if isinstance(value, float):
            return value
        minutes, colon, seconds = str(value).rpartition(":")
        try:
            total_s = int(minutes) * 60 + float(seconds) if colon else float(seconds)
            possible = 0 < total_s < 86_400 and not (colon and not 0 <= float(seconds) < 60)
        except ValueError:
            possible = False
        if not possible:
            self.fail(f"{_short(value)} is not a length of time. Write it as 4:30, or as seconds.", param, ctx)
        return total_s


class Number(click.types.FloatParamType):
    """Any number; what it may be is said by whatever is made with it."""

    name = "number"


class Amount(click.ParamType[float]):
    """A number within limits, such as seconds from 0."""

    name = "number"

    def __init__(self, low: float, high: float, what: str) -> None:
        self.low, self.high, self.what = low, high, what

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number."""
        try:
            number = float(value)
        except ValueError:
            number = float("nan")
        if not self.low <= number <= self.high:
            self.fail(f"{_short(value)} cannot be. Give {self.what} from {self.low:g} to {self.high:g}.", param, ctx)
        return number


class Count(click.ParamType[int]):
    """A whole number within limits, such as sets from 1 to 100."""

    name = "integer"

    def __init__(self, low: int, high: int, what: str) -> None:
        self.low, self.high, self.what = low, high, what

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Return the number."""
        try:
            number = int(value)
        except ValueError:
            number = self.low - 1
        if not self.low <= number <= self.high:
            self.fail(f"{_short(value)} cannot be. Give {self.what} from {self.low} to {self.high}.", param, ctx)
        return number


@contextmanager
def as_wrong_usage() -> Iterator[None]:
    """Tell an error in making something from options as wrong usage.

    Raises
    ------
    click.UsageError
        With the error's own sentence.
    """
    try:
        yield
    except GraithError as error:
        raise click.UsageError(str(error)) from None


def check_out(out: Path, reads: Iterable[Path] = ()) -> None:
    """Do nothing when a file can be written there; said before the work, not after it.

    Raises
    ------
    FileError
        If it cannot be written.
    click.UsageError
        If it is one of the files that are read, which would then be lost.
    """
    from graith.files.write import writable_target

    target = writable_target(out)
    if target.exists() and any(path.exists() and path.samefile(target) for path in reads):
        raise click.UsageError(f"{out} is the file that is read; what the new one lacks would be lost. Name another.")


NUMBER = Number()
JSON = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
INDEX = click.option("--index", type=int, help="The tune's X: number, when the file holds several.")
PARTS = click.option("--parts", type=WholeNumbers(), help="Parts to take, in order, such as 1,2,1.")


def music_argument(**more: Any) -> Callable[[Command], Command]:
    """Return the argument that names music files."""
    return click.argument("music", type=PathArgument(), required=True, **more)


def out_option(text: str) -> Callable[[Command], Command]:
    """Return the option that names what is written."""
    return click.option("-o", "--out", type=PathArgument(), required=True, help=text)


def together(*options: Callable[[Command], Command]) -> Callable[[Command], Command]:
    """Return one decorator for several options, the first shown first."""

    def add_all(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return add_all


layout_options = together(
    click.option(
        "--paper",
        type=click.Choice(["a4", "letter", "pocket"], case_sensitive=False),
        default="a4",
        show_default=True,
        help="Page size.",
    ),
    click.option("--landscape", is_flag=True, help="Turn the page."),
    click.option("--bar-numbers", is_flag=True, help="Print bar numbers."),
    click.option("--bars-a-line", type=int, help="Bars on a line of music; else as many as read well."),
    click.option(
        "--staff-mm",
        type=NUMBER,
        help="Height of the five lines; else what the paper and the music allow.",
    ),
)

practice_options = together(
    click.option(
        "--tempo-factor",
        type=NUMBER,
        default=1.0,
        show_default=True,
        help="Multiply every tempo by this.",
    ),
    click.option(
        "--end-factor",
        type=NUMBER,
        help="With --times: the factor of the last time through; it climbs there.",
    ),
    click.option("--times", type=int, default=1, show_default=True, help="Play it through this often."),
    click.option("--bars", help="Only these bars, TUNE.PART.BAR-TUNE.PART.BAR, such as 1.2.1-1.2.4."),
    click.option("--count-in", type=int, default=0, show_default=True, help="Beats of taps before the music."),
    click.option("--drones/--no-drones", default=True, show_default=True, help="Drones under the chanter."),
    click.option("--drum/--no-drum", default=True, show_default=True, help="Drum pulse, and rolls in the opening."),
    click.option("--chanter/--no-chanter", default=True, show_default=True, help="The chanter itself."),
    click.option("--players", type=int, default=1, show_default=True, help="How many pipers sound."),
    click.option("--onset-spread-ms", type=NUMBER, help="How far apart they play; 12 when there are several."),
    click.option(
        "--pitch-spread-cents",
        type=NUMBER,
        help="How far apart they are tuned; 4 when there are several.",
    ),
    click.option("--low-a", "low_a_hz", type=NUMBER, default=480.0, show_default=True, help="Low A in Hz."),
    click.option("--scale", default="harmonic", show_default=True, help="harmonic, or 'older published'."),
    click.option("--room/--dry", default=True, show_default=True, help="A room around the sound."),
    click.option("--stereo", is_flag=True, help="Two channels, the players spread."),
    click.option(
        "--grace-ms",
        type=Amount(1, 1000, "milliseconds"),
        default=45.0,
        show_default=True,
        help="Length of a gracenote.",
    ),
    click.option(
        "--seed",
        type=Count(0, 999_999_999, "a whole number"),
        default=1,
        show_default=True,
        help="Same seed, same sound.",
    ),
)


def rule_options(default: str) -> Callable[[Command], Command]:
    """Return the options that name a rulebook, a grade and an event."""
    return together(
        click.option("--rulebook", help=f"A shipped rulebook's name, or a TOML file. Default: {default}."),
        click.option("--grade", help="Grade in the rulebook."),
        click.option("--event", help="Event in that grade."),
    )


class Roster(click.ParamType[RosterFacts]):
    """Counts of pipers, snares, tenors and basses with commas between; ``?`` is not known."""

    name = "roster"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> RosterFacts:
        """Return the counts as facts."""
        if isinstance(value, RosterFacts):
            return value
        fields = [one.strip() for one in str(value).split(",")]
        if len(fields) != 4 or not all(one == "?" or re.fullmatch("[0-9]{1,3}", one) for one in fields):
            self.fail(
                f"{_short(value)} is not a roster. Write pipers,snares,tenors,basses, such as 8,3,2,1.", param, ctx
            )
        return RosterFacts(*(None if one == "?" else int(one) for one in fields))
