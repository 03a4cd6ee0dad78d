"""The loop of the start and the stop: how likely each shape of a note's entry is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.listen._compiled import njit

Floats = npt.NDArray[np.float64]

_LANES = 16
"""Shapes that are taken at once, as the processor can."""


@njit(cache=True, fastmath=True)
def shape_likelihoods(power: Floats, base: Floats, shapes: Floats) -> Floats:
    """Return the log-likelihood of each shape of entry.

    Parameters
    ----------
    power : float array, shape (frames, partials)
        In units of each partial's level when all play.
    base : float array, shape (partials,)
        What sounds without the note, in the same unit.
    shapes : float array, shape (shapes, frames)
        The share of the players' power that sounds.
    """
    n_shapes, n_frames = shapes.shape
    out = np.zeros(n_shapes)
    shares = np.ones(_LANES)
    levels, heard = np.ones(_LANES), np.ones(_LANES)  # products over some frames: a logarithm takes long
    for first in range(0, n_shapes, _LANES):
        some = shapes[first : first + _LANES]
        for frame in range(n_frames):
            for lane in range(some.shape[0]):
                shares[lane] = some[lane, frame]
            for place in range(base.size):
                half = 0.5 * power[frame, place]
                for lane in range(_LANES):
                    level = base[place] + shares[lane]
                    levels[lane] *= level
                    heard[lane] *= level + half
            if frame % 4 == 3 or frame == n_frames - 1:
                for lane in range(some.shape[0]):
                    ratio = levels[lane] / heard[lane]
                    out[first + lane] += np.log(ratio * ratio / heard[lane])
                levels[:] = 1.0
                heard[:] = 1.0
    return out
