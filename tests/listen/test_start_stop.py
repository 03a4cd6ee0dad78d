"""The start and the stop are held against recordings of our own sound, in which every player's are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from graith.listen.model import PASSAGE_DTYPE, STEP_DTYPE, WORKING_RATE_HZ, Alignment, Drones, StartStop
from graith.listen.start_stop import start_stop_heard
from graith.music.read_abc import read_tune
from graith.music.tune_types import tune_type_named
from graith.sets.model import Opening, PlannedSet, PlannedTune
from graith.sound.model import Band, Drums, Performance, Players, Room
from graith.sound.perform import performance
from graith.sound.render import sound_blocks
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline

Singles = npt.NDArray[np.float32]

MARCH = """X:1
T:Eight bars of march
M:2/4
L:1/8
R:march
K:HP
{g}A2 {d}A>B | {gcd}c2 {e}A>c | {gef}e2 A>c | {gde}d2 {gBd}B2 |
{g}A2 {d}A>B | {gcd}c2 {e}A>c | {gef}e>c {gBd}B>c | {g}A2 {gde}d2 |]
"""
BEFORE_S = 1.5
EARLY, LATE = 0, 1


@pytest.fixture(scope="module")
def timeline() -> Timeline:
    """Two rolls, drones, a strike-in note, eight bars."""
    tune = PlannedTune(read_tune(MARCH, "test.abc"), tune_type_named("2/4 march"), 80, 80)
    return timeline_of(PlannedSet("a set", (tune,), (), opening=Opening(roll_beats=8)))


def _played(timeline: Timeline, *, early_s: float = 0.0, late_s: float = 0.0) -> Performance:
    """Return six players 12 ms apart; the first may be early by so much, the second late."""
    band = Band(Players(6, 12.0, 4.0, 1.0, 1.0, seed=3), drums=Drums(bass_drum=True, level_db=-4.0), room=Room(0.7))
    given = performance(timeline, band)
    parts = [replace(part, played=part.played.copy()) for part in given.players]
    if early_s:
        rest_s = np.mean([part.played["onset_s"][0] for part in parts[1:]])
        parts[EARLY].played["onset_s"][0] = rest_s - early_s
    if late_s:
        rest_s = np.mean([part.played["stop_s"][-1] for index, part in enumerate(parts) if index != LATE])
        parts[LATE].played["stop_s"][-1] = rest_s + late_s
    return replace(given, players=tuple(parts), stop_s=max(float(part.played["stop_s"][-1]) for part in parts))


def _sound(played: Performance) -> Singles:
    clean = np.concatenate(list(sound_blocks(played, rate_hz=WORKING_RATE_HZ)))
    clean = np.pad(clean, round(BEFORE_S * WORKING_RATE_HZ))
    noise = np.random.default_rng(3).normal(size=clean.size) * np.sqrt(np.mean(clean**2)) * 10 ** (-25 / 20)
    samples: Singles = (clean + noise).astype(np.float32)
    return samples


def _edges_s(played: Performance, *, early: bool = False, late: bool = False) -> tuple[float, float]:
    starts_s = [part.played["onset_s"][0] for part in played.players]
    stops_s = [part.played["stop_s"][-1] for part in played.players]
    if early:
        del starts_s[EARLY]
    if late:
        del stops_s[LATE]
    return BEFORE_S + float(np.mean(starts_s)), BEFORE_S + float(np.mean(stops_s))


def _alignment(played: Performance) -> Alignment:
    """Return the true alignment with errors of 6 ms, and of 40 ms at the two ends."""
    rows = played.players[2].played
    steps = np.zeros(rows.size, dtype=STEP_DTYPE)
    onset_s = np.median([part.played["onset_s"] for part in played.players], axis=0)
    wrong_s = np.random.default_rng(7).normal(size=rows.size) * 0.006
    wrong_s[0] = -0.04
    steps["start_s"] = np.maximum.accumulate(onset_s + wrong_s) + BEFORE_S
    steps["stop_s"] = np.append(steps["start_s"][1:], rows["stop_s"][-1] + BEFORE_S + 0.04)
    for name in ("note", "grace", "chanter_note"):
        steps[name] = rows[name]
    steps["expected_s"], steps["heard"] = rows["stop_s"] - rows["onset_s"], True
    return Alignment(steps, np.zeros(0, dtype=PASSAGE_DTYPE), 0.95)


def _drones(timeline: Timeline, out_s: float | None = None) -> Drones:
    none = np.zeros(0)
    in_s = timeline.drones_in_s + BEFORE_S
    return Drones((), 240.0, 120.0, 1.0, 1.0, None, None, none, none, in_s, out_s, 0.1, 0.1)


def _heard(played: Performance, timeline: Timeline, samples: Singles | None = None, moved_s: float = 0.0) -> StartStop:
    alignment = _alignment(played)
    alignment.steps["start_s"] += moved_s
    alignment.steps["stop_s"] += moved_s
    _, stop_s = _edges_s(played)
    return start_stop_heard(
        _sound(played) if samples is None else samples,
        timeline,
        alignment,
        _drones(timeline, stop_s + 0.4),
        low_a_hz=480.0,
        note_hz=played.band.scale.note_hz(480.0),
    )


def test_start_and_stop_are_within_30_ms_and_nobody_is_invented(timeline: Timeline) -> None:
    played = _played(timeline)
    heard = _heard(played, timeline)
    start_s, stop_s = _edges_s(played)
    assert heard.start is not None
    assert heard.stop is not None
    assert abs(heard.start.time_s - start_s) < 0.030
    assert abs(heard.stop.time_s - stop_s) < 0.030
    assert heard.lone == ()


def test_partials_that_beat_away_before_the_stop_do_not_make_it_early(timeline: Timeline) -> None:
    played = _played(timeline)
    _, stop_s = _edges_s(played)
    samples = _sound(played)
    time_s = np.arange(samples.size) / WORKING_RATE_HZ
    dip = 1.0 - 0.75 * np.clip(1.0 - np.abs(time_s - (stop_s - 0.08)) / 0.06, 0.0, 1.0)
    heard = _heard(played, timeline, (samples * dip).astype(np.float32))
    assert heard.stop is not None
    assert abs(heard.stop.time_s - stop_s) < 0.030


@pytest.mark.parametrize("held_s", [-0.25, 0.4])
def test_a_last_note_held_otherwise_than_written_ends_where_it_is_heard(timeline: Timeline, held_s: float) -> None:
    played = _played(timeline)
    alignment = _alignment(played)
    alignment.steps["expected_s"][-1] -= held_s
    note_hz = played.band.scale.note_hz(480.0)
    heard = start_stop_heard(_sound(played), timeline, alignment, _drones(timeline), low_a_hz=480.0, note_hz=note_hz)
    assert heard.stop is not None
    assert abs(heard.stop.time_s - _edges_s(played)[1]) < 0.030


def test_no_spread_is_given_because_one_entry_does_not_tell_it(timeline: Timeline) -> None:
    heard = _heard(_played(timeline), timeline)
    assert heard.start is not None
    assert heard.stop is not None
    assert heard.start.spread_ms is None
    assert heard.stop.spread_ms is None


@pytest.mark.parametrize("early_s", [0.2, 0.4])
def test_an_early_chanter_is_found_and_left_out_of_the_start(timeline: Timeline, early_s: float) -> None:
    played = _played(timeline, early_s=early_s)
    heard = _heard(played, timeline)
    assert [lone.is_early for lone in heard.lone] == [True]
    assert abs(heard.lone[0].by_ms - 1000.0 * early_s) < 50.0
    assert heard.start is not None
    assert abs(heard.start.time_s - _edges_s(played, early=True)[0]) < 0.040


@pytest.mark.parametrize("late_s", [0.25, 0.5])
def test_a_straggler_is_found_and_left_out_of_the_stop(timeline: Timeline, late_s: float) -> None:
    played = _played(timeline, late_s=late_s)
    heard = _heard(played, timeline)
    assert [lone.is_early for lone in heard.lone] == [False]
    assert abs(heard.lone[0].by_ms - 1000.0 * late_s) < 60.0
    assert heard.stop is not None
    assert abs(heard.stop.time_s - _edges_s(played, late=True)[1]) < 0.050


def test_a_recording_begun_after_the_start_has_no_start(timeline: Timeline) -> None:
    played = _played(timeline)
    begun_s = _edges_s(played)[0] + 0.02
    later = _sound(played)[round(begun_s * WORKING_RATE_HZ) :]
    assert _heard(played, timeline, later, moved_s=-begun_s).start is None


def test_a_recording_ended_before_the_stop_has_no_stop_nor_drones_after_it(timeline: Timeline) -> None:
    played = _played(timeline)
    ended_s = _edges_s(played)[1] - 0.05
    heard = _heard(played, timeline, _sound(played)[: round(ended_s * WORKING_RATE_HZ)])
    assert heard.stop is None
    assert heard.drones_after_s is None


def test_steps_not_heard_have_no_edges(timeline: Timeline) -> None:
    played = _played(timeline)
    alignment = _alignment(played)
    alignment.steps["heard"] = False
    note_hz = played.band.scale.note_hz(480.0)
    heard = start_stop_heard(_sound(played), timeline, alignment, _drones(timeline), low_a_hz=480.0, note_hz=note_hz)
    assert heard == StartStop(None, None)


def test_drones_are_said_to_go_on_after_the_chanters(timeline: Timeline) -> None:
    heard = _heard(_played(timeline), timeline)
    assert heard.drones_after_s is not None
    assert abs(heard.drones_after_s - 0.4) < 0.05
