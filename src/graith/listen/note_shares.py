"""How much of each note a frame holds, and what that says: which note sounds, and where one begins.

A frame's power is split into shares of the nine notes' spectra, learnt from the recording itself, so that an old note
that still echoes or dies away does not hide a new one: what counts at a change is that the new one rises.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.listen.frames import Frames
from graith.listen.model import Floats, Singles

Labels = npt.NDArray[np.int8]

_LEAST_FRAMES = 6
_SWEEPS = 5
_BLOCK_FRAMES = 4_096
_FAINT = 0.03
_RISE_FAINT = 0.04
_FRAMES_AFTER, _FRAMES_BEFORE = 2, 3
_MOST_RISE, _MOST_FALL = 2.0, -1.0


def note_shares(frames: Frames, labels: Labels, notes_hz: Floats) -> Singles:
    """Return how much of each note every frame holds, shape (frames, 9); 1 is its usual strength.

    Parameters
    ----------
    frames : Frames
    labels : int8 array, shape (frames,)
        What each frame is believed to be, 0 to 8 or 9 for no chanter; -1 where that is not sure.
    notes_hz : float array, shape (9,)
        The chanter's pitches, to 30 cents: a note with too few frames of its own is a learnt neighbour, moved in pitch.

    References
    ----------
    Non-negative least squares by coordinate descent (Franc, Hlavac and Navara, CAIP 2005, from memory).
    """
    from graith.listen._loops import least_squares_shares

    spectra = _spectra(frames, labels, notes_hz)
    weights = (1.0 / (spectra.mean(axis=0) + 2.0) ** 2).astype(np.float32)
    most = (4.0 * spectra.max(axis=0) + 2.0).astype(np.float32)
    weighted = spectra * weights
    products = weighted @ spectra.T
    products[np.diag_indices(9)] += np.float32(1e-6)
    wanted = np.empty((frames.n, 9), dtype=np.float32)
    for first in range(0, frames.n, _BLOCK_FRAMES):
        power = np.expm1(frames.levels[first : first + _BLOCK_FRAMES])
        wanted[first : first + _BLOCK_FRAMES] = np.minimum(power, most, out=power) @ weighted.T
    shares: Singles = least_squares_shares(wanted, products, _SWEEPS)
    for note in range(9):
        own = shares[labels == note, note]
        if own.size >= _LEAST_FRAMES:
            shares[:, note] /= max(float(np.median(own)), 0.05)
    return shares


def _spectra(frames: Frames, labels: Labels, notes_hz: Floats) -> Singles:
    """Return the nine notes' mean power above what stands still, shape (9, bins)."""
    spectra = np.full((9, frames.levels.shape[1]), 1e-3, dtype=np.float32)
    learnt = [note for note in range(9) if (labels == note).sum() >= _LEAST_FRAMES]
    for note in learnt:
        spectra[note] = np.expm1(frames.levels[labels == note]).mean(axis=0)
    for note in set(range(9)).difference(learnt) if learnt else ():
        nearest = min(learnt, key=lambda other: abs(np.log(notes_hz[other] / notes_hz[note])))
        lower_hz = frames.bins_hz * (notes_hz[nearest] / notes_hz[note])
        spectra[note] = np.interp(lower_hz, frames.bins_hz, spectra[nearest])
    return spectra


def stands_out_db(frames: Frames, labels: Labels) -> float | None:
    """Return how far the notes stand out of what sounds besides them, in dB; None where no note is sure.

    Each note's mean power above what stands still and echoes, as a multiple of it, in the eighth of the bins where it
    is strongest.
    """
    strengths, weights = [], []
    for note in range(9):
        own = frames.levels[labels == note]
        if len(own) >= _LEAST_FRAMES:
            power = np.sort(np.expm1(own).mean(axis=0))
            strengths.append(float(power[-(power.size // 8) :].mean()))
            weights.append(len(own))
    if not strengths or max(strengths) <= 0.0:
        return None
    return 10.0 * float(np.log10(np.average(strengths, weights=weights)))


def share_scores(shares: Singles) -> Singles:
    """Return the log-likelihood of each note, and of no chanter, in each frame by its shares, shape (frames, 10).

    Parameters
    ----------
    shares : float32 array, shape (frames, 9)
        Of :func:`note_shares`.

    Returns
    -------
    float32 array, shape (frames, 10)
        0 at most. A note is held against all that sounds, silence against the strongest note: drums and noise have a
        little of every note, and are none.
    """
    held = np.minimum(shares, np.float32(1.5))
    total = held.sum(axis=1)
    scores = np.empty((len(shares), 10), dtype=np.float32)
    scores[:, :9] = np.log((held + np.float32(_FAINT)) / (total + np.float32(2.0 * _FAINT))[:, None])
    scores[:, 9] = np.log(np.clip(1.0 - held.max(axis=1), _FAINT, 1.0))
    return np.minimum(scores, np.float32(0.0))


def onset_scores(shares: Singles) -> Singles:
    """Return how much each note rises at each frame's beginning, in natural logarithms, shape (frames + 1, 10).

    Parameters
    ----------
    shares : float32 array, shape (frames, 9)
        Of :func:`note_shares`.
    """
    levels = np.log(shares + np.float32(_RISE_FAINT))
    scores = np.zeros((len(shares) + 1, 10), dtype=np.float32)
    first, stop = _FRAMES_BEFORE, len(shares) - _FRAMES_AFTER
    if stop <= first:
        return scores
    sums = np.zeros(len(shares) + 1)
    for note in range(9):  # one by one: sums of all, in double precision, would be large
        np.cumsum(levels[:, note], dtype=np.float64, out=sums[1:])
        after = (sums[first + _FRAMES_AFTER : -1] - sums[first:stop]) / _FRAMES_AFTER
        before = (sums[first:stop] - sums[: stop - first]) / _FRAMES_BEFORE
        scores[first:stop, note] = np.clip(after - before, _MOST_FALL, _MOST_RISE)
    return scores
