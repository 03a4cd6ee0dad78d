"""How one note gives way to the next in this recording: the rise of the new and the fall of the old, frame by frame.

Learnt from the note changes without gracenotes, whose times the aligner knows. A reed that speaks slowly, a room that
goes on sounding and the length of the frame itself are all in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.listen._figures_frames import (
    FRAME_S,
    HOP_SAMPLES,
    LEVELS_BEFORE,
    WINDOW_SAMPLES,
    NoteModel,
    features,
    frame_at,
)
from graith.listen.model import Floats, Singles
from graith.timeline.model import StructuredArray

Ints = npt.NDArray[np.int64]

N_AGES = 40
"""Ages are counted in frames from the change; the last stands for all older."""

_MOST_CHANGES = 160
_FEWEST_CHANGES, _FEWEST_OF_NOTE = 6, 4
_LEAST_SPREAD = 0.04
_JUMP_S = 0.1
_EVIDENCE = 0.35
_MOST_DOUBT = 4.4
_EVIDENCE_AGES = 16
_PLAIN_RISE = (0.6, 0.9)
_LEAST_LEVEL = 0.5


CHANGE_DTYPE = np.dtype(
    [("onset_s", np.float64), ("old", np.int8), ("new", np.int8), ("length_s", np.float64)]  # of the new note
)
"""One row a change from one note to another."""


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """Shares after a change.

    Attributes
    ----------
    rise, fall : float arrays, shape (9, ages)
        From 0 to 1, and from 1 to 0.
    variance : float array, shape (9, ages)
        About them.
    doubt : float, 1 or more
        By how much less the deviations count than their weights say, since those of neighbouring frames hang together.
    """

    rise: Floats
    fall: Floats
    variance: Floats
    doubt: float

    def weights(self) -> tuple[Floats, Floats]:
        """Return the weight of a squared deviation and the logarithm that goes with it, scaled for frames' overlap."""
        return 0.5 * _EVIDENCE / self.variance, -0.5 * _EVIDENCE * np.log(self.variance)


def learnt_changes(samples: Singles, model: NoteModel, known: StructuredArray) -> Changes:
    """Return how notes change in this recording, note by note where there are enough changes, else for all alike.

    ``known`` are the changes to learn from, of ``CHANGE_DTYPE``.
    """
    plain = np.zeros(N_AGES)
    plain[: len(_PLAIN_RISE)] = _PLAIN_RISE
    plain[len(_PLAIN_RISE) :] = 1.0
    rise, fall = np.tile(plain, (9, 1)), np.tile(1.0 - plain, (9, 1))
    variance = np.tile(np.maximum(model.noise, _LEAST_SPREAD**2)[:, None], (1, N_AGES))
    if known.size < _FEWEST_CHANGES:
        variance[:, : len(_PLAIN_RISE)] += 0.05
        return Changes(rise, fall, variance, 1.0)
    risen, fallen, lasts = _curves(samples, model, known)
    new, old = known["new"], known["old"]
    rise[:] = _typical(risen, lasts, 1.0)
    fall[:] = _typical(fallen, lasts, 0.0)
    for note in range(9):
        if np.sum(new == note) >= _FEWEST_OF_NOTE:
            rise[note] = _typical(risen[new == note], lasts[new == note], 1.0, rise[note])
        if np.sum(old == note) >= _FEWEST_OF_NOTE:
            fall[note] = _typical(fallen[old == note], lasts[old == note], 0.0, fall[note])
    away = np.concatenate([risen - rise[new], fallen - fall[old]])
    away[~np.concatenate([lasts, lasts])] = np.nan
    variance += _spread(away)
    return Changes(rise, fall, variance, _doubt(away))


