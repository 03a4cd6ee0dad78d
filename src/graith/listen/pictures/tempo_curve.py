"""The tempo of each bar as played, against the plan."""

from __future__ import annotations

import numpy as np

from graith.listen.heard import Heard
from graith.listen.pictures.drawing import FAINT, PAGE_WIDTH, USUAL, Axis, Drawing, Picture, band, clock_axis
from graith.timeline.model import StructuredArray, Timeline

_HEIGHT, _TOP, _LEFT, _RIGHT, _FOOT = 210.0, 40.0, 34.0, 10.0, 24.0


def tempo_picture(heard: Heard, timeline: Timeline, *, width: int = PAGE_WIDTH) -> Picture | None:
    """Return the tempo over time, planned dashed and played solid; None when fewer than two bars were heard."""
    if heard.tempo is None:
        return None
    rows = heard.tempo.bars
    rows = rows[rows["heard"] & (rows["bpm"] > 0) & (timeline.bars["number"][rows["bar"]] != 0)]
    if rows.size < 2:
        return None
    drawing = Drawing(width, _HEIGHT)
    times = Axis(float(rows["time_s"].min()), float(rows["time_s"].max()) + 1.0, _LEFT, width - _RIGHT)
    tempi = _tempo_axis(rows)
    drawing.words(_RIGHT, 14, "Tempo, beats a minute", size=USUAL)
    drawing.words(width - _RIGHT, 14, "solid: played   dashed: planned", anchor="end")
    for bpm in tempi.ticks(5):
        drawing.line(_LEFT, tempi.at(bpm), width - _RIGHT, tempi.at(bpm), width=0.5, look=f'stroke-opacity="{FAINT}"')
        drawing.words(_LEFT - 4, tempi.at(bpm) + 4, f"{bpm:g}", anchor="end")
    tunes = timeline.bars["tune"][rows["bar"]]
    for tune in dict.fromkeys(tunes.tolist()):
        _draw_tune(drawing, times, tempi, rows[tunes == tune], timeline.tunes[tune].title)
    _draw_surges(drawing, times, tempi, heard, rows)
    clock_axis(drawing, times, _HEIGHT - _FOOT)
    return drawing.picture("tempo", "Tempo against the plan", _alt(heard, timeline, rows))


def _tempo_axis(rows: StructuredArray) -> Axis:
    """Return an axis that holds what was planned and nearly all that was played; a bar far off stays at its edge."""
    played = np.percentile(rows["bpm"], [2, 98])
    low = min(float(played[0]), float(rows["planned_bpm"].min()))
    high = max(float(played[1]), float(rows["planned_bpm"].max()))
    room = max(2.0, 0.12 * (high - low))
    return Axis(low - room, high + room, _HEIGHT - _FOOT - 4, _TOP)


def _draw_tune(drawing: Drawing, times: Axis, tempi: Axis, rows: StructuredArray, title: str) -> None:
    x = np.array([times.at(float(time_s)) for time_s in rows["time_s"]])

    def heights(bpm: StructuredArray) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.array([tempi.at(float(one)) for one in bpm])

    lows, highs = heights(rows["bpm"] - rows["uncertainty_bpm"]), heights(rows["bpm"] + rows["uncertainty_bpm"])
    drawing.area(band(x, lows, highs), look='fill-opacity="0.15"')
    drawing.path(zip(x, heights(rows["planned_bpm"]), strict=True), width=1.2, look='stroke-dasharray="5 3"')
    drawing.path(zip(x, heights(rows["bpm"]), strict=True))
    drawing.line(x[0], _TOP - 10, x[0], tempi.start, width=0.7)
    drawing.words_within(x[0] + 3, _TOP - 8, float(x[-1] - x[0]) - 6, title)


def _draw_surges(drawing: Drawing, times: Axis, tempi: Axis, heard: Heard, rows: StructuredArray) -> None:
    """Draw a triangle where a stretch that is a finding begins: over the curve for faster, under it for slower."""
    by_bar = {int(row["bar"]): row for row in rows}
    for finding in heard.findings:
        row = by_bar.get(-1 if finding.played_bar is None else finding.played_bar)
        if finding.kind != "surge" or row is None:
            continue
        y = tempi.at(float(row["bpm"]))
        drawing.triangle(times.at(float(row["time_s"])), y + (5 if finding.size < 0 else -5), 4, is_up=finding.size < 0)


def _alt(heard: Heard, timeline: Timeline, rows: StructuredArray) -> str:
    says = ["The tempo of each bar over time, played and planned."]
    tunes = timeline.bars["tune"][rows["bar"]]
    for tune in dict.fromkeys(tunes.tolist()):
        bars = rows[tunes == tune]
        says.append(
            f"{timeline.tunes[tune].title}: played between {bars['bpm'].min():.0f} and {bars['bpm'].max():.0f}, "
            f"planned {_planned(bars)}."
        )
    n_surges = sum(finding.kind == "surge" for finding in heard.findings)
    if n_surges:
        says.append(f"Triangles mark where {n_surges} stretch{'es' if n_surges > 1 else ''} run ahead or hang behind.")
    return " ".join(says)


def _planned(bars: StructuredArray) -> str:
    low, high = f"{bars['planned_bpm'].min():.0f}", f"{bars['planned_bpm'].max():.0f}"
    return low if low == high else f"{low} to {high}"
