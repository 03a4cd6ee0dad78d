"""The one error family, and the words in which a problem is told.

::

    GraithError
    ├── UnitError        a quantity that cannot be (a pitch of 0 Hz, a tempo below zero)
    ├── MusicError       music text that cannot be used at all
    ├── SetError         a set file that cannot be read, or a set that names what is not there
    ├── RulesError       a rulebook that cannot be read, or asked for a grade it does not have
    ├── TimelineError    a set that cannot be laid on a clock
    ├── BuilderError     a question the builder cannot take
    ├── SheetError       a page that cannot be engraved
    ├── SoundError       sound that cannot be rendered
    ├── ListenError      a recording that cannot be listened to
    └── FileError        a file that cannot be read or written

A *problem* is not an exception: readers collect every problem of a book and go on. Its message has four parts:
file and line, part and bar, what is wrong in numbers, what to do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

_MOST_SHOWN = 120  # characters of the text in a problem's sentence; the problem itself keeps all of it


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands: in a text (line, column) and in the music (tune, part, bar).

    Attributes
    ----------
    source : str
        Label of the text's origin, usually a file name; never opened from here.
    line, column : int or None
        From 1, counted in characters of the text.
    tune : str or None
        Title of the tune.
    part, bar : int or None
        From 1 within the tune, within the part; bar 0 is a pick-up.

    Examples
    --------
    >>> str(Place("local-march.abc", 14, 9, part=2, bar=7))
    'local-march.abc:14:9, part 2, bar 7'
    """

    source: str
    line: int | None = None
    column: int | None = None
    tune: str | None = None
    part: int | None = None
    bar: int | None = None

    def __str__(self) -> str:
        text = self.source
        if self.line is not None:
            text += f":{self.line}"
            if self.column is not None:
                text += f":{self.column}"
        if self.part is not None:
            text += f", part {self.part}"
        if self.bar is not None:
            text += f", bar {self.bar}" if self.bar else ", the pick-up"
        return text


class Severity(StrEnum):
    """How much a problem weighs: an error is wrong music or text, a warning is worth a look."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong at one place, and what to do about it.

    Attributes
    ----------
    place : Place
    kind : str
        A short fixed word for machines, such as ``"bar length"`` or ``"range"``.
    says : str
        What is wrong, in numbers; a sentence without its full stop.
    remedy : str
        What to do; a whole sentence.
    text : str
        The bar's own text, or the offending line.
    severity : Severity
    """

    place: Place
    kind: str
    says: str
    remedy: str = ""
    text: str = ""
    severity: Severity = field(default=Severity.ERROR)

    def __str__(self) -> str:
        sentence = f"{self.place}: {self.says}."
        if self.remedy:
            sentence += f" {self.remedy}"
        if self.text:
            text = self.text.strip()
            sentence += f"  [{text if len(text) <= _MOST_SHOWN else text[: _MOST_SHOWN - 1] + '…'}]"
        return sentence


class GraithError(Exception):
    """Anything Graith can tell its user in one sentence."""

    def __init__(self, message: str, problems: Sequence[Problem] = ()) -> None:
        super().__init__(message)
        self.problems: tuple[Problem, ...] = tuple(problems)


class UnitError(GraithError):
    """A quantity that cannot be."""


class MusicError(GraithError):
    """Music text that cannot be used at all."""


class SetError(GraithError):
    """A set file that cannot be read, or a set that names what is not there."""


class RulesError(GraithError):
    """A rulebook that cannot be read, or that is asked for what it does not have."""


class TimelineError(GraithError):
    """A set that cannot be laid on a clock."""


class BuilderError(GraithError):
    """A question the builder cannot take."""


class SheetError(GraithError):
    """A page that cannot be engraved."""


class SoundError(GraithError):
    """Sound that cannot be rendered."""


class ListenError(GraithError):
    """A recording that cannot be listened to."""


class FileError(GraithError):
    """A file that cannot be read or written."""
