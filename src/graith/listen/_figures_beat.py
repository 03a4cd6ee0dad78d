"""Where each note began against the beat, and the player's own way with gracenotes learnt from it.

A note begins where its figure begins (the first gracenote heard) when gracenotes fall on the beat, and with the melody
note itself when they come before it. The beat is the player's own: a line through the notes around, which is moved
neither by a slow tempo nor by one late figure.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.listen.model import Floats
from graith.timeline.model import StructuredArray, Timeline

_NEIGHBOURS = 10
_ROUNDS = 3
_JUMP_S = 0.5
_FEWEST_ALIKE = 6
_FEWEST_AROUND = 6
_TINY = 1e-12


def begins_s(
    timeline: Timeline, steps: StructuredArray, graces: StructuredArray | None, *, before: bool
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return where each note of the timeline begins in the recording, and whether it was heard.

    Parameters
    ----------
    timeline : Timeline
    steps : structured array of ``STEP_DTYPE``
    graces : structured array with ``heard`` and ``onset_s``, or None
        One row for each gracenote of the timeline, measured; without it the aligner's own are taken.
    before : bool
        Whether gracenotes come before the beat.
    """
    melody = steps[steps["grace"] < 0]
    begin_s: Floats = melody["start_s"].copy()
    if before or not timeline.graces.size:
        return begin_s, melody["heard"].copy()
    if graces is None:
        rows = steps[steps["grace"] >= 0]
        rows = rows[np.argsort(rows["grace"])]
        is_heard, onset_s = rows["heard"], rows["start_s"]
    else:
        is_heard, onset_s = graces["heard"], graces["onset_s"]
    heard = np.flatnonzero(is_heard)
    np.minimum.at(begin_s, timeline.graces["note"][heard], onset_s[heard])
    return begin_s, melody["heard"].copy()


def off_the_beat_s(timeline: Timeline, begin_s: Floats, heard: npt.NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return by how much each note begins late, in seconds, and the standard error of the beat there.

    What the player does alike at the same place of the beat (a short note cut shorter) is habit and not lateness; it
    is taken off. NaN where too few notes around were heard.
    """
    notes = timeline.notes
    usable = heard & (notes["bar"] >= 0)
    part = _stretch_numbers(timeline, begin_s, usable)
    late_s, error_s = _from_local_line(notes["start_s"], begin_s, np.where(usable, part, -1))
    return late_s - _habit_s(timeline, late_s), error_s


def _stretch_numbers(timeline: Timeline, begin_s: Floats, usable: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Return a number for each note that is new with each tune and after each jump."""
    bar = np.maximum(timeline.notes["bar"], 0)
    tune = timeline.bars["tune"][bar].astype(np.int64)
    moved_s = np.diff(begin_s) - np.diff(timeline.notes["start_s"])
    jumps = (np.abs(moved_s) > _JUMP_S) | (np.diff(tune) != 0) | ~usable[1:] | ~usable[:-1]
    return np.concatenate([[0], np.cumsum(jumps)])


def _from_local_line(x: Floats, y: Floats, part: npt.NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Return residuals from a robust line through up to ten neighbours either side, and its standard error."""
    offsets = np.concatenate([np.arange(-_NEIGHBOURS, 0), np.arange(1, _NEIGHBOURS + 1)])
    index = np.arange(x.size)[:, None] + offsets
    near = np.clip(index, 0, x.size - 1)
    weight = ((index == near) & (part[near] == part[:, None]) & (part[:, None] >= 0)).astype(np.float64)
    enough = weight.sum(axis=1) >= _FEWEST_AROUND
    dx, dy = x[near] - x[:, None], (y[near] - x[near]) - (y - x)[:, None]
    robust = weight
    for _ in range(_ROUNDS):
        level, slope, spread = _line(dx, dy, robust)
        away = np.abs(dy - level[:, None] - slope[:, None] * dx)
        robust = weight * np.minimum(1.0, 1.5 * spread[:, None] / np.maximum(away, _TINY))
    late = np.where(enough, -level, np.nan)
    return late, spread / np.sqrt(np.maximum(weight.sum(axis=1), 1.0))


def _line(dx: Floats, dy: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
    total = weight.sum(axis=1) + _TINY
    mx, my = (weight * dx).sum(axis=1) / total, (weight * dy).sum(axis=1) / total
    var = (weight * (dx - mx[:, None]) ** 2).sum(axis=1) + _TINY
    slope = (weight * (dx - mx[:, None]) * (dy - my[:, None])).sum(axis=1) / var
    level = my - slope * mx
    away = np.abs(dy - level[:, None] - slope[:, None] * dx)
    spread = np.maximum((weight * away).sum(axis=1) / total * 1.2533, 1e-4)  # a normal's mean size to its spread
    return level, slope, spread


def _habit_s(timeline: Timeline, late_s: Floats) -> Floats:
    """Return the median lateness of notes alike: same tune, same place in the beat, same written length."""
    notes = timeline.notes
    place = np.round((notes["start_num"] % notes["start_den"]) / notes["start_den"], 6)
    tune = timeline.bars["tune"][np.maximum(notes["bar"], 0)].astype(np.float64)
    keys = np.column_stack([tune, place, np.round(notes["beats_num"] / notes["beats_den"], 6)])
    _, kind = np.unique(keys, axis=0, return_inverse=True)
    habit_s = np.zeros(late_s.size)
    for one in range(int(kind.max(initial=-1)) + 1):
        own = kind.ravel() == one
        known = own & np.isfinite(late_s)
        if known.sum() >= _FEWEST_ALIKE:
            habit_s[own] = np.median(late_s[known])
    return habit_s


def robust_spread_s(late_s: Floats) -> float:
    """Return the spread as the median absolute deviation makes it, for a normal the standard deviation; 0 of none."""
    known = late_s[np.isfinite(late_s)]
    return float(1.4826 * np.median(np.abs(known - np.median(known)))) if known.size else 0.0
