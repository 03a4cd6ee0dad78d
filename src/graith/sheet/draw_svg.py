"""SVG pages for the screen, and single lines of music as pictures for a typesetter.

Everything a page needs is inside it: glyphs are outlines, there is no script, no link and no font to fetch.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import takewhile

from graith.music.model import Tempo, Tune
from graith.sheet._beat_sign import beat_sign
from graith.sheet._text import bpm_text, composers_of, kind_and_order, xml_text
from graith.sheet.engrave import engraved
from graith.sheet.model import STAFF_UNITS, EngravedLine, EngravedTune, Layout

_WORDS_FONT = "Libertinus Serif, Libertine, Georgia, Times, serif"
_STYLE = (
    ".engraved [stroke-width]{stroke:currentColor}"
    ".engraved .dir,.engraved .dynam,.engraved .mNum{font-style:italic}"
    ".engraved .harm,.engraved .dynam{font-weight:bold}"
)
SVG_ROOT = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
_PT_MM = 25.4 / 72
_LINE_GAP = 60
_PART_GAP = 130


@dataclass(frozen=True, slots=True)
class LineBox:
    """The room a line takes in its column, in engraved units.

    Attributes
    ----------
    gap : int
        Free space over it; 0 for the first.
    above, below : int
        Room over the staff's top line, and under its bottom line.
    """

    gap: int
    above: int
    below: int

    @property
    def height(self) -> int:
        """Height without the gap."""
        return self.above + STAFF_UNITS + self.below


def line_boxes(tune: EngravedTune) -> tuple[LineBox, ...]:
    """Return the room for each line, so that staves stand at even distances unless ink (an ending) asks for more."""
    above = _usual(line.ink.above for line in tune.lines)
    below = _usual(line.ink.below for line in tune.lines)
    boxes = []
    for index, line in enumerate(tune.lines):
        new_part = index > 0 and line.position != tune.lines[index - 1].position
        gap = 0 if index == 0 else _LINE_GAP + (_PART_GAP if new_part else 0)
        boxes.append(LineBox(gap, max(line.ink.above, above), max(line.ink.below, below)))
    return tuple(boxes)


def _usual(reaches: Iterable[int]) -> int:
    """Return the reach that three lines of four keep within."""
    ordered = sorted(reaches)
    return ordered[(3 * (len(ordered) - 1)) // 4]


def line_picture(tune: EngravedTune, line: EngravedLine, box: LineBox) -> str:
    """Return one line of music as an SVG document of its own, cut to its box."""
    top = line.ink.staff_y - box.above
    return (
        f'<svg {SVG_ROOT} viewBox="0 {top} {tune.width} {box.height}"><defs>{tune.glyphs}</defs><style>{_STYLE}</style>'
        f'<g class="engraved" color="black" fill="currentColor" font-family="Libertinus Serif">{line.svg}</g></svg>'
    )


def svg_pages(
    tune: Tune,
    layout: Layout,
    *,
    parts: Sequence[int] | None = None,
    title: str | None = None,
    tempo: Tempo | None = None,
    id_prefix: str = "",
) -> tuple[str, ...]:
    """Return a tune as SVG pages, heading on the first; on the ``"screen"`` paper it is one page as long as it needs.

    Bars and notes keep the ids of :func:`graith.sheet.write_mei.mei_of`, so that a page can colour a bar and know
    which one was touched; ink is ``currentColor``.

    Parameters
    ----------
    tune : Tune
    layout : Layout
    parts : sequence of int or None
        Parts to engrave, in order, from 1; None engraves all.
    title : str or None
        Instead of the tune's own.
    tempo : Tempo or None
        Instead of the tune's own.
    id_prefix : str
        Put before every id, so that several tunes can stand in one document.

    Returns
    -------
    tuple of str
        SVG documents, each complete in itself.

    Raises
    ------
    SheetError
        If there is no bar to engrave, a part does not exist, or the music cannot be drawn.
    """
    music = engraved(tune, layout, parts=parts, id_prefix=id_prefix)
    name = tune.title if title is None else title
    heading = _heading(tune, layout, name, tempo or tune.tempo)
    return tuple(
        _page(music, layout, xml_text(name), placed, heading if number == 0 else "")
        for number, placed in enumerate(_paged(music, layout))
    )


@dataclass(frozen=True, slots=True)
class _Placed:
    """A line on its page: where its staff and its lower edge lie, in millimetres from the page's top."""

    line: EngravedLine
    staff_mm: float
    bottom_mm: float


