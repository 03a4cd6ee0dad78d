"""Pages of paper as values: one tune, a set with its links and times, a whole book with its contents.

The music is engraved here; the words around it are set by Typst when the pages are compiled (``graith.files.pages``).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from graith.errors import SheetError
from graith.music.model import Tune
from graith.music.unfold import played_bars
from graith.sheet._beat_sign import beat_sign
from graith.sheet._set_words import (
    Piece,
    clock_text,
    ending_words,
    link_words,
    opening_words,
    parts_text,
    tempo_words,
)
from graith.sheet._template import TEMPLATE
from graith.sheet._text import capitalised, composers_of, kind_and_order, plain_text, printed, tempo_says
from graith.sheet.draw_svg import SVG_ROOT, line_boxes, line_picture
from graith.sheet.engrave import engraved
from graith.sheet.model import EngravedTune, Layout, Pages

if TYPE_CHECKING:
    from graith.sets.model import PlannedSet, PlannedTune
    from graith.timeline.model import TuneSpan

OnStep = Callable[[int, int], None]

_PT_MM = 25.4 / 72
_HEADING_EM = 4.6
_WIDEST_SPREAD_STAVES = 0.9
_TITLE_EM = 1.6
_LETTER_EM = 0.5
_FOOT_EM = 2.2
_BETWEEN_TUNES_EM = 2.6
_SMALL_MM = 150


def tune_pages(
    tune: Tune, layout: Layout, *, parts: Sequence[int] | None = None, on_step: OnStep | None = None
) -> Pages:
    """Return the pages of one tune, its lines spread a little down the paper.

    Parameters
    ----------
    tune : Tune
    layout : Layout
    parts : sequence of int or None
        Parts to print, in order, from 1; None prints all.
    on_step : callable or None
        Called with the number of tunes done and their total.

    Raises
    ------
    SheetError
        If there is no bar to engrave, a part does not exist, or the layout is a screen's.
    """
    sheet = _Sheet(layout, footer="many")
    sheet.add(tune, parts=parts, kind=printed(kind_and_order(tune)), tempo=_own_tempo(tune), spread=True)
    if on_step is not None:
        on_step(1, 1)
    return sheet.pages(tune.title, author=composers_of(tune))


def set_pages(
    planned: PlannedSet,
    spans: Sequence[TuneSpan],
    layout: Layout,
    *,
    event: str = "",
    first_note_s: float | None = None,
    on_step: OnStep | None = None,
) -> Pages:
    """Return the sheet of a set: what is played, in order, with its times, tempi and links written between.

    Parameters
    ----------
    planned : PlannedSet
    spans : sequence of TuneSpan
        One for each tune, from the set's timeline.
    layout : Layout
    event : str
        A line under the set's name.
    first_note_s : float or None
        When the first note sounds, to tell the music's own length; None takes the first span's start.
    on_step : callable or None
        Called with the number of tunes done and their total.

    Raises
    ------
    SheetError
        If the set has no tunes or not one span for each, a tune has no bars, or the layout is a screen's.
    """
    if not planned.tunes or len(spans) != len(planned.tunes):
        counts = f"{len(planned.tunes)} tunes and {len(spans)} times"
        raise SheetError(f"The set {planned.name} has {counts}; give one time for each tune.")
    sheet = _Sheet(layout, footer="many", usual_mm=(layout.stock.staff_mm + layout.stock.least_staff_mm) / 2)
    cut_off_s = spans[-1].stop_s
    for index, (tune, span) in enumerate(zip(planned.tunes, spans, strict=True)):
        sheet.add(
            tune.tune if tune.repeats else once_through(tune.tune),
            parts=tune.parts,
            kind=_planned_kind(tune),
            tempo=tempo_words(tune.beat_length, tune.tempo_bpm, tune.tempo_end_bpm),
            before=link_words(planned.links[index - 1], planned.tunes[index - 1], tune) if index else [],
            left=str(index + 1),
            right=f"{clock_text(span.start_s)} – {clock_text(span.stop_s)}",
        )
        if on_step is not None:
            on_step(index + 1, len(spans))
    music_s = cut_off_s - (spans[0].start_s if first_note_s is None else first_note_s)
    total = f"{clock_text(cut_off_s)} in all"
    if planned.opening.roll_beats:
        total += f" from the first roll, {clock_text(music_s)} of music"
    lines: list[list[Piece]] = [[capitalised(event)]] if event else []
    lines += [[total], opening_words(planned.opening, planned.tunes[0])]
    return sheet.pages(planned.name, head=lines, after=ending_words(planned.ending, planned.tunes[-1], cut_off_s))


def book_pages(
    tunes: Sequence[Tune],
    layout: Layout,
    *,
    title: str,
    subtitles: Sequence[str] = (),
    on_step: OnStep | None = None,
) -> Pages:
    """Return a tune book: title page, contents, and the tunes in the order given, two on a page where they fit.

    Parameters
    ----------
    tunes : sequence of Tune
    layout : Layout
    title : str
    subtitles : sequence of str
        Lines under the title on the title page.
    on_step : callable or None
        Called with the number of tunes done and their total.

    Raises
    ------
    SheetError
        If there are no tunes, one has no bars, or the layout is a screen's.
    """
    if not tunes:
        raise SheetError(f"The book {title} has no tunes; add one.")
    sheet = _Sheet(layout, footer="always")
    for index, tune in enumerate(tunes):
        sheet.add(tune, kind=printed(kind_and_order(tune)), tempo=_own_tempo(tune), label=f"tune-{index + 1}")
        if on_step is not None:
            on_step(index + 1, len(tunes))
    return sheet.pages(title, cover=[printed(line) for line in subtitles], contents="Contents")


def once_through(tune: Tune) -> Tune:
    """Return a tune with every part written out as played once: no repeat signs, the last ending only."""
    parts = []
    for number, part in enumerate(tune.parts, start=1):
        played = {at.bar_index_in_part for at in played_bars(tune, (number,), repeats=False)}
        bars = tuple(
            replace(bar, repeat_start=False, repeat_end=0, ending=(), ending_closed=False)
            for index, bar in enumerate(part.bars)
            if index in played
        )
        parts.append(replace(part, bars=bars))
    return replace(tune, parts=tuple(parts), part_order="")


def _planned_kind(planned: PlannedTune) -> str:
    tune = planned.tune if planned.parts is None and planned.repeats else replace(planned.tune, part_order="")
    return ", ".join(filter(None, (printed(kind_and_order(tune)), parts_text(planned.parts, planned.repeats))))


def _own_tempo(tune: Tune) -> list[Piece]:
    if tune.tempo is None:
        return []
    says = printed(tempo_says(tune.tempo.text))
    mark = tempo_words(tune.tempo.beat_length, tune.tempo.bpm)
    return [f"{says}  ", *mark] if says else mark


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
        for block in blocks:
            block.gap_mm += extra_mm
            for row in block.lines[1:]:
                row.gap_mm += extra_mm


class _Sheet:
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
        spread: bool = False,
    ) -> None:
        number = len(self._tunes) + 1
        music = engraved(tune, self._layout, parts=parts, usual_mm=self._usual_mm, id_prefix=f"t{number}-")
        blocks = self._blocks(music, number)
        heading_mm = self._heading_mm(tune.title)
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

    def _heading_mm(self, title: str) -> float:
        """Return the height to keep for a heading: more when the title will not fit on one line."""
        n_lines = -(-len(title) * _TITLE_EM * _LETTER_EM * self._em_mm // (0.8 * self._layout.music_mm))
        return (_HEADING_EM + (max(n_lines, 1) - 1) * _TITLE_EM * 1.3) * self._em_mm

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
