"""A first guess of low A: within 30 cents of the truth, whatever chanter, scale or noise; nothing clear in noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from graith.listen.guess_pitch import HIGHEST_LOW_A_HZ, LOWEST_LOW_A_HZ, guessed_low_a_hz, long_spectrum
from graith.listen.model import WORKING_RATE_HZ
from graith.sound.model import Band, Players
from graith.sound.scale import HARMONIC
from played_recordings import Played, jig, noise, played

SOLO = Band(drums=None, room=None)


@pytest.mark.parametrize("low_a_hz", [450.0, 466.0, 480.0, 486.5, 500.0])
def test_it_is_within_thirty_cents(low_a_hz: float) -> None:
    sound = played(jig(), replace(SOLO, low_a_hz=low_a_hz), noise_db=25.0).sound
    guess_hz, clear = guessed_low_a_hz(long_spectrum(sound), HARMONIC)
    assert abs(1200 * np.log2(guess_hz / low_a_hz)) < 30.0
    assert clear > 3.0


def test_a_wide_band_with_drums_in_a_room_is_no_harder(six: Played) -> None:
    guess_hz, clear = guessed_low_a_hz(long_spectrum(six.sound), HARMONIC)
    assert abs(1200 * np.log2(guess_hz / 480.0)) < 30.0
    assert clear > 3.0


def test_noise_is_not_clear() -> None:
    guess_hz, clear = guessed_low_a_hz(long_spectrum(noise(20.0)), HARMONIC)
    assert LOWEST_LOW_A_HZ <= guess_hz <= HIGHEST_LOW_A_HZ
    assert clear < 4.0


def test_silence_gives_a_number_all_the_same() -> None:
    guess_hz, clear = guessed_low_a_hz(long_spectrum(np.zeros(1000, dtype=np.float32)), HARMONIC)
    assert LOWEST_LOW_A_HZ <= guess_hz <= HIGHEST_LOW_A_HZ
    assert clear == pytest.approx(0.0)


def test_the_long_spectrum_peaks_where_the_tone_is() -> None:
    time_s = np.arange(5 * WORKING_RATE_HZ) / WORKING_RATE_HZ
    spectrum = long_spectrum(np.sin(2 * np.pi * 987.0 * time_s).astype(np.float32))
    assert int(np.argmax(spectrum)) * WORKING_RATE_HZ / 8192 == pytest.approx(987.0, abs=1.5)


def test_players_apart_move_the_guess_little() -> None:
    band = Band(players=Players(8, 12.0, 12.0, 1.5, 1.0, 4), drums=None)
    guess_hz, _ = guessed_low_a_hz(long_spectrum(played(jig(), band).sound), HARMONIC)
    assert abs(1200 * np.log2(guess_hz / 480.0)) < 30.0
