"""The tempo as played, bar by bar and beat by beat, from the onsets of the notes around each place.

Around each bar a straight line is laid through the onsets against the plan: its slope is the tempo, its height the
bar's first beat. A single note's lateness moves neither by much.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.listen.model import BAR_TEMPO_DTYPE, BEAT_TIME_DTYPE, Alignment, Floats, Tempo
from graith.timeline.model import StructuredArray, Timeline

_REACH_BARS = 0.65
_LEAST_BAR = 0.8
"""Pick-ups are looked at as widely as most of a usual bar."""

_TOO_NARROW = 2.2
"""The straight line's own error is this much too small, for a tempo is not straight (``bench/listen``)."""

_LEAST_NOTES = 4
_WIDER = (1.6, 2.5)
_NINETY = 1.645
_LEAST_NOISE_S = 0.002


def tempo_heard(timeline: Timeline, alignment: Alignment) -> Tempo:
    """Return the tempo of every played bar and beat.

    Parameters
    ----------
    timeline : Timeline
    alignment : Alignment

    Returns
    -------
    Tempo
        A bar is heard when at least four of the notes around it were, and it lies in a passage that was played.

    References
    ----------
    Locally weighted regression, W. S. Cleveland, JASA 74 (1979) 829-836, from memory.
    """
    bars = np.zeros(timeline.bars.size, dtype=BAR_TEMPO_DTYPE)
    bars["bar"] = np.arange(bars.size)
    bars["planned_bpm"] = timeline.bars["tempo_bpm"]
    beats = np.zeros(timeline.beats.size, dtype=BEAT_TIME_DTYPE)
    beats["beat"] = np.arange(beats.size)
    for name in ("time_s", "bpm"):
        bars[name] = beats[name] = np.nan
    bars["uncertainty_bpm"] = np.nan
    for first, last in _own_notes(alignment.passages):
        _fill(bars, beats, timeline, alignment, first, last)
    kept: StructuredArray = beats[timeline.beats["tune"] >= 0]
    return Tempo(bars, kept)


def _own_notes(passages: StructuredArray) -> list[tuple[int, int]]:
    """Return each passage's first and last note, short of the notes that a later passage plays again.

    The alignment has the last playing's times of these.
    """
    own = []
    for index, passage in enumerate(passages):
        again = passages["first_note"][index + 1 :]
        own.append((int(passage["first_note"]), int(min([passage["last_note"], *(again - 1)]))))
    return own


def _fill(
    bars: StructuredArray, beats: StructuredArray, timeline: Timeline, alignment: Alignment, first: int, last: int
) -> None:
    notes = timeline.notes[first : last + 1]
    heard = alignment.notes[first : last + 1]
    told = heard["heard"] & (notes["bar"] >= 0)
    if told.sum() < _LEAST_NOTES:
        return
    planned_s, heard_s = _beginnings(timeline, alignment, np.flatnonzero(told) + first)
    own = np.arange(notes["bar"][told].min(), notes["bar"][told].max() + 1)  # also bars that a note is held through
    starts_s, stops_s = timeline.bars["start_s"][own], timeline.bars["stop_s"][own]
    lengths_s = stops_s - starts_s
    reach_s = _REACH_BARS * np.maximum(lengths_s, _LEAST_BAR * np.median(lengths_s))
    middle_s, slopes, errors = _lines(planned_s, heard_s, 0.5 * (starts_s + stops_s), reach_s)
    begins_s, _, _ = _lines(planned_s, heard_s, starts_s, reach_s)
    good = np.isfinite(middle_s) & np.isfinite(begins_s) & (slopes > 0.2)
    rows = own[good]
    bars["time_s"][rows] = begins_s[good]
    bars["bpm"][rows] = _mean_bpm(timeline, rows) / slopes[good]
    bars["uncertainty_bpm"][rows] = _TOO_NARROW * _NINETY * errors[good] * bars["bpm"][rows] / slopes[good]
    bars["heard"][rows] = True
    _fill_beats(beats, timeline, rows, planned_s, heard_s)


def _beginnings(timeline: Timeline, alignment: Alignment, own: npt.NDArray[np.intp]) -> tuple[Floats, Floats]:
    """Return where notes begin with their gracenotes, as planned and as heard: beats fall there."""
    steps = alignment.steps
    place = np.flatnonzero(steps["grace"] < 0)
    planned_s = timeline.notes["onset_s"][own].copy()
    heard_s = alignment.notes["start_s"][own].copy()
    n_graces = timeline.notes["n_graces"][own]
    graced = np.flatnonzero(n_graces > 0)
    first = place[own[graced]] - n_graces[graced]
    begun = steps["heard"][first] & (steps["start_s"][first] < heard_s[graced])
    planned_s[graced[begun]] = timeline.graces["onset_s"][timeline.notes["first_grace"][own[graced[begun]]]]
    heard_s[graced[begun]] = steps["start_s"][first[begun]]
    return planned_s, heard_s


def _mean_bpm(timeline: Timeline, rows: Floats) -> Floats:
    """Return each bar's mean planned tempo: with a ramp it differs from the tempo at the bar's beginning."""
    bars = timeline.bars[rows]
    following = np.minimum(rows + 1, timeline.bars.size - 1)
    next_bpm = np.where(
        timeline.bars["tune"][following] == bars["tune"], timeline.bars["tempo_bpm"][following], bars["tempo_bpm"]
    )
    mean: Floats = 0.5 * (bars["tempo_bpm"] + next_bpm)
    return mean


def _fill_beats(beats: StructuredArray, timeline: Timeline, rows: Floats, planned_s: Floats, heard_s: Floats) -> None:
    own = np.flatnonzero(np.isin(timeline.beats["bar"], rows) & (timeline.beats["tune"] >= 0))
    if not own.size:
        return
    at_s = timeline.beats["time_s"][own]
    tempo_bpm = timeline.beats["tempo_bpm"][own]
    times_s, slopes, _ = _lines(planned_s, heard_s, at_s, np.maximum(60.0 / tempo_bpm, 0.3))
    good = np.isfinite(times_s) & (slopes > 0.2)
    beats["time_s"][own[good]] = times_s[good]
    beats["bpm"][own[good]] = tempo_bpm[good] / slopes[good]
    beats["heard"][own[good]] = True


def _lines(x_s: Floats, y_s: Floats, at_s: Floats, reach_s: Floats) -> tuple[Floats, Floats, Floats]:
    """Return height and slope of a line through the points near each place, and the slope's standard error."""
    from graith.listen._tempo_loops import local_lines

    height, slope, error, n_near = local_lines(x_s, y_s, at_s, reach_s, _LEAST_NOISE_S)
    few = n_near < _LEAST_NOTES
    for wider in _WIDER:  # a slow air has bars of two notes
        if few.any():
            again = local_lines(x_s, y_s, at_s[few], wider * reach_s[few], _LEAST_NOISE_S)
            height[few], slope[few], error[few], n_near[few] = again
            few = n_near < _LEAST_NOTES
    height, slope, error = (np.where(few, np.nan, one) for one in (height, slope, error))
    return height, slope, error
