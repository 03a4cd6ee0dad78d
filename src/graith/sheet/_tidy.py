"""Engraved lines made tidy: clutter removed, beams moved clear of the gracenotes among their notes, ink measured.

Works on the text of one system of Verovio's SVG, in its units: a staff is 720 high, so a space is 180.
"""

from __future__ import annotations

import re
from bisect import bisect
from dataclasses import dataclass

from graith.sheet.model import Ink

_SPACE = 180
_STEM_INTO_BEAM = 18
_GRACE_HEAD_HALF = 65
_GRACE_HEAD_WIDTH = 215
_CLEAR = 50

_CLUTTER = re.compile(
    r'<(?:g id="\w+" class="(?:(?:accid|keySig|\w+MilestoneEnd \w+)"/>|\w+ placeholder[^"]*">(?:<ellipse[^>]*/>)?</g>)'
    r'|title class="labelAttr">[^<]*</title>)'
)
_BEAM = re.compile(r'class="beam"><polygon (points="[^"]*"/>(?:<polygon points="[^"]*"/>)*)')
_POLYGON = re.compile(r'points="(-?\d+),(-?\d+) (-?\d+),(-?\d+) (-?\d+),(-?\d+) (-?\d+),(-?\d+)"')
_GRACE_HEAD = re.compile(r'#E0A4-[^"]*" transform="translate\((-?\d+), (-?\d+)\) scale\(0\.50')
_STEM = re.compile(r'(<path d="M(-?\d+) (-?\d+) L-?\d+ )(-?\d+)(" stroke-width="18"/>)')
_TUPLET_NUMBER = re.compile(r'(class="tupletNum"><use [^>]*translate\((-?\d+), )(-?\d+)(\))')

_BAR_NUMBER = re.compile(r'(class="mNum[^"]*"><text )(y="-?\d+") text-anchor="middle"')

_SIGN_GLYPH_Y = re.compile(r"#E(0A[0-2]|[4-8]\w\w)-[^>]*translate\(-?\d+, (-?\d+)\)")
_LINE_Y = re.compile(r' d="M-?\d+ (-?\d+) L-?\d+ (-?\d+)')
_STEM_Y = re.compile(r'class="stem"><path d="M-?\d+ (-?\d+) L-?\d+ (-?\d+)')
_CURVE = re.compile(r' d="M-?\d+,-?\d+ C[^"]*"')
_POINT_Y = re.compile(r"-?\d+,(-?\d+)")
_TEXT_Y = re.compile(r'<text [^>]*y="(-?\d+)"|<tspan [^>]*y="(-?\d+)"')
_STAFF_Y = re.compile(r'class="staff"><path d="M-?\d+ (-?\d+)')
_CLEF_ABOVE, _CLEF_BELOW = 265, 310
_TEXT_ABOVE, _TEXT_BELOW = 320, 90
_GLYPH_REACH = 100
_SIGN_REACH = 260
_SIGNS = "456"


@dataclass(frozen=True, slots=True)
class _Drop:
    """A melody beam that must go down: the notes it spans, its lower edge, and by how much."""

    left: int
    right: int
    bottom: int
    by: int


def tidied(system: str, id_start: str) -> str:
    """Return a system without clutter and with every melody beam clear of gracenotes.

    Only ids that begin with ``id_start`` stay; the others are drawn at random by Verovio and would make the same
    music give different bytes.
    """
    clean = _CLUTTER.sub("", system)
    clean = re.sub(rf' id="(?!{re.escape(id_start)}\d+(?:x\d+)?-b)[^"]*"', "", clean)
    if "mNum" in clean:
        clean = _BAR_NUMBER.sub(r'\1x="20" \2', clean)
    drops = _drops(clean)
    return _dropped(clean, drops) if drops else clean


