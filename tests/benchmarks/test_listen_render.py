"""The recordings that listening is measured on: made from their seed alone, true to the sample, kept on disk."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from bench.listen import sampled
from bench.listen.around import box_response, in_room, noise, talk
from bench.listen.cases import Case
from bench.listen.render import render
from bench.listen.sampled import key_and_cents, sounding_cents, wheel
from scipy import signal

SHORT = Case(name="short", music="marches:5", parts=(1,), opening=False, tempo_bpm=90.0)

has_reeds = pytest.mark.skipif(
    shutil.which("fluidsynth") is None or not sampled.SOUND_FONT.exists(),
    reason="FluidSynth and a General MIDI sound font are not installed",
)


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("GRAITH_BENCH_DIR", str(tmp_path))
    return tmp_path


def note_changes_ms(path: Path, truth) -> np.ndarray:
    """Return by how much half amplitude of each new pitch comes after the truth, for changes without gracenotes."""
    samples, rate_hz = soundfile.read(path)
    notes, late_ms = truth.plan.notes, []
    window = np.hanning(round(0.02 * rate_hz))
    for index in range(1, notes.size):
        new, old = int(notes["chanter_note"][index]), int(notes["chanter_note"][index - 1])
        if notes["n_graces"][index] or new == old:
            continue
        begin = round((truth.onset_s[index] - 0.06) * rate_hz)
        piece = samples[begin : begin + round(0.18 * rate_hz)]
        turns = np.exp(-2j * np.pi * truth.note_hz[new].mean() * np.arange(piece.size) / rate_hz)
        level = np.abs(np.convolve(piece * turns, window / window.sum(), "same"))
        before, after = np.median(level[: round(0.04 * rate_hz)]), np.median(level[round(0.12 * rate_hz) :])
        rises = np.flatnonzero(level[round(0.03 * rate_hz) :] > 0.5 * (before + after))
        late_ms.append(1e3 * (rises[0] / rate_hz + 0.03 - 0.06))
    return np.array(late_ms)


def test_a_case_makes_the_same_recording_each_time(tmp_path: Path) -> None:
    first, _ = render(SHORT, tmp_path / "a")
    second, _ = render(SHORT, tmp_path / "b")
    assert first.read_bytes() == second.read_bytes()


def test_a_recording_is_made_once(tmp_path: Path) -> None:
    path, truth = render(SHORT)
    made = path.stat().st_mtime_ns
    again, same = render(SHORT)
    assert (again, again.stat().st_mtime_ns) == (path, made)
    assert np.array_equal(same.onset_s, truth.onset_s)
    assert sorted(one.suffix for one in tmp_path.iterdir()) == [".json", ".npz", ".wav"]


def test_another_seed_is_another_case() -> None:
    assert SHORT.key() != SHORT.named("short", seed=2).key()


def test_notes_begin_where_the_truth_says() -> None:
    path, truth = render(SHORT.named("dry", drones=False))
    assert np.median(np.abs(note_changes_ms(path, truth))) < 1.0


@has_reeds
def test_sampled_notes_begin_after_the_truth_by_their_own_rise() -> None:
    path, truth = render(SHORT.named("reeds", drones=False, source="shanai"))
    assert np.median(note_changes_ms(path, truth)) == pytest.approx(np.median(truth.rise_ms), abs=3.0)


@has_reeds
def test_a_sampled_note_sounds_at_the_pitch_that_the_truth_says() -> None:
    """A held E, 0.37 cents from a whole one, against the peak of its spectrum."""
    asked_hz = 440.0 * 2.0 ** ((76.0 - 69.0) / 12.0 + 23.37 / 1200.0)
    key, cents = key_and_cents(asked_hz)
    found = sampled.mean_cents(111, key, np.array([3.0]))
    rate_hz = 44_100
    played = np.array(
        [(0.5, 3.5, asked_hz, 5, 0, -1)],
        dtype=[
            ("onset_s", float),
            ("stop_s", float),
            ("hz", float),
            ("chanter_note", int),
            ("note", int),
            ("grace", int),
        ],
    )
    notes_hz = np.full(9, asked_hz)
    sound = sampled.player_sound(played, notes_hz, 111, None, rate_hz)[round(0.55 * rate_hz) : round(3.45 * rate_hz)]
    true_hz = 440.0 * 2.0 ** ((key - 69) / 12.0 + (float(sounding_cents(cents)) + found) / 1200.0)
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(sound.size), 1 << 21))
    near = np.arange(round(true_hz * 0.98 * (1 << 21) / rate_hz), round(true_hz * 1.02 * (1 << 21) / rate_hz))
    peak_hz = near[np.argmax(spectrum[near])] * rate_hz / (1 << 21)
    assert 1200.0 * np.log2(peak_hz / true_hz) == pytest.approx(0.0, abs=0.5)


def test_the_nearest_whole_cent_is_bent_to() -> None:
    assert key_and_cents(440.0) == (69, 0.0)
    assert float(sounding_cents(23.37)) == 23.0
    assert wheel(23.37) == round(23.5 / 200 * 8192)
    assert wheel(-0.9) == round(-0.5 / 200 * 8192)


def test_a_room_leaves_the_direct_sound_in_its_place() -> None:
    click = np.zeros(20_000)
    click[100] = 1.0
    for room in ("dry", "small", "hall", "hard", "open"):
        heard = in_room(click, room, 44_100, 1)
        assert int(np.argmax(np.abs(heard))) == 100
        assert np.abs(heard[:100]).max() < 1e-12


def test_a_boxs_first_reflection_is_the_floors() -> None:
    """By Pythagoras: 4.5 m across and 0.9 m along, mouths 1.4 and 1.3 m above the floor."""
    direct_m = np.hypot(np.hypot(4.5, 0.9), 0.1)
    floor_m = np.hypot(np.hypot(4.5, 0.9), 2.7)
    response = box_response("hard", 44_100)
    rise = int(np.argmax(np.abs(response) > 0.2))
    assert rise == pytest.approx((floor_m - direct_m) / 343.0 * 44_100, abs=1.5)


def test_noise_falls_from_low_to_high_and_has_level_1() -> None:
    sound = noise(1 << 17, 44_100, np.random.default_rng(1))
    frequency_hz, power = signal.welch(sound, 44_100, nperseg=8192)
    assert np.sqrt(np.mean(sound**2)) == pytest.approx(1.0)
    assert power[np.argmin(np.abs(frequency_hz - 100))] > 5 * power[np.argmin(np.abs(frequency_hz - 10_000))]


def test_talk_comes_in_syllables() -> None:
    sound = talk(6.0, 16_000, np.random.default_rng(2))
    level = np.sqrt(np.mean(sound.reshape(-1, 320) ** 2, axis=1))
    assert np.mean(level < 0.1) > 0.08
    assert level.max() > 1.0
