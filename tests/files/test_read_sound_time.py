"""Recordings keep their time and their sound: against a sound that is a formula, for every kind of file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from files.made_recordings import WAYS, Way, known_sound, lag_ms
from graith.files.read_sound import read_recording, sound_info, working_blocks
from graith.listen.model import WORKING_RATE_HZ

SECONDS = 3.0
WAYS_BY_NAME = {f"{way.rate_hz} {way.writer} {way.name}": way for way in WAYS}


@pytest.fixture(params=WAYS_BY_NAME.values(), ids=WAYS_BY_NAME.keys())
def way(request: pytest.FixtureRequest) -> Way:
    return request.param


def test_the_first_sample_is_the_first_that_was_recorded_and_the_end_is_in_time(tmp_path: Path, way: Way) -> None:
    heard = read_recording(way.write(tmp_path, known_sound(way.rate_hz, SECONDS)))
    wanted = known_sound(WORKING_RATE_HZ, SECONDS)
    assert lag_ms(heard.samples, wanted, WORKING_RATE_HZ) == pytest.approx(way.late_ms, abs=0.05)
    last = slice(2 * WORKING_RATE_HZ, None)
    assert lag_ms(heard.samples[last], wanted[last], WORKING_RATE_HZ) == pytest.approx(way.late_ms, abs=0.05)
    assert heard.length_s == pytest.approx(SECONDS + way.late_ms / 1000.0, abs=0.026)
    assert heard.notes == ()


def test_the_sound_is_the_mean_of_the_channels(tmp_path: Path, way: Way) -> None:
    """By correlation 1 with the formula, which low bit rates blur, and by its level, which LAME lowers by 5 %."""
    if way.late_ms or (way.rate_hz < 44_100 and way.coding != "PCM_16"):
        pytest.skip("late by a part of a sample, or coded at 24 kbit/s")
    left, right = known_sound(way.rate_hz, SECONDS, seed=2), known_sound(way.rate_hz, SECONDS, seed=3)
    heard = read_recording(way.write(tmp_path, np.stack([left, right])))
    wanted = 0.5 * (known_sound(WORKING_RATE_HZ, SECONDS, seed=2) + known_sound(WORKING_RATE_HZ, SECONDS, seed=3))
    middle = slice(6_000, 30_000)
    here = heard.samples[middle]
    likeness = np.dot(here, wanted[middle]) / np.dot(wanted[middle], wanted[middle])
    assert heard.n_channels == 2
    assert likeness == pytest.approx(1.0, abs=0.07)
    assert np.std(here - likeness * wanted[middle]) < 0.35 * np.std(wanted)


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000])
def test_exact_formats_are_the_formula_to_their_last_bits(tmp_path: Path, rate_hz: int) -> None:
    soundfile.write(tmp_path / "exact.wav", known_sound(rate_hz), rate_hz, subtype="FLOAT")
    heard = read_recording(tmp_path / "exact.wav").samples
    inside = slice(100, -100)
    error = heard[inside] - known_sound(WORKING_RATE_HZ)[inside]
    assert 20.0 * np.log10(np.std(error) / np.std(heard)) < -75.0


def level_db(folder: Path, pitch_hz: float, rate_hz: int) -> float:
    """Return the working sound's level, in dB from that of the sine written."""
    sine = np.sin(2.0 * np.pi * pitch_hz * np.arange(2 * rate_hz) / rate_hz)
    soundfile.write(folder / "sine.wav", 0.5 * sine, rate_hz, subtype="FLOAT")
    middle = read_recording(folder / "sine.wav").samples[2_000:-2_000]
    return float(20.0 * np.log10(np.std(middle) / (0.5 * np.sqrt(0.5)) + 1e-12))


@pytest.mark.parametrize("rate_hz", [22_050, 44_100, 48_000, 96_000])
def test_sound_up_to_5_khz_keeps_its_level_and_nothing_folds_back_on_it(tmp_path: Path, rate_hz: int) -> None:
    kept = [level_db(tmp_path, hz, rate_hz) for hz in (60.0, 1_000.0, 3_000.0, 4_500.0, 5_000.0)]
    folded = [level_db(tmp_path, hz, rate_hz) for hz in (7_000.0, 7_900.0, 9_100.0, 10_800.0)]
    assert np.abs(kept).max() < 0.05
    assert max(folded) < -80.0


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 22_050, 44_101])
@pytest.mark.parametrize(("start_s", "stop_s"), [(0.0, 1.25), (2.3, 4.1), (3.0, None), (5.9, 100.0)])
def test_a_stretch_is_the_same_samples_as_in_the_whole(
    tmp_path: Path, rate_hz: int, start_s: float, stop_s: float | None
) -> None:
    soundfile.write(tmp_path / "whole.wav", known_sound(rate_hz, 6.0), rate_hz)
    whole = read_recording(tmp_path / "whole.wav")
    stretch = read_recording(tmp_path / "whole.wav", start_s=start_s, stop_s=stop_s)
    first, last = round(start_s * WORKING_RATE_HZ), round(min(stop_s or 6.0, 6.0) * WORKING_RATE_HZ)
    np.testing.assert_array_equal(stretch.samples, whole.samples[first:last])
    assert stretch.start_s == pytest.approx(start_s, abs=1e-4)
    assert stretch.levels.n_samples == pytest.approx((last - first) / WORKING_RATE_HZ * rate_hz, abs=1.0)


def test_blocks_are_the_recording_about_a_second_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "long.flac"
    soundfile.write(path, known_sound(44_100, 30.0), 44_100)
    blocks = working_blocks(path)
    pieces = list(blocks)
    assert max(piece.size for piece in pieces) <= 13_000
    whole = read_recording(path)
    np.testing.assert_array_equal(np.concatenate(pieces), whole.samples)
    assert blocks.levels == whole.levels


def test_a_file_tells_its_kind_before_it_is_decoded(tmp_path: Path) -> None:
    path = Way("aac.m4a", 44_100, "PyAV", "ipod", "aac").write(tmp_path, known_sound(44_100))
    info = sound_info(path)
    assert (info.container, info.coding, info.rate_hz, info.n_channels) == ("mp4", "aac", 44_100, 1)
    assert info.claimed_s == pytest.approx(SECONDS, abs=0.001)


def test_a_hole_in_an_mp4_is_silence_and_what_follows_is_in_time(tmp_path: Path) -> None:
    """Sound bytes of an MP4 are zeroed for about a tenth of its length; packets there cannot be decoded."""
    path = Way("aac.m4a", 44_100, "PyAV", "ipod", "aac").write(tmp_path, known_sound(44_100, 6.0))
    content = bytearray(path.read_bytes())
    content[len(content) // 2 : len(content) // 2 + len(content) // 10] = bytes(len(content) // 10)
    path.write_bytes(content)
    heard = read_recording(path)
    last = slice(5 * WORKING_RATE_HZ, None)
    assert lag_ms(heard.samples[last], known_sound(WORKING_RATE_HZ, 6.0)[last], WORKING_RATE_HZ) == pytest.approx(
        0.0, abs=0.05
    )
    assert heard.length_s == pytest.approx(6.0, abs=0.001)
    assert "packets of sound are damaged" in heard.notes[0]
    assert "silence stands in their place" in heard.notes[1]
