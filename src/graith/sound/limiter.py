"""A limiter that looks ahead: true peaks stay below a ceiling, everything else is left exactly as it was.

The sound is watched in cells of 64 samples. A cell whose true peak (by four times oversampling) passes the ceiling asks
for a lower gain; the gain follows the lowest asked for nearby, smoothed over about 46 ms, which can never be more than
any of them. The true peak is computed only where the sample peaks leave it possible.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

_CELL = 64
_TAPS = 16
_OVERSAMPLED = 4
_REACH = 16
_WAIT = 2 * _REACH


def _between_samples() -> Singles:
    """Return the weights, shape (2 * _TAPS, 3), that give the sound 1/4, 1/2 and 3/4 of the way to the next sample."""
    places = np.arange(-_TAPS + 1, _TAPS + 1)
    steps = np.arange(1, _OVERSAMPLED) / _OVERSAMPLED
    distance = places[:, None] - steps
    window = np.i0(6.0 * np.sqrt(np.maximum(0.0, 1.0 - (distance / _TAPS) ** 2))) / np.i0(6.0)
    weights = np.sinc(distance) * window
    unit: Singles = (weights / weights.sum(axis=0)).astype(np.float32)
    return unit


_WEIGHTS = _between_samples()
_LARGEST_OVERSHOOT = float(np.abs(_WEIGHTS).sum(axis=0).max())


def cell_peaks(samples: Singles, n_cells: int, first: int, above: float) -> Floats:
    """Return the true peak of each cell of 64 samples, where it might pass a level; elsewhere the sample peak.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
        With at least 16 samples before cell ``first`` and after the last cell.
    n_cells, first : int
        How many cells, and which is the first, counted from the first sample.
    above : float
        True peaks below this may be given too low.

    Returns
    -------
    float array, shape (n_cells,)
    """
    begin, end = first * _CELL, (first + n_cells) * _CELL
    peaks: Floats = np.abs(samples[begin:end]).reshape(n_cells, _CELL).max(axis=1).astype(np.float64)
    edges = np.abs([samples[begin - _TAPS : begin].max(), samples[begin - _TAPS : begin].min()]).max()
    after = np.abs([samples[end : end + _TAPS].max(), samples[end : end + _TAPS].min()]).max()
    around = np.concatenate([[edges], peaks, [after]])
    nearby = np.maximum(np.maximum(around[:-2], around[1:-1]), around[2:])
    hot = np.flatnonzero(nearby * _LARGEST_OVERSHOOT > above)
    if hot.size:
        places = begin + hot[:, None] * _CELL + np.arange(-_TAPS + 1, _CELL + _TAPS)
        peaks[hot] = np.maximum(peaks[hot], _peaks_between(samples[places]))
    return peaks


def _peaks_between(cells: Singles) -> Floats:
    """Return the largest value between the samples of each cell; its neighbours' samples stand at its two ends."""
    highest = np.zeros(cells.shape[0], dtype=np.float32)
    for weights in _WEIGHTS.T:
        between = np.zeros((cells.shape[0], _CELL), dtype=np.float32)
        for tap, weight in enumerate(weights):
            between += weight * cells[:, tap : tap + _CELL]
        np.maximum(highest, np.abs(between).max(axis=1), out=highest)
    return highest.astype(np.float64)


class Limiter:
    """Applies one gain, and less where a true peak would pass the ceiling.

    Parameters
    ----------
    gain, ceiling : float, > 0
    channels : int
        All take the same gain.
    """

    def __init__(self, gain: float, ceiling: float, channels: int) -> None:
        self._gain, self._ceiling = np.float32(gain), ceiling
        self._kept: Singles = np.zeros((channels, _WAIT * _CELL), dtype=np.float32)
        self._asked: Floats = np.ones(_WAIT - 1)

    def limited(self, hops: Iterable[Singles]) -> Iterator[Singles]:
        """Yield the limited sound in pieces of shape (channels, any), at least as long in all as what came."""
        for hop in hops:
            yield self._take(hop)
        yield self._take(np.zeros((self._kept.shape[0], (_WAIT + 2) * _CELL), dtype=np.float32))

    def _take(self, hop: Singles) -> Singles:
        self._kept = np.concatenate([self._kept, hop * self._gain], axis=1)
        n_ready = (self._kept.shape[1] - _TAPS) // _CELL
        first = self._asked.size
        if n_ready > first:
            peaks = np.max(
                [cell_peaks(channel, n_ready - first, first, self._ceiling) for channel in self._kept], axis=0
            )
            self._asked = np.concatenate([self._asked, np.minimum(1.0, self._ceiling / np.maximum(peaks, 1e-30))])
        n_given = max(0, self._asked.size - 2 * _WAIT)
        piece = self._kept[:, _WAIT * _CELL : (_WAIT + n_given) * _CELL]
        if n_given and self._asked.min() < 1.0:
            piece = piece * self._curve(n_given)
        self._kept = self._kept[:, n_given * _CELL :]
        self._asked = self._asked[n_given:]
        return piece

    def _curve(self, n_cells: int) -> Singles:
        """Return the gain of each sample of the cells to be given."""
        lowest = np.lib.stride_tricks.sliding_window_view(self._asked, 2 * _REACH + 1).min(axis=1)
        weights = np.hanning(2 * _REACH + 2)[1:-1]
        edges = np.convolve(lowest, weights / weights.sum(), "valid")
        # lowest[i] stands for cell i + reach, edges[j] for the line before cell j + 2 * reach: the first given one.
        edges = edges[: n_cells + 1]
        steps = np.arange(_CELL) / _CELL
        curve = edges[:-1, None] + np.diff(edges)[:, None] * steps
        return curve.ravel().astype(np.float32)
