"""Loudness of sound that comes in pieces, after ITU-R BS.1770-4: K-weighting, 400 ms blocks, two gates.

References
----------
Recommendation ITU-R BS.1770-4 (10/2015), annex 1: the two filters (tables 1 and 2, for 48 kHz), blocks of 400 ms that
overlap by 75 %, the gates at -70 LUFS and 10 LU below the ungated mean.
B. De Man, "Evaluation of implementations of the EBU R128 loudness measurement", AES 145th Convention (2018): the
analogue filters behind the tables, from which other sampling rates follow. (Values from memory; the tests hold them
against pyloudnorm, and at 48 kHz against the tables.)
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Complexes = npt.NDArray[np.complex128]

SHELF_HZ, SHELF_DB, SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
HIGH_PASS_HZ, HIGH_PASS_Q = 38.13547087602444, 0.5003270373238773

_OFFSET_LU = -0.691
_ABSOLUTE_GATE_LUFS, _RELATIVE_GATE_LU = -70.0, -10.0
_CELLS_PER_S, _CELLS_PER_BLOCK = 10, 4


def k_weighting_coefficients(rate_hz: float) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Return numerator and denominator of the high shelf and of the high pass, each normalised to ``a[0] == 1``."""
    k = math.tan(math.pi * SHELF_HZ / rate_hz)
    high = 10.0 ** (SHELF_DB / 20.0)
    band = high**0.4996667741545416
    a0 = 1.0 + k / SHELF_Q + k * k
    a_shelf = np.array([a0, 2.0 * (k * k - 1.0), 1.0 - k / SHELF_Q + k * k]) / a0
    b_shelf = (
        np.array([high + band * k / SHELF_Q + k * k, 2.0 * (k * k - high), high - band * k / SHELF_Q + k * k]) / a0
    )
    k = math.tan(math.pi * HIGH_PASS_HZ / rate_hz)
    a0 = 1.0 + k / HIGH_PASS_Q + k * k
    a_pass = np.array([a0, 2.0 * (k * k - 1.0), 1.0 - k / HIGH_PASS_Q + k * k]) / a0
    return (b_shelf, a_shelf), (np.array([1.0, -2.0, 1.0]), a_pass)


def k_weighting(frequency_hz: Floats, rate_hz: float) -> Complexes:
    """Return the K-weighting's complex gain at these frequencies."""
    delay = np.exp(-2j * np.pi * frequency_hz / rate_hz)
    gain: Complexes = np.ones(frequency_hz.shape, dtype=np.complex128)
    for numerator, denominator in k_weighting_coefficients(rate_hz):
        gain *= np.polyval(numerator[::-1], delay) / np.polyval(denominator[::-1], delay)
    return gain


class LoudnessMeter:
    """Integrated loudness and sample peak of sound that comes in pieces of any length.

    Each 100 ms cell's weighted power is taken from its spectrum (Parseval) instead of from a running filter: the
    filters' memory across a cell's edge is lost, which moves the loudness by about a hundredth of a LU.

    Parameters
    ----------
    rate_hz : float
    channels : int

    Examples
    --------
    A full-scale sine wave of 997 Hz in one channel reads -3.01 LUFS (BS.1770, calibration).

    >>> meter = LoudnessMeter(48_000, 1)
    >>> tone = np.sin(2 * np.pi * 997 / 48_000 * np.arange(96_000)).astype(np.float32)
    >>> for piece in tone.reshape(4, 1, 24_000):
    ...     meter.add(piece)
    >>> abs(meter.loudness_lufs() + 3.01) < 0.015
    True
    """

    def __init__(self, rate_hz: float, channels: int) -> None:
        self._cell = round(rate_hz / _CELLS_PER_S)
        frequency_hz: Floats = np.fft.rfftfreq(self._cell, 1.0 / rate_hz).astype(np.float64)
        weights = 2.0 * np.abs(k_weighting(frequency_hz, rate_hz)) ** 2 / self._cell**2
        weights[0] = 0.0
        if self._cell % 2 == 0:
            weights[-1] /= 2.0
        self._weights: Singles = weights.astype(np.float32)
        self._kept: Singles = np.zeros((channels, 0), dtype=np.float32)
        self._powers: list[Floats] = []
        self.sample_peak = 0.0

    def add(self, piece: Singles) -> None:
        """Take in a piece of shape (channels, samples)."""
        self.sample_peak = max(self.sample_peak, float(piece.max(initial=0.0)), -float(piece.min(initial=0.0)))
        sound = np.concatenate([self._kept, piece], axis=1)
        n_cells = sound.shape[1] // self._cell
        whole = n_cells * self._cell
        if n_cells:
            self._powers.append(self._power(sound[:, :whole].reshape(-1, self._cell)).reshape(-1, n_cells).sum(axis=0))
        self._kept = sound[:, whole:]

    def _power(self, cells: Singles) -> Floats:
        """Return the weighted mean square of each row of samples."""
        spectrum = np.fft.rfft(cells, axis=1)
        weighted = (np.square(spectrum.real) + np.square(spectrum.imag)) * self._weights
        power: Floats = weighted.sum(axis=1, dtype=np.float64)
        return power

    def loudness_lufs(self) -> float:
        """Return the integrated loudness so far, in LUFS; minus infinity for silence.

        A sound shorter than one block of 400 ms is measured as a whole, without gates.
        """
        cells = np.concatenate([*self._powers, np.zeros(0)])
        if cells.size < _CELLS_PER_BLOCK:
            padded = np.pad(self._kept, ((0, 0), (0, self._cell - self._kept.shape[1])))
            n_samples = cells.size * self._cell + self._kept.shape[1]
            energy = (float(cells.sum()) + float(self._power(padded).sum())) * self._cell
            return _lufs(energy / max(1, n_samples))
        blocks = np.convolve(cells, np.ones(_CELLS_PER_BLOCK) / _CELLS_PER_BLOCK, "valid")
        loud = blocks[blocks > _weighted_power(_ABSOLUTE_GATE_LUFS)]
        if not loud.size:
            return -math.inf
        gate = _weighted_power(_lufs(float(loud.mean())) + _RELATIVE_GATE_LU)
        return _lufs(float(loud[loud > gate].mean()))


def _lufs(power: float) -> float:
    return _OFFSET_LU + 10.0 * math.log10(power) if power > 0 else -math.inf


def _weighted_power(loudness_lufs: float) -> float:
    return float(10.0 ** ((loudness_lufs - _OFFSET_LU) / 10.0))
