"""The scoring of listening: a perfect result has no error, and a planted error comes out as planted."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench.listen.cases import GROUPS, Case, cases_of
from bench.listen.played import bar_order, edited, given, plan_of
from bench.listen.render import _truth
from bench.listen.score import Score, f1, score
from bench.listen.table import BEGIN, END, case_table, measures_table, write_page
from bench.listen.truth import Truth

from graith.music.model import ChanterNote

CASE = Case(
    name="test",
    music="marches:4",
    players=6,
    onset_spread_ms=12.0,
    pitch_spread_cents=5.0,
    early_ms=200.0,
    straggler_ms=300.0,
    skipped=((6, 6),),
    repeated=((10, 11),),
    seed=3,
)


def truth_of(case: Case) -> Truth:
    """Return a case's truth, 5 s into a recording that is not rendered."""
    plan = plan_of(case)
    return _truth(case, plan, given(case, edited(case, plan)), 5.0, 90.0)


@pytest.fixture(scope="module")
def truth() -> Truth:
    return truth_of(CASE)


def perfect(truth: Truth) -> dict[str, Any]:
    """Return the result of a listener who knows the truth."""
    label = {int(note): note.label for note in ChanterNote}
    mean_hz = np.exp(np.log(truth.note_hz) @ truth.player_power)
    spread = np.std(1200 * np.log2(truth.note_hz), axis=1, ddof=1)
    heard = [note for note in range(9) if np.isfinite(mean_hz[note])]
    lone = [{"is_early": True, "time_s": float(at)} for at in truth.early_s]
    lone += [{"is_early": False, "time_s": float(at)} for at in truth.straggler_s]
    bars = np.flatnonzero(truth.bar_played)
    return {
        "trusted": True,
        "reason": None,
        "low_a_hz": float(mean_hz[int(ChanterNote.LOW_A)]),
        "drones": {"tenor_hz": truth.tenor_hz.tolist(), "bass_hz": float(np.exp(np.log(truth.bass_hz).mean()))},
        "scale_hz": {label[note]: float(mean_hz[note]) for note in heard},
        "scale_uncertainty_cents": {label[note]: 0.5 for note in heard},
        "scale_spread_cents": {label[note]: float(spread[note]) for note in heard},
        "start_s": truth.start_s,
        "start_spread_ms": truth.start_spread_ms,
        "stop_s": truth.stop_s,
        "stop_spread_ms": truth.stop_spread_ms,
        "lone": lone,
        "tempo": [{"played_bar": int(bar), "bpm": float(truth.bar_bpm[bar])} for bar in bars],
        "togetherness": [{"played_bar": int(bar), "spread_ms": float(truth.bar_spread_ms[bar])} for bar in bars],
        "notes": [
            {"played": bool(played), "onset_s": float(onset_s) if played else None, "uncertainty_ms": 5.0}
            for played, onset_s in zip(truth.played, truth.onset_s, strict=True)
        ],
    }


def scored(truth: Truth, **changes: Any) -> Score:
    """Return the score of a perfect result with something changed."""
    return score("six-test-0", {**perfect(truth), **changes}, truth)


def test_a_perfect_result_has_no_error(truth: Truth) -> None:
    one = scored(truth)
    assert np.abs(one.onset_ms).max() == 0
    assert one.onset_ms.size == one.n_notes
    assert (one.n_not_heard, one.n_not_played, one.bars_lost) == (0, 0, 0)
    assert np.abs([*one.note_cents, *one.note_against_drones_cents, one.low_a_cents, one.tenor_cents]).max() < 1e-6
    assert one.spread_ratio == pytest.approx(1.0)
    assert (one.start_ms, one.stop_ms) == (0, 0)
    assert (one.loners_found, one.loners_missed, one.loners_invented) == (2, 0, 0)
    assert np.abs(one.tempo_share).max() == 0
    assert one.togetherness == pytest.approx(1.0)


