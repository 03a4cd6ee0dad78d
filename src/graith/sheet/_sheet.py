"""A sheet in the making: tunes engraved in turn, their lines put into columns, data and pictures gathered."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from graith.errors import SheetError
from graith.music.model import Tune
from graith.sheet._beat_sign import beat_sign
from graith.sheet._set_words import Piece
from graith.sheet._template import TEMPLATE
from graith.sheet._text import composers_of, plain_text, printed
from graith.sheet.draw_svg import SVG_ROOT, line_boxes, line_picture
from graith.sheet.engrave import engraved
from graith.sheet.model import EngravedTune, Layout, Pages

_PT_MM = 25.4 / 72
_HEADING_EM = 4.6
_WIDEST_SPREAD_STAVES = 0.9
_TITLE_EM = 1.6
_LETTER_EM = 0.5
_TEMPO_EM = 6.0
_FOOT_EM = 2.2
_BETWEEN_TUNES_EM = 2.6
_SMALL_MM = 150


@dataclass(slots=True)
class _Row:
    """One line of music in a column: its picture, the words for it, the free space over it, its height."""

    image: str
    alt: str
    gap_mm: float
    height_mm: float


@dataclass(slots=True)
class _Block:
    """One part of a tune in a column; ``gap_mm`` is the free space over it."""

    gap_mm: float
    lines: list[_Row] = field(default_factory=list)

    @property
    def height_mm(self) -> float:
        return sum(row.gap_mm + row.height_mm for row in self.lines)

    def data(self, room_mm: float) -> dict[str, Any]:
        lines = [{"image": row.image, "alt": row.alt, "gap": round(row.gap_mm, 3)} for row in self.lines]
        return {"gap": round(self.gap_mm, 3), "fits": self.height_mm <= room_mm, "lines": lines}


@dataclass(frozen=True, slots=True)
class _Filled:
    """One page of a tune: which blocks stand on it, from ``start`` to before ``stop``, and how far down they reach."""

    start: int
    stop: int
    used_mm: float


def _filled_mm(blocks: Sequence[_Block], page_mm: float, heading_mm: float) -> list[_Filled]:
    """Return how a tune's parts fill pages when each part is kept together."""
    pages: list[_Filled] = []
    start, used_mm = 0, heading_mm
    for index, block in enumerate(blocks):
        gap_mm = block.gap_mm if index > start else 0.0
        if index > start and used_mm + gap_mm + block.height_mm > page_mm:
            pages.append(_Filled(start, index, used_mm))
            start, used_mm, gap_mm = index, 0.0, 0.0
        used_mm += gap_mm + block.height_mm
    return [*pages, _Filled(start, len(blocks), used_mm)]


def _spread(blocks: Sequence[_Block], filled: Sequence[_Filled], page_mm: float, widest_mm: float) -> None:
    """Put the same extra space over every line, as much as the fullest page allows, so that pages look filled."""
    extra_mm = widest_mm
    for page in filled:
        n_gaps = sum(len(block.lines) for block in blocks[page.start : page.stop]) - 1
        extra_mm = min(extra_mm, (page_mm - page.used_mm) / max(1, n_gaps))
    if extra_mm > 0:
        for index, block in enumerate(blocks):
            block.gap_mm += extra_mm if index else 0.0
            for row in block.lines[1:]:
                row.gap_mm += extra_mm


