"""What is refused, with the reason: noise, silence, talk, another tune; and what runs at the wrong speed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from graith.listen.align import Aligned, aligned
from graith.listen.frames import Frames, frames_of
from graith.listen.listen_to import listen_to
from graith.listen.model import BAR_TEMPO_DTYPE, BEAT_TIME_DTYPE, PASSAGE_DTYPE, Tempo
from graith.listen.trust import distrust, speed_of
from played_recordings import NOTES_HZ, Played, Singles, jig, noise, plan_of, recording_of, talk

Listened = tuple[Aligned, Frames]


def tempo_of(planned_bpm: float, heard_bpm: float) -> Tempo:
    bars = np.zeros(16, dtype=BAR_TEMPO_DTYPE)
    bars["planned_bpm"], bars["bpm"], bars["heard"] = planned_bpm, heard_bpm, True
    return Tempo(bars, np.zeros(0, dtype=BEAT_TIME_DTYPE))


def reason_for(found: Aligned, clear: float = 5.0) -> str:
    reason = distrust(found, clear)
    assert reason is not None
    return reason


def test_a_clean_recording_is_trusted(short_heard: Listened) -> None:
    assert distrust(short_heard[0], 5.0) is None


def test_six_players_with_drums_and_noise_are_trusted(six_heard: Listened) -> None:
    assert distrust(six_heard[0], 5.0) is None


@pytest.mark.parametrize(
    "sound",
    [noise(25.0), np.zeros(300_000, dtype=np.float32), talk(30.0), noise(25.0, 1e-4)],
    ids=["noise", "silence", "talk", "hiss"],
)
def test_what_is_no_music_is_refused(sound: Singles) -> None:
    heard = listen_to(recording_of(sound), jig())
    assert not heard.trusted
    assert heard.reason is not None
    assert heard.reason.startswith("practice.wav: ")
    assert heard.alignment is None
    assert heard.tempo is None


@pytest.mark.parametrize("number", [1, 3])
def test_another_jig_is_refused(short: Played, number: int) -> None:
    heard = listen_to(recording_of(short.sound), plan_of("jigs", number))
    assert not heard.trusted


@pytest.mark.parametrize("number", [2, 3, 5])
def test_another_march_is_refused(solo: Played, number: int) -> None:
    heard = listen_to(recording_of(solo.sound), plan_of("marches", number))
    assert not heard.trusted


def test_little_of_the_set_is_refused_with_how_much_there_was(short: Played) -> None:
    frames = frames_of(short.sound[: 9 * 12_000])
    found = aligned(frames, jig(), NOTES_HZ)
    assert "only" in reason_for(found)
    assert "too little of it" in reason_for(found)


def test_a_pitch_that_stands_out_nowhere_is_refused(short_heard: Listened) -> None:
    assert "too noisy or too far away" in reason_for(short_heard[0], clear=0.5)


def test_a_bad_fit_says_how_many_moments_agree(short_heard: Listened) -> None:
    found, _ = short_heard
    worse = replace(found, alignment=replace(found.alignment, fit=0.31))
    assert "only 31 in 100 moments agree" in reason_for(worse)


def test_a_path_in_many_pieces_is_another_tune(short_heard: Listened) -> None:
    found, _ = short_heard
    pieces = np.zeros(12, dtype=PASSAGE_DTYPE)
    pieces["start_s"] = np.arange(12) * 2.0
    pieces["stop_s"] = pieces["start_s"] + 2.0
    torn = replace(found, alignment=replace(found.alignment, passages=pieces))
    assert "in 12 short pieces" in reason_for(torn)


@pytest.mark.parametrize("speed", [48_000 / 44_100, 44_100 / 48_000, 1.04, 1 / 1.04])
def test_a_wrong_rate_is_told_from_pitch_and_tempo_together(speed: float) -> None:
    pitch_hz = 480.0 * speed if abs(speed - 1) > 0.05 else (484.0 if speed > 1 else 470.0) * speed
    told = speed_of(pitch_hz, tempo_of(80.0, 80.0 * speed), False)
    assert told == pytest.approx(speed)


def test_a_usual_pitch_or_a_pitch_told_has_no_wrong_speed() -> None:
    assert speed_of(481.0, tempo_of(80.0, 87.0), False) is None
    assert speed_of(522.0, tempo_of(80.0, 87.0), True) is None


def test_an_odd_pitch_at_the_planned_tempo_is_an_odd_chanter() -> None:
    assert speed_of(522.0, tempo_of(80.0, 80.0), False) is None


def test_without_a_bar_heard_nothing_is_said_of_speed() -> None:
    nothing = tempo_of(80.0, 87.0)
    nothing.bars["heard"] = False
    assert speed_of(522.0, nothing, False) is None
