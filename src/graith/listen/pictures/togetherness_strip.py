"""How far apart the players are in each bar."""

from __future__ import annotations

import numpy as np

from graith.listen.audible import ENSEMBLE_MS
from graith.listen.heard import Heard
from graith.listen.pictures.drawing import ACCENT, FAINT, PAGE_WIDTH, USUAL, Axis, Drawing, Picture
from graith.listen.places import bar_words
from graith.timeline.model import StructuredArray, Timeline

_HEIGHT, _TOP, _LEFT, _RIGHT, _FOOT = 160.0, 34.0, 34.0, 10.0, 36.0


def togetherness_picture(heard: Heard, timeline: Timeline, *, width: int = PAGE_WIDTH) -> Picture | None:
    """Return one column a bar, as high as the players are apart in ms; None when it was not measured."""
    rows = heard.togetherness
    if rows is None or heard.n_players == 1 or not rows["heard"].any():
        return None
    drawing = Drawing(width, _HEIGHT)
    n_bars = timeline.bars.size
    bars = Axis(0.0, float(n_bars), _LEFT, width - _RIGHT)
    highest = max(1.2 * ENSEMBLE_MS, 1.1 * float(rows["spread_ms"][rows["heard"]].max()))
    heights = Axis(0.0, highest, _HEIGHT - _FOOT, _TOP)
    drawing.words(_RIGHT, 14, "Players apart in each bar, ms (standard deviation)", size=USUAL)
    for spread_ms in heights.ticks(4):
        drawing.words(_LEFT - 4, heights.at(spread_ms) + 4, f"{spread_ms:g}", anchor="end")
        drawing.line(_LEFT, heights.at(spread_ms), width - _RIGHT, heights.at(spread_ms), width=0.4,
                     look=f'stroke-opacity="{FAINT}"')  # fmt: skip
    loose = _loose_bars(heard)
    for row in rows:
        _draw_bar(drawing, bars, heights, row, is_loose=int(row["bar"]) in loose)
    drawing.line(_LEFT, heights.at(ENSEMBLE_MS), width - _RIGHT, heights.at(ENSEMBLE_MS), look='stroke-dasharray="5 3"')
    _draw_places(drawing, bars, timeline)
    return drawing.picture("togetherness", "How far apart the players are", _alt(rows, timeline))


def _loose_bars(heard: Heard) -> set[int]:
    """Return the bars that findings name as the worst of their stretch."""
    return {one.played_bar for one in heard.findings if one.kind == "loose bars" and one.played_bar is not None}


def _draw_bar(drawing: Drawing, bars: Axis, heights: Axis, row: np.void, *, is_loose: bool) -> None:
    """Draw a bar's column; one that is a finding is darker and carries a triangle; one not measured is a low dash."""
    left, right = bars.at(float(row["bar"])), bars.at(float(row["bar"]) + 1.0)
    gap = 0.15 * (right - left)
    if not row["heard"]:
        drawing.line(left + gap, heights.start - 1, right - gap, heights.start - 1, width=0.7)
        return
    top = heights.at(float(row["spread_ms"]))
    look = f'fill="{ACCENT}"' if is_loose else 'fill-opacity="0.45"'
    drawing.box(left + gap, top, right - left - 2 * gap, heights.start - top, look=look)
    if is_loose:
        drawing.triangle((left + right) / 2, top - 2, 4, is_up=False)


def _draw_places(drawing: Drawing, bars: Axis, timeline: Timeline) -> None:
    """Draw where parts and tunes begin."""
    foot = _HEIGHT - _FOOT
    drawing.line(_LEFT, foot, bars.stop, foot, width=0.7)
    for bar in np.flatnonzero(timeline.bars["bar_in_part"] == 0):
        drawing.line(bars.at(float(bar)), foot, bars.at(float(bar)), foot + 6, width=0.7)
    tunes = timeline.bars["tune"]
    for tune, span in enumerate(timeline.tunes):
        at = np.flatnonzero(tunes == tune)
        if at.size:
            left, right = bars.at(float(at[0])), bars.at(float(at[-1]) + 1.0)
            drawing.line(left, foot, left, foot + 12, width=1.2)
            drawing.words_within(left + 3, foot + 20, right - left - 8, span.title)


def _alt(rows: StructuredArray, timeline: Timeline) -> str:
    measured = rows[rows["heard"]]
    worst = measured[int(np.argmax(measured["spread_ms"]))]
    return (
        f"One column for each of {rows.size} bars, {measured.size} of them measured. The usual bar has "
        f"{np.median(measured['spread_ms']):.0f} ms; the loosest is {bar_words(timeline, int(worst['bar']))} with "
        f"{worst['spread_ms']:.0f} ms. A dashed line stands at {ENSEMBLE_MS:.0f} ms, where good trios are."
    )