def _paged(music: EngravedTune, layout: Layout) -> list[list[_Placed]]:
    """Return the lines of each page; a part is kept together when it fits on one page."""
    boxes = line_boxes(music)
    top_mm = layout.stock.margin_mm
    limit_mm = layout.height_mm - layout.stock.margin_mm if layout.height_mm else float("inf")
    pages: list[list[_Placed]] = [[]]
    y_mm = top_mm + _heading_mm(layout)
    for index, (line, box) in enumerate(zip(music.lines, boxes, strict=True)):
        gap_mm, height_mm = box.gap * music.unit_mm, box.height * music.unit_mm
        new_part = index == 0 or line.position != music.lines[index - 1].position
        part_mm = _part_mm(music, boxes, index) if new_part else 0.0
        needed_mm = part_mm if part_mm <= limit_mm - top_mm else height_mm
        if y_mm + gap_mm + max(needed_mm, height_mm) > limit_mm and pages[-1]:
            pages.append([])
            y_mm = top_mm
        elif pages[-1]:
            y_mm += gap_mm
        pages[-1].append(_Placed(line, y_mm + box.above * music.unit_mm, y_mm + height_mm))
        y_mm += height_mm
    return pages


def _part_mm(music: EngravedTune, boxes: Sequence[LineBox], first: int) -> float:
    """Return the height of the part that begins with a line."""
    position = music.lines[first].position
    rest = zip(music.lines[first:], boxes[first:], strict=True)
    heights = [box.gap + box.height for line, box in takewhile(lambda pair: pair[0].position == position, rest)]
    return (sum(heights) - boxes[first].gap) * music.unit_mm


def _page(music: EngravedTune, layout: Layout, name: str, placed: Sequence[_Placed], heading: str) -> str:
    width_mm = layout.width_mm
    height_mm = layout.height_mm or placed[-1].bottom_mm + layout.stock.margin_mm
    size = f' width="{width_mm:g}mm" height="{height_mm:g}mm"' if layout.height_mm else ""
    lines = "".join(
        f'<g transform="translate(0, {round(at.staff_mm / music.unit_mm) - at.line.ink.staff_y})">{at.line.svg}</g>'
        for at in placed
    )
    return (
        f'<svg {SVG_ROOT} viewBox="0 0 {width_mm:g} {height_mm:.4g}"{size} role="img" class="engraved" '
        f'fill="currentColor" font-family="{_WORDS_FONT}"><title>{name}</title><defs>{music.glyphs}</defs>'
        f"<style>{_STYLE}</style>{heading}"
        f'<g transform="translate({layout.stock.margin_mm:g}, 0) scale({music.unit_mm:.6g})">'
        f"{lines}</g></svg>"
    )


def _heading_mm(layout: Layout) -> float:
    return 3.6 * layout.stock.text_pt * _PT_MM


def _heading(tune: Tune, layout: Layout, name: str, tempo: Tempo | None) -> str:
    """Return title, type, tempo and composer as SVG, over the first line."""
    em = layout.stock.text_pt * _PT_MM
    left, right = layout.stock.margin_mm, layout.width_mm - layout.stock.margin_mm
    middle = layout.width_mm / 2
    title_y, words_y = layout.stock.margin_mm + 1.4 * em, layout.stock.margin_mm + 2.9 * em
    title_em = min(1.6 * em, layout.music_mm / max(1, len(name)) * 1.9)
    words = [
        _words(name, middle, title_y, title_em, "middle"),
        _words(kind_and_order(tune), left, words_y, em, "start", ' font-style="italic"'),
        _words(composers_of(tune), right, words_y, em, "end"),
    ]
    sign = beat_sign(tempo.beat_length) if tempo is not None else None
    if tempo is not None and sign is not None:
        scale = em / 100
        number = f"= {bpm_text(tempo.bpm)}"
        start = middle - (sign.width * scale + 0.5 * em * (len(number) + 1)) / 2
        place = f"translate({start:.4g}, {words_y - 0.95 * em:.4g}) scale({scale:.4g})"
        words.append(f'<g transform="{place}">{sign.svg}</g>')
        words.append(_words(number, start + (sign.width + 25) * scale, words_y, em, "start"))
    return "".join(words)


def _words(text: str, x: float, y: float, size: float, anchor: str, look: str = "") -> str:
    if not text:
        return ""
    return f'<text x="{x:.4g}" y="{y:.4g}" font-size="{size:.3g}" text-anchor="{anchor}"{look}>{xml_text(text)}</text>'
