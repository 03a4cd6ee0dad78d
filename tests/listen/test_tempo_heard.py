"""Tempo by bar and beat, from notes placed by hand, against the tempo they were placed at and numpy's line fits."""

from __future__ import annotations

import numpy as np
import pytest

from graith.listen.align import Aligned
from graith.listen.frames import Frames
from graith.listen.model import PASSAGE_DTYPE, STEP_DTYPE, Alignment, Floats, Tempo
from graith.listen.tempo_heard import tempo_heard
from graith.timeline.model import Timeline
from graith.timeline.playing_order import playing_order
from played_recordings import Played, march, plan_of, warped


def placed(plan: Timeline, as_played: Timeline, *, jitter_ms: float = 0.0, at_s: float = 3.0) -> Alignment:
    """Every note where it was played, with chance errors."""
    notes, graces = playing_order(plan)
    steps = np.zeros(notes.size, dtype=STEP_DTYPE)
    steps["note"], steps["grace"], steps["heard"] = notes, graces, True
    melody = graces < 0
    steps["start_s"][melody] = as_played.notes["onset_s"][notes[melody]]
    steps["start_s"][~melody] = as_played.graces["onset_s"][graces[~melody]]
    steps["start_s"] += at_s + np.random.default_rng(6).normal(0.0, jitter_ms / 1e3, notes.size)
    steps["stop_s"] = np.append(steps["start_s"][1:], steps["start_s"][-1] + 0.5)
    passages = np.array([(0, plan.notes.size - 1, steps["start_s"][0], steps["stop_s"][-1])], dtype=PASSAGE_DTYPE)
    return Alignment(steps, passages, 1.0)


def true_bpm(plan: Timeline, as_played: Timeline) -> Floats:
    seconds = as_played.bars["stop_s"] - as_played.bars["start_s"]
    return np.asarray(plan.bars["tempo_bpm"] * (plan.bars["stop_s"] - plan.bars["start_s"]) / seconds)


def off(heard: Tempo, wanted_bpm: Floats) -> Floats:
    return np.asarray(np.abs(heard.bars["bpm"] / wanted_bpm - 1.0))


@pytest.mark.parametrize("faster", [0.7, 0.97, 1.0, 1.25])
def test_a_steady_tempo_is_heard_exactly(faster: float) -> None:
    as_played = warped(march(), faster=faster)
    heard = tempo_heard(march(), placed(march(), as_played))
    assert heard.bars["heard"].all()
    assert heard.bars["bpm"] == pytest.approx(faster * march().bars["tempo_bpm"], rel=1e-3)
    assert heard.bars["time_s"] == pytest.approx(as_played.bars["start_s"] + 3.0, abs=2e-3)


def test_a_wandering_tempo_is_within_six_in_a_thousand_in_every_bar() -> None:
    as_played = warped(march(), wander=0.02)
    heard = tempo_heard(march(), placed(march(), as_played, jitter_ms=2.5))
    assert off(heard, true_bpm(march(), as_played)).max() < 0.006


def test_a_wandering_tempo_is_heard_in_sound(solo: Played, solo_heard: tuple[Aligned, Frames]) -> None:
    assert off(tempo_heard(march(), solo_heard[0].alignment), solo.bpm).max() < 0.006


def test_six_players_tempo_is_within_one_in_a_hundred(six: Played, six_heard: tuple[Aligned, Frames]) -> None:
    errors = off(tempo_heard(march(), six_heard[0].alignment), six.bpm)
    assert np.median(errors) < 0.004
    assert errors.max() < 0.015


def test_the_middle_of_a_tune_agrees_with_numpys_line() -> None:
    plan = march()
    alignment = placed(plan, warped(plan, faster=1.03), jitter_ms=3.0)
    heard = tempo_heard(plan, alignment)
    for bar in range(4, plan.bars.size - 4, 5):
        start_s, stop_s = plan.bars["start_s"][bar], plan.bars["stop_s"][bar]
        melody = alignment.notes
        away = (plan.notes["onset_s"] - 0.5 * (start_s + stop_s)) / (0.75 * (stop_s - start_s))
        slope, _ = np.polyfit(plan.notes["onset_s"], melody["start_s"], 1, w=np.exp(-0.25 * away**2))
        assert heard.bars["bpm"][bar] == pytest.approx(plan.bars["tempo_bpm"][bar] / slope, rel=0.01)


def test_one_late_note_moves_no_bar_by_much() -> None:
    alignment = placed(march(), march())
    late = np.flatnonzero(alignment.steps["grace"] < 0)[60]
    alignment.steps["start_s"][late] += 0.08
    assert off(tempo_heard(march(), alignment), march().bars["tempo_bpm"]).max() < 0.01


def test_stated_uncertainty_grows_with_the_jitter_and_holds_the_truth() -> None:
    plan, as_played = march(), warped(march(), wander=0.01)
    little, much = (tempo_heard(plan, placed(plan, as_played, jitter_ms=ms)).bars for ms in (3.0, 12.0))
    assert np.median(much["uncertainty_bpm"]) > 2.0 * np.median(little["uncertainty_bpm"])
    held = np.abs(much["bpm"] - true_bpm(plan, as_played)) < much["uncertainty_bpm"]
    assert held.mean() > 0.75


def test_beats_fall_where_they_were_played() -> None:
    as_played = warped(march(), wander=0.015)
    beats = tempo_heard(march(), placed(march(), as_played)).beats
    assert beats["heard"].all()
    assert (march().beats["tune"][beats["beat"]] >= 0).all()
    assert beats["time_s"] == pytest.approx(as_played.beats["time_s"][beats["beat"]] + 3.0, abs=0.006)


def test_bars_left_out_are_not_heard() -> None:
    plan = march()
    alignment = placed(plan, plan)
    lost = np.isin(plan.notes["bar"], range(10, 14))
    alignment.steps["heard"][lost[alignment.steps["note"]]] = False
    first, last = np.flatnonzero(lost)[[0, -1]]
    ends = [(0, first - 1, 0.0, 1.0), (last + 1, plan.notes.size - 1, 1.0, 2.0)]
    heard = tempo_heard(plan, Alignment(alignment.steps, np.array(ends, dtype=PASSAGE_DTYPE), 1.0))
    assert np.flatnonzero(~heard.bars["heard"]).tolist() == [10, 11, 12, 13]
    assert np.isnan(heard.bars["bpm"][10:14]).all()
    assert not heard.beats["heard"][np.isin(plan.beats["bar"][heard.beats["beat"]], range(10, 14))].any()


def test_with_three_notes_nothing_is_said() -> None:
    plan = plan_of("airs", 1, 1)
    alignment = placed(plan, plan)
    passages = np.array([(1, 3, 0.0, 1.0)], dtype=PASSAGE_DTYPE)
    assert not tempo_heard(plan, Alignment(alignment.steps, passages, 1.0)).bars["heard"].any()
