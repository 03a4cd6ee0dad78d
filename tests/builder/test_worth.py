"""What a set is worth, counted by hand."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from builder.made_books import INVENTED, candidate, cut, questions
from graith.builder import worth
from graith.builder.explain import built_set, link_us, playing_us
from graith.builder.model import BuiltSet, ChosenTune, Question, Weights
from graith.music.model import ChanterNote
from graith.rules.rulebook import ClockStart, DurationRule, EventRules
from graith.sets.model import Opening

MARCH = candidate(
    "march",
    "2/4 march",
    n_parts=4,
    tempo_bpm=80.0,
    readiness=0.5,
    difficulty=7.0,
    cuts=(cut(2, of=4, beats=32, first_note=ChanterNote.E, last_note=ChanterNote.LOW_A),),
)
REEL = candidate(
    "reel",
    tempo_bpm=84.0,
    tonal_centre=ChanterNote.D,
    cuts=(cut(2, of=2, beats=32, first_note=ChanterNote.LOW_A, last_note=ChanterNote.D),),
)


def in_full(question: Question) -> BuiltSet:
    return built_set(question, [ChosenTune(one, one.cuts[0]) for one in question.candidates])


def points(built: BuiltSet, kind: str) -> float:
    return sum(reason.points for reason in built.reasons if reason.kind == kind)


def test_each_reason_is_what_the_formulas_give_by_hand() -> None:
    # March: 64 beats at 80 last 48 s, of 100 s aimed at. Rolls: 8 beats at 80 last 6 s. Reel: 64 beats at 84, 45.714 s.
    question = Question((MARCH, REEL), target_s=100.0, level=6.0)
    built = in_full(question)
    assert points(built, "start") == 100
    assert points(built, "readiness") == pytest.approx(-40 * 0.5 * 0.48)
    assert points(built, "difficulty") == pytest.approx(-6 * 1 * 0.48)
    assert points(built, "cuts") == pytest.approx(-1 * 0.5)
    assert points(built, "variety") == 3
    tempo = 2 * (84 / 80 - 1) / 0.2
    tonal = 2 * 0.25  # low A to D is a fourth
    meeting = 0.0  # low A meets low A
    assert points(built, "link") == pytest.approx(-(tempo + tonal + meeting))
    assert points(built, "time") == pytest.approx(-(100 - (6 + 48 + 64 * 60 / 84)) / 10, abs=1e-6)


@settings(deadline=None)
@given(questions(locked=False))
def test_the_reasons_add_up_to_the_value(question: Question) -> None:
    built = in_full(question)
    assert sum(reason.billionths for reason in built.reasons) == built.billionths


@pytest.mark.parametrize(
    ("from_bpm", "to_bpm", "roughness"),
    [
        (80, 80, 0.0),
        (60, 120, 0.0),
        (120, 60, 0.0),
        (80, 120, 0.0),
        (100, 110, 0.5),
        (100, 122, 14 / 15),
        (100, 300, 1.0),
    ],
)
def test_a_tempo_is_smooth_on_one_one_and_a_half_and_two(from_bpm: float, to_bpm: float, roughness: float) -> None:
    assert float(worth.tempo_roughness(np.array(float(from_bpm)), np.array(float(to_bpm)))) == pytest.approx(roughness)


@pytest.mark.parametrize(
    ("one", "other", "roughness"),
    [("LOW_A", "HIGH_A", 0), ("LOW_A", "E", 0.25), ("LOW_A", "D", 0.25), ("B", "D", 0.4), ("LOW_G", "LOW_A", 0.5),
     ("LOW_A", "C", 0.5), ("C", "D", 1), ("C", "LOW_G", 1)],
)  # fmt: skip
def test_tonal_centres_rub_by_their_interval(one: str, other: str, roughness: float) -> None:
    assert worth.TONAL_ROUGHNESS[ChanterNote[one], ChanterNote[other]] == roughness
    assert worth.TONAL_ROUGHNESS[ChanterNote[other], ChanterNote[one]] == roughness


def test_meeting_notes_rub_by_leap_and_by_crossing_fingers() -> None:
    assert worth.MEETING_ROUGHNESS[ChanterNote.E, ChanterNote.E] == 0
    assert worth.MEETING_ROUGHNESS[ChanterNote.D, ChanterNote.E] == (1 / 8 + 1) / 2
    assert worth.MEETING_ROUGHNESS[ChanterNote.LOW_A, ChanterNote.E] == 4 / 8 / 2
    assert worth.MEETING_ROUGHNESS[worth.UNKNOWN, ChanterNote.E] == 0.5


def test_the_target_is_the_middle_of_the_duration_rule_unless_one_is_given() -> None:
    rules = EventRules("", "", durations=(DurationRule(name="time", source=INVENTED, min_s=180.0, max_s=300.0),))
    question = Question((REEL,), rules)
    assert worth.target_us(question) == 240_000_000
    assert worth.target_us(replace(question, target_s=200.0)) == 200_000_000
    assert worth.target_us(Question((REEL,))) is None


def test_the_clock_from_the_first_note_leaves_the_rolls_out() -> None:
    tunes = [ChosenTune(REEL, REEL.cuts[0])]
    question = Question((REEL,))
    rolls_us = playing_us(question, tunes, ClockStart.FIRST_ROLL) - playing_us(question, tunes, ClockStart.FIRST_NOTE)
    assert rolls_us == worth.microseconds(Fraction(8), 84.0)


def test_a_pickup_that_would_swallow_the_last_note_makes_it_last_a_beat_longer() -> None:
    before = candidate("a", cuts=(cut(2, of=2, last_beats=Fraction(1, 2)),))
    after = candidate("b", cuts=(cut(2, of=2, pickup_beats=Fraction(1, 2)),))
    question = Question((before, after), opening=Opening(roll_beats=0))
    one, other = ChosenTune(before, before.cuts[0]), ChosenTune(after, after.cuts[0])
    assert link_us(question, one, other) == round(60_000_000 / 84)
    assert link_us(replace(question, hold_beats=Fraction(1, 4)), one, other) == 0


@given(st.integers(1, 400), st.integers(1, 16), st.floats(20, 300, allow_nan=False))
def test_beats_last_their_share_of_a_minute_to_the_nearest_microsecond(beats: int, of: int, tempo_bpm: float) -> None:
    exact = 60_000_000 * Fraction(beats, of) / Fraction(tempo_bpm)
    assert abs(worth.microseconds(Fraction(beats, of), tempo_bpm) - exact) <= Fraction(1, 2)


def test_no_weight_makes_every_set_worth_the_start() -> None:
    nothing = Weights(**dict.fromkeys(Weights.__dataclass_fields__, 0.0))
    assert in_full(Question((MARCH, REEL), target_s=50.0, level=1.0, weights=nothing)).value == 100
