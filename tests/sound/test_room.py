"""The room against scipy's convolution and Schroeder's measure of decay."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, fftconvolve, sosfilt

from graith.errors import SoundError
from graith.sound.model import Room
from graith.sound.room import HopConvolver, impulse_response

RATE_HZ = 44_100


@pytest.mark.parametrize("taps", [1, 500, 512, 1900])
def test_convolution_hop_by_hop_is_convolution(taps: int) -> None:
    draws = np.random.default_rng(1)
    response, sound = draws.normal(size=taps), draws.normal(size=512 * 9).astype(np.float32)
    convolver = HopConvolver(response, 512)
    answered = np.concatenate([convolver.answer(hop) for hop in sound.reshape(9, 512)])
    expected = fftconvolve(sound.astype(np.float64), response)[: sound.size]
    assert np.abs(answered - expected).max() < 2e-6 * np.sqrt(taps) * 10


@pytest.mark.parametrize("decay_s", [0.5, 1.6])
def test_the_tail_falls_by_sixty_decibels_in_the_decay_time(decay_s: float) -> None:
    """Schroeder's backward integration of the middle band, fitted from -5 to -35 dB (ISO 3382-1's T30)."""
    answer = impulse_response(Room(decay_s=decay_s), RATE_HZ)
    middle = sosfilt(butter(4, [700, 1600], "bandpass", fs=RATE_HZ, output="sos"), answer)
    left_db = 10 * np.log10(np.cumsum(middle[::-1] ** 2)[::-1] / np.sum(middle**2))
    inside = (left_db < -5) & (left_db > -35)
    slope = np.polyfit(np.flatnonzero(inside) / RATE_HZ, left_db[inside], 1)[0]
    assert -60 / slope == pytest.approx(decay_s, rel=0.1)


def test_the_reflected_energy_is_as_asked_and_nothing_comes_before_the_first_reflection() -> None:
    answer = impulse_response(Room(level_db=-6.0, first_ms=12.0), RATE_HZ)
    assert 10 * np.log10(np.sum(answer**2)) == pytest.approx(-6.0, abs=0.3)
    assert np.flatnonzero(answer)[0] == pytest.approx(0.012 * RATE_HZ, abs=1)


def test_two_channels_have_tails_of_their_own() -> None:
    left, right = (impulse_response(Room(), RATE_HZ, channel)[4_000:] for channel in (0, 1))
    assert abs(np.corrcoef(left, right)[0, 1]) < 0.05


def test_a_room_that_cannot_be_is_refused() -> None:
    with pytest.raises(SoundError, match="A decay"):
        Room(decay_s=0.0)
