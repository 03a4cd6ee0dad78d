"""A drawing as SVG: lines, boxes, marks and words in units that are pixels on a phone; nothing from outside itself.

Ink is ``currentColor``, so that a page may choose it; what colour says is said by shape as well.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np

from graith.listen.model import Floats

PHONE_WIDTH, PAGE_WIDTH = 360, 720
"""Widths a picture is drawn for: a phone's, on which a unit is a pixel, and a printed page's."""

SMALL, USUAL = 11.0, 13.0
"""Sizes of words in units."""

ACCENT = "#9c3d10"
"""For what stands out; its shape differs too. Contrast to white 6.6 to 1 (WCAG 2.2 asks 4.5)."""

FAINT = 0.32

_FONT = "Libertinus Serif, Libertine, Georgia, Times, serif"
_NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_LETTER = 0.53
_INK = "currentColor"


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture.

    Attributes
    ----------
    name : str
        A short word for files and ids.
    title : str
    alt : str
        What it shows, for those who do not see it; whole sentences.
    svg : str
        A whole SVG document.
    width, height : float
        Of its view box.
    """

    name: str
    title: str
    alt: str
    svg: str
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Axis:
    """A straight scale from values to units.

    Attributes
    ----------
    low, high : float
        Values at its ends.
    start, stop : float
        Units at its ends.
    """

    low: float
    high: float
    start: float
    stop: float

    def at(self, value: float) -> float:
        """Return where a value lies, within the axis."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + min(1.0, max(0.0, share)) * (self.stop - self.start)

    def ticks(self, most: int) -> list[float]:
        """Return round values along it, no more than ``most``.

        Examples
        --------
        >>> Axis(0.0, 63.0, 0.0, 100.0).ticks(5)
        [0.0, 20.0, 40.0, 60.0]
        """
        step = _round_up((self.high - self.low) / max(1, most - 1), (1, 2, 5, 10))
        return [float(tick) for tick in np.arange(np.ceil(self.low / step) * step, self.high + step * 1e-6, step)]

    def clock_ticks(self, most: int) -> list[float]:
        """Return round times along it, in seconds."""
        least_s = (self.high - self.low) / max(1, most)
        step = next((one for one in (5, 10, 15, 30, 60, 120, 300, 600, 1800) if one >= least_s), 3600)
        return [float(tick) for tick in np.arange(np.ceil(self.low / step) * step, self.high + 1e-6, step)]


def _round_up(value: float, steps: Sequence[float]) -> float:
    """Return the least of the steps, times a power of ten, that is not under a value above 0."""
    power = 10.0 ** np.floor(np.log10(max(value, 1e-9)))
    return float(power * next(step for step in steps if step * power >= value * (1 - 1e-9)))


class Drawing:
    """SVG in the making."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self._pieces: list[str] = []

    def line(
        self, x1: float, y1: float, x2: float, y2: float, *, width: float = 1.0, colour: str = _INK, look: str = ""
    ) -> None:
        """Draw a straight line."""
        ends = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
        self._pieces.append(f'<line {ends} stroke="{colour}" stroke-width="{width:g}"{_look(look)}/>')

    def path(self, points: Iterable[tuple[float, float]], *, width: float = 1.5, look: str = "") -> None:
        """Draw a line through points."""
        at = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        if at:
            self._pieces.append(
                f'<polyline points="{at}" fill="none" stroke="currentColor" stroke-width="{width:g}"{_look(look)}/>'
            )

    def area(self, points: Iterable[tuple[float, float]], *, look: str = "") -> None:
        """Fill the area between points."""
        at = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        if at:
            self._pieces.append(f'<polygon points="{at}"{_look(look)}/>')

    def box(self, x: float, y: float, width: float, height: float, *, look: str = "") -> None:
        """Fill a box."""
        size = f'width="{max(width, 0.1):.1f}" height="{max(height, 0.1):.1f}"'
        self._pieces.append(f'<rect x="{x:.1f}" y="{y:.1f}" {size}{_look(look)}/>')

    def dot(self, x: float, y: float, radius: float = 3.0, *, is_open: bool = False) -> None:
        """Draw a round dot, filled or open."""
        look = ' fill="none" stroke="currentColor" stroke-width="1.5"' if is_open else ""
        self._pieces.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}"{look}/>')

    def diamond(self, x: float, y: float, size: float = 5.0) -> None:
        """Draw a filled diamond in the accent's colour."""
        self.area([(x - size, y), (x, y - size), (x + size, y), (x, y + size)], look=f'fill="{ACCENT}"')

    def triangle(self, x: float, y: float, size: float = 5.0, *, is_up: bool = True) -> None:
        """Draw a filled triangle, its tip at the place given, in the accent's colour."""
        base = y + 1.7 * size if is_up else y - 1.7 * size
        self.area([(x, y), (x - size, base), (x + size, base)], look=f'fill="{ACCENT}"')

    def words(
        self, x: float, y: float, text: str, *, size: float = SMALL, anchor: str = "start", look: str = ""
    ) -> None:
        """Set words on a line; ``y`` is their foot."""
        plain = clean_text(text)
        if plain:
            place = f'x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}"'
            self._pieces.append(f"<text {place}{_look(look)}>{escape(plain)}</text>")

    def words_within(self, x: float, y: float, width: float, text: str, *, size: float = SMALL) -> None:
        """Set words cut to a width; nothing where there is no room for three letters."""
        room = int(width / (size * _LETTER))
        plain = clean_text(text)
        if room >= 3:
            self.words(x, y, plain if len(plain) <= room else f"{plain[: room - 1]}…", size=size)

    def picture(self, name: str, title: str, alt: str) -> Picture:
        """Return the drawing as a picture."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:g} {self.height:g}" role="img" '
            f'color="black" fill="currentColor" font-family="{_FONT}">'
            f"<title>{escape(clean_text(title))}</title><desc>{escape(clean_text(alt))}</desc>"
        )
        return Picture(name, title, alt, f"{head}{''.join(self._pieces)}</svg>", self.width, self.height)


def clean_text(text: str) -> str:
    """Return a text on one line, without the characters that XML does not allow."""
    return " ".join(_NOT_IN_XML.sub(" ", text).split())


def clock_axis(drawing: Drawing, axis: Axis, y: float) -> None:
    """Draw a line of time with minutes and seconds under it."""
    drawing.line(axis.start, y, axis.stop, y, width=0.7)
    for time_s in axis.clock_ticks(int((axis.stop - axis.start) / 50)):
        x = axis.at(time_s)
        drawing.line(x, y, x, y + 4, width=0.7)
        drawing.words(x, y + 15, f"{int(time_s) // 60}:{int(time_s) % 60:02d}", anchor="middle")


def band(times: Floats, lows: Floats, highs: Floats) -> list[tuple[float, float]]:
    """Return the outline of the area between two curves."""
    return [*zip(times, lows, strict=True), *zip(times[::-1], highs[::-1], strict=True)]


def _look(look: str) -> str:
    return f" {look}" if look else ""
