"""A first guess of low A from the long-term spectrum: where the nine notes' partials fit best."""

from __future__ import annotations

import numpy as np

from graith.listen.model import WORKING_RATE_HZ, Floats, Singles
from graith.sound.scale import Scale

LOWEST_LOW_A_HZ, HIGHEST_LOW_A_HZ = 425.0, 535.0
"""From old chanters to a band's recording played a semitone and a half too fast."""

_FFT_SAMPLES = 8_192
_STEP_CENTS = 4.0
_BLUR_CENTS = 9.0
_HIGHEST_HZ = 4_500.0
_LOWEST_HZ = 380.0
_USUAL_HZ, _USUAL_WIDTH_CENTS = 478.0, 120.0
_N_SPECTRA = 600
_TOGETHER = 8


def long_spectrum(samples: Singles, most: int = _N_SPECTRA) -> Floats:
    """Return the mean amplitude spectrum of at most so many stretches of 0.7 s, spread over the recording.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
        Mono at :data:`graith.listen.model.WORKING_RATE_HZ`; padded with silence when shorter than a stretch.
    most : int

    Returns
    -------
    float array, shape (bins,)
        From 0 Hz to half the rate.
    """
    from scipy.fft import rfft

    size = _FFT_SAMPLES
    if samples.size < size:
        samples = np.pad(samples, (0, size - samples.size))
    step = max(size // 2, (samples.size - size) // most)
    windows = np.lib.stride_tricks.sliding_window_view(samples, size)[::step]
    taper = np.hanning(size + 1)[:-1].astype(np.float32)
    total = np.zeros(size // 2 + 1)
    for first in range(0, len(windows), _TOGETHER):
        total += np.abs(rfft(windows[first : first + _TOGETHER] * taper, axis=1)).sum(axis=0, dtype=np.float64)
    return total / len(windows)


def guessed_low_a_hz(spectrum: Floats, scale: Scale) -> tuple[float, float]:
    """Return low A in Hz, and how clear it is: the best fit's distance from the mean fit in standard deviations.

    Parameters
    ----------
    spectrum : float array
        Of :func:`long_spectrum`.
    scale : Scale

    Notes
    -----
    The amplitude's logarithm above its surroundings is summed over the partials of all nine notes for each candidate.
    """
    outstanding, pitch_cents = _outstanding(spectrum)
    candidates_hz = np.exp2(np.arange(np.log2(LOWEST_LOW_A_HZ), np.log2(HIGHEST_LOW_A_HZ), _STEP_CENTS / 1200.0))
    partials = _partials(scale.note_hz(480.0) / 480.0)
    cents = 1200.0 * np.log2(candidates_hz[:, None] * partials[None, :])
    fits = np.interp(cents, pitch_cents, outstanding).mean(axis=1)
    away = 1200.0 * np.log2(candidates_hz / _USUAL_HZ) / _USUAL_WIDTH_CENTS
    judged = fits - 0.1 * fits.std() * away**2
    best = int(np.argmax(judged))
    clear = float((fits[best] - fits.mean()) / max(float(fits.std()), 1e-12))
    return float(candidates_hz[best]), clear


def _partials(ratios: Floats) -> Floats:
    numbers = np.arange(1, 11)
    partials = (ratios[:, None] * numbers[None, :]).ravel()
    return np.sort(partials[(partials * 480.0 < _HIGHEST_HZ) & (partials * 480.0 > _LOWEST_HZ)])


def _outstanding(spectrum: Floats) -> tuple[Floats, Floats]:
    """Return the log spectrum above its surroundings on a grid of cents, blurred by a chanter's own tuning."""
    from scipy.ndimage import gaussian_filter1d, median_filter

    bins_hz = np.arange(spectrum.size) * (WORKING_RATE_HZ / _FFT_SAMPLES)
    levels = np.log(spectrum + 1e-9)
    levels = np.maximum(levels - median_filter(levels, 81), 0.0)
    grid_cents = np.arange(1200.0 * np.log2(_LOWEST_HZ) - 100.0, 1200.0 * np.log2(_HIGHEST_HZ) + 300.0, 2.0)
    on_grid = np.interp(np.exp2(grid_cents / 1200.0), bins_hz, levels)
    return gaussian_filter1d(on_grid, _BLUR_CENTS / 2.0), grid_cents
