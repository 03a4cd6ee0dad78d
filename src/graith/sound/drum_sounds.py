"""The sound of one drum stroke: a pipe band's tight snare drum, and its bass drum.

A snare stroke is the stick's click, the head's first modes (the zeros of Bessel functions give their ratios) and the
snares' rattle, band-limited noise that dies away in two slopes. A bass drum stroke is a soft beater and a low mode
whose pitch falls a little. Sizes and times are by ear, no source.

References
----------
Ratios of a circular membrane's modes, 1, 1.593, 2.136, 2.296, 2.653, 2.917: zeros of J0, J1, J2 ... over the first zero
of J0 (any book of vibrations; Rayleigh, The Theory of Sound, section 206).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.sound.model import BASS_DRUM
from graith.timeline.model import StructuredArray

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

_MODES = np.array([1.0, 1.593, 2.136, 2.296, 2.653, 2.917])
_SOFTER_BELOW_DB = np.array([-4.5, -9.5])
_SNARE_S, _BASS_S = 0.22, 0.55


def _noise_between(low_hz: float, high_hz: float, n: int, rate_hz: float, draws: np.random.Generator) -> Floats:
    """Return noise of root mean square 1 between two frequencies, with soft edges a third of an octave wide."""
    frequency_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    octaves = np.log2(np.maximum(frequency_hz, 1.0))
    rise = np.clip((octaves - np.log2(low_hz)) * 3.0, 0.0, 1.0)
    fall = np.clip((np.log2(min(high_hz, 0.45 * rate_hz)) - octaves) * 3.0, 0.0, 1.0)
    noise = np.fft.irfft(np.fft.rfft(draws.normal(size=n)) * rise * fall, n=n)
    power = np.mean(noise**2)
    return noise / np.sqrt(power) if power > 0 else noise


def _faded_out(stroke: Floats, rate_hz: float) -> Floats:
    """Return the stroke with its last 10 ms led to nothing."""
    n = min(stroke.size, round(0.010 * rate_hz))
    stroke[-n:] *= np.linspace(1.0, 0.0, n)
    return stroke


def _snare(softness: float, rate_hz: float, draws: np.random.Generator) -> Floats:
    """Return a snare stroke whose peak is about 1; ``softness`` goes from 0 to 1."""
    n = round(_SNARE_S * rate_hz)
    time_s = np.arange(n) / rate_hz
    head_hz = 365.0 * (1.0 + 0.01 * draws.normal()) * _MODES
    strengths = draws.uniform(0.5, 1.0, size=_MODES.size) * np.array([1.0, 0.8, 0.5, 0.45, 0.3, 0.25])
    decays_s = 0.030 / (1.0 + 0.35 * np.arange(_MODES.size))
    ring = np.sin(2.0 * np.pi * np.multiply.outer(time_s, head_hz) + draws.uniform(0, 0.6, size=_MODES.size))
    head = (ring * strengths * np.exp(-time_s[:, None] / decays_s)).sum(axis=1)
    rattle = _noise_between(1500.0, 9500.0 - 1500.0 * softness, n, rate_hz, draws)
    rattle *= (1.0 - np.exp(-time_s / 0.0008)) * (0.75 * np.exp(-time_s / 0.014) + 0.25 * np.exp(-time_s / 0.045))
    click = _noise_between(2500.0, 14000.0 - 3000.0 * softness, n, rate_hz, draws) * np.exp(-time_s / 0.0012)
    attack = np.minimum(time_s / 0.0003, 1.0)
    stroke = attack * (0.55 * head + 0.50 * rattle + (0.30 - 0.2 * softness) * click)
    return _faded_out(stroke / np.abs(stroke).max(), rate_hz)


def _bass(softness: float, rate_hz: float, draws: np.random.Generator) -> Floats:
    """Return a bass drum stroke whose peak is about 1."""
    n = round(_BASS_S * rate_hz)
    time_s = np.arange(n) / rate_hz
    low_hz = 62.0 * (1.0 + 0.006 * draws.normal())
    cycles = low_hz * (time_s + 0.35 * 0.030 * (1.0 - np.exp(-time_s / 0.030)))
    thump = np.sin(2.0 * np.pi * cycles) * np.exp(-time_s / 0.13)
    second = 0.35 * np.sin(2.0 * np.pi * 1.593 * cycles) * np.exp(-time_s / 0.07)
    beater = (0.25 - 0.16 * softness) * _noise_between(80.0, 900.0, n, rate_hz, draws) * np.exp(-time_s / 0.012)
    stroke = np.minimum(time_s / 0.0015, 1.0) * (thump + second + beater)
    return _faded_out(stroke / np.abs(stroke).max(), rate_hz)


def _stroke(key: tuple[int, int, int], rate_hz: float, seed: int) -> Singles:
    """Return the stroke of a drum (snare or bass), softness (0 to 2) and variant."""
    drum, softness, variant = key
    draws = np.random.default_rng([seed, drum, softness, variant])
    made = _bass if drum == BASS_DRUM else _snare
    return made(softness / len(_SOFTER_BELOW_DB), rate_hz, draws).astype(np.float32)


class DrumVoice:
    """All drums: short recordings made once, laid where the strokes fall.

    Parameters
    ----------
    strokes : structured array of ``STROKE_DTYPE``
    rate_hz : float
    gain : float
        Peak of a stroke of 0 dB.
    seed : int
    """

    def __init__(self, strokes: StructuredArray, rate_hz: float, gain: float, seed: int) -> None:
        ordered = strokes[np.argsort(strokes["time_s"], kind="stable")]
        self._first: npt.NDArray[np.int64] = np.rint(ordered["time_s"] * rate_hz).astype(np.int64)
        self._gains: list[float] = (gain * 10.0 ** (ordered["level_db"] / 20.0)).tolist()
        softer = (ordered["level_db"][:, None] < _SOFTER_BELOW_DB).sum(axis=1)
        self._keys = list(zip(ordered["drum"].tolist(), softer.tolist(), ordered["variant"].tolist(), strict=True))
        self._sounds = {key: _stroke(key, rate_hz, seed) for key in sorted(set(self._keys))}
        self._longest = max((sound.size for sound in self._sounds.values()), default=0)

    def add(self, out: Singles, start: int) -> None:
        """Add the strokes that sound in ``out``, which begins at sample ``start``."""
        stop = start + out.size
        low = int(np.searchsorted(self._first, start - self._longest, side="right"))
        high = int(np.searchsorted(self._first, stop, side="left"))
        for stroke in range(low, high):
            sound, first = self._sounds[self._keys[stroke]], int(self._first[stroke])
            begin, end = max(first, start), min(first + sound.size, stop)
            if end > begin:
                out[begin - start : end - start] += np.float32(self._gains[stroke]) * sound[begin - first : end - first]
