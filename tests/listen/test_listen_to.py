"""Listening as a whole: all measures of a recording, stopped when asked, telling how far it is, the same every time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from graith.errors import ListenError
from graith.listen.heard import Heard
from graith.listen.listen_to import listen_to
from graith.sound.model import Band
from played_recordings import Played, jig, march, played, recording_of, warped


@pytest.fixture(scope="module")
def heard_short(short: Played) -> Heard:
    return listen_to(recording_of(short.sound), jig())


@pytest.fixture(scope="module")
def heard_six(six: Played) -> Heard:
    return listen_to(recording_of(six.sound), march())


def test_one_player_alone_has_figures_and_no_togetherness(heard_short: Heard) -> None:
    assert heard_short.trusted
    assert heard_short.reason is None
    assert heard_short.figures is not None
    assert heard_short.togetherness is None


def test_several_players_have_togetherness_and_no_figures(heard_six: Heard) -> None:
    assert heard_six.trusted
    assert heard_six.figures is None
    assert heard_six.togetherness is not None


def test_pitch_tempo_and_drones_are_those_that_were_played(heard_short: Heard) -> None:
    assert heard_short.tuning is not None
    assert heard_short.tempo is not None
    assert heard_short.drones is not None
    assert heard_short.tuning.low_a_hz == pytest.approx(480.0, abs=0.15)
    assert heard_short.drones.tenor_hz == pytest.approx(240.0, abs=0.2)
    assert np.nanmedian(heard_short.tempo.bars["bpm"]) == pytest.approx(116.0, rel=0.003)
    assert heard_short.speed is None


def test_notes_are_where_they_were_played(heard_six: Heard, six: Played) -> None:
    assert heard_six.alignment is not None
    errors_ms = 1e3 * np.abs(heard_six.alignment.notes["start_s"] - six.onset_s)
    assert np.median(errors_ms) < 10.0
    assert errors_ms.max() < 150.0


def test_the_same_recording_is_heard_the_same_way_twice(heard_short: Heard, short: Played) -> None:
    again = listen_to(recording_of(short.sound.copy()), jig(), progress=lambda _: None)
    assert again.alignment is not None
    assert heard_short.alignment is not None
    assert again.alignment.steps.tobytes() == heard_short.alignment.steps.tobytes()
    assert again.tempo is not None
    assert heard_short.tempo is not None
    assert again.tempo.bars.tobytes() == heard_short.tempo.bars.tobytes()
    assert again.tuning is not None
    assert heard_short.tuning is not None
    assert again.tuning.notes.tobytes() == heard_short.tuning.notes.tobytes()


def test_a_pitch_that_is_told_gives_the_same_notes_as_one_that_is_found(heard_short: Heard, short: Played) -> None:
    told = listen_to(recording_of(short.sound), jig(), low_a_hz=480.0)
    assert told.alignment is not None
    assert heard_short.alignment is not None
    moved_ms = 1e3 * np.abs(told.alignment.notes["start_s"] - heard_short.alignment.notes["start_s"])
    assert moved_ms.max() < 5.0


def test_progress_rises_to_one(short: Played) -> None:
    shares: list[float] = []
    listen_to(recording_of(short.sound), jig(), progress=shares.append)
    assert shares[-1] == 1.0
    assert shares == sorted(shares)
    assert len(shares) >= 5


def test_listening_stops_when_it_shall(short: Played) -> None:
    shares: list[float] = []
    with pytest.raises(ListenError, match="Listening was stopped"):
        listen_to(recording_of(short.sound), jig(), progress=shares.append, should_stop=lambda: len(shares) >= 2)
    assert len(shares) == 2
    assert shares[-1] < 1.0


def test_a_refusal_names_the_recording_and_keeps_its_facts() -> None:
    silent = replace(recording_of(np.zeros(200_000, dtype=np.float32)), label="hall.m4a")
    heard = listen_to(silent, jig(), n_players=6)
    assert not heard.trusted
    assert heard.reason is not None
    assert heard.reason.startswith("hall.m4a: ")
    assert heard.n_players == 6
    assert heard.recording.length_s == pytest.approx(200_000 / 12_000)


def test_a_recording_at_the_wrong_rate_says_so() -> None:
    speed = 48_000 / 44_100
    fast = played(jig(), Band(drums=None, room=None, low_a_hz=480.0 * speed), as_played=warped(jig(), faster=speed))
    heard = listen_to(recording_of(fast.sound), jig())
    assert heard.trusted
    assert heard.speed == pytest.approx(speed)
