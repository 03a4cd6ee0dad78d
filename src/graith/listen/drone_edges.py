"""When the drones came in and when they were let go: how their lowest lines rise before the set and fall after it."""

from __future__ import annotations

import numpy as np

from graith.listen.lines import line_strengths, window_samples, windows_within
from graith.listen.model import WORKING_RATE_HZ, Floats, Singles

_EDGE_WINDOW_S, _EDGE_HOP_S = 0.050, 0.010
_EDGE_BEFORE_S, _EDGE_AFTER_S = 6.0, 3.0
_FROM_QUARTER_TO_HALF = 1.0 / 6.0  # of a raised cosine's length: (arccos(0) - arccos(1/2)) / pi
_LONGEST_SWELL_S = 1.0


def entry_and_stop(
    samples: Singles, quarter_hz: float, begin: int, end: int, start_s: float, stop_s: float
) -> tuple[float | None, float | None]:
    """Return when the drones came in and when they were let go; None where the sound does not hold it.

    A rise or fall as of a raised cosine is assumed: its ends follow from where two shares of the level are crossed.
    At the stop these are the high ones, for the room keeps on what is below.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
    quarter_hz : float
        The basses' pitch.
    begin, end : int
        Samples between which the drones sound steadily.
    start_s, stop_s : float
        Where the set lies; seconds before and after it are searched.

    Returns
    -------
    in_s, out_s : float or None
    """
    came_s, came = _loudness(samples, quarter_hz, start_s - _EDGE_BEFORE_S, begin / WORKING_RATE_HZ + _EDGE_AFTER_S)
    went_s, went = _loudness(samples, quarter_hz, end / WORKING_RATE_HZ - _EDGE_AFTER_S, stop_s + _EDGE_BEFORE_S)
    in_s = out_s = None
    rise = _crossings_s(came_s, came, 0.25, 0.5)
    if rise is not None:
        quarter_s, half_s = rise
        in_s = half_s - 0.5 * min((half_s - quarter_s) / _FROM_QUARTER_TO_HALF, _LONGEST_SWELL_S)
    fall = _crossings_s(-went_s[::-1], went[::-1], 0.5, 0.75)
    if fall is not None:
        half_s, most_s = fall
        out_s = -(half_s + 0.5 * min((most_s - half_s) / _FROM_QUARTER_TO_HALF, _LONGEST_SWELL_S))
    return in_s, out_s


def _loudness(samples: Singles, quarter_hz: float, from_s: float, to_s: float) -> tuple[Floats, Floats]:
    """Return middles of short windows in seconds, and the amplitude of the drones' lowest lines in them."""
    first, last = max(0, window_samples(from_s)), min(samples.size, window_samples(to_s))
    length, hop = window_samples(_EDGE_WINDOW_S), window_samples(_EDGE_HOP_S)
    firsts, _ = windows_within(np.array([first]), np.array([last]), length, hop)
    strengths = line_strengths(samples, firsts, quarter_hz * np.array([1.0, 2.0, 3.0]), length)
    power = (strengths.real**2 + strengths.imag**2).astype(np.float64)
    loud = power[power.sum(axis=1) > 0.5 * float(np.quantile(power.sum(axis=1), 0.9))] if len(power) else power
    usual = np.median(loud, axis=0) + 1e-30 if len(loud) else np.ones(3)
    return (firsts + 0.5 * length) / WORKING_RATE_HZ, np.sqrt((power / usual).mean(axis=1))


def _crossings_s(time_s: Floats, loudness: Floats, low: float, high: float) -> tuple[float, float] | None:
    """Return when a rising sound passes two shares of the level that it then has; None where it is there all along.

    The rise looked for is the last one from below a third that is followed by a second of sound.
    """
    second = round(1.0 / _EDGE_HOP_S)
    if loudness.size < 2 * second:
        return None
    smooth = np.convolve(loudness, np.ones(9) / 9.0, "same")
    level = float(np.median(loudness[-2 * second :]))
    quiet = np.convolve(smooth < 0.35 * level, np.ones(second // 4), "valid") >= second // 4 - 1
    at = np.flatnonzero(quiet[: max(0, loudness.size - 2 * second)])
    if not at.size:
        return None
    start = int(at[-1]) + second // 4 - 1
    settled = loudness[start : start + 2 * second]
    level = float(np.median(settled[second // 3 :]))
    above = np.flatnonzero(smooth[start:] > high * level)
    if not above.size:
        return None
    top = start + int(above[0])
    while top > 0 and loudness[top - 1] > high * level:
        top -= 1
    foot = top
    while foot > 0 and loudness[foot - 1] > low * level:
        foot -= 1
    return _crossing_s(time_s, loudness, foot, low * level), _crossing_s(time_s, loudness, top, high * level)


def _crossing_s(time_s: Floats, loudness: Floats, first_above: int, level: float) -> float:
    """Return when, between a window and the one before it, a level is passed."""
    before = max(0, first_above - 1)
    below, above = loudness[before], loudness[first_above]
    part = (level - below) / (above - below) if above > below else 0.0
    return float(time_s[before] + np.clip(part, 0.0, 1.0) * (time_s[first_above] - time_s[before]))
