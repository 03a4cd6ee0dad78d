"""The tone of chanter and drones: partials under a curve over frequency, kept as one period to be read at any speed.

Reeds give a bright sound whose partials follow resonances that stay where they are while the pitch moves: so the
strength of a partial is looked up by its frequency, not by its number. The chanter's bore is conical (odd and even
partials alike) and is strongest from about 1 to 4 kHz, its fundamental weaker than the partials above; a drone's is
cylindrical, and its odd partials lead among the lowest. The curves are by ear, no source.

A period is band-limited by construction: no partial stands above :data:`HIGHEST_SHARE` of half the sampling rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

TABLE_BITS = 13
TABLE_SIZE = 1 << TABLE_BITS
"""Samples in one stored period; read with straight lines between them, the error of a partial 22 times the pitch is
about -89 dB below that partial (h²(2π/8192)²/8)."""

HIGHEST_SHARE = 0.95
"""Highest partial, as a share of half the sampling rate; the rest is room for pitch to wander."""

_CHANTER_HZ = (200, 420, 600, 960, 1300, 1900, 2400, 3100, 3900, 5000, 7000, 10000, 20000)
_CHANTER_DB = (-24, -14, -9, -3, 0, 0, -4, -2, -7, -13, -22, -34, -62)
_DRONE_HZ = (50, 120, 240, 480, 900, 1400, 2200, 3200, 5000, 8000, 20000)
_DRONE_DB = (-8, -2, 0, -2, -5, -9, -17, -24, -35, -50, -80)
_EVEN_DB = -6.0
_EVEN_FADES_BY = 9
_REED_UNEVEN_DB = 2.0
_NOTE_EVENNESS = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Periods ready to be read with straight lines between their samples.

    Attributes
    ----------
    values : float32 array, shape (notes * TABLE_SIZE,)
        One period after another; the root mean square of the periods' mean power is the level asked for.
    steps : float32 array, same shape
        From each sample to the next of its period, divided by ``2 ** (32 - TABLE_BITS)``.
    n_partials : int
        The same in every period, so that a note may run on into the next one's pitch while they change over.
    """

    values: Singles
    steps: Singles
    n_partials: int


def _curve_db(frequency_hz: Floats, knots_hz: tuple[int, ...], knots_db: tuple[int, ...]) -> Floats:
    octaves = np.log2(np.array(knots_hz, dtype=np.float64))
    curve_db: Floats = np.interp(np.log2(frequency_hz), octaves, np.array(knots_db, dtype=np.float64))
    return curve_db


def partials_below(highest_hz: float, rate_hz: float) -> int:
    """Return how many partials of the highest pitch fit below half the sampling rate; at least 1."""
    return max(1, int(HIGHEST_SHARE * rate_hz / 2.0 / highest_hz))


def _periods(amplitudes: Floats, phases: Floats) -> Floats:
    """Return one period of each row of partials, shape (rows, TABLE_SIZE)."""
    spectrum = np.zeros((amplitudes.shape[0], TABLE_SIZE // 2 + 1), dtype=np.complex128)
    spectrum[:, 1 : amplitudes.shape[1] + 1] = amplitudes * np.exp(1j * phases) * (TABLE_SIZE / 2)
    return np.fft.irfft(spectrum, n=TABLE_SIZE, axis=1)


def _tables(amplitudes: Floats, phases: Floats) -> Tables:
    periods = _periods(amplitudes, phases)
    steps = (np.roll(periods, -1, axis=1) - periods) / (1 << (32 - TABLE_BITS))
    return Tables(periods.astype(np.float32).ravel(), steps.astype(np.float32).ravel(), amplitudes.shape[1])


def _reed_phases(n_partials: int, draws: np.random.Generator) -> Floats:
    """Return phases that spread each period's pulse without hiding it: a rising sweep with some chance in it."""
    numbers = np.arange(1, n_partials + 1)
    return -0.35 * np.pi * numbers**2 / n_partials + draws.uniform(-0.7, 0.7, size=n_partials)


def chanter_tables(notes_hz: Floats, *, highest_hz: float, rate_hz: float, gain: float, reed_seed: int) -> Tables:
    """Return one period for each note of a chanter.

    Parameters
    ----------
    notes_hz : float array, shape (notes,)
        Pitches, about; they place the partials under the curve.
    highest_hz : float
        The highest pitch that will sound; it limits the number of partials.
    rate_hz : float
    gain : float
        Root mean square over the notes; louder notes stay louder, by half of what the curve alone would give.
    reed_seed : int
        Same seed, same reed.

    Returns
    -------
    Tables
    """
    draws = np.random.default_rng([reed_seed, 1])
    n_partials = min(partials_below(highest_hz, rate_hz), TABLE_SIZE // 4)
    numbers = np.arange(1, n_partials + 1)
    uneven_db = draws.normal(size=n_partials) * _REED_UNEVEN_DB
    levels_db = _curve_db(notes_hz[:, None] * numbers, _CHANTER_HZ, _CHANTER_DB) + uneven_db
    amplitudes = 10.0 ** (levels_db / 20.0)
    power = 0.5 * np.sum(amplitudes**2, axis=1)
    evened = amplitudes * ((power / power.mean()) ** (-0.5 * _NOTE_EVENNESS))[:, None]
    scale = gain / np.sqrt(0.5 * np.mean(np.sum(evened**2, axis=1)))
    return _tables(evened * scale, _reed_phases(n_partials, draws)[None, :])


def drone_tables(pitch_hz: float, *, rate_hz: float, gain: float, reed_seed: int) -> Tables:
    """Return one period of a drone, its root mean square ``gain``; other arguments as :func:`chanter_tables`."""
    draws = np.random.default_rng([reed_seed, 2])
    n_partials = min(partials_below(pitch_hz, rate_hz), TABLE_SIZE // 32)
    numbers = np.arange(1, n_partials + 1)
    even_db = np.where(numbers % 2 == 0, _EVEN_DB * np.clip(1.0 - numbers / _EVEN_FADES_BY, 0.0, 1.0), 0.0)
    uneven_db = draws.normal(size=n_partials) * _REED_UNEVEN_DB
    levels_db = _curve_db(pitch_hz * numbers.astype(np.float64), _DRONE_HZ, _DRONE_DB) + even_db + uneven_db
    amplitudes = 10.0 ** (levels_db / 20.0)
    amplitudes *= gain / np.sqrt(0.5 * np.sum(amplitudes**2))
    return _tables(amplitudes[None, :], _reed_phases(n_partials, draws)[None, :])