def _n_lines(words: str, size_mm: float, width_mm: float) -> int:
    """Return on how many lines words of that size will come, rather one too many than one too few."""
    return max(1, -int(-len(words) * _LETTER_EM * size_mm // width_mm))


class Sheet:
    """Pages in the making: engraves tune after tune and gathers the data and the pictures."""

    def __init__(self, layout: Layout, *, footer: str, usual_mm: float | None = None) -> None:
        if not layout.height_mm:
            raise SheetError("A screen has no pages to print; choose A4, Letter or pocket.")
        self._layout = layout
        self._footer = footer
        self._usual_mm = usual_mm
        self._tunes: list[dict[str, Any]] = []
        self._images: dict[str, str] = {}
        self._em_mm = layout.stock.text_pt * _PT_MM
        self._bottom_mm = layout.stock.margin_mm + _FOOT_EM * self._em_mm * (layout.stock.margin_mm < 10)
        self._page_mm = layout.height_mm - layout.stock.margin_mm - self._bottom_mm

    def add(
        self,
        tune: Tune,
        *,
        kind: str,
        tempo: list[Piece],
        parts: Sequence[int] | None = None,
        before: Sequence[Piece] = (),
        left: str = "",
        right: str = "",
        label: str | None = None,
        above_em: float = 0.0,
        spread: bool = False,
    ) -> None:
        """Engrave one more tune.

        ``above_em`` is what must stand with its heading on the page, in sizes of the words; ``spread`` lets its lines
        take the room that its pages have to spare.
        """
        number = len(self._tunes) + 1
        music = engraved(tune, self._layout, parts=parts, usual_mm=self._usual_mm, id_prefix=f"t{number}-")
        blocks = self._blocks(music, number)
        heading_mm = self._heading_mm(tune.title, kind, composers_of(tune)) + above_em * self._em_mm
        filled = _filled_mm(blocks, self._page_mm, heading_mm)
        if spread:
            _spread(blocks, filled, self._page_mm, _WIDEST_SPREAD_STAVES * music.staff_mm)
        self._tunes.append(
            {
                "title": printed(tune.title),
                "kind": kind,
                "composer": printed(composers_of(tune)),
                "tempo": self._words(tempo),
                "before": self._words(before),
                "left": left,
                "right": right,
                "label": label,
                "whole": len(filled) == 1 and filled[0].used_mm <= self._page_mm,
                "parts": [block.data(self._page_mm - heading_mm) for block in blocks[:1]]
                + [block.data(self._page_mm) for block in blocks[1:]],
            }
        )

    def _heading_mm(self, title: str, kind: str, composer: str) -> float:
        """Return the height to keep for a heading: more when its words will not fit on one line."""
        em_mm, music_mm = self._em_mm, self._layout.music_mm
        title_lines = _n_lines(title, _TITLE_EM * em_mm, 0.8 * music_mm)
        side_lines = max(_n_lines(side, em_mm, 0.5 * (music_mm - _TEMPO_EM * em_mm)) for side in (kind, composer))
        return (_HEADING_EM + 1.3 * _TITLE_EM * (title_lines - 1) + 1.3 * (side_lines - 1)) * em_mm

    def _blocks(self, music: EngravedTune, number: int) -> list[_Block]:
        """Return each part's lines as they will stand one under the other, their pictures put by."""
        blocks: list[_Block] = []
        for index, (line, box) in enumerate(zip(music.lines, line_boxes(music), strict=True)):
            name = f"t{number}-line{index + 1}"
            self._images[name] = line_picture(music, line, box)
            if index == 0 or line.position != music.lines[index - 1].position:
                blocks.append(_Block(box.gap * music.unit_mm))
            gap_mm = box.gap * music.unit_mm if blocks[-1].lines else 0.0
            alt = f"Part {line.part}, bars {line.first_bar} to {line.last_bar}"
            blocks[-1].lines.append(_Row(name, alt, gap_mm, box.height * music.unit_mm))
        return blocks

    def _words(self, pieces: Sequence[Piece]) -> list[str | dict[str, str]]:
        """Return pieces ready for Typst: beats become pictures, or their fraction when no note shows them."""
        return [self._sign(piece) if isinstance(piece, Fraction) else piece for piece in pieces]

    def _sign(self, beat_length: Fraction) -> str | dict[str, str]:
        sign = beat_sign(beat_length)
        if sign is None:
            return str(beat_length)
        name = f"beat-{beat_length.numerator}-{beat_length.denominator}"
        self._images[name] = f'<svg {SVG_ROOT} viewBox="0 0 {sign.width} 100" color="black">{sign.svg}</svg>'
        return {"image": name, "alt": sign.name}

    def pages(
        self,
        title: str,
        *,
        author: str = "",
        head: Sequence[Sequence[Piece]] | None = None,
        after: Sequence[Piece] = (),
        cover: Sequence[str] | None = None,
        contents: str | None = None,
    ) -> Pages:
        """Return all that was added as pages, with what stands before and after the tunes."""
        layout, stock = self._layout, self._layout.stock
        name = printed(title)
        data = {
            "title": name,
            "author": [author] if author else [],
            "description": f"{len(self._tunes)} tunes" if len(self._tunes) > 1 else "A tune",
            "running": name,
            "footer": self._footer,
            "paper": {
                "width": layout.width_mm,
                "height": layout.height_mm,
                "margin": stock.margin_mm,
                "bottom": round(self._bottom_mm, 3),
                "music": layout.music_mm,
                "text": stock.text_pt,
                "between": round(_BETWEEN_TUNES_EM * self._em_mm, 3),
            },
            "cover": None if cover is None else list(cover),
            "contents": contents,
            "title_em": 1.3 if head is not None else _TITLE_EM if stock.width_mm > _SMALL_MM else 1.4,
            "head_em": 2.0 if stock.width_mm > _SMALL_MM else 1.6,
            "head": None if head is None else {"title": name, "lines": [self._words(line) for line in head]},
            "tunes": self._tunes,
            "after": self._words(after),
        }
        return Pages(TEMPLATE, json.dumps(data, ensure_ascii=False), tuple(self._images.items()), plain_text(title))
