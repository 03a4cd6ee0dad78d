"""The recording's loudness over time, with the tunes, their parts and bars laid under it."""

from __future__ import annotations

import numpy as np

from graith.listen._words import clock_words
from graith.listen.heard import Heard
from graith.listen.model import WORKING_RATE_HZ, Floats, Singles
from graith.listen.pictures.drawing import ACCENT, FAINT, PAGE_WIDTH, USUAL, Axis, Drawing, Picture, clock_axis
from graith.listen.places import listed
from graith.timeline.model import Timeline

_WAVE, _TOP, _SIDE = 44.0, 24.0, 14.0


def waveform_picture(heard: Heard, timeline: Timeline, samples: Singles, *, width: int = PAGE_WIDTH) -> Picture:
    """Return the recording as a wave over time, with its bars.

    Parameters
    ----------
    heard : Heard
    timeline : Timeline
    samples : float32 array, shape (samples,)
        The sound listened to, at :data:`graith.listen.model.WORKING_RATE_HZ`.
    width : int
    """
    length_s = max(samples.size / WORKING_RATE_HZ, 1e-3)
    drawing = Drawing(width, _TOP + 2 * _WAVE + 78)
    begins_s = heard.recording.start_s
    axis = Axis(begins_s, begins_s + length_s, _SIDE, width - _SIDE)
    middle = _TOP + _WAVE
    drawing.words(_SIDE, 14, "The recording and the bars in it", size=USUAL)
    _draw_wave(drawing, axis, samples, middle)
    foot = middle + _WAVE + 4
    _draw_edges(drawing, axis, heard, foot)
    _draw_bars(drawing, axis, heard, timeline, foot)
    clock_axis(drawing, axis, foot + 48)
    return drawing.picture("waveform", "The recording and the bars in it", _alt(heard, timeline, length_s))


def loudness_columns(samples: Singles, n_columns: int) -> Floats:
    """Return the highest absolute sample of each of so many equal stretches, shape (columns,), at most 1."""
    if not samples.size:
        return np.zeros(n_columns)
    starts = np.linspace(0, samples.size, n_columns, endpoint=False).astype(np.int64)
    heights: Floats = np.maximum.reduceat(np.abs(samples), np.minimum(starts, samples.size - 1)).astype(np.float64)
    return heights / max(1e-9, float(heights.max()))


def _draw_wave(drawing: Drawing, axis: Axis, samples: Singles, middle: float) -> None:
    n_columns = int(axis.stop - axis.start)
    heights = np.maximum(0.4, _WAVE * loudness_columns(samples, n_columns))
    x = axis.start + np.arange(n_columns) + 0.5
    outline = [*zip(x, middle - heights, strict=True), *zip(x[::-1], middle + heights[::-1], strict=True)]
    drawing.area(outline, look=f'fill-opacity="{FAINT}"')


def _draw_edges(drawing: Drawing, axis: Axis, heard: Heard, foot: float) -> None:
    """Draw where the set starts and stops, who was alone, and how long the drones sound."""
    edges, drones = heard.start_stop, heard.drones
    for edge, word in ((edges.start, "start"), (edges.stop, "stop")) if edges is not None else ():
        if edge is not None:
            x = axis.at(edge.time_s)
            drawing.line(x, _TOP, x, foot, width=1.5)
            near_end = x > (axis.start + axis.stop) / 2
            drawing.words(x - 3 if near_end else x + 3, _TOP + 9, word, anchor="end" if near_end else "start")
    for lone in edges.lone if edges is not None else ():
        drawing.triangle(axis.at(lone.time_s), _TOP + 16, 4, is_up=False)
    if drones is not None and drones.in_s is not None and drones.out_s is not None:
        drawing.line(axis.at(drones.in_s), foot, axis.at(drones.out_s), foot, width=3, look=f'stroke-opacity="{FAINT}"')


def _draw_bars(drawing: Drawing, axis: Axis, heard: Heard, timeline: Timeline, foot: float) -> None:
    """Draw a tick for each bar heard, longer where a part begins, and the tunes' titles over their stretch."""
    if heard.tempo is None:
        return
    rows = heard.tempo.bars[heard.tempo.bars["heard"]]
    for row in rows:
        bar = timeline.bars[row["bar"]]
        x = axis.at(float(row["time_s"]))
        is_part = int(bar["bar_in_part"]) == 0
        drawing.line(x, foot + 3, x, foot + (16 if is_part else 8), width=1.2 if is_part else 0.6)
    tunes = timeline.bars["tune"][rows["bar"]]
    for tune in dict.fromkeys(tunes.tolist()):
        times_s = rows["time_s"][tunes == tune]
        left, right = axis.at(float(times_s.min())), axis.at(float(times_s.max()))
        drawing.line(left, foot + 20, right, foot + 20, width=1.5, colour=ACCENT)
        drawing.words_within(left, foot + 34, right - left - 4, timeline.tunes[tune].title)


def _alt(heard: Heard, timeline: Timeline, length_s: float) -> str:
    says = [f"The loudness of {clock_words(length_s)} of sound over time."]
    edges = heard.start_stop
    if edges is not None and edges.start is not None:
        says.append(f"The chanters start at {clock_words(edges.start.time_s)}.")
    if edges is not None and edges.stop is not None:
        says.append(f"They stop at {clock_words(edges.stop.time_s)}.")
    if heard.tempo is not None:
        rows = heard.tempo.bars[heard.tempo.bars["heard"]]
        titles = [timeline.tunes[tune].title for tune in dict.fromkeys(timeline.bars["tune"][rows["bar"]].tolist())]
        says.append(f"{rows.size} bars are marked under it{': ' if titles else ''}{listed(titles)}.")
    return " ".join(says)
