"""Spectral lines: the complex strength of known partials over time, and what their lagged products tell of pitch.

A *line* is a partial whose frequency is roughly known. Windowed samples are multiplied by a matrix of complex
exponentials, one column a line, so that many lines of many windows cost one product of matrices. A steady sinusoid of
frequency ``f`` on a line at ``f0`` then turns by ``2π (f - f0) τ`` from one window to another ``τ`` later, and the mean
of ``z(t + τ) conj(z(t))`` over a recording is the Fourier transform of the line's power spectrum: its angle is the mean
pitch of all that sounds there, weighted by power, and its decay with ``τ`` their spread. White noise has none of it
beyond the length of a window.

References
----------
Autocovariance ("pulse-pair") estimates of a spectrum's mean and width: K. S. Miller and M. M. Rochwarger, "A covariance
approach to spectral moment estimation", IEEE Trans. Inf. Theory 18 (1972) 588-596 (from memory).
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

from graith.listen.model import WORKING_RATE_HZ, Floats, Singles

Complexes = npt.NDArray[np.complex64]
Indices = npt.NDArray[np.int64]
Number = TypeVar("Number", np.float64, np.complex128)

_BLOCK_SAMPLES = 1 << 20


def window_samples(seconds: float) -> int:
    """Return a length of time in whole samples at the working rate."""
    return round(seconds * WORKING_RATE_HZ)


def line_strengths(samples: Singles, firsts: Indices, lines_hz: Floats, length: int) -> Complexes:
    """Return the complex amplitude of each line in each Hann window.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
        At :data:`graith.listen.model.WORKING_RATE_HZ`.
    firsts : int array, shape (windows,)
        First sample of each window; all windows lie within ``samples``.
    lines_hz : float array, shape (lines,)
    length : int
        Samples in a window.

    Returns
    -------
    complex64 array, shape (windows, lines)
        A sinusoid ``a cos(2π f t + p)`` on its own line gives ``a exp(i p)`` in every window, ``t`` from sample 0.

    Examples
    --------
    >>> tone = np.cos(2 * np.pi * 500 / 12_000 * np.arange(2_400)).astype(np.float32)
    >>> strengths = line_strengths(tone, np.array([0, 700]), np.array([500.0]), 1_200)
    >>> bool(np.allclose(strengths, 1.0, atol=1e-3))
    True
    """
    hann = np.hanning(length + 2)[1:-1]
    angles = 2.0 * np.pi / WORKING_RATE_HZ * np.multiply.outer(np.arange(length), lines_hz)
    taper = (2.0 / hann.sum()) * hann[:, None]
    matrix = np.concatenate([np.cos(angles) * taper, -np.sin(angles) * taper], axis=1).astype(np.float32)
    windows = np.lib.stride_tricks.sliding_window_view(samples, length)
    strengths = np.empty((firsts.size, lines_hz.size), dtype=np.complex64)
    per_block = max(1, _BLOCK_SAMPLES // length)
    n_lines = lines_hz.size
    for start in range(0, firsts.size, per_block):
        part = slice(start, start + per_block)
        both = windows[firsts[part]] @ matrix
        strengths[part].real = both[:, :n_lines]
        strengths[part].imag = both[:, n_lines:]
    cycles = np.mod(np.multiply.outer(firsts / WORKING_RATE_HZ, lines_hz), 1.0)
    turned = (-2.0 * np.pi * cycles).astype(np.float32)
    turns = np.empty(turned.shape, dtype=np.complex64)
    turns.real, turns.imag = np.cos(turned), np.sin(turned)
    strengths *= turns
    return strengths


def windows_within(starts: Indices, stops: Indices, length: int, hop: int) -> tuple[Indices, Indices]:
    """Return the windows that lie wholly within stretches of samples, hop by hop from each stretch's start.

    Parameters
    ----------
    starts, stops : int array, shape (stretches,)
    length, hop : int
        Samples.

    Returns
    -------
    firsts : int array, shape (windows,)
        First sample of each window.
    owners : int array, shape (windows,)
        Index of its stretch.

    Examples
    --------
    >>> windows_within(np.array([0, 100]), np.array([30, 125]), 20, 5)
    (array([  0,   5,  10, 100, 105]), array([0, 0, 0, 1, 1]))
    """
    counts = np.maximum((stops - starts - length) // hop + 1, 0)
    owners = np.repeat(np.arange(starts.size), counts)
    places = np.arange(owners.size) - np.repeat(np.cumsum(counts) - counts, counts)
    return starts[owners] + places * hop, owners


def lagged(
    strengths: Complexes, owners: Indices, groups: Indices, n_groups: int, n_lags: int
) -> tuple[npt.NDArray[np.complex128], Floats, Floats]:
    """Return the sums of lagged products of each line over the windows of the same stretch, group by group.

    Parameters
    ----------
    strengths : complex64 array, shape (windows, lines)
        Windows of one stretch follow each other at even hops.
    owners, groups : int arrays, shape (windows,)
        Stretch and group of each window.
    n_groups, n_lags : int
        Lags from 0 to ``n_lags - 1`` hops.

    Returns
    -------
    products : complex128 array, shape (groups, lags, lines)
    powers : float array, shape (groups, lags, lines)
        The mean of both windows' power, over the same pairs.
    pairs : float array, shape (groups, lags)
        How many pairs.
    """
    from graith.listen._line_loops import sum_lagged

    products = np.zeros((n_groups, n_lags, strengths.shape[1]), dtype=np.complex128)
    powers = np.zeros(products.shape, dtype=np.float64)
    pairs = np.zeros((n_groups, n_lags), dtype=np.float64)
    sum_lagged(np.ascontiguousarray(strengths), owners, groups, products, powers, pairs)
    return products, powers, pairs


def stretches(usable: npt.NDArray[np.bool_]) -> Indices:
    """Return which run of usable places each place belongs to; -1 where not usable.

    Examples
    --------
    >>> stretches(np.array([True, True, False, True]))
    array([ 0,  0, -1,  1])
    """
    begins = usable & ~np.concatenate([[False], usable[:-1]])
    runs: Indices = np.where(usable, np.cumsum(begins) - 1, -1).astype(np.int64)
    return runs


def mean_shift_hz(coherence: npt.NDArray[np.complex128], turns_s: Floats, spread_hz: float) -> Floats:
    """Return by how much a source's pitch lies above the one its lines were laid on, in Hz of its first partial.

    Parameters
    ----------
    coherence : complex array, shape (..., lags, lines)
        Lagged products over their power. Lag 0 must not be among them.
    turns_s : float array, shape (lags, lines)
        Partial's number times lag: a shift of ``d`` Hz turns the product by ``d * turns_s`` cycles.
    spread_hz : float
        Standard deviation of the source's pitch; lags so long that the line has decayed get no weight.

    Returns
    -------
    float array, shape (...)

    Notes
    -----
    The maximum of the sum of ``w * Re(coherence * exp(-2πi d turns_s))``, by Newton's steps from the shortest lags.
    """
    from graith.listen._line_loops import mean_shifts

    sets = np.ascontiguousarray(coherence, dtype=np.complex128).reshape(-1, *turns_s.shape)
    shifts: Floats = mean_shifts(sets, np.ascontiguousarray(turns_s, dtype=np.float64), float(spread_hz))
    return shifts.reshape(coherence.shape[:-2])


def left_out(sums: npt.NDArray[Number]) -> npt.NDArray[Number]:
    """Return, for each group along the first axis, the sum of all others (for the jackknife).

    Examples
    --------
    >>> left_out(np.array([1.0, 2.0, 4.0])).tolist()
    [6.0, 5.0, 3.0]
    """
    others: npt.NDArray[Number] = np.asarray(sums.sum(axis=0, keepdims=True) - sums)
    return others


def jackknife_sd(estimates: Floats) -> Floats:
    """Return the standard error from estimates each of which left out one group (first axis).

    References
    ----------
    J. W. Tukey (1958); B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans (1982), eq. 3.5 (from memory).
    """
    n = estimates.shape[0]
    error: Floats = np.sqrt((n - 1) / n * ((estimates - estimates.mean(axis=0)) ** 2).sum(axis=0))
    return error
