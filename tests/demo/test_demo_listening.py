"""The demo's rehearsal: every fault put in is found, and a playing without faults has none to tell."""

from __future__ import annotations

from functools import partial
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from graith.cli.demo_listening import N_PLAYERS, Planted, demo_band, listen_in_demo, recorded
from graith.files.audio import write_audio
from graith.files.read_files import load_planned_set
from graith.files.read_sound import working_blocks
from graith.services.listen_to_recording import Listening, listen_to_set
from graith.services.take_recording import taken
from graith.sets.model import PlannedSet
from graith.sound.faults import (
    tuning_up,
    with_drones_left,
    with_early_player,
    with_loose_bars,
    with_note_off,
    with_straggler,
    with_surge,
    without_bars,
)
from graith.sound.perform import performance
from graith.timeline.make_timeline import timeline_of


def demo_set(name: str) -> PlannedSet:
    return load_planned_set(Path(str(files("graith") / "demo" / "sets" / f"{name}.toml")))[1]


PLANNED = demo_set("march-strathspey-reel")
TIMELINE = timeline_of(PLANNED)
PLAYED = performance(TIMELINE, demo_band())


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, tuple[tuple[Planted, bool], ...], list[str]]:
    out = tmp_path_factory.mktemp("listening")
    said: list[str] = []
    return out, listen_in_demo(PLANNED, out, said.append), said


def test_every_fault_put_in_is_found(told: tuple[Path, tuple[tuple[Planted, bool], ...], list[str]]) -> None:
    assert [fault.says for fault, is_found in told[1] if not is_found] == []
    assert len(told[1]) == 7


def test_nothing_else_is_found(told: tuple[Path, tuple[tuple[Planted, bool], ...], list[str]]) -> None:
    assert "What else was found:" not in told[2]


def test_the_recording_the_answer_and_the_pages_are_written(
    told: tuple[Path, tuple[tuple[Planted, bool], ...], list[str]],
) -> None:
    assert sorted(one.name for one in told[0].iterdir()) == ["rehearsal.json", "rehearsal.m4a", "rehearsal.pdf"]


def heard(planned: PlannedSet, path: Path) -> Listening:
    """Listen to a set as the demo band plays it, without a fault, recorded in the same way."""
    write_audio(path, recorded(performance(timeline_of(planned), demo_band())), 44_100)
    return listen_to_set(taken(partial(working_blocks, path)), planned, n_players=N_PLAYERS)


def test_a_playing_without_faults_gives_nothing_to_say(tmp_path: Path) -> None:
    listening = heard(demo_set("quick-march-medley"), tmp_path / "clean.m4a")
    assert listening.heard.trusted
    assert [one.says for one in listening.heard.findings] == []


def rows(performed: object, player: int = 0) -> np.ndarray:
    return performed.players[player].played


def test_a_note_off_moves_that_note_alone_by_just_that_mean_and_spread() -> None:
    off = with_note_off(PLAYED, 0, 16.0, 11.0, seed=3)
    cents = [1200 * np.log2(rows(off, n)["hz"] / rows(PLAYED, n)["hz"]) for n in range(N_PLAYERS)]
    low_g = [float(one[rows(PLAYED, n)["chanter_note"] == 0][0]) for n, one in enumerate(cents)]
    assert np.mean(low_g) == pytest.approx(16.0)
    assert np.std(low_g, ddof=1) == pytest.approx(11.0)
    assert not np.any(cents[0][rows(PLAYED)["chanter_note"] != 0])


def test_a_surge_moves_what_follows_by_the_time_gained() -> None:
    surging = with_surge(PLAYED, TIMELINE, 12, 15, 0.08)
    early_s = rows(PLAYED)["onset_s"] - rows(surging)["onset_s"]
    length_s = TIMELINE.bars["stop_s"][15] - TIMELINE.bars["start_s"][12]
    assert np.all(early_s[rows(PLAYED)["onset_s"] < TIMELINE.bars["start_s"][12]] == 0)
    gained_s = early_s[rows(PLAYED)["onset_s"] > TIMELINE.bars["stop_s"][15]]
    assert np.ptp(gained_s) < 1e-9
    assert 0.04 * length_s < gained_s[0] < 0.08 * length_s


def test_bars_left_out_are_gone_and_what_follows_joins_on() -> None:
    shorter = without_bars(PLAYED, TIMELINE, 20, 21)
    for player in range(N_PLAYERS):
        left = rows(shorter, player)
        assert not np.isin(TIMELINE.notes["bar"][left["note"]], [20, 21]).any()
        assert np.all(np.diff(left["onset_s"]) > 0)
        assert np.allclose(left["stop_s"][:-1], left["onset_s"][1:], atol=1e-6)


def test_loose_bars_move_no_note_outside_them() -> None:
    loose = with_loose_bars(PLAYED, TIMELINE, 30, 31, 60.0, seed=1)
    moved = rows(loose)["onset_s"] != rows(PLAYED)["onset_s"]
    assert moved.any()
    assert set(TIMELINE.notes["bar"][rows(PLAYED)["note"][moved]].tolist()) <= {30, 31}
    assert np.all(np.diff(rows(loose)["onset_s"]) > 0)


def test_one_player_early_or_late_leaves_the_others_alone() -> None:
    changed = with_straggler(with_early_player(PLAYED, 1, 0.3), 2, 0.4)
    assert rows(PLAYED, 1)["onset_s"][0] - rows(changed, 1)["onset_s"][0] == pytest.approx(0.3)
    assert rows(changed, 2)["stop_s"][-1] - rows(PLAYED, 2)["stop_s"][-1] == pytest.approx(0.4)
    assert rows(changed, 0) is rows(PLAYED, 0)


def test_drones_left_sounding_are_one_players() -> None:
    drones = with_drones_left(PLAYED, 4, 3.0).drones
    later_s = drones["out_s"] - PLAYED.drones["out_s"]
    assert np.allclose(later_s[drones["player"] == 4], 3.0)
    assert not later_s[drones["player"] != 4].any()


def test_players_tuning_stay_within_the_time_given() -> None:
    tuning = tuning_up(PLAYED, 8.0, seed=2)
    assert len(tuning.players) == 2
    assert max(rows(tuning, n)["stop_s"].max() for n in range(2)) <= 8.0
