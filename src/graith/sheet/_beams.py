"""Which notes of a bar share a beam, and which form a tuplet: ranges of indices, properly nested."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import lcm
from typing import NamedTuple

from graith.music.model import Bar, Metre, Note

_CROTCHET = Fraction(1, 4)
_MINIM = Fraction(1, 2)


class Span(NamedTuple):
    """Notes ``start`` to ``stop`` (not included) of a bar, under one beam or in one tuplet."""

    start: int
    stop: int


@dataclass(frozen=True, slots=True)
class Grouping:
    """A bar's beams and tuplets; of any two spans one holds the other or they do not touch."""

    beams: tuple[Span, ...]
    tuplets: tuple[Span, ...]


def grouping_of(bar: Bar, notes: Sequence[Note] | None = None) -> Grouping:
    """Return a bar's beams, as its source joins the notes, and its tuplets.

    A beam never crosses the beat of a compound metre nor the middle of a bar of 4/4 or 2/2, however the source
    runs its notes together; nor does it stick out at one end of a tuplet.

    Parameters
    ----------
    bar : Bar
    notes : sequence of Note or None
        Its notes as they are to be printed, when that is not as they are written.

    Examples
    --------
    >>> from graith.music.model import ChanterNote
    >>> quaver = Note((ChanterNote.B.pitch,), Fraction(1, 8), joined=True)
    >>> [tuple(beam) for beam in grouping_of(Bar((quaver,) * 6, Metre(6, 8), 1)).beams]
    [(0, 3), (3, 6)]
    """
    notes = bar.notes if notes is None else notes
    tuplets = _tuplets(notes) if any(note.tuplet for note in notes) else ()
    cuts = _cuts(bar)
    for span in tuplets:
        if not _beamed_throughout(notes, span, cuts):
            cuts |= {span.start, span.stop}
    return Grouping(_beams(notes, cuts), tuplets)


def _can_beam(note: Note) -> bool:
    return bool(note.pitches) and note.written < _CROTCHET


def _joins(notes: Sequence[Note], left: int, cuts: frozenset[int]) -> bool:
    """Whether the note at ``left`` is beamed to the next one."""
    if left + 1 >= len(notes) or left + 1 in cuts:
        return False
    return notes[left].joined and _can_beam(notes[left]) and _can_beam(notes[left + 1])


def _beams(notes: Sequence[Note], cuts: frozenset[int]) -> tuple[Span, ...]:
    spans: list[Span] = []
    start = 0
    for index in range(len(notes)):
        if not _joins(notes, index, cuts):
            if index > start:
                spans.append(Span(start, index + 1))
            start = index + 1
    return tuple(spans)


def _beamed_throughout(notes: Sequence[Note], tuplet: Span, cuts: frozenset[int]) -> bool:
    return all(_joins(notes, index, cuts) for index in range(tuplet.start, tuplet.stop - 1))


def _cuts(bar: Bar) -> frozenset[int]:
    """Return the indices of notes before which no beam may pass."""
    limit = _beam_limit(bar.metre)
    if limit is None or bar.metre is None:
        return frozenset()
    starts, total, whole = note_starts(bar)
    full = bar.metre.beats * whole // bar.metre.unit
    shift = full - total if bar.number == 0 and total < full else 0
    step = limit.numerator * whole // limit.denominator
    return frozenset(index for index, start in enumerate(starts) if index and (start + shift) % step == 0)


def note_starts(bar: Bar) -> tuple[list[int], int, int]:
    """Return where each note of a bar starts and where the last one stops, in ticks, and the ticks to a whole note.

    As exact as fractions, and several times quicker: the ticks are the bar's own common denominator.
    """
    lengths = [note.length for note in bar.notes]
    whole = lcm(*{length.denominator for length in lengths}, bar.metre.unit if bar.metre else 1, 8)
    starts, total = [], 0
    for length in lengths:
        starts.append(total)
        total += length.numerator * (whole // length.denominator)
    return starts, total, whole


def fills_its_metre(bar: Bar) -> bool:
    """Whether a bar's notes add up to its metre exactly; never in free metre."""
    if bar.metre is None:
        return False
    _, total, whole = note_starts(bar)
    return total * bar.metre.unit == bar.metre.beats * whole


def _beam_limit(metre: Metre | None) -> Fraction | None:
    if metre is None:
        return None
    if metre.is_compound:
        return metre.beat_length
    return _MINIM if metre.length == 1 else None


def _tuplets(notes: Sequence[Note]) -> tuple[Span, ...]:
    spans: list[Span] = []
    start: int | None = None
    for index, note in enumerate(notes):
        if start is not None and not _continues(notes[index - 1], note):
            spans.append(Span(start, index))
            start = None
        if start is None and note.tuplet is not None:
            start = index
    if start is not None:
        spans.append(Span(start, len(notes)))
    return tuple(spans)


def _continues(before: Note, note: Note) -> bool:
    one, two = before.tuplet, note.tuplet
    return (
        one is not None
        and two is not None
        and (one.actual, one.normal, one.count) == (two.actual, two.normal, two.count)
        and two.index == one.index + 1
    )
