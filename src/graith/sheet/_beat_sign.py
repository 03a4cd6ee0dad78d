"""The little note of a tempo mark, drawn by ourselves so that no page needs a music font for its words."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from graith.sheet._values import beat_name, beat_value

_HEAD_X, _HEAD_Y = 26, 84
_STEM_X = 46
_FILLED = f'<ellipse cx="{_HEAD_X}" cy="{_HEAD_Y}" rx="23" ry="15" transform="rotate(-24 {_HEAD_X} {_HEAD_Y})"/>'
_HOLLOW = (
    f'<ellipse cx="{_HEAD_X}" cy="{_HEAD_Y}" rx="20" ry="11.5" transform="rotate(-30 {_HEAD_X} {_HEAD_Y})" '
    'fill="none" stroke="currentColor" stroke-width="7"/>'
)
_STEM = f'<rect x="{_STEM_X - 2}" y="8" width="5" height="72"/>'
_DRAWN = frozenset(("1", "2", "4", "8", "16"))
_FLAG = '<path d="M{x} {y}c3 20 26 24 17 52c1 -22 -11 -28 -17 -30z"/>'


@dataclass(frozen=True, slots=True)
class BeatSign:
    """A note drawn in a box 100 high: SVG content, the box's width, and the note's name for those who listen."""

    svg: str
    width: int
    name: str


def beat_sign(beat_length: Fraction) -> BeatSign | None:
    """Return the drawn note of a beat, or None when no single note of up to a semibreve shows it.

    Examples
    --------
    >>> beat_sign(Fraction(3, 8)).name
    'dotted crotchet'
    """
    value = beat_value(beat_length)
    if value is None or value[0] not in _DRAWN:
        return None
    name, dots = value
    flags = {"8": 1, "16": 2}.get(name, 0)
    drawn = _HOLLOW if name in ("1", "2") else _FILLED
    if name != "1":
        drawn += _STEM
    drawn += "".join(_FLAG.format(x=_STEM_X + 2, y=8 + 20 * flag) for flag in range(flags))
    right = 68 if flags else 52
    drawn += "".join(f'<circle cx="{right + 19 + 22 * dot}" cy="80" r="7.5"/>' for dot in range(dots))
    return BeatSign(f'<g fill="currentColor" stroke="none">{drawn}</g>', right + 28 * dots, beat_name(beat_length))
