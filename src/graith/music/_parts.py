"""From a row of bars to parts: where parts begin, which bars are pick-ups, where endings close."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from graith.music._bar_lines import stronger
from graith.music._quick_bars import placed_bar
from graith.music._run import Slip
from graith.music.model import BarLine, Key, Metre, Note, Part

_PART_ENDS = frozenset((BarLine.DOUBLE, BarLine.END, BarLine.START))


class RawBar:
    """A bar while it is not yet known which part it belongs to; the fields are those of :class:`Bar`.

    Its length is ``numerator`` over ``denominator`` whole notes. Most bars keep the class's own values below, which
    is why they are not set one by one.
    """

    closing = BarLine.NONE
    repeat_start = False
    repeat_end = 0
    ending: tuple[int, ...] = ()
    line_end = False
    changes: tuple[tuple[str, str], ...] = ()
    label: str | None = None
    slips: Sequence[tuple[int, Slip]] = ()
    decorated = False

    def __init__(
        self, notes: tuple[Note, ...], numerator: int, denominator: int, metre: Metre | None, key: Key, text: str,
        line: int, column: int, columns: tuple[int, ...],
    ) -> None:  # fmt: skip
        self.notes = notes
        self.numerator = numerator
        self.denominator = denominator
        self.metre = metre
        self.key = key
        self.text = text
        self.line = line
        self.column = column
        self.columns = columns

    @property
    def length(self) -> Fraction:
        """What the notes add up to, in whole notes."""
        return Fraction(self.numerator, self.denominator)

    def lengthen(self, numerator: int, denominator: int) -> None:
        """Add to the length, in whole notes."""
        self.numerator = self.numerator * denominator + numerator * self.denominator
        self.denominator *= denominator

    def close(self, look: BarLine, repeat_end: int) -> None:
        """Add a closing line to the one that may already be there."""
        self.closing = stronger(self.closing, look)
        self.repeat_end = max(self.repeat_end, repeat_end)

    @property
    def is_short(self) -> bool:
        """Whether the bar holds less than its metre asks."""
        metre = self.metre
        return metre is not None and self.numerator * metre.unit < metre.beats * self.denominator


@dataclass(slots=True)
class RawPart:
    """Bars that make a part."""

    bars: list[RawBar]
    label: str = ""

    @property
    def is_fragment(self) -> bool:
        """Whether all of it is shorter than one bar: a lone pick-up, or a last note."""
        if len(self.bars) > 3:
            return False
        metre = self.bars[0].metre
        return metre is not None and sum([bar.length for bar in self.bars], Fraction(0)) < metre.length


def raw_parts(bars: Sequence[RawBar]) -> list[RawPart]:
    """Split a tune's bars into parts.

    Where ``P:`` labels stand, they alone decide. Else a part begins at a repeat start, after a repeat end without
    an ending behind it, and after a double bar line, but not within a repeat whose start and end are both written.
    """
    if not bars:
        return []
    labelled = any(bar.label is not None for bar in bars)
    starts = _labelled_starts(bars) if labelled else _starts(bars)
    parts = [
        RawPart(list(bars[first:stop]), bars[first].label or "")
        for first, stop in zip(starts, [*starts[1:], len(bars)], strict=True)
    ]
    return _fragments_joined(parts)


def _labelled_starts(bars: Sequence[RawBar]) -> list[int]:
    return [index for index, bar in enumerate(bars) if index == 0 or bar.label is not None]


def _starts(bars: Sequence[RawBar]) -> list[int]:
    """Return where parts begin when no part has a label."""
    starts = [0]
    within = _within_repeats(bars)
    ended, lined = False, False
    for index, bar in enumerate(bars):
        if index and (bar.repeat_start or (not bar.ending and (ended or (lined and not within[index])))):
            starts.append(index)
        ended = bar.repeat_end > 0
        lined = bar.closing in _PART_ENDS
    return starts


def _within_repeats(bars: Sequence[RawBar]) -> list[bool]:
    """Return for each bar whether the spot before it lies between a written ``|:`` and its ``:|``."""
    within = [False] * len(bars)
    opened: int | None = None
    for index, bar in enumerate(bars):
        if bar.repeat_start:
            opened = index
        if bar.repeat_end:
            if opened is not None:
                within[opened + 1 : index + 1] = [True] * (index - opened)
            opened = None
    return within


def _fragments_joined(parts: list[RawPart]) -> list[RawPart]:
    """Join a piece shorter than a bar to the part after it; the last one to the part before it."""
    joined: list[RawPart] = []
    fragment: list[RawBar] = []
    for part in parts:
        if fragment and fragment[-1].closing is BarLine.NONE:
            fragment[-1].closing = BarLine.INVISIBLE
        part.bars[:0] = fragment
        fragment = []
        if not part.label and part.is_fragment and part is not parts[-1]:
            fragment = part.bars
        else:
            joined.append(part)
    if len(joined) > 1 and not joined[-1].label and joined[-1].is_fragment:
        last = joined.pop()
        if joined[-1].bars[-1].closing is BarLine.NONE:
            joined[-1].bars[-1].closing = BarLine.INVISIBLE
        joined[-1].bars += last.bars
    return joined


def numbers(bars: Sequence[RawBar]) -> list[int]:
    """Return each bar's number within its part: from 1, and 0 for a pick-up (see :attr:`Bar.number`)."""
    result: list[int] = []
    count = 0
    fresh, continues, split_ending = True, False, False
    for index, bar in enumerate(bars):
        opens = fresh or bar.repeat_start
        if bar.ending:
            opens = split_ending = continues or (split_ending and fresh)
        if continues or (opens and bar.is_short and _stays_short(bars, index)):
            result.append(0)
        else:
            count += 1
            result.append(count)
        fresh = bar.repeat_end > 0
        continues = bar.closing is BarLine.NONE
    return result


def _stays_short(bars: Sequence[RawBar], index: int) -> bool:
    """Return whether a bar is short even with the pieces that a change or an ending in mid-bar cut off it."""
    metre = bars[index].metre
    length = bars[index].length
    while bars[index].closing is BarLine.NONE and index + 1 < len(bars):
        index += 1
        length += bars[index].length
    return metre is not None and length < metre.length


def ending_closes(bars: Sequence[RawBar]) -> list[bool]:
    """Return for each bar whether an ending's bracket closes with it (ABC 2.1 §4.10)."""
    result = [False] * len(bars)
    if not any(bar.ending for bar in bars):
        return result
    is_open = False
    last = len(bars) - 1
    for index, bar in enumerate(bars):
        is_open = is_open or bool(bar.ending)
        if is_open:
            following = bars[index + 1] if index < last else None
            stops = bar.closing in _PART_ENDS or bar.repeat_end > 0
            if stops or following is None or following.ending or following.repeat_start:
                result[index] = True
                is_open = False
    return result


def part_of(raw: RawPart, part_number: int, source: str, title: str) -> Part:
    """Return the finished part, its bars numbered and placed."""
    bars = raw.bars
    closes = ending_closes(bars)
    made = [
        placed_bar(
            bar.notes, bar.metre, number, bar.closing, bar.repeat_start, bar.repeat_end, bar.ending, closed,
            bar.line_end, bar.changes, bar.key, bar.text, bar.columns, source, bar.line, bar.column, title, part_number,
        )
        for bar, number, closed in zip(bars, numbers(bars), closes, strict=True)
    ]  # fmt: skip
    return Part(tuple(made), raw.label)
