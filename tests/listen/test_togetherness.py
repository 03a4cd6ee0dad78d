"""Togetherness is held against recordings of our own sound whose bars were planted loose, player by player."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from graith.listen.model import PASSAGE_DTYPE, STEP_DTYPE, WORKING_RATE_HZ, Alignment
from graith.listen.togetherness import togetherness_heard
from graith.music.read_abc import read_tune
from graith.music.tune_types import tune_type_named
from graith.sets.model import Opening, PlannedSet, PlannedTune
from graith.sound.model import Band, Drums, Performance, Players, Room
from graith.sound.perform import performance
from graith.sound.render import sound_blocks
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import StructuredArray, Timeline

Floats = npt.NDArray[np.float64]

MARCH = """X:1
T:Twice eight bars of march
M:2/4
L:1/8
R:march
K:HP
|: {g}A2 {d}A>B | {gcd}c2 {e}A>c | {gef}e2 A>c | {gde}d2 {gBd}B2 |
{g}A2 {d}A>B | {gcd}c2 {e}A>c | {gef}e>c {gBd}B>c | {g}A2 {GAG}A2 :|
"""
LOOSE = np.array([2, 3, 6, 9, 12, 13])


def _timeline() -> Timeline:
    tune = PlannedTune(read_tune(MARCH, "test.abc"), tune_type_named("2/4 march"), 76, 76)
    return timeline_of(PlannedSet("a set", (tune,), (), opening=Opening(roll_beats=0)))


def _played(timeline: Timeline, n_players: int, tight_ms: float, loose_ms: float) -> Performance:
    """Return a performance in which the players are further apart in some bars."""
    band = Band(Players(n_players, 0.0, 4.0, 1.5, 1.0, seed=5), drums=Drums(level_db=-4.0), room=Room(decay_s=0.6))
    given = performance(timeline, band)
    draws = np.random.default_rng(11)
    parts = []
    for part in given.players:
        rows = part.played.copy()
        apart_ms = np.where(np.isin(timeline.notes["bar"], LOOSE), loose_ms, tight_ms)
        late_s = draws.normal(size=timeline.notes.size) * apart_ms / 1000.0
        onset_s = rows["onset_s"] + np.clip(late_s, -0.07, 0.07)[rows["note"]]
        onset_s = np.maximum.accumulate(np.maximum(onset_s, 0.0) + 1e-4 * np.arange(rows.size))
        rows["onset_s"], rows["stop_s"][:-1] = onset_s, onset_s[1:]
        parts.append(replace(part, played=rows))
    return replace(given, players=tuple(parts))


def _sound(played: Performance) -> npt.NDArray[np.float32]:
    clean = np.concatenate(list(sound_blocks(played, rate_hz=WORKING_RATE_HZ)))
    noise = np.random.default_rng(3).normal(size=clean.size) * np.sqrt(np.mean(clean**2)) * 10 ** (-25 / 20)
    return (clean + noise).astype(np.float32)


def _alignment(played: Performance, error_ms: float = 6.0) -> Alignment:
    rows = played.players[0].played
    steps = np.zeros(rows.size, dtype=STEP_DTYPE)
    onset_s = np.mean([part.played["onset_s"] for part in played.players], axis=0)
    wrong_s = np.random.default_rng(7).normal(size=rows.size) * error_ms / 1000.0
    steps["start_s"] = np.maximum.accumulate(np.maximum(onset_s + wrong_s, 0.0))
    steps["stop_s"] = np.append(steps["start_s"][1:], rows["stop_s"][-1])
    for name in ("note", "grace", "chanter_note"):
        steps[name] = rows[name]
    steps["expected_s"], steps["heard"] = rows["stop_s"] - rows["onset_s"], True
    return Alignment(steps, np.zeros(0, dtype=PASSAGE_DTYPE), 0.95)


def _true_spreads_ms(played: Performance, timeline: Timeline) -> Floats:
    rows = played.players[0].played
    first = np.flatnonzero(np.diff(rows["note"], prepend=-1))
    variance = np.var([part.played["onset_s"][first] for part in played.players], axis=0)
    bars = timeline.notes["bar"][rows["note"][first]]
    return np.array([1000.0 * np.sqrt(variance[bars == bar].mean()) for bar in range(timeline.bars.size)])


def _heard(played: Performance, timeline: Timeline, alignment: Alignment | None = None) -> StructuredArray:
    note_hz = played.band.scale.note_hz(played.band.low_a_hz)
    return togetherness_heard(_sound(played), timeline, alignment or _alignment(played), note_hz=note_hz)


def _rank_correlation(one: Floats, other: Floats) -> float:
    ranks = [np.argsort(np.argsort(values)) for values in (one, other)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


@pytest.fixture(scope="module")
def timeline() -> Timeline:
    return _timeline()


@pytest.fixture(scope="module")
def loose(timeline: Timeline) -> Performance:
    return _played(timeline, 6, 7.0, 30.0)


@pytest.fixture(scope="module")
def heard(loose: Performance, timeline: Timeline) -> StructuredArray:
    return _heard(loose, timeline)


def test_bars_are_ranked_as_the_players_were_apart(
    heard: StructuredArray, loose: Performance, timeline: Timeline
) -> None:
    assert heard["heard"].all()
    assert _rank_correlation(heard["spread_ms"], _true_spreads_ms(loose, timeline)) >= 0.6


def test_the_loosest_bars_heard_are_the_planted_ones(heard: StructuredArray) -> None:
    worst = np.argsort(heard["spread_ms"])[-4:]
    assert set(worst.tolist()) <= set(LOOSE.tolist())


def test_the_spread_is_right_within_its_uncertainty_in_most_bars(
    heard: StructuredArray, loose: Performance, timeline: Timeline
) -> None:
    wrong_ms = np.abs(heard["spread_ms"] - _true_spreads_ms(loose, timeline))
    assert np.mean(wrong_ms <= heard["uncertainty_ms"]) >= 0.75


def test_there_is_one_row_a_bar_with_its_changes_counted(heard: StructuredArray, timeline: Timeline) -> None:
    assert heard["bar"].tolist() == list(range(timeline.bars.size))
    assert heard["n_changes"].min() >= 3


def test_one_player_alone_has_no_togetherness(timeline: Timeline) -> None:
    assert not _heard(_played(timeline, 1, 8.0, 8.0), timeline)["heard"].any()


def test_a_bar_that_was_not_heard_gets_no_figure(loose: Performance, timeline: Timeline) -> None:
    alignment = _alignment(loose)
    left_out = timeline.notes["bar"][alignment.steps["note"]] == 4
    alignment.steps["heard"][left_out] = False
    heard = _heard(loose, timeline, alignment)
    assert heard["heard"].tolist() == [bar != 4 for bar in range(timeline.bars.size)]
    assert heard["spread_ms"][4] == 0.0


def test_silence_has_no_togetherness(loose: Performance, timeline: Timeline) -> None:
    note_hz = loose.band.scale.note_hz(loose.band.low_a_hz)
    silence = np.zeros(WORKING_RATE_HZ * 40, dtype=np.float32)
    heard = togetherness_heard(silence, timeline, _alignment(loose), note_hz=note_hz)
    assert not heard["heard"].any()
    assert np.isfinite(heard["spread_ms"]).all()