def test_late_notes_are_late_by_what_was_planted(truth: Truth) -> None:
    notes = perfect(truth)["notes"]
    for note in notes:
        note["onset_s"] = note["onset_s"] + 0.012 if note["played"] else None
    one = scored(truth, notes=notes)
    assert one.onset_ms == pytest.approx(12.0)
    assert one.alignment_mean_ms == pytest.approx(12.0)
    assert max(share <= 1.0 for share in one.held["onset"]) is False


def test_a_played_bar_that_was_not_heard_is_lost(truth: Truth) -> None:
    notes = perfect(truth)["notes"]
    for note, bar in zip(notes, truth.plan.notes["bar"], strict=True):
        if 14 <= bar <= 16:
            note["played"], note["onset_s"] = False, None
    one = scored(truth, notes=notes)
    assert one.bars_lost == 3
    assert one.n_not_heard == int(np.isin(truth.plan.notes["bar"], (14, 15, 16)).sum())


def test_sharp_notes_are_sharp_by_what_was_planted(truth: Truth) -> None:
    sharp = {name: hz * 2 ** (3 / 1200) for name, hz in perfect(truth)["scale_hz"].items()}
    one = scored(truth, scale_hz=sharp)
    assert one.note_cents == pytest.approx(3.0)
    assert one.note_against_drones_cents == pytest.approx(3.0)
    assert one.held["note pitch"] == pytest.approx([6.0] * one.note_cents.size)


def test_an_invented_straggler_and_a_missed_one_are_counted(truth: Truth) -> None:
    one = scored(truth, lone=[{"is_early": False, "time_s": truth.stop_s + 2.0}])
    assert (one.loners_found, one.loners_missed, one.loners_invented) == (0, 2, 1)


def test_a_refused_recording_scores_no_measure(truth: Truth) -> None:
    one = score("six-test-0", {"trusted": False, "reason": "Too noisy."}, truth)
    assert one.n_not_heard == one.n_notes
    assert not one.note_cents.size


def test_f1_of_two_found_one_lost_one_invented() -> None:
    assert f1(2, 1, 1) == pytest.approx(2 / 3)


def test_bars_are_left_out_and_played_again_in_order() -> None:
    case = Case(name="order", skipped=((1, 2),), repeated=((4, 5),))
    assert bar_order(case, 8) == [0, 3, 4, 5, 4, 5, 6, 7]


def test_a_bar_left_out_has_no_time(truth: Truth) -> None:
    left_out = truth.plan.notes["bar"] == 6
    assert np.isnan(truth.onset_s[left_out]).all()
    assert not truth.played[left_out].any()
    assert not truth.bar_played[6]


def test_a_bar_played_again_keeps_both_times(truth: Truth) -> None:
    again = np.isin(truth.plan.notes["bar"], (10, 11))
    assert (truth.onset_s - truth.first_onset_s)[again].min() > 1.0
    assert (truth.onset_s == truth.first_onset_s)[~again & truth.played].all()


def test_a_lone_player_is_as_far_from_the_others_as_planted(truth: Truth) -> None:
    assert truth.early_by_ms == pytest.approx([200.0], abs=45.0)
    assert truth.straggler_by_ms == pytest.approx([300.0], abs=45.0)


def test_players_are_as_far_apart_as_asked() -> None:
    truth = truth_of(Case(name="apart", music="marches:1", players=15, onset_spread_ms=20.0, seed=9))
    spread_ms = truth.player_onset_s.std(axis=0, ddof=1) * 1e3
    assert np.median(spread_ms) == pytest.approx(20.0, rel=0.15)


def test_the_tempo_is_the_plans_when_it_does_not_wander() -> None:
    truth = truth_of(Case(name="steady", music="marches:4", tempo_wander=0.0, surges=0, tempo_bpm=80.0))
    assert truth.bar_bpm == pytest.approx(80.0, rel=1e-3)