def _drops(system: str) -> list[_Drop]:
    """Return the melody beams that touch a gracenote's head standing between their first and last notes."""
    heads = sorted((int(x), int(y)) for x, y in _GRACE_HEAD.findall(system))
    drops = []
    for beam in _BEAM.finditer(system) if heads else ():
        first = _POLYGON.match(system, beam.start(1))
        if first is None or int(first[2]) < int(first[6]):  # a beam of gracenotes, drawn from its upper edge
            continue
        left, bottom, right = int(first[1]), int(first[2]), int(first[3])
        among = heads[bisect(heads, (left, 0)) : bisect(heads, (right, 0))]
        if among:
            edges = [tuple(map(int, points)) for points in _POLYGON.findall(beam[0])]
            by = max(_overlap(head, edges) for head in among)
            if by > 0:
                drops.append(_Drop(left, right, bottom, by))
    return drops


def _overlap(head: tuple[int, int], edges: list[tuple[int, ...]]) -> int:
    """Return how far a gracenote's head, with a little air, reaches into the beams under it."""
    x, y = head
    over = [edge[5] for edge in edges if edge[0] - _CLEAR < x + _GRACE_HEAD_WIDTH and x - _CLEAR < edge[2]]
    return max((y + _GRACE_HEAD_HALF + _CLEAR - top for top in over), default=0)


def _dropped(system: str, drops: list[_Drop]) -> str:
    def drop_at(x: int, y: int) -> int:
        return next((drop.by for drop in drops if drop.left <= x <= drop.right and y == drop.bottom), 0)

    def polygons(beam: re.Match[str]) -> str:
        first = _POLYGON.search(beam[0])
        by = drop_at(int(first[1]), int(first[2])) if first else 0
        return _POLYGON.sub(lambda points: _moved(points, by), beam[0]) if by else beam[0]

    def stem(path: re.Match[str]) -> str:
        end = int(path[4])
        by = drop_at(int(path[2]), end + _STEM_INTO_BEAM) if end > int(path[3]) else 0
        return f"{path[1]}{end + by}{path[5]}" if by else path[0]

    def number(glyph: re.Match[str]) -> str:
        x, y = int(glyph[2]), int(glyph[3])
        by = max((drop.by for drop in drops if drop.left <= x <= drop.right and y > drop.bottom), default=0)
        return f"{glyph[1]}{y + by}{glyph[4]}"

    return _TUPLET_NUMBER.sub(number, _STEM.sub(stem, _BEAM.sub(polygons, system)))


def _moved(points: re.Match[str], by: int) -> str:
    values = [int(value) + (by if index % 2 else 0) for index, value in enumerate(points.groups())]
    return 'points="' + " ".join(f"{x},{y}" for x, y in zip(values[::2], values[1::2], strict=True)) + '"'


def ink_of(system: str) -> Ink:
    """Return where a system's staff lies and how far its ink reaches, clef included."""
    found = _STAFF_Y.search(system)
    staff_y = int(found[1]) if found else 0
    bottom_y = staff_y + 4 * _SPACE
    tops, bottoms = [staff_y - _CLEF_ABOVE], [bottom_y + _CLEF_BELOW]
    spanned = 'Bracket"' in system or "hairpin" in system
    lines = _LINE_Y if spanned else _STEM_Y  # beams end where their stems do
    drawn = [int(y) for ys in lines.findall(system) for y in ys]
    if " C" in system:
        drawn += [int(y) for curve in _CURVE.findall(system) for y in _POINT_Y.findall(curve)]
    tops.append(min(drawn, default=staff_y) - _STEM_INTO_BEAM)
    bottoms.append(max(drawn, default=bottom_y) + _STEM_INTO_BEAM)
    for family, y in _SIGN_GLYPH_Y.findall(system):
        reach = _SIGN_REACH if family[0] in _SIGNS else _GLYPH_REACH
        tops.append(int(y) - reach)
        bottoms.append(int(y) + reach)
    if "<text" in system:
        words = [int(one or two) for one, two in _TEXT_Y.findall(system)]
        tops.append(min(words, default=staff_y) - _TEXT_ABOVE)
        bottoms.append(max(words, default=bottom_y) + _TEXT_BELOW)
    return Ink(staff_y, staff_y - min(tops), max(bottoms) - bottom_y)
