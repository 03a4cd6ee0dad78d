"""How well each frame fits each of the nine notes: first by what any reed gives, then by this recording's own sound.

The first scores compare a frame with combs of partials. Once a first alignment says which frames are which note, the
recording teaches its own nine spectra: a linear discriminant over all bins, which knows this chanter, these drones,
this room and this phone.

References
----------
Linear discriminant with shrinkage towards the diagonal: as in any textbook (R. A. Fisher, Annals of Eugenics 7 (1936)
179-188, from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.listen.frames import WINDOW_SAMPLES, Frames
from graith.listen.model import WORKING_RATE_HZ, Floats, Singles

N_CLASSES = 10
SILENCE = 9
"""The class of frames without a chanter, after the nine notes."""

_GAIN = 14.0
_LEAST_FRAMES = 12
_SHRINKAGE = 0.12


def comb_scores(frames: Frames, notes_hz: Floats) -> Singles:
    """Return each frame's log-likelihood of the nine notes, shape (frames, 10), from combs of partials.

    Parameters
    ----------
    frames : Frames
    notes_hz : float array, shape (9,)

    Returns
    -------
    float32 array, shape (frames, 10)
        Logarithms of shares that add to 1 over the notes; silence is where little stands out.
    """
    return comb_scores_of(frames.levels, frames.bins_hz, notes_hz)


def comb_scores_of(levels: Singles, bins_hz: Floats, notes_hz: Floats, *, usual: float | None = None) -> Singles:
    """Return the same from levels, shape (steps, bins), that may be means over several frames.

    ``usual`` is the mean level under which lie 8 in 10 steps of the whole recording, when these are a part of it.

    Parameters
    ----------
    levels : float32 array, shape (steps, bins)
        Of :class:`graith.listen.frames.Frames`.
    bins_hz : float array, shape (bins,)
    notes_hz : float array, shape (9,)

    Returns
    -------
    float32 array, shape (steps, 10)
    """
    combs = _combs(bins_hz, notes_hz)
    mean = levels.mean(axis=1, keepdims=True)
    square = np.einsum("ij,ij->i", levels, levels)[:, None] / np.float32(levels.shape[1])
    size = np.sqrt(np.maximum(square - mean**2, 1e-6)) * np.sqrt(levels.shape[1])
    fit = (levels @ combs) / size
    scores = np.empty((len(levels), N_CLASSES), dtype=np.float32)
    scores[:, :SILENCE] = _GAIN * fit
    if usual is None:
        usual = float(np.quantile(mean, 0.8))
    scores[:, SILENCE] = _GAIN * (0.62 - 0.75 * mean[:, 0] / max(usual, 0.2))
    return _as_shares(scores)


def _combs(bins_hz: Floats, notes_hz: Floats) -> Singles:
    """Return one column a note: lobes of the window at its partials, weaker upwards, mean 0 and length 1."""
    combs = np.zeros((bins_hz.size, 9))
    lobe_hz = 2.0 * WORKING_RATE_HZ / WINDOW_SAMPLES
    for note, pitch_hz in enumerate(notes_hz):
        for number in range(1, int(bins_hz[-1] / pitch_hz) + 1):
            away = np.abs(bins_hz - number * pitch_hz) / lobe_hz
            height = 1.0 / (1.0 + number * pitch_hz / 4000.0)
            combs[:, note] += height * np.maximum(0.0, 1.0 - away**2)
    combs -= combs.mean(axis=0)
    combs /= np.sqrt((combs**2).sum(axis=0))
    return combs.astype(np.float32)


def _as_shares(scores: Singles) -> Singles:
    top = scores.max(axis=1, keepdims=True)
    shares: Singles = scores - top - np.log(np.exp(scores - top).sum(axis=1, keepdims=True))
    return shares


def learnt_scores(frames: Frames, labels: npt.NDArray[np.int8]) -> Singles | None:
    """Return each frame's log-likelihood of the notes by this recording's own sound.

    Parameters
    ----------
    frames : Frames
    labels : int8 array, shape (frames,)
        What each frame is believed to be, 0 to 8 or 9 for no chanter; -1 for frames to learn nothing from.

    Returns
    -------
    float32 array, shape (frames, 10), or None
        As :func:`comb_scores`; a note with too few frames gets a little less than the frame's mean. None when fewer
        than two classes have enough frames.
    """
    weights, offsets, known = learnt_discriminant(frames, labels)
    if known.sum() < 2:
        return None
    scores = frames.levels @ weights + offsets
    if not known.all():
        scores[:, ~known] = scores[:, known].max(axis=1, keepdims=True) - 6.0
    return _as_shares(scores.astype(np.float32))


def learnt_discriminant(frames: Frames, labels: npt.NDArray[np.int8]) -> tuple[Singles, Singles, npt.NDArray[np.bool_]]:
    """Return weights (bins, 10), offsets (10,) of a linear discriminant and which classes were learnt.

    Parameters
    ----------
    frames : Frames
    labels : int8 array, shape (frames,)
        As for :func:`learnt_scores`.
    """
    counts = np.array([(labels == index).sum() for index in range(N_CLASSES)])
    known = counts >= _LEAST_FRAMES
    n_bins = frames.levels.shape[1]
    means = np.zeros((N_CLASSES, n_bins))
    within = np.zeros((n_bins, n_bins))
    for index in np.flatnonzero(known):
        own = frames.levels[labels == index]
        means[index] = own.mean(axis=0)
        centred = own - means[index].astype(np.float32)
        within += centred.T @ centred
    within /= max(1, int(counts[known].sum()))
    within = (1.0 - _SHRINKAGE) * within
    within[np.diag_indices(n_bins)] += _SHRINKAGE * within.trace() / n_bins / (1.0 - _SHRINKAGE) + 1e-4
    weights = np.linalg.solve(within, means.T)
    offsets = -0.5 * np.einsum("ij,ji->i", means, weights)
    return weights.astype(np.float32), offsets.astype(np.float32), known
