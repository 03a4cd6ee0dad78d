"""Loudness held against pyloudnorm and BS.1770's own numbers, true peaks against scipy's resampler."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyloudnorm
import pytest
from scipy.signal import resample_poly

from graith.errors import SoundError
from graith.sound.limiter import Limiter
from graith.sound.loudness import LoudnessMeter, k_weighting_coefficients
from graith.sound.master import Level, mastered_blocks
from graith.sound.model import Band, Drums, band_of
from graith.sound.perform import performance
from graith.timeline.model import Timeline

RATE_HZ = 44_100


def true_peak_db(samples: np.ndarray) -> float:
    return float(20 * np.log10(np.abs(resample_poly(samples, 4, 1, axis=0)).max()))


def measured_lufs(samples: np.ndarray, rate_hz: int = RATE_HZ) -> float:
    return float(pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(samples))


def joined(blocks) -> np.ndarray:
    return np.concatenate(list(blocks)).astype(np.float64)


def test_k_weighting_at_48_khz_is_the_standards_table() -> None:
    """ITU-R BS.1770-4, tables 1 and 2."""
    (b_shelf, a_shelf), (b_pass, a_pass) = k_weighting_coefficients(48_000)
    assert b_shelf == pytest.approx([1.53512485958697, -2.69169618940638, 1.19839281085285], abs=1e-9)
    assert a_shelf == pytest.approx([1.0, -1.69065929318241, 0.73248077421585], abs=1e-9)
    assert b_pass.tolist() == [1.0, -2.0, 1.0]
    assert a_pass == pytest.approx([1.0, -1.99004745483398, 0.99007225036621], abs=1e-9)


@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 48_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_the_meter_reads_what_pyloudnorm_reads(rate_hz: int, channels: int) -> None:
    """Noise that swells, falls under both gates and ends in silence, given in uneven pieces."""
    draws = np.random.default_rng(2)
    time_s = np.arange(12 * rate_hz) / rate_hz
    shape = np.where(
        time_s < 4, 0.2, np.where(time_s < 7, 0.003, np.where(time_s < 10, 0.5 * np.sin(time_s) ** 2, 0.0))
    )
    sound = (draws.normal(size=(channels, time_s.size)) * shape).astype(np.float32)
    meter = LoudnessMeter(rate_hz, channels)
    for piece in np.array_split(sound, 17, axis=1):
        meter.add(piece)
    assert meter.loudness_lufs() == pytest.approx(measured_lufs(sound.T.astype(np.float64), rate_hz), abs=0.05)
    assert meter.sample_peak == np.abs(sound).max()


@pytest.mark.parametrize("lufs", [-27.0, -18.0, -13.0])
def test_a_band_comes_out_at_the_loudness_asked_for_below_the_peak(march: Timeline, lufs: float) -> None:
    whole = performance(march, Band(players=band_of(4), drums=Drums(bass_drum=True)))
    sound = joined(mastered_blocks(whole, level=Level(loudness_lufs=lufs)))
    assert measured_lufs(sound) == pytest.approx(lufs, abs=0.2)
    assert pyloudnorm.Meter(RATE_HZ).integrated_loudness(sound) == pytest.approx(lufs, abs=0.5)
    assert true_peak_db(sound) < -1.0


def test_two_channels_are_levelled_as_one(march: Timeline) -> None:
    sound = joined(mastered_blocks(performance(march, Band(players=band_of(3))), channels=2))
    assert sound.shape[1] == 2
    assert measured_lufs(sound) == pytest.approx(-18.0, abs=0.1)
    assert true_peak_db(sound) < -1.0
    assert np.abs(sound[:, 0] - sound[:, 1]).max() > 0.01


def test_a_loudness_that_the_ceiling_forbids_is_missed_from_below_and_the_ceiling_holds(march: Timeline) -> None:
    whole = performance(march, Band(chanter=False, drones=None, room=None))
    sound = joined(mastered_blocks(whole, level=Level(loudness_lufs=-8.0, peak_dbtp=-3.0)))
    assert true_peak_db(sound) < -3.0
    assert measured_lufs(sound) < -8.0


def test_silence_stays_silence(march: Timeline) -> None:
    sound = joined(mastered_blocks(performance(march, Band(chanter=False, drones=None, drums=None))))
    assert not sound.any()
    assert sound.size > march.cut_off_s * RATE_HZ


def test_progress_rises_from_nothing_to_one_and_may_stop_it(march: Timeline) -> None:
    told: list[float] = []
    list(mastered_blocks(performance(march, Band(room=None)), progress=told.append))
    assert told[0] == 0.0
    assert told[-1] == 1.0
    assert told == sorted(told)

    def stop(share: float) -> None:
        if share > 0.6:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(mastered_blocks(performance(march, Band(room=None)), progress=stop))


def test_the_limiter_leaves_sound_below_the_ceiling_exactly_as_it_was() -> None:
    draws = np.random.default_rng(3)
    sound = (0.1 * draws.normal(size=(1, 50_000))).astype(np.float32)
    limited = np.concatenate(list(Limiter(1.0, 0.9, 1).limited(np.array_split(sound, 7, axis=1))), axis=1)
    assert (limited[:, : sound.shape[1]] == sound).all()
    assert not limited[:, sound.shape[1] :].any()


def test_the_limiter_holds_a_peak_that_lies_between_samples() -> None:
    """A tone at a quarter of the rate, 45 degrees off: its samples are 3.01 dB below its true peak."""
    sound = (0.98 * np.sqrt(0.5) * np.sign(np.sin(np.pi / 2 * np.arange(9_000) + np.pi / 4))).astype(np.float32)
    sound *= np.sin(np.pi * np.arange(9_000) / 9_000).astype(np.float32)
    assert np.abs(sound).max() < 0.7
    assert true_peak_db(sound.astype(np.float64)) > -0.3
    limited = np.concatenate(list(Limiter(1.0, 0.8, 1).limited([sound[None, :]])), axis=1)[0, :9_000]
    assert true_peak_db(limited.astype(np.float64)) < 20 * np.log10(0.8) + 0.1
    assert true_peak_db(limited.astype(np.float64)) > 20 * np.log10(0.8) - 1.0


def test_a_limited_stroke_keeps_its_shape_around_the_peak() -> None:
    """The gain moves slowly: neighbours of the peak go down with it."""
    sound = np.zeros((1, 20_000), dtype=np.float32)
    sound[0, 9_990:10_011] = 1.6 * np.hanning(21)
    limited = np.concatenate(list(Limiter(1.0, 0.8, 1).limited([sound])), axis=1)[:, :20_000]
    ratio = limited[0, 9_992:10_009] / sound[0, 9_992:10_009]
    assert limited.max() <= 0.8
    assert np.ptp(ratio) < 0.02


@pytest.mark.parametrize("wrong", [{"loudness_lufs": 3.0}, {"loudness_lufs": float("nan")}, {"peak_dbtp": 2.0}])
def test_levels_that_make_no_sense_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(SoundError, match="cannot be asked for"):
        replace(Level(), **wrong)
