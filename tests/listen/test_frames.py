"""Frames: what stands still goes, what begins shows at its time, and levels are what the window's own sums say."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import stft

from graith.listen.frames import FFT_SAMPLES, HOP_SAMPLES, WINDOW_SAMPLES, bin_range, frames_of
from graith.listen.model import HOP_S, WORKING_RATE_HZ
from played_recordings import Singles, noise


def tone(pitch_hz: float, length_s: float, begin_s: float = 0.0) -> Singles:
    time_s = np.arange(round(length_s * WORKING_RATE_HZ)) / WORKING_RATE_HZ
    return np.where(time_s >= begin_s, 0.2 * np.sin(2 * np.pi * pitch_hz * time_s), 0.0).astype(np.float32)


def test_there_is_a_frame_every_five_milliseconds() -> None:
    frames = frames_of(noise(2.0), start_s=3.0)
    assert frames.n == 401
    assert frames.time_s(0) == 3.0
    assert frames.time_s(400) == pytest.approx(5.0)
    assert frames.at(4.0) == 200
    assert frames.at(-1.0) == 0
    assert frames.at(99.0) == 400


def test_bins_lie_between_the_drones_and_what_coding_leaves() -> None:
    frames = frames_of(noise(1.0))
    assert frames.bins_hz[0] >= 375.0
    assert frames.bins_hz[-1] <= 5600.0
    assert frames.bins_hz.size == frames.levels.shape[1]


def test_loudness_is_the_power_that_scipys_transform_has() -> None:
    sound = noise(1.0)
    taper = np.hanning(WINDOW_SAMPLES + 1)[:-1]
    _, _, spectrum = stft(
        sound, WORKING_RATE_HZ, taper, WINDOW_SAMPLES, WINDOW_SAMPLES - HOP_SAMPLES, FFT_SAMPLES, padded=False
    )
    power = (np.abs(spectrum[bin_range()] * taper.sum()) ** 2).sum(axis=0)
    loudness = frames_of(sound).loudness
    n = min(loudness.size, power.size) - 4
    assert loudness[4:n] == pytest.approx(np.log(power[4:n]), abs=1e-3)


def test_a_steady_tone_does_not_stand_out_and_a_new_one_does() -> None:
    steady = tone(1000.0, 10.0) + noise(10.0, 1e-3)
    frames = frames_of(steady + tone(2000.0, 10.0, begin_s=8.0))
    old, new = (int(np.argmin(np.abs(frames.bins_hz - hz))) for hz in (1000.0, 2000.0))
    assert frames.levels[:, old].max() < 1.0
    assert frames.levels[frames.at(8.1), new] > 5.0
    assert frames.levels[: frames.at(7.9), new].mean() < 1.0


def test_a_beginning_shows_at_its_time() -> None:
    frames = frames_of(tone(1500.0, 6.0, begin_s=4.0) + noise(6.0, 1e-3))
    level = frames.levels[:, int(np.argmin(np.abs(frames.bins_hz - 1500.0)))]
    half = int(np.argmax(level > 0.5 * level.max()))
    assert frames.time_s(half) == pytest.approx(4.0, abs=0.02)


def test_twice_as_loud_is_the_same_above_what_stands_still() -> None:
    sound = noise(5.0) + tone(900.0, 5.0, begin_s=3.0)
    assert frames_of(2.0 * sound).levels == pytest.approx(frames_of(sound).levels, abs=2e-3)


def test_an_echo_shows_less_than_the_sound_it_comes_from() -> None:
    time_s = np.arange(4 * WORKING_RATE_HZ) / WORKING_RATE_HZ
    dying = np.where(time_s > 2.0, np.exp(-(time_s - 2.0) / 0.1) * np.sin(2 * np.pi * 1200.0 * time_s), 0.0)
    frames = frames_of((dying + noise(4.0, 1e-3)).astype(np.float32))
    level = np.expm1(frames.levels[:, int(np.argmin(np.abs(frames.bins_hz - 1200.0)))])
    fallen = np.exp(-2.0 * 0.15 / 0.1)  # power after 150 ms, were nothing taken out
    assert level[frames.at(2.15)] < 0.5 * fallen * level.max()


@pytest.mark.parametrize("n_samples", [0, 1, 59, 60, 400])
def test_very_short_sound_has_frames_all_the_same(n_samples: int) -> None:
    frames = frames_of(noise(1.0)[:n_samples])
    assert frames.n == n_samples // HOP_SAMPLES + 1
    assert np.isfinite(frames.levels).all()


def test_silence_is_flat() -> None:
    frames = frames_of(np.zeros(24_000, dtype=np.float32))
    assert (frames.levels == 0.0).all()
    assert np.isfinite(frames.loudness).all()
    assert HOP_S * WORKING_RATE_HZ == HOP_SAMPLES
