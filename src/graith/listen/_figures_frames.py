"""How much of each of the nine notes sounds in each short frame, learnt from this recording's own long notes.

A frame is 13 ms long, short enough for a gracenote and long enough to keep a note's partials apart. Its magnitudes
are taken to be a sum of the nine notes' own, as the long notes of this recording show them, over a floor; the shares
are found by generalised least squares with the covariance of this recording, so that what drones, room and noise do
to a frame counts little.

References
----------
A. C. Aitken, "On least squares and linear combination of observations", Proceedings of the Royal Society of
Edinburgh 55 (1935) 42-48.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.listen.model import WORKING_RATE_HZ, Floats, Singles
from graith.timeline.model import StructuredArray

WINDOW_SAMPLES = 160
HOP_SAMPLES = 30
FRAME_S = HOP_SAMPLES / WORKING_RATE_HZ
"""From one frame to the next: 2.5 ms."""

LEVELS_BEFORE = 2
"""So many frames before a change the levels are read from which notes fall."""

_LOWEST_HZ, _HIGHEST_HZ = 375.0, 5_550.0
_BIN_HZ = WORKING_RATE_HZ / WINDOW_SAMPLES
_BINS = slice(round(_LOWEST_HZ / _BIN_HZ), round(_HIGHEST_HZ / _BIN_HZ) + 1)
_CHUNK = 2048
_SETTLED_S, _BEFORE_NEXT_S = 0.035, 0.015
_MOST_FRAMES_A_NOTE = 700
_FEWEST_FRAMES = 12
_EVEN_SHARE = 0.07
_NEAR = 0.01
_TINY = 1e-9


def frame_centres_s(frames: npt.NDArray[np.int64]) -> Floats:
    """Return the middles of frames, in seconds."""
    return (frames * HOP_SAMPLES + WINDOW_SAMPLES / 2) / WORKING_RATE_HZ


def frame_at(time_s: Floats, n_samples: int) -> npt.NDArray[np.int64]:
    """Return the frames whose middles are nearest to these times."""
    wanted = np.rint((time_s * WORKING_RATE_HZ - WINDOW_SAMPLES / 2) / HOP_SAMPLES).astype(np.int64)
    return np.clip(wanted, 0, max(0, (n_samples - WINDOW_SAMPLES) // HOP_SAMPLES))


def features(samples: Singles, frames: npt.NDArray[np.int64]) -> Singles:
    """Return the magnitudes of frames, shape (frames, bins)."""
    import scipy.fft

    windows = np.lib.stride_tricks.sliding_window_view(samples, WINDOW_SAMPLES)
    window = np.hanning(WINDOW_SAMPLES + 2)[1:-1].astype(np.float32)
    found = np.empty((frames.size, _BINS.stop - _BINS.start), dtype=np.float32)
    for start in range(0, frames.size, _CHUNK):
        cut = windows[frames[start : start + _CHUNK] * HOP_SAMPLES] * window
        rows = found[start : start + _CHUNK]
        np.abs(scipy.fft.rfft(cut, axis=1)[:, _BINS], out=rows)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class NoteModel:
    """The nine notes as this recording has them.

    Attributes
    ----------
    floor : float32 array, shape (bins,)
        What sounds whatever the note.
    means : float32 array, shape (9, bins)
        Each note's magnitudes above the floor.
    covariance : float array, shape (bins, bins)
    learnt : bool array, shape (9,)
        False for a note that was never heard long.
    weights : float32 array, shape (bins, 9)
    noise : float array, shape (9,)
        Variance of each note's share in settled sound.
    """

    floor: Singles
    means: Singles
    covariance: Floats
    learnt: npt.NDArray[np.bool_]
    weights: Singles
    noise: Floats

    def shares(self, found: Singles) -> Singles:
        """Return how much of each note is in each frame, shape (frames, 9): 1 for a note that sounds alone."""
        shares: Singles = np.matmul(found - self.floor, self.weights, dtype=np.float32)
        return shares

    def taught(self, found: Singles, labels: npt.NDArray[np.int64]) -> NoteModel:
        """Return the model with notes not yet learnt learnt from frames of their gracenotes, the median of each.

        What the other notes sound like in these frames is taken off first; the level stays what it was thought to be.
        """
        means, learnt = self.means.copy(), self.learnt.copy()
        for note in np.flatnonzero(~self.learnt):
            own = found[labels == note]
            if own.shape[0] < _FEWEST_FRAMES:
                continue
            others = np.maximum(self.shares(own), 0.0)
            others[:, note] = 0.0
            middle = np.maximum(np.median(own - self.floor - others @ self.means, axis=0), 0.0)
            means[note] = middle * (means[note].sum() / (middle.sum() + _TINY))
            learnt[note] = True
        return _model(self.floor, means, self.covariance, learnt)


def learnt_notes(samples: Singles, melody: StructuredArray, note_hz: Floats, *, has_drones: bool) -> NoteModel:
    """Return the notes as they sound in this recording.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
    melody : structured array of ``STEP_DTYPE``
        Melody notes only.
    note_hz : float array, shape (9,)
        Pitches of the notes; a note that is never long takes its partials from the others' tone.
    has_drones : bool
        Whether drones sound: then what all notes have in common is theirs, and no note's.
    """
    frames, labels = _settled_frames(melody, samples.size)
    found = features(samples, frames)
    learnt = np.bincount(labels, minlength=9)[:9] >= _FEWEST_FRAMES
    means = _means(found, labels, learnt)
    usual = learnt[labels] & _usual(found, means, labels)
    means = _means(found[usual], labels[usual], learnt)
    floor = means[learnt].min(axis=0) if has_drones and learnt.sum() > 1 else np.zeros(found.shape[1], dtype=np.float32)
    within = found[usual] - means[labels[usual]]
    means[learnt] -= floor
    for note in np.flatnonzero(~learnt):
        means[note] = _made_mean(means, learnt, note_hz, int(note))
    covariance = (within.T @ within).astype(np.float64) / max(1, within.shape[0])
    even = _EVEN_SHARE * float(np.mean(means.astype(np.float64) ** 2)) + _TINY
    return _model(floor, means, covariance + even * np.eye(floor.size), learnt)


def _settled_frames(melody: StructuredArray, n_samples: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return frames from the middles of melody notes, and which note each is."""
    known = melody[melody["heard"] & (melody["chanter_note"] >= 0)]
    first = frame_at(known["start_s"] + _SETTLED_S, n_samples)
    count = np.maximum(frame_at(known["stop_s"] - _BEFORE_NEXT_S, n_samples) - first + 1, 0)
    owner = np.repeat(np.arange(known.size), count)
    place = np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count)
    frames, labels = first[owner] + place, known["chanter_note"][owner].astype(np.int64)
    chosen = []
    for note in range(9):
        own = np.flatnonzero(labels == note)
        chosen.append(own[:: max(1, -(-own.size // _MOST_FRAMES_A_NOTE))])
    rows = np.concatenate(chosen)
    return frames[rows], labels[rows]


def _means(found: Singles, labels: npt.NDArray[np.int64], learnt: npt.NDArray[np.bool_]) -> Singles:
    means = np.zeros((9, found.shape[1]), dtype=np.float32)
    for note in np.flatnonzero(learnt & (np.bincount(labels, minlength=9)[:9] > 0)):
        means[note] = found[labels == note].mean(axis=0)
    return means


def _usual(found: Singles, means: Singles, labels: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Return which frames are as near to their note as most of its own; others may be a note that was not played."""
    away = np.sum((found - means[labels]) ** 2, axis=1)
    power = np.sum(means**2, axis=1)
    usual = np.zeros(labels.size, dtype=bool)
    for note in np.unique(labels):
        own = labels == note
        usual[own] = away[own] <= 4.0 * np.median(away[own]) + _NEAR * power[note]
    return usual


def _partials(hz: float) -> Floats:
    partials_hz: Floats = hz * np.arange(1, int(_HIGHEST_HZ / hz) + 1, dtype=np.float64)
    return partials_hz


def _made_mean(means: Singles, learnt: npt.NDArray[np.bool_], note_hz: Floats, note: int) -> Singles:
    """Return what a note that was never heard long should look like: its partials under the others' curve."""
    bins_hz = np.arange(_BINS.start, _BINS.stop) * _BIN_HZ
    places: list[npt.NDArray[np.floating]] = []
    sizes: list[npt.NDArray[np.floating]] = []
    for other in np.flatnonzero(learnt):
        partials_hz: Floats = _partials(float(note_hz[other]))
        partials_hz = np.compress(partials_hz >= _LOWEST_HZ, partials_hz)
        near = np.clip(np.rint(partials_hz / _BIN_HZ).astype(int) - _BINS.start, 0, bins_hz.size - 1)
        places.append(partials_hz)
        sizes.append(means[other][near].astype(np.float64))
    if not places:
        places, sizes = [bins_hz], [np.ones(bins_hz.size)]
    at_hz, size = np.concatenate(places), np.concatenate(sizes)
    made = np.zeros(bins_hz.size)
    for partial_hz in _partials(float(note_hz[note])):
        weight = np.exp(-0.5 * ((at_hz - partial_hz) / 200.0) ** 2) + _TINY
        height = float(np.sum(weight * size) / np.sum(weight))
        made = np.hypot(made, height * _main_lobe((bins_hz - partial_hz) / _BIN_HZ))
    return made.astype(np.float32)


def _main_lobe(bins: Floats) -> Floats:
    """Return the Hann window's spectrum, 1 in the middle, its magnitude."""
    inside = np.abs(np.abs(bins) - 1.0) < _TINY
    safe = np.where(inside, 0.5, bins)
    lobe = np.abs(np.sinc(safe) / (1.0 - safe**2))
    return np.where(inside, 0.5, lobe)


def _model(floor: Singles, means: Singles, covariance: Floats, learnt: npt.NDArray[np.bool_]) -> NoteModel:
    own = means.astype(np.float64).T
    whitened = np.linalg.solve(covariance, own)
    inner = own.T @ whitened
    inner += np.eye(9) * (1e-3 * np.trace(inner) / 9.0 + _TINY)
    weights = np.linalg.solve(inner, whitened.T).T
    noise = np.einsum("bi,bc,ci->i", weights, covariance, weights)
    return NoteModel(floor, means, covariance, learnt, weights.astype(np.float32), noise)
