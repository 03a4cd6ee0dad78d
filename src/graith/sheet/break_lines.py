"""Where a tune's lines break and how large its staff is, so that lines are full, readable and never cramped.

Widths are told before anything is engraved, in half staff spaces, by a model of Verovio's own spacing: a note takes
what its length asks for (a power of it) or what its head, dot and the next note's gracenotes need, whichever is more.

References
----------
The constants of :func:`bar_width` were fitted by least squares to the natural widths of 320 random bars engraved by
Verovio 6.4.1 with our options (error 0.8 % r.m.s., 4.6 % at most); ``tests/sheet`` measures the error again.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from graith.music.model import Bar, BarLine, Note, Part, Tune
from graith.sheet.model import Layout, LinePlan

_PER_WHOLE = 17.6
_LENGTH_POWER = 0.6
_HEAD = 3.94
_DOT = 1.41
_ONE_GRACE = 3.86
_EACH_GRACE = 2.66
_BAR_EDGE = 1.74
_CLEF = 8.0
_METRE = 6.5
_SIGNATURE_SIGN = 2.2
_REPEAT_START = 6.0
_REPEAT_END = 3.0
_ACCIDENTAL = 2.3

_HALF_SPACES_PER_STAFF = 8
_FULLEST = 1.04
_USUAL_BARS = 4
_MOST_BARS = 8
_LOOSEST = 0.45
_LOOSE = 0.5
_SHORT = 0.75


def bar_width(bar: Bar) -> float:
    """Return the width a bar takes when nothing squeezes it, in half staff spaces.

    Examples
    --------
    >>> from fractions import Fraction
    >>> from graith.music.model import ChanterNote, Metre
    >>> crotchet = Note((ChanterNote.E.pitch,), Fraction(1, 4))
    >>> round(bar_width(Bar((crotchet, crotchet), Metre(2, 4), 1)), 1)
    17.1
    """
    width = _BAR_EDGE
    if bar.repeat_start:
        width += _REPEAT_START
    if bar.repeat_end:
        width += _REPEAT_END
    needs = 0.0
    asks = 0.0
    for note in bar.notes:
        width += max(asks, needs + _graces_width(note) + _accidentals_width(note, bar))
        asks = _asked_width(note)
        needs = _HEAD + (_DOT if note.written.numerator > 1 else 0.0)
    return width + max(asks, needs)


def _asked_width(note: Note) -> float:
    written = note.written
    share = 1.0 if note.tuplet is None else note.tuplet.normal / note.tuplet.actual
    return _PER_WHOLE * math.pow(written.numerator / written.denominator * share, _LENGTH_POWER)


def _graces_width(note: Note) -> float:
    count = len(note.graces)
    if count == 0:
        return 0.0
    return _ONE_GRACE if count == 1 else _EACH_GRACE * count


def _accidentals_width(note: Note, bar: Bar) -> float:
    """Return the room for accidentals the key does not give."""
    alters = bar.key.alters
    for pitch in note.pitches:
        if pitch.alter != alters[pitch.diatonic % 7]:
            return _ACCIDENTAL
    return 0.0


def even_lines(part: Part, bars_a_line: int) -> tuple[int, ...]:
    """Return where lines begin when a part's bars are shared out evenly, at most ``bars_a_line`` to a line.

    A pick-up goes with the bar after it, and a later ending of up to half a line with the bars before it, so that a
    part of eight bars with two endings of one bar makes two lines.

    Returns
    -------
    tuple of int
        Indices into ``part.bars``, the first always 0.

    Examples
    --------
    >>> even_lines(Part(tuple(Bar((), None, number) for number in range(1, 11))), 4)
    (0, 4, 7)
    """
    places = _places(part, bars_a_line)
    n_lines = -(-len(places) // bars_a_line)
    starts, taken = [], 0
    for line in range(n_lines):
        starts.append(places[taken])
        left, lines_left = len(places) - taken, n_lines - line
        taken += -(-left // lines_left)
    return tuple(starts) or (0,)


def _places(part: Part, bars_a_line: int) -> list[int]:
    """Return the indices of bars before which a line may begin."""
    skipped = {
        index
        for start, stop in _later_endings(part)
        if stop - start <= bars_a_line // 2
        for index in range(start, stop)
    }
    places: list[int] = []
    pick_up: int | None = None
    for index, bar in enumerate(part.bars):
        if index and part.bars[index - 1].closing is BarLine.NONE:
            continue
        if bar.number == 0:
            pick_up = index if pick_up is None else pick_up
        elif index not in skipped:
            places.append(index if pick_up is None else pick_up)
            pick_up = None
    if places:
        places[0] = 0
    return places


def _later_endings(part: Part) -> Iterator[tuple[int, int]]:
    """Return where endings that are not the first begin, and the bar after each."""
    start: int | None = None
    for index, bar in enumerate(part.bars):
        if bar.ending:
            if start is not None:
                yield start, index
            start = None if 1 in bar.ending else index
        if start is not None and (bar.ending_closed or index + 1 == len(part.bars)):
            yield start, index + 1
            start = None


def source_lines(part: Part) -> tuple[int, ...]:
    """Return where the source's own lines begin, as indices into ``part.bars``."""
    return (0, *(index + 1 for index, bar in enumerate(part.bars[:-1]) if bar.line_end))


