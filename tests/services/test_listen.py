"""Listening as a use case: what is refused before any work, what is handed on, and that findings are added."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from graith.listen.heard import Heard, facts_of
from graith.listen.model import WORKING_RATE_HZ, Levels, Recording
from graith.listen.overview import Overview, Stretch
from graith.listen.which import Candidate, Ranking
from graith.services.listen_to_recording import listen_to_set
from graith.services.which_was_played import Which, which_was_played
from graith.sound.scale import OLDER_PUBLISHED
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline
from heard_by_hand import heard_as_planned, one_tune, recording_of, tuning

PLANNED = one_tune()
RECORDING = recording_of(timeline_of(PLANNED))


EMPTY = Overview(np.zeros((0, 0), dtype=np.float16), np.zeros(0), np.zeros(0), RECORDING.length_s)


class FakeListener:
    """Hears low G 14 cents sharp, and keeps what it was asked."""

    def __init__(self) -> None:
        self.asked: dict[str, Any] = {}

    def __call__(self, recording: Recording, timeline: Timeline, **how: Any) -> Heard:
        self.asked = how
        return replace(heard_as_planned(timeline, tuning=tuning({0: 14.0})), recording=facts_of(recording))


def never(*_: Any, **__: Any) -> Any:
    raise AssertionError("it was listened to all the same")


def refused(**levels: Any) -> str:
    changed = {name: levels.pop(name) for name in ("samples", "rate_hz") if name in levels}
    recording = replace(RECORDING, levels=replace(RECORDING.levels, **levels), **changed)
    heard = listen_to_set(recording, PLANNED, listener=never).heard
    assert not heard.trusted
    assert heard.reason is not None
    return heard.reason


def test_what_was_heard_comes_with_its_findings() -> None:
    listening = listen_to_set(RECORDING, PLANNED, listener=FakeListener())
    assert [one.kind for one in listening.heard.findings] == ["tuning"]
    assert listening.timeline.name == PLANNED.name


def test_what_the_user_knows_is_handed_on() -> None:
    listener = FakeListener()
    listen_to_set(RECORDING, PLANNED, scale=OLDER_PUBLISHED, low_a_hz=478.0, n_players=6, listener=listener)
    assert (listener.asked["scale"], listener.asked["low_a_hz"]) == (OLDER_PUBLISHED, 478.0)
    assert listener.asked["n_players"] == 6


def test_silence_is_refused() -> None:
    assert "silent" in refused(rms=0.0, peak=0.0)


def test_a_recording_without_sound_is_refused() -> None:
    assert "no sound" in refused(samples=np.zeros(0, dtype=np.float32), n_samples=0)


def test_a_clip_of_ten_seconds_is_refused_with_its_length() -> None:
    clip = RECORDING.samples[: 10 * WORKING_RATE_HZ]
    assert "it lasts 10 s" in refused(samples=clip)


def test_telephone_sound_is_refused_with_its_rate() -> None:
    assert "8000 samples a second" in refused(rate_hz=8000)


def test_a_recording_full_of_what_is_no_number_is_refused() -> None:
    assert "no numbers" in refused(n_not_finite=RECORDING.levels.n_samples)


@pytest.mark.parametrize("rate_hz", [16_000, 22_050, 44_100, 48_000, 96_000])
def test_usual_rates_are_listened_to(rate_hz: int) -> None:
    listening = listen_to_set(replace(RECORDING, rate_hz=rate_hz), PLANNED, listener=FakeListener())
    assert listening.heard.trusted


def test_a_refusal_is_one_sentence_that_names_the_recording() -> None:
    reason = refused(rms=0.0)
    assert reason.startswith("night.m4a: ")
    assert reason.endswith(".")
    assert "\n" not in reason


def test_what_is_amiss_in_the_file_is_a_finding() -> None:
    note = "The file ends in the middle of its sound."
    listening = listen_to_set(replace(RECORDING, notes=(note,)), PLANNED, listener=FakeListener())
    assert note in [one.says for one in listening.heard.findings]
    assert isinstance(RECORDING.levels, Levels)


def ranked(*fits: tuple[str, float], is_clear: bool = True) -> Any:
    """A ranker that gives these fits; the first is the best when it is above 0."""
    candidates = tuple(Candidate(name, fit, Stretch(1.0, 60.0, 1.0, 1.0)) for name, fit in fits)
    best = candidates[0] if candidates[0].fit > 0 else None
    return lambda *_, **__: Ranking(candidates, best, is_clear)


def asked_which(ranker: Any, recording: Recording = RECORDING) -> Which:
    timelines = {"a": timeline_of(PLANNED), "b": timeline_of(PLANNED)}
    return which_was_played(facts_of(recording), EMPTY, timelines, ranker=ranker)


def test_the_one_that_is_clearly_it_is_named() -> None:
    which = asked_which(ranked(("b", 9.0), ("a", 1.0)))
    assert (which.name, which.says) == ("b", "night.m4a: it is b.")


def test_two_that_fit_alike_are_both_named() -> None:
    assert (
        "most likely b, but a fits nearly as well" in asked_which(ranked(("b", 9.0), ("a", 8.5), is_clear=False)).says
    )


def test_none_of_them_is_an_answer() -> None:
    which = asked_which(ranked(("b", 0.0), ("a", 0.0)))
    assert which.name is None
    assert which.says == "night.m4a: none of the 2 tunes and sets in the book can be heard in it."


def test_silence_holds_none_of_them() -> None:
    which = asked_which(never, replace(RECORDING, levels=replace(RECORDING.levels, rms=0.0)))
    assert (which.name, which.ranking) == (None, None)
    assert "silent" in which.says
