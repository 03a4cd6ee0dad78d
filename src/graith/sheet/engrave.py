"""Lines of music from tunes, through Verovio: one toolkit, kept and reused, that says nothing on its own.

References
----------
Verovio (RISM Digital Center), toolkit reference; music font Leland, SIL Open Font License.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from functools import cache
from threading import Lock
from typing import Any

from graith.errors import SheetError
from graith.music.model import Tune
from graith.sheet._tidy import ink_of, tidied
from graith.sheet.break_lines import plan_lines
from graith.sheet.model import STAFF_UNITS, EngravedLine, EngravedTune, Layout, LinePlan
from graith.sheet.write_mei import chosen_parts, mei_of

VEROVIO_OPTIONS: dict[str, Any] = {
    "breaks": "encoded",
    "header": "encoded",
    "footer": "none",
    "adjustPageHeight": True,
    "pageHeight": 60000,
    "pageMarginLeft": 0,
    "pageMarginRight": 0,
    "svgViewBox": True,
    "svgFormatRaw": True,
    "minLastJustification": 0,
    "beamMaxSlope": 0,
    "graceFactor": 0.7,
    "leftMarginNote": 1.2,
    "font": "Leland",
    "smuflTextFont": "none",
}
"""What is forced on Verovio: breaks where we say, flat beams, small gracenotes, a little air before each note."""

_PAGE_UNITS_PER_STAFF = 72
_ENGRAVED_PER_PAGE_UNIT = STAFF_UNITS // _PAGE_UNITS_PER_STAFF
_ROOT_ID = re.compile(r'<svg [^>]*\bid="([^"]+)"')
_SYSTEM = re.compile(r'<g id="[^"]*" class="system">')
_AFTER_SYSTEMS = "</g></svg></svg>"
_LOCK = Lock()


@cache
def _toolkit() -> Any:
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    toolkit.setOptions(VEROVIO_OPTIONS)
    return toolkit


def engraved(
    tune: Tune,
    layout: Layout,
    *,
    parts: Sequence[int] | None = None,
    usual_mm: float | None = None,
    id_prefix: str = "",
) -> EngravedTune:
    """Return a tune's music as engraved lines, without heading, broken and sized for a layout.

    Parameters
    ----------
    tune : Tune
    layout : Layout
    parts : sequence of int or None
        Parts to engrave, in order, from 1; None engraves all.
    usual_mm : float or None
        Height of the staff when neither layout nor music says otherwise, instead of the paper's usual.
    id_prefix : str
        Put before the ids of bars, notes and glyphs.

    Raises
    ------
    SheetError
        If there is no bar to engrave, a part does not exist, or the music cannot be drawn.
    """
    chosen = chosen_parts(tune, parts)
    plan = plan_lines(tune, chosen, layout, usual_mm)
    mei = mei_of(
        tune,
        parts=chosen,
        lines=plan.starts,
        show_bar_numbers=layout.bar_numbers,
        heading=False,
        id_prefix=id_prefix,
    )
    width = page_width(layout, plan)
    page = _rendered(mei, width, tune, justified=not all(plan.ragged))
    systems = _systems(page, plan, f"{id_prefix}g")
    if any(plan.ragged) and not all(plan.ragged):
        loose = _systems(_rendered(mei, width, tune, justified=False), plan, f"{id_prefix}g")
        systems = [two if ragged else one for one, two, ragged in zip(systems, loose, plan.ragged, strict=True)]
    lines = tuple(
        _line(tidied(system, f"{id_prefix}p"), tune, chosen, place)
        for system, place in zip(systems, _line_places(tune, chosen, plan), strict=True)
    )
    return EngravedTune(lines, _glyphs(page, f"{id_prefix}g"), width * _ENGRAVED_PER_PAGE_UNIT, plan.staff_mm)


def page_width(layout: Layout, plan: LinePlan) -> int:
    """Return the width of Verovio's page, in its own units, on which a plan's staff gets the height it asks for."""
    return round(layout.music_mm / plan.staff_mm * _PAGE_UNITS_PER_STAFF)


def _rendered(mei: str, width: int, tune: Tune, *, justified: bool) -> str:
    """Return Verovio's SVG of a whole tune as one page of that width, in page units."""
    with _LOCK:
        toolkit = _toolkit()
        toolkit.setOptions({"pageWidth": width, "noJustification": not justified})
        if not toolkit.loadData(mei):
            raise SheetError(f"{tune.title} cannot be engraved; check its bars first.")
        svg: str = toolkit.renderToSVG(1)
    return svg


def _systems(page: str, plan: LinePlan, glyph_suffix: str) -> list[str]:
    """Return the SVG content of each line, drawn where it stands on Verovio's page."""
    root = _ROOT_ID.search(page)
    assert root is not None
    _, *contents = _SYSTEM.split(page.replace(f'-{root[1]}"', f'-{glyph_suffix}"'))
    assert len(contents) == len(plan.ragged), "Verovio breaks lines only where the MEI does"
    contents[-1] = contents[-1].removesuffix(_AFTER_SYSTEMS)
    return [f'<g class="system">{content}' for content in contents]


def _glyphs(page: str, glyph_suffix: str) -> str:
    root = _ROOT_ID.search(page)
    assert root is not None
    defs = page[page.index("<defs>") + len("<defs>") : page.index("</defs>")]
    return defs.replace(f'-{root[1]}"', f'-{glyph_suffix}"')


def _line_places(tune: Tune, chosen: Sequence[int], plan: LinePlan) -> Iterator[tuple[int, int, int]]:
    """Return, for each line, its part's position and the indices of its first bar and of the bar after its last."""
    for position, (number, starts) in enumerate(zip(chosen, plan.starts, strict=True)):
        stops = (*starts[1:], len(tune.parts[number - 1].bars))
        for start, stop in zip(starts, stops, strict=True):
            yield position, start, stop


def _line(system: str, tune: Tune, chosen: Sequence[int], place: tuple[int, int, int]) -> EngravedLine:
    position, start, stop = place
    bars = tune.parts[chosen[position] - 1].bars
    return EngravedLine(system, position, chosen[position], bars[start].number, bars[stop - 1].number, ink_of(system))
