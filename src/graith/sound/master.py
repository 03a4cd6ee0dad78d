"""Sound at an agreed loudness, its true peaks below a ceiling: two renderings, the first only measured.

Holding the whole sound would take memory that grows with it, so it is rendered once to measure its loudness and a
second time to be given out, raised or lowered by one constant gain. A limiter that looks ahead takes down what would
still pass the ceiling; where nothing does, it multiplies by exactly 1.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.errors import SoundError
from graith.sound.limiter import Limiter
from graith.sound.loudness import LoudnessMeter
from graith.sound.model import Performance
from graith.sound.pipes import HOP_SAMPLES
from graith.sound.render import DEFAULT_RATE_HZ, check_rendering, cut_blocks, sound_blocks, sound_samples

Singles = npt.NDArray[np.float32]
Progress = Callable[[float], object]

DEFAULT_LUFS = -18.0
"""Loudness of a whole track: room for a snare drum's peaks without the limiter, and mild on headphones."""

DEFAULT_PEAK_DBTP = -1.0
_MARGIN_DB = 0.15
_MOST_CORRECTIONS = 3
_CLOSE_ENOUGH_LU = 0.1


@dataclass(frozen=True, slots=True)
class Level:
    """Where a sound's level shall be.

    Attributes
    ----------
    loudness_lufs : float, -50 to -5
        Integrated loudness after ITU-R BS.1770, its gates included.
    peak_dbtp : float, -20 to 0
        Ceiling of the true peak, in dB to full scale.

    Raises
    ------
    SoundError
        If a value is out of its range.
    """

    loudness_lufs: float = DEFAULT_LUFS
    peak_dbtp: float = DEFAULT_PEAK_DBTP

    def __post_init__(self) -> None:
        if not (math.isfinite(self.loudness_lufs) and -50.0 <= self.loudness_lufs <= -5.0):
            raise SoundError(
                f"A loudness of {self.loudness_lufs!r} LUFS cannot be asked for; use -50 to -5, "
                f"usually {DEFAULT_LUFS:g}."
            )
        if not (math.isfinite(self.peak_dbtp) and -20.0 <= self.peak_dbtp <= 0.0):
            raise SoundError(
                f"A peak of {self.peak_dbtp!r} dBTP cannot be asked for; use -20 to 0, usually {DEFAULT_PEAK_DBTP:g}."
            )


def mastered_blocks(
    performance: Performance,
    *,
    level: Level | None = None,
    rate_hz: int = DEFAULT_RATE_HZ,
    channels: int = 1,
    block_samples: int = HOP_SAMPLES,
    progress: Progress | None = None,
) -> Iterator[Singles]:
    """Yield a performance's sound in blocks, at the level asked for.

    Parameters
    ----------
    performance : Performance
    level : Level, optional
        Default -18 LUFS, true peaks below -1 dBTP.
    rate_hz, channels, block_samples
        As :func:`graith.sound.render.sound_blocks`.
    progress : callable, optional
        Called with the share done, 0 to 1, measuring included; what it raises ends the rendering.

    Yields
    ------
    float32 array, shape (samples,) or (samples, 2)

    Raises
    ------
    SoundError
        As :func:`graith.sound.render.sound_blocks`.

    Notes
    -----
    When the limiter takes so much that the loudness would miss by over 0.1 LU, the gain is corrected by measuring
    again, at most three times; what is then still missing cannot be had below this ceiling.
    """
    sound = _Sound(performance, rate_hz, channels, level or Level(), progress or _ignore)
    check_rendering(performance, rate_hz, channels, block_samples)
    return _mastered(sound, block_samples)


def _ignore(_share: float) -> None:
    """Take a share done and do nothing."""


@dataclass(frozen=True, slots=True)
class _Sound:
    """What is rendered again and again."""

    performance: Performance
    rate_hz: int
    channels: int
    level: Level
    report: Progress

    def hops(self, begin: float, end: float) -> Iterator[Singles]:
        """Yield the raw sound as (channels, samples), telling progress from one share to another."""
        n_samples = sound_samples(self.performance, self.rate_hz)
        done = 0
        for block in sound_blocks(self.performance, rate_hz=self.rate_hz, channels=self.channels):
            yield block[None, :] if block.ndim == 1 else np.ascontiguousarray(block.T)
            done += len(block)
            self.report(begin + (end - begin) * done / n_samples)

    def limited(self, gain: float, begin: float, end: float) -> Iterator[Singles]:
        """Yield the sound with this gain and the limiter."""
        ceiling = 10.0 ** ((self.level.peak_dbtp - _MARGIN_DB) / 20.0)
        return Limiter(gain, ceiling, self.channels).limited(self.hops(begin, end))

    def meter(self) -> LoudnessMeter:
        """Return a meter for its pieces."""
        return LoudnessMeter(self.rate_hz, self.channels)


def _mastered(sound: _Sound, block_samples: int) -> Iterator[Singles]:
    sound.report(0.0)
    gain = _gain_for(sound)
    n_samples = sound_samples(sound.performance, sound.rate_hz)
    yield from cut_blocks(sound.limited(gain, 0.5, 1.0), n_samples, block_samples)


def _gain_for(sound: _Sound) -> float:
    """Return the gain that gives the loudness asked for; 1 for silence."""
    meter = sound.meter()
    for hop in sound.hops(0.0, 0.5):
        meter.add(hop)
    measured_lufs = meter.loudness_lufs()
    if not math.isfinite(measured_lufs):
        return 1.0
    gain_db = sound.level.loudness_lufs - measured_lufs
    if _db(meter.sample_peak) + gain_db < sound.level.peak_dbtp:
        return float(10.0 ** (gain_db / 20.0))
    return _corrected_gain(sound, gain_db)


def _corrected_gain(sound: _Sound, gain_db: float) -> float:
    """Return the gain, raised by what the limiter takes from the loudness."""
    for _ in range(_MOST_CORRECTIONS):
        meter = sound.meter()
        for piece in sound.limited(10.0 ** (gain_db / 20.0), 0.5, 0.5):
            meter.add(piece)
        missing_lu = sound.level.loudness_lufs - meter.loudness_lufs()
        if missing_lu < _CLOSE_ENOUGH_LU:
            break
        gain_db += missing_lu
    return float(10.0 ** (gain_db / 20.0))


def _db(amplitude: float) -> float:
    return 20.0 * math.log10(amplitude) if amplitude > 0 else -math.inf
