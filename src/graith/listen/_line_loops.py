"""The inner loops of spectral lines, compiled."""

from __future__ import annotations

import numpy as np

from graith.listen._compiled import njit


@njit(cache=True, nogil=True, fastmath=True)
def sum_lagged(strengths, owners, groups, products, powers, pairs):  # type: ignore[no-untyped-def]
    """Add z(t + lag) conj(z(t)), the pair's mean power and 1 to their group, for pairs within one stretch."""
    n_windows, n_lines = strengths.shape
    n_lags = products.shape[1]
    for first in range(n_windows):
        owner, group = owners[first], groups[first]
        if owner < 0:
            continue
        for lag in range(min(n_lags, n_windows - first)):
            if owners[first + lag] != owner:
                break
            pairs[group, lag] += 1.0
            for line in range(n_lines):
                a = strengths[first, line]
                b = strengths[first + lag, line]
                products[group, lag, line] += b * a.conjugate()
                powers[group, lag, line] += 0.5 * (
                    a.real * a.real + a.imag * a.imag + b.real * b.real + b.imag * b.imag
                )


@njit(cache=True, nogil=True, fastmath=True)
def mean_shifts(coherence, turns_s, spread_hz):  # type: ignore[no-untyped-def]
    """Return each set's shift, as :func:`graith.listen.lines.mean_shift_hz`; ``coherence`` (sets, lags, lines)."""
    n_sets, n_lags, n_lines = coherence.shape
    out = np.zeros(n_sets)
    weights = np.empty((n_lags, n_lines))
    reach_s, least_s = turns_s.max(), turns_s.min()
    for index in range(n_sets):
        shift = 0.0
        # Lags are taken in by and by: the shortest ones find the cycle in which the longer ones turn.
        taken_s = min(max(4.0 * least_s, 0.02), reach_s)
        while True:
            for lag in range(n_lags):
                for line in range(n_lines):
                    near = turns_s[lag, line] <= taken_s
                    weights[lag, line] = np.exp(-2.0 * (np.pi * spread_hz * turns_s[lag, line]) ** 2) if near else 0.0
            for _ in range(3):
                lean = stiff = 0.0
                for lag in range(n_lags):
                    for line in range(n_lines):
                        if weights[lag, line] > 0.0:
                            turn_s, value = turns_s[lag, line], coherence[index, lag, line]
                            angle = 2.0 * np.pi * shift * turn_s
                            cos, sin = np.cos(angle), np.sin(angle)
                            lean += weights[lag, line] * (value.imag * cos - value.real * sin) * turn_s
                            real = weights[lag, line] * (value.real * cos + value.imag * sin)
                            stiff += max(real, 0.0) * turn_s * turn_s
                step = lean / max(2.0 * np.pi * stiff, 1e-12)
                shift += min(max(step, -0.3 / taken_s), 0.3 / taken_s)
            if taken_s >= reach_s:
                break
            taken_s = min(2.0 * taken_s, reach_s)
        out[index] = shift
    return out


@njit(cache=True, nogil=True)
def spread_hz(coherence, turns_s, partials, line_window_hz, first_hz, least_hz, reach):  # type: ignore[no-untyped-def]
    """Return the standard deviation of the pitches that sound together, in Hz of the first partial.

    Parameters
    ----------
    coherence : float64 (lags, lines)
        Size of the lagged products as a share of the power; lag 0 is not used.
    turns_s : float64 (lags, lines)
    partials : float64 (lines,)
    line_window_hz : float
        How wide a line may be before the window cuts it.
    first_hz, least_hz : float
        A first guess, and the least that is told.
    reach : float
        Lags up to which ``2 π`` spread times turns stays below it are used.
    """
    n_lags, n_lines = coherence.shape
    spread = first_hz
    for _ in range(6):
        total, n_some = 0.0, 0
        for line in range(n_lines):
            top = bottom = 0.0
            is_used = False
            for lag in range(1, n_lags):
                clear = coherence[lag, line] > 0.05
                near = 2.0 * np.pi * spread * turns_s[lag, line] < reach
                if clear and (near or lag < 3):
                    square = 2.0 * (np.pi * turns_s[lag, line]) ** 2
                    top += square * -np.log(min(max(coherence[lag, line], 1e-3), 1.0))
                    bottom += square * square
                    is_used = True
            if is_used:
                slope = top / max(bottom, 1e-30)
                # A line wider than the window's response is cut narrower by it.
                total += slope / max(1.0 - slope * partials[line] ** 2 / line_window_hz**2, 0.15)
                n_some += 1
        mean = total / n_some if n_some else 0.0
        spread = np.sqrt(max(mean, least_hz**2))
    return spread
