"""The lengths of bars, added up a second way: by abcnotes' tokens and its own note lengths.

abcnotes is given the tune written so that it reads it right (``explained_differences.toml`` says what it misreads).
Its verdict on bars is not used, only the lengths and bar lines; whether a bar is too long, or short where no section
begins or ends, follows from these two alone.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from graith.music.model import BarLine, Tune
from oracles.abc_differences import rewritten

_RULES = ("broken rhythm", "graces before tuplets", "first voice", "plus chords")


@dataclass(frozen=True, slots=True)
class CountedBar:
    """A bar's length and its metre's, both in whole notes (0 for free metre), and whether a section joins there."""

    length: Fraction
    metre: Fraction
    at_joint: bool

    @property
    def is_too_long(self) -> bool:
        """Whether it holds more than its metre."""
        return self.length > self.metre > 0

    @property
    def is_short_inside(self) -> bool:
        """Whether it holds less than its metre with plain bar lines on both sides."""
        return self.length < self.metre and not self.at_joint


@functools.cache
def bars_by_abcnotes(text: str) -> tuple[CountedBar, ...]:
    """Return a tune's bars; an ending that begins in mid-bar does not cut its bar in two.

    Raises
    ------
    ValueError
        If abcnotes cannot read the key.
    """
    import abcnotes

    tune = abcnotes.Tune(abc=rewritten(text, _RULES)[0], strict=False)
    whole: list[list[Any]] = []
    for tokens in tune.bars:
        line = tokens[0]
        if whole and type(line).__name__ == "BarLine" and not set(line._text) & {"|", ":"}:
            whole[-1] += tokens
        else:
            whole.append(list(tokens))
    lines = [bar[0] if type(bar[0]).__name__ == "BarLine" else None for bar in whole] + [None]
    added = [_added(bar) for bar in whole]
    filled = [index for index, (length, _) in enumerate(added) if length]
    counted = []
    for place, index in enumerate(filled):
        # Bar lines with nothing between them, as at the end of one line and the start of the next, are one joint.
        before = filled[place - 1] + 1 if place else 0
        after = filled[place + 1] if place + 1 < len(filled) else len(whole)
        joint = any(_joins(line) for line in (*lines[before : index + 1], *lines[index + 1 : after + 1]))
        counted.append(CountedBar(*added[index], joint))
    return tuple(counted)


def _joins(line: Any) -> bool:
    return line is None or line.double or line.endings is not None or ":" in line._text


def _added(bar: list[Any]) -> tuple[Fraction, Fraction]:
    length, metre = Fraction(0), None
    in_chord = counted = False
    for token in bar:
        kind = type(token).__name__
        if kind == "ChordBracket":
            in_chord, counted = token._text == "[", False
        elif (kind == "Note" and not token.grace and not (in_chord and counted)) or kind == "Rest":
            counted = True
            length += Fraction(*token.length) * Fraction(*token.time_sig._unit_len)
            metre = metre or (Fraction(*token.time_sig._meter) if token.time_sig._meter else None)
    return length, metre or Fraction(0)


def bar_lengths_by_us(tune: Tune) -> list[Fraction]:
    """Return the lengths of our bars, pieces that no bar line parts put together."""
    return list(_put_together(tune))


def _put_together(tune: Tune) -> Iterator[Fraction]:
    for part in tune.parts:
        length = Fraction(0)
        for bar in part.bars:
            length += bar.length
            if length and (bar.closing is not BarLine.NONE or bar is part.bars[-1]):
                yield length
                length = Fraction(0)
