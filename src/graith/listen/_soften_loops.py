"""The loop that weighs each step's start against its neighbours."""

from __future__ import annotations

import numpy as np

from graith.listen._compiled import njit

_REACH_FRAMES = 24


@njit(cache=True, nogil=True)
def _off(away):  # type: ignore[no-untyped-def]
    """Return the log-likelihood of a deviation: normal near 0, with straight tails beyond two standard deviations."""
    size = abs(away)
    return -0.5 * size * size if size < 2.0 else 2.0 - 2.0 * size


@njit(cache=True, nogil=True)
def soften_starts(cumulative, onsets, classes, expected, width, where, hold, starts, means, errors):  # type: ignore[no-untyped-def]
    """Write each start's mean and standard deviation by its likelihood between its neighbours, in frames.

    Arguments as for ``graith.listen._loops.lay_steps``, of steps that sound only; ``starts`` int32 (steps + 1,) its
    answer; ``means``, ``errors`` float64 (steps,), out.
    """
    n_frames = cumulative.shape[0] - 1
    worth = np.empty(2 * _REACH_FRAMES + 1, dtype=np.float64)
    for k in range(classes.size):
        c = classes[k]
        before = int(np.round(means[k - 1])) if k > 0 else starts[k] - 4 * _REACH_FRAMES
        after = starts[k + 1]
        old = classes[k - 1] if k > 0 else 9
        low = max(max(before + 1, starts[k] - _REACH_FRAMES), 0)
        high = min(min(after - 1, starts[k] + _REACH_FRAMES), n_frames)
        means[k] = starts[k]
        errors[k] = 1.0
        if high <= low:
            continue
        top = -1e30
        for frame in range(low, high + 1):
            value = cumulative[frame, old] - cumulative[frame, c] + onsets[frame, c]
            value += _off((frame - where[k]) * hold[k])
            value += _off((np.log(after - frame) - np.log(expected[k])) / width[k])
            if k > 0:
                value += _off((np.log(frame - before) - np.log(expected[k - 1])) / width[k - 1])
            worth[frame - low] = value
            top = max(top, value)
        total = mean = square = 0.0
        for frame in range(low, high + 1):
            weight = np.exp(worth[frame - low] - top)
            total += weight
            mean += weight * (frame - starts[k])
            square += weight * (frame - starts[k]) ** 2
        means[k] = starts[k] + mean / total
        errors[k] = np.sqrt(max(square / total - (mean / total) ** 2, 0.0))
