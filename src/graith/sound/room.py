"""A room around the sound: a synthetic impulse response, and its convolution with sound that comes hop by hop."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.sound.model import Room

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

_BANDS_HZ = (500.0, 2000.0, 6000.0)
_BAND_DECAYS = (1.15, 1.0, 0.7, 0.4)
_FALLEN_DB = 66.0
_EARLY_SHARE = 0.35
_N_EARLY = 9
_EARLY_SPAN_MS = 55.0
_BUILD_UP_S = 0.025
_WINDOWS = 4


def room_samples(room: Room | None, rate_hz: float) -> int:
    """Return how long the room's answer lasts, in samples."""
    if room is None:
        return 0
    return round((room.first_ms / 1000.0 + room.decay_s * max(_BAND_DECAYS) * _FALLEN_DB / 60.0) * rate_hz) + 1


def impulse_response(room: Room, rate_hz: float, channel: int = 0) -> Floats:
    """Return the room's answer to an impulse, the direct sound left out.

    Parameters
    ----------
    room : Room
    rate_hz : float
    channel : int
        0 or 1; their tails are independent, their early reflections differ.

    Returns
    -------
    float array, shape (samples,)
        Its energy is ``room.level_db`` to the direct sound's.
    """
    draws = np.random.default_rng([room.seed, 5, channel])
    n = room_samples(room, rate_hz)
    first = round(room.first_ms / 1000.0 * rate_hz)
    early = np.zeros(n)
    places_s = np.sort(draws.uniform(0.0, _EARLY_SPAN_MS / 1000.0, size=_N_EARLY))
    places_s[0] = 0.0
    signs = np.where(draws.random(_N_EARLY) < 0.5, -1.0, 1.0)
    places = np.minimum(first + np.rint(places_s * rate_hz).astype(int), n - 1)
    np.add.at(early, places, signs * np.exp(-places_s / 0.030))
    diffuse = np.zeros(n)
    diffuse[first:] = _diffuse(n - first, room.decay_s, rate_hz, draws)
    energy = 10.0 ** (room.level_db / 10.0)
    early *= np.sqrt(_EARLY_SHARE * energy / np.sum(early**2))
    diffuse *= np.sqrt((1.0 - _EARLY_SHARE) * energy / np.sum(diffuse**2))
    return early + diffuse


def _diffuse(n: int, decay_s: float, rate_hz: float, draws: np.random.Generator) -> Floats:
    """Return noise that builds up in 25 ms and dies away, high frequencies sooner than low ones."""
    spectrum = np.fft.rfft(draws.normal(size=n))
    frequency_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    band = np.searchsorted(np.array(_BANDS_HZ), frequency_hz)
    time_s = np.arange(n) / rate_hz
    tail = np.zeros(n)
    for index, relative in enumerate(_BAND_DECAYS):
        fall = 10.0 ** (-3.0 * time_s / (relative * decay_s))
        tail += np.fft.irfft(np.where(band == index, spectrum, 0.0), n=n) * fall
    return tail * (1.0 - np.exp(-time_s / _BUILD_UP_S))


class HopConvolver:
    """Convolution with a fixed response, hop by hop, every hop at the same cost: uniform partitions, overlap-save.

    Each hop is transformed as four windows at once, which the FFT does faster than one after another.

    Parameters
    ----------
    response : float array, shape (taps,)
    hop : int, a multiple of 4
        Samples that come at a time.

    References
    ----------
    T. G. Stockham, "High-speed convolution and correlation", AFIPS 28 (1966) 229-233.
    """

    def __init__(self, response: Floats, hop: int) -> None:
        self._block = block = hop // _WINDOWS
        n_parts = max(1, -(-response.size // block))
        padded = np.zeros(n_parts * block)
        padded[: response.size] = response
        parts = np.concatenate([padded.reshape(n_parts, block), np.zeros((n_parts, block))], axis=1)
        self._responses = np.fft.rfft(parts, axis=1).astype(np.complex64)
        self._spectra = np.zeros((n_parts - 1 + _WINDOWS, block + 1), dtype=np.complex64)  # oldest first
        self._sound = np.zeros(block + hop, dtype=np.float32)

    def answer(self, samples: Singles) -> Singles:
        """Return the convolution for the next hop of samples."""
        block, n_parts = self._block, len(self._responses)
        self._sound[:block] = self._sound[-block:]
        self._sound[block:] = samples
        windows = np.lib.stride_tricks.sliding_window_view(self._sound, 2 * block)[::block]
        self._spectra[:-_WINDOWS] = self._spectra[_WINDOWS:]
        self._spectra[-_WINDOWS:] = np.fft.rfft(windows, axis=1)
        total = np.zeros((_WINDOWS, block + 1), dtype=np.complex64)
        product = np.empty_like(total)
        for part, response in enumerate(self._responses):
            first = n_parts - 1 - part
            np.multiply(self._spectra[first : first + _WINDOWS], response, out=product)
            total += product
        answer = np.fft.irfft(total, n=2 * block, axis=1)[:, block:]
        return np.ascontiguousarray(answer, dtype=np.float32).ravel()