def plain_changes(melody: StructuredArray, n_graces: npt.NDArray[np.integer]) -> Ints:
    """Return melody notes that follow another pitch at once and without gracenotes, spread over the recording."""
    heard, pitch = melody["heard"], melody["chanter_note"]
    gap_s = np.abs(melody["start_s"][1:] - melody["stop_s"][:-1])
    fits = heard[1:] & heard[:-1] & (n_graces[1:] == 0) & (gap_s < _JUMP_S)
    fits &= (pitch[1:] != pitch[:-1]) & (pitch[1:] >= 0) & (pitch[:-1] >= 0)
    after = np.flatnonzero(fits) + 1
    return after[:: max(1, -(-after.size // _MOST_CHANGES))]


def changes_at(melody: StructuredArray, after: Ints) -> StructuredArray:
    """Return the changes into these melody notes, of ``CHANGE_DTYPE``."""
    known = np.zeros(after.size, dtype=CHANGE_DTYPE)
    known["onset_s"], known["new"] = melody["start_s"][after], melody["chanter_note"][after]
    known["old"], known["length_s"] = melody["chanter_note"][after - 1], (melody["stop_s"] - melody["start_s"])[after]
    return known


def _curves(samples: Singles, model: NoteModel, known: StructuredArray) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Return the new note's rise and the old one's fall of each change, and where the new note still lasted."""
    first = frame_at(known["onset_s"] + 0.5 * FRAME_S, samples.size)
    ages = np.arange(-LEVELS_BEFORE, N_AGES)
    last = (samples.size - WINDOW_SAMPLES) // HOP_SAMPLES
    frames = np.clip(first[:, None] + ages, 0, last)
    shares = model.shares(features(samples, frames.ravel())).reshape(known.size, ages.size, 9).astype(np.float64)
    each = np.arange(known.size)
    new = shares[each, :, known["new"]]
    old = shares[each, :, known["old"]]
    risen = 1.0 - (1.0 - new[:, LEVELS_BEFORE:]) / np.maximum(1.0 - new[:, :1], _LEAST_LEVEL)
    fallen = old[:, LEVELS_BEFORE:] / np.maximum(old[:, :1], _LEAST_LEVEL)
    lasts = known["length_s"] / FRAME_S - 3.0
    return risen, fallen, ages[LEVELS_BEFORE:] < lasts[:, None]


def _typical(curves: Floats, known: npt.NDArray[np.bool_], end: float, usual: Floats | None = None) -> Floats:
    """Return the median curve over the changes.

    Where too few notes last so long it runs on beside the usual curve, or goes over to its end.
    """
    typical = np.full(N_AGES, end)
    before = 1.0 - end
    middle, count = _quantile(np.where(known, curves, np.nan), 0.5)
    for age in range(N_AGES):
        if count[age] >= _FEWEST_OF_NOTE:
            before = float(middle[age])
        elif usual is not None and age:
            before += (end - before) * min(max((usual[age] - usual[age - 1]) / (end - usual[age - 1] + 1e-9), 0.0), 1.0)
        else:
            before += 0.15 * (end - before)
        typical[age] = before
    clipped: Floats = np.clip(typical, -0.2, 1.2)
    return clipped


def _doubt(away: Floats) -> float:
    """Return the variance of a sum of these deviations over that of independent ones, in units of the overlap's.

    It is the number of frames over the effective size of a correlated series.
    """
    early = away[:, :_EVIDENCE_AGES]
    early = np.clip(early[np.isfinite(early).all(axis=1)], -0.5, 0.5)
    if early.shape[0] < _FEWEST_CHANGES:
        return 1.0
    early = early / (early.std(axis=0) + 1e-6)
    times = float(np.mean(early.sum(axis=1) ** 2)) / _EVIDENCE_AGES
    return min(max(_EVIDENCE * times, 1.0), _MOST_DOUBT)


def _spread(both: Floats) -> Floats:
    """Return the variance about the curves by age, the wildest fifth left out."""
    variance = np.zeros(N_AGES)
    before = 0.0
    size, count = _quantile(np.abs(both), 0.8)
    for age in range(N_AGES):
        if count[age] >= 2 * _FEWEST_OF_NOTE:
            before = float((size[age] / 1.2816) ** 2)  # a normal's size that four fifths stay below, to its spread
        variance[age] = before
    return variance


def _quantile(rows: Floats, share: float) -> tuple[Floats, Ints]:
    """Return each column's quantile and how many numbers it has; NaN is none."""
    count = np.isfinite(rows).sum(axis=0)
    ordered = np.sort(rows, axis=0)  # NaN comes last
    place = share * np.maximum(count - 1, 0)
    low = np.floor(place).astype(np.int64)
    column = np.arange(rows.shape[1])
    below, above = ordered[low, column], ordered[np.minimum(low + 1, np.maximum(count - 1, 0)), column]
    return below + (place - low) * (above - below), count
