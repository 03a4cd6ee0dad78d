"""Bag pressure wandering slowly, as pitch.

The wander in cents is a sum of slow sine waves with chance phases, so that its integral, by which phase runs ahead,
has a closed form and needs no memory from block to block.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from graith.sound.model import Wander

Floats = npt.NDArray[np.float64]

_SLOW_HZ = (0.043, 0.11, 0.19, 0.31, 0.47)
_KNOTS_PER_HOP = 17


class Wandering:
    """One player's wander.

    Parameters
    ----------
    cents : float
        Standard deviation over a long time.
    settings : Wander
        For its seed.
    player : int
    rate_hz : float
    """

    def __init__(self, cents: float, settings: Wander, player: int, rate_hz: float) -> None:
        draws = np.random.default_rng([settings.seed, 9, player])
        self._rate_hz = rate_hz
        self._slow_hz = np.array(_SLOW_HZ) * draws.uniform(0.85, 1.15, size=len(_SLOW_HZ))
        self._phases = draws.uniform(0.0, 2.0 * np.pi, size=len(_SLOW_HZ))
        self._each_cents = cents * math.sqrt(2.0 / len(_SLOW_HZ))

    def cents(self, time_s: Floats) -> Floats:
        """Return how sharp the pitch is at these times, in cents."""
        angles = 2.0 * np.pi * np.multiply.outer(time_s, self._slow_hz) + self._phases
        wander: Floats = self._each_cents * np.cos(angles).sum(axis=-1)
        return wander

    def drift_s(self, time_s: Floats) -> Floats:
        """Return by how many seconds' worth of cycles the phase has run ahead at these times.

        The integral of ``ln 2 / 1200 * cents``: linear in the cents, which for 10 cents is right to 0.03 cent.
        """
        angles = 2.0 * np.pi * np.multiply.outer(time_s, self._slow_hz) + self._phases
        waves = np.sin(angles) / (2.0 * np.pi * self._slow_hz)
        drift: Floats = math.log(2.0) / 1200.0 * self._each_cents * waves.sum(axis=-1)
        return drift

    def drift_at_samples(self, start: int, n: int) -> Floats:
        """Return :meth:`drift_s` at ``n`` samples from ``start``.

        Straight lines between exact points 1024 samples apart: at 10 cents wrong by less than 1e-7 s.
        """
        knots: Floats = np.linspace(start, start + n, _KNOTS_PER_HOP, dtype=np.float64)
        return np.interp(start + np.arange(n), knots, self.drift_s(knots / self._rate_hz))
