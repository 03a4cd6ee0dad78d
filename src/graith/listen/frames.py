"""Frames: the recording's power over time and frequency, with what stands still and what echoes taken out.

A frame is one Hann window of 29 ms every 5 ms. Drones, hum and steady noise stand still, so each frequency's own usual
power over some seconds is divided out; a room's reverberation is what was loud a moment ago, so a delayed, decaying
average is subtracted. What is left are the chanter's changes, as logarithms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.listen.model import HOP_S, WORKING_RATE_HZ, Singles

HOP_SAMPLES = round(HOP_S * WORKING_RATE_HZ)
WINDOW_SAMPLES = 348
"""29 ms: shorter ones blur the notes into each other, longer ones blur their changes."""

FFT_SAMPLES = 384
LOWEST_HZ, HIGHEST_HZ = 375.0, 5_600.0
"""Below stand the drones, above only what coding has left."""

_BLOCK_FRAMES = 256  # so few that they stay in the processor's own memory
_FLOOR_S = 20.0
_FLOOR_QUANTILE = 0.35
_LEAST_FLOOR = 0.05  # of the bin's mean floor: a stretch of silence divides by no less
_ECHO_DELAY_S = 0.030
_ECHO_DECAY_S = 0.080
_ECHO_SHARE = 0.90
_LEAST_SHARE = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Frames of a recording.

    Attributes
    ----------
    levels : float32 array, shape (frames, bins)
        Natural logarithm of 1 + the power above what stands still, as a multiple of it.
    loudness : float32 array, shape (frames,)
        Natural logarithm of the power from :data:`LOWEST_HZ` to :data:`HIGHEST_HZ`.
    bins_hz : float array, shape (bins,)
    start_s : float
        Middle of the first frame.
    """

    levels: Singles
    loudness: Singles
    bins_hz: npt.NDArray[np.float64]
    start_s: float

    @property
    def n(self) -> int:
        """How many frames there are."""
        return int(self.levels.shape[0])

    def time_s(self, frame: float) -> float:
        """Return the middle of a frame, in seconds of the recording."""
        return self.start_s + frame * HOP_S

    def at(self, time_s: float) -> int:
        """Return the frame whose middle is nearest to a time, inside the recording."""
        return int(np.clip(round((time_s - self.start_s) / HOP_S), 0, max(0, self.n - 1)))


def bin_range() -> slice:
    """Return which bins of the transform are kept.

    Examples
    --------
    >>> bin_range()
    slice(12, 180, None)
    """
    spacing_hz = WORKING_RATE_HZ / FFT_SAMPLES
    return slice(int(np.ceil(LOWEST_HZ / spacing_hz)), int(HIGHEST_HZ / spacing_hz) + 1)


def frames_of(samples: Singles, *, start_s: float = 0.0) -> Frames:
    """Return the frames of a stretch of sound.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
        Mono at :data:`graith.listen.model.WORKING_RATE_HZ`.
    start_s : float
        Where the stretch begins in the recording.

    Returns
    -------
    Frames
        The first frame's window is centred on the first sample; outside the stretch is silence.
    """
    kept = bin_range()
    power = np.empty((samples.size // HOP_SAMPLES + 1, kept.stop - kept.start), dtype=np.float32)
    _fill_power(power, samples, kept.start)
    loudness = np.log(power.sum(axis=1) + np.float32(1e-12))
    floor_frames = round(_FLOOR_S / HOP_S)
    _standing_out(power, floor_frames)
    bins_hz = np.arange(kept.start, kept.stop) * (WORKING_RATE_HZ / FFT_SAMPLES)
    return Frames(power, loudness.astype(np.float32), bins_hz, start_s)


def _fill_power(power: Singles, samples: Singles, first_bin: int) -> None:
    """Write the power of each frame's bins, from the first one on."""
    from scipy.fft import rfft

    from graith.listen._loops import keep_power

    half = WINDOW_SAMPLES // 2
    padded = np.zeros(samples.size + WINDOW_SAMPLES + HOP_SAMPLES, dtype=np.float32)
    padded[half : half + samples.size] = samples
    windows = np.lib.stride_tricks.sliding_window_view(padded, WINDOW_SAMPLES)[::HOP_SAMPLES]
    taper = np.hanning(WINDOW_SAMPLES + 1)[:-1].astype(np.float32)
    tapered = np.zeros((_BLOCK_FRAMES, FFT_SAMPLES), dtype=np.float32)
    for first in range(0, len(power), _BLOCK_FRAMES):
        block = power[first : first + _BLOCK_FRAMES]
        np.multiply(windows[first : first + len(block)], taper, out=tapered[: len(block), :WINDOW_SAMPLES])
        keep_power(rfft(tapered[: len(block)], axis=1), first_bin, block)


def _standing_out(power: Singles, floor_frames: int) -> None:
    """Turn power, in place, into logarithms of what stands out of each bin's usual power and of the room's echo."""
    floors = _floors(power, floor_frames)
    from graith.listen._loops import stand_out

    delay = round(_ECHO_DELAY_S / HOP_S)
    keep = np.float32(np.exp(-HOP_S / _ECHO_DECAY_S))
    stand_out(power, floors, floor_frames, delay, keep, np.float32(_ECHO_SHARE), np.float32(_LEAST_SHARE))


def _floors(power: Singles, floor_frames: int) -> Singles:
    """Return each bin's usual power in each stretch of frames, shape (stretches, bins): a low quantile."""
    starts = range(0, len(power), floor_frames)
    floors = np.empty((len(starts), power.shape[1]), dtype=np.float32)
    for index, first in enumerate(starts):
        some = power[first : first + floor_frames : 7]
        rank = int(_FLOOR_QUANTILE * (len(some) - 1))
        floors[index] = np.partition(some, rank, axis=0)[rank]
    usual = np.maximum(floors.mean(axis=0), np.float32(1e-12))
    kept: Singles = np.maximum(floors, usual * np.float32(_LEAST_FLOOR))
    return kept
