"""The search for the set: exactly the best path, by enumeration; jumps, pauses and other sound as they were made."""

from __future__ import annotations

from itertools import product
from math import inf

import numpy as np
import numpy.typing as npt
import pytest

from graith.errors import ListenError
from graith.listen._loops import follow, trace
from graith.listen.find_set import FRAMES_TOGETHER, STEP_S, bar_edges, path_of, pooled, step_chances
from graith.listen.model import HOP_S, Floats, Singles
from graith.timeline.model import Timeline
from played_recordings import jig, march

BEFORE, AFTER = -1, -2


def eighths(draws: np.random.Generator, low: float, high: float, *shape: int) -> Singles:
    """Numbers whose sums single precision holds exactly."""
    return (draws.integers(int(8 * low), int(8 * high), shape) / 8.0).astype(np.float32)


class Small:
    """A search small enough to try every path."""

    def __init__(self, seed: int, n_notes: int, n_frames: int) -> None:
        draws = np.random.default_rng(seed)
        self.scores = eighths(draws, -4, 0, n_frames, 10)
        self.classes = draws.integers(0, 4, n_notes).astype(np.int8)
        self.stay, self.leave = eighths(draws, -1, 0, n_notes), eighths(draws, -2, 0, n_notes)
        self.begins, self.ends = draws.random(n_notes) < 0.6, draws.random(n_notes) < 0.6
        self.begins[0] = self.ends[-1] = True
        self.enter, self.quits = eighths(draws, 0, 3, n_notes), eighths(draws, 0, 2, n_notes)
        self.jump, self.other = float(draws.integers(1, 4)), -1.0

    def found(self) -> tuple[float, npt.NDArray[np.int32]]:
        n_frames, n = self.scores.shape[0], self.classes.size
        moves = np.empty((n_frames, (n + 3) // 4), dtype=np.uint8)
        gates = np.empty((n_frames, 2), dtype=np.float32)
        jumped, left = np.empty(n_frames, dtype=np.int32), np.empty(n_frames, dtype=np.int32)
        total, top, _ = follow(
            self.scores, self.classes, self.stay, self.leave, self.begins, self.ends, self.enter, self.quits,
            np.float32(self.jump), np.float32(self.other), moves, jumped, left, gates,
        )  # fmt: skip
        path = np.empty(n_frames, dtype=np.int32)
        trace(moves, jumped, left, gates, self.enter, top, path)
        return float(total), path

    def step(self, old: int, new: int) -> float:
        """What the best way from one frame's state to the next frame's is worth, its own sound not counted."""
        if new == BEFORE:
            return 0.0 if old == BEFORE else -inf
        if new == AFTER:
            if old == BEFORE:
                return -inf
            return 0.0 if old == AFTER else float(self.leave[old] - self.quits[old])
        if old < 0:
            return -float(self.enter[new]) if self.begins[new] else -inf
        ways = [-inf]
        if new == old:
            ways.append(float(self.stay[old]))
        if new == old + 1:
            ways.append(float(self.leave[old]))
        if new == old + 2:
            ways.append(float(self.leave[old]) - 4.0)
        if self.ends[old] and self.begins[new]:
            ways.append(float(self.leave[old]) - self.jump)
        return max(ways)

    def worth(self, path: tuple[int, ...]) -> float:
        total = 0.0
        for t, (old, new) in enumerate(zip((BEFORE, *path), path, strict=False)):
            total += self.step(old, new)
            total += self.other if new < 0 else float(self.scores[t, self.classes[new]])
        return total - (float(self.quits[path[-1]]) if path[-1] >= 0 else 0.0)

    def best(self) -> float:
        states = (BEFORE, AFTER, *range(self.classes.size))
        paths = product(states, repeat=self.scores.shape[0])
        return max(self.worth(path) for path in paths if any(state >= 0 for state in path))


@pytest.mark.parametrize("seed", range(6))
def test_the_search_finds_the_best_of_all_paths(seed: int) -> None:
    small = Small(seed, n_notes=3, n_frames=6)
    total, path = small.found()
    assert total == small.best()
    inside = np.flatnonzero(path >= 0)
    told = tuple(int(one) if one >= 0 else (BEFORE if t < inside[0] else AFTER) for t, one in enumerate(path))
    assert small.worth(told) == total


def scores_of(pieces: list[tuple[int, float]]) -> Singles:
    """Scores of a sound that is so clear that only one note fits; class -1 is nothing that fits."""
    edges = np.rint(np.cumsum([0.0, *(seconds for _, seconds in pieces)]) / HOP_S).astype(int)
    scores = np.full((edges[-1], 10), -2.5, dtype=np.float32)
    for (note, _), begin, end in zip(pieces, edges, edges[1:], strict=False):
        if note >= 0:
            scores[begin:end, note] = -0.1
    return scores


def notes_between(plan: Timeline, first: int, stop: int, faster: float = 1.0) -> list[tuple[int, float]]:
    some = plan.notes[first:stop]
    return [(int(one["chanter_note"]), float(one["stop_s"] - one["start_s"]) / faster) for one in some]


def begins_s(notes: npt.NDArray[np.int32], note: int) -> float:
    return float(np.flatnonzero(notes == note)[0]) * STEP_S


@pytest.mark.parametrize("faster", [0.7, 0.8, 1.0, 1.2, 1.4])
def test_the_whole_set_is_found_at_any_tempo(faster: float) -> None:
    plan = march()
    path = path_of(scores_of([(-1, 3.0), *notes_between(plan, 0, plan.notes.size, faster), (-1, 4.0)]), plan)
    changes = np.flatnonzero(np.diff(plan.notes["chanter_note"])) + 1
    start_s = plan.notes["start_s"]
    wanted: Floats = 3.0 + (start_s - start_s[0]) / faster
    assert max(abs(begins_s(path.notes, note) - wanted[note]) for note in changes) < 0.05
    assert path.gain > 1.0


def test_other_sound_before_and_after_is_no_note() -> None:
    plan = jig()
    music_s = plan.cut_off_s - float(plan.notes["start_s"][0])
    path = path_of(scores_of([(-1, 6.0), *notes_between(plan, 0, plan.notes.size), (-1, 5.0)]), plan)
    inside = np.flatnonzero(path.notes >= 0) * STEP_S
    assert inside[0] == pytest.approx(6.0, abs=0.03)
    assert inside[-1] == pytest.approx(6.0 + music_s, abs=0.03)


@pytest.mark.parametrize("bar", [3, 6, 9, 12])
def test_one_bar_left_out_is_jumped_over_and_not_run_through(bar: int) -> None:
    plan = jig()
    first, stop = np.flatnonzero(plan.notes["bar"] == bar)[[0, -1]] + [0, 1]
    played = notes_between(plan, 0, first) + notes_between(plan, stop, plan.notes.size)
    path = path_of(scores_of([(-1, 2.0), *played, (-1, 2.0)]), plan)
    lost = plan.notes["bar"][path.notes[path.notes >= 0]] == bar
    assert lost.sum() * STEP_S < 0.1


def test_a_set_begun_again_has_no_note_in_the_talk_between() -> None:
    plan = jig()
    stop = int(np.flatnonzero(plan.notes["bar"] == 5)[0])
    false_s = sum(seconds for _, seconds in notes_between(plan, 0, stop))
    whole = notes_between(plan, 0, plan.notes.size)
    path = path_of(scores_of([(-1, 2.0), *notes_between(plan, 0, stop), (-1, 5.0), *whole, (-1, 2.0)]), plan)
    first = round((2.0 + false_s) / STEP_S)
    between = path.notes[first + 3 : first + round(5.0 / STEP_S) - 3]
    assert (between == -1).all()
    assert path.notes[first - 20] >= 0
    assert path.notes[first + round(5.0 / STEP_S) + 20] == 0


def test_a_note_held_for_tuning_before_the_set_is_not_taken_for_music() -> None:
    plan = march()
    whole = notes_between(plan, 0, plan.notes.size)
    path = path_of(scores_of([(1, 5.0), (-1, 1.0), (5, 4.0), (-1, 2.0), *whole, (-1, 2.0)]), plan)
    assert np.flatnonzero(path.notes >= 0)[0] * STEP_S == pytest.approx(12.0, abs=0.05)


def test_the_mean_of_four_frames_is_no_worse_than_a_wrong_note() -> None:
    scores = np.full((10, 10), -9.0, dtype=np.float32)
    scores[:4, 2] = (0.0, -1.0, -2.0, -9.0)
    together = pooled(scores)
    assert together.shape == (10 // FRAMES_TOGETHER, 10)
    assert together[0, 2] == pytest.approx((0.0 - 1.0 - 2.0 - 2.5) / 4)
    assert together[1, 2] == -2.5


def test_chances_add_to_one_and_stay_as_long_as_the_note() -> None:
    stay, leave = step_chances(march().notes, STEP_S)
    assert np.exp(stay) + np.exp(leave) == pytest.approx(1.0)
    lasts_s = march().notes["stop_s"] - march().notes["start_s"]
    assert (STEP_S / np.exp(leave))[lasts_s > 0.1] == pytest.approx(lasts_s[lasts_s > 0.1], rel=1e-5)


def test_bars_begin_and_end_once_each() -> None:
    plan = jig()
    begins, ends = bar_edges(plan.notes)
    assert begins.sum() == ends.sum() == np.unique(plan.notes["bar"]).size
    assert (plan.notes["bar"][ends][:-1] < plan.notes["bar"][begins][1:]).all()


def test_a_set_without_notes_is_refused() -> None:
    plan = march()
    empty = Timeline(
        "none", plan.beats, plan.bars, plan.notes[:0], plan.graces[:0], (), 0.0, 0.0, 0.0, 1.0, plan.total_beats
    )
    with pytest.raises(ListenError, match="no notes to listen for"):
        path_of(np.zeros((100, 10), dtype=np.float32), empty)


def test_too_long_a_recording_is_refused_with_its_length() -> None:
    with pytest.raises(ListenError, match=r"208 minutes of sound are too long for a set of 129 notes"):
        path_of(np.broadcast_to(np.float32(-1.0), (2_500_000, 10)), march())