def test_loose_bars_are_looser() -> None:
    case = Case(name="loose", music="marches:1", players=6, onset_spread_ms=8.0, loose_bars=6, loose_ms=40.0)
    plan = plan_of(case)
    made = given(case, edited(case, plan))
    spread_ms = _truth(case, plan, made, 0.0, 90.0).bar_spread_ms
    loose = np.isin(np.arange(plan.bars.size), made.edited.bar_of[made.loose])
    assert np.nanmedian(spread_ms[loose]) > 2.0 * np.nanmedian(spread_ms[~loose])


@pytest.mark.parametrize("case", GROUPS["edits"], ids=lambda case: case.name)
def test_every_note_that_is_played_lies_in_its_bar(case: Case) -> None:
    plan = plan_of(case)
    made = edited(case, plan)
    inside = made.timeline.notes["bar"] >= 0
    assert (made.bar_of[made.timeline.notes["bar"][inside]] == plan.notes["bar"][made.note_of[inside]]).all()
    truth = truth_of(case)
    heard = truth.bar_played & np.isin(np.arange(plan.bars.size), plan.notes["bar"])
    assert (np.isfinite(truth.bar_spread_ms) == heard).all() or case.players == 1


def test_no_two_cases_share_a_name() -> None:
    names = [case.name for case in cases_of("all")]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("case", GROUPS["edits"], ids=lambda case: case.name)
def test_what_is_left_out_or_repeated_is_in_the_music_and_cannot_be_told_otherwise(case: Case) -> None:
    """Moving the bars left out or repeated by some bars gives other music: the truth is the only answer."""
    bars, notes = plan_of(case).bars, plan_of(case).notes
    told = [
        tuple(
            (int(note["chanter_note"]), int(note["beats_num"]), int(note["beats_den"]))
            for note in notes[notes["bar"] == bar]
        )
        for bar in range(bars.size)
    ]
    played = [told[bar] for bar in bar_order(case, bars.size)]
    for kind in ("skipped", "repeated"):
        for edit in getattr(case, kind):
            assert edit[1] < bars.size - 1
            for by in (*range(-min(edit[0], 9), 0), *range(1, min(bars.size - edit[1], 10))):
                moved = tuple((one[0] + by, one[1] + by) if one == edit else one for one in getattr(case, kind))
                other = bar_order(case.named("moved", **{kind: moved}), bars.size)
                assert [told[bar] for bar in other] != played


def test_the_table_says_what_is_met_and_what_is_missed(truth: Truth) -> None:
    late = perfect(truth)["notes"]
    for note in late:
        note["onset_s"] = note["onset_s"] + 0.030 if note["played"] else None
    table = measures_table({"six": [scored(truth)], "hard": [scored(truth, notes=late)]})
    assert "| six players: onsets, median error | 0.0 ms | ≤ 6 ms | met |" in table
    assert "| fifteen players, 15 dB: onsets, median error | 30.0 ms | ≤ 12 ms | **missed** |" in table
    assert "| lone players of 120 ms or more found (recall) | 2 of 2 | all | met |" in table


def test_a_measure_that_was_not_taken_is_not_called_met() -> None:
    table = measures_table({"solo": [Score("solo-nothing-0", False, "Too noisy.")]})
    assert "| one player: onsets, median error | not measured | ≤ 2.5 ms |  |" in table
    assert "| recordings refused | 1 of 1 | 0 | **missed** |" in table


def test_the_page_keeps_what_stands_around_the_table(truth: Truth, tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text(f"Before.\n{BEGIN}\nstale\n{END}\nAfter.\n", "utf-8")
    write_page(page, "measured", case_table({"six": [scored(truth)]}), "speed", {"six": [scored(truth)]})
    text = page.read_text("utf-8")
    assert text.startswith("Before.\n")
    assert text.endswith("\nAfter.\n")
    assert "stale" not in text
    assert (tmp_path / "img" / "listening-reliability.svg").exists()
