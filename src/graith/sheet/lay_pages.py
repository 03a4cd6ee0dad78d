"""Pages of paper as values: one tune, a set with its links and times, a whole book with its contents.

The music is engraved here; the words around it are set by Typst when the pages are compiled (``graith.files.pages``).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from graith.errors import SheetError
from graith.music.model import Tune
from graith.music.unfold import played_bars
from graith.sheet._set_words import (
    Piece,
    clock_text,
    ending_words,
    link_words,
    opening_words,
    parts_text,
    tempo_words,
)
from graith.sheet._sheet import Sheet
from graith.sheet._text import capitalised, composers_of, kind_and_order, printed, tempo_says
from graith.sheet.model import Layout, Pages

if TYPE_CHECKING:
    from graith.sets.model import PlannedSet, PlannedTune
    from graith.timeline.model import TuneSpan

OnStep = Callable[[int, int], None]

_HEAD_EM = 11.0
_LINK_EM = 3.2


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
    sheet = Sheet(layout, footer="many")
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
    sheet = Sheet(layout, footer="many", usual_mm=(layout.usual_staff_mm + layout.stock.least_staff_mm) / 2)
    cut_off_s = spans[-1].stop_s
    for index, (tune, span) in enumerate(zip(planned.tunes, spans, strict=True)):
        sheet.add(
            tune.tune if tune.repeats else once_through(tune.tune),
            parts=tune.parts,
            kind=_planned_kind(tune),
            tempo=tempo_words(tune.beat_length, tune.tempo_bpm, tune.tempo_end_bpm),
            before=link_words(planned.links[index - 1], planned.tunes[index - 1], tune) if index else [],
            left=str(index + 1),
            above_em=_LINK_EM if index else _HEAD_EM,
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
    sheet = Sheet(layout, footer="always")
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