def line_widths(parts: Sequence[Part], starts: Sequence[Sequence[int]]) -> tuple[float, ...]:
    """Return the natural width of every line, clef and signatures included, in half staff spaces."""
    return tuple(_line_widths(parts, starts))


def _line_widths(parts: Sequence[Part], starts: Sequence[Sequence[int]]) -> Iterator[float]:
    metre_width = _METRE
    for part, begins in zip(parts, starts, strict=True):
        widths = [bar_width(bar) for bar in part.bars]
        for start, stop in zip(begins, (*begins[1:], len(part.bars)), strict=True):
            key = part.bars[start].key if part.bars else None
            signs = sum(map(abs, key.alters)) if key is not None and key.printed else 0
            yield _CLEF + metre_width + _SIGNATURE_SIGN * signs + sum(widths[start:stop])
            metre_width = 0.0


def plan_lines(tune: Tune, chosen: Sequence[int], layout: Layout, usual_mm: float | None = None) -> LinePlan:
    """Return how a tune's bars fall on lines for a layout, and its staff's height.

    The source's own lines are kept when they fit the paper and fill it; else four bars go to a line; where even the
    least staff would cramp them, fewer. A line too short to be stretched over the page is marked ragged.

    Parameters
    ----------
    tune : Tune
    chosen : sequence of int
        Numbers of the parts to engrave, from 1.
    layout : Layout
    usual_mm : float or None
        Height of the staff when the music leaves the choice, instead of the paper's usual.
    """
    wanted_mm = layout.staff_mm or usual_mm or layout.usual_staff_mm
    parts = [tune.parts[number - 1] for number in chosen]
    plan = None
    for starts in _candidates(parts, layout, wanted_mm):
        plan = _plan_for(parts, starts, layout, wanted_mm)
        if plan.staff_mm >= (layout.staff_mm or layout.stock.least_staff_mm):
            return plan
    assert plan is not None
    return plan


def _candidates(parts: Sequence[Part], layout: Layout, wanted_mm: float) -> Iterator[tuple[tuple[int, ...], ...]]:
    if layout.bars_a_line is not None:
        yield tuple(even_lines(part, layout.bars_a_line) for part in parts)
        return
    source = tuple(source_lines(part) for part in parts)
    room = _room(layout, wanted_mm)
    if min(line_widths(parts, source)) >= _LOOSEST * room:
        yield source
    usual = tuple(even_lines(part, _USUAL_BARS) for part in parts)
    if max(line_widths(parts, usual)) < _LOOSE * room:
        for count in range(_MOST_BARS, _USUAL_BARS, -1):
            fuller = tuple(even_lines(part, count) for part in parts)
            if max(line_widths(parts, fuller)) <= _FULLEST * room:
                yield fuller
    yield usual
    for count in range(_USUAL_BARS - 1, 0, -1):
        if count <= 2 or all(part.n_bars % count == 0 for part in parts):  # threes would cut phrases of two bars
            yield tuple(even_lines(part, count) for part in parts)


def _room(layout: Layout, staff_mm: float) -> float:
    """Return the width between the margins in half staff spaces."""
    return layout.music_mm / staff_mm * _HALF_SPACES_PER_STAFF


def _plan_for(parts: Sequence[Part], starts: tuple[tuple[int, ...], ...], layout: Layout, wanted_mm: float) -> LinePlan:
    widths = line_widths(parts, starts)
    fits_mm = _FULLEST * layout.music_mm * _HALF_SPACES_PER_STAFF / max(widths)
    staff_mm = min(wanted_mm, fits_mm)
    return LinePlan(starts, staff_mm, tuple(_ragged(widths, _room(layout, staff_mm))))


def _ragged(widths: Sequence[float], room: float) -> Iterator[bool]:
    """Return which lines are too short to be stretched: far from full, and shorter than the tune's others."""
    usual = min(sorted(widths)[len(widths) // 2], room)
    for width in widths:
        yield width < _LOOSEST * room and (usual < _LOOSEST * room or width < _SHORT * usual)
