"""What is said, of what size, where; and that nothing is said without reason.

Limits are those of facts on hearing named in :mod:`graith.listen.audible`; the planted sizes are the truth here.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from graith.listen.about_tempo import maximal_stretches
from graith.listen.audible import displaced_ms, tempo_limit
from graith.listen.findings import FINDING_KINDS, MOST_FINDINGS, findings_of, with_findings
from graith.listen.heard import Heard
from graith.listen.model import Finding, Levels, Lone
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline
from heard_by_hand import BEGINS_S, heard_as_planned, medley, one_tune, passages, tuning

MEDLEY = timeline_of(medley())
MARCH = timeline_of(one_tune())


def found(heard: Heard, timeline: Timeline = MEDLEY) -> list[Finding]:
    return list(findings_of(heard, timeline))


def only(heard: Heard, timeline: Timeline = MEDLEY) -> Finding:
    (finding,) = findings_of(heard, timeline)
    return finding


def bars_of(timeline: Timeline, tune: int, part: int, pass_number: int, first: int, last: int) -> np.ndarray[Any, Any]:
    bars = timeline.bars
    at = (bars["tune"] == tune) & (bars["part"] == part) & (bars["pass_number"] == pass_number)
    return np.flatnonzero(at & (bars["number"] >= first) & (bars["number"] <= last))


def test_a_band_that_does_what_is_planned_gives_nothing_to_say() -> None:
    assert found(heard_as_planned(MEDLEY)) == []
    assert found(heard_as_planned(MARCH), MARCH) == []


def test_the_limits_of_tempo_are_those_of_drake_and_botte() -> None:
    assert tempo_limit(1) == pytest.approx(0.06)
    assert tempo_limit(4) == pytest.approx(0.03)
    assert tempo_limit(100) == pytest.approx(0.015)


def test_the_limits_of_a_displaced_tone_are_those_of_friberg_and_sundberg() -> None:
    assert displaced_ms(100) == displaced_ms(240) == 6.0
    assert displaced_ms(1000) == 25.0


# tuning


def test_a_sharp_and_spread_note_is_told_with_both_sizes_and_what_to_do() -> None:
    finding = only(heard_as_planned(MEDLEY, tuning=tuning({0: 14.0}, {0: 11.0})))
    assert (finding.kind, finding.size, finding.unit, finding.uncertainty) == ("tuning", 14.0, "cents", 0.5)
    assert finding.says.startswith("The band's low G is 14 cents sharp of the harmonic scale on the drones")
    assert "spread by 11 cents" in finding.says
    assert "tape" in finding.says
    assert finding.weight == pytest.approx((14.0 - 0.5) / 5.0)


def test_a_note_within_its_own_uncertainty_is_not_told() -> None:
    measured = tuning({3: 9.0})
    measured.notes["uncertainty_cents"][3] = 4.5
    assert found(heard_as_planned(MEDLEY, tuning=measured)) == []


def test_a_note_heard_shortly_needs_twice_the_cents() -> None:
    measured = tuning({7: 8.0})
    measured.notes["sounding_s"][7] = 0.6
    assert found(heard_as_planned(MEDLEY, tuning=measured)) == []


def test_a_flat_note_is_told_to_be_raised() -> None:
    says = only(heard_as_planned(MEDLEY, tuning=tuning({4: -12.0}))).says
    assert "D is 12 cents flat" in says
    assert "take tape off" in says


def test_a_spread_note_that_is_right_on_the_whole_is_told_as_spread() -> None:
    finding = only(heard_as_planned(MEDLEY, tuning=tuning(spreads={2: 9.0})))
    assert (finding.kind, finding.size) == ("tuning spread", 9.0)


def test_one_player_has_no_spread() -> None:
    assert found(heard_as_planned(MEDLEY, tuning=tuning(spreads={2: 9.0}), n_players=1)) == []


def test_chanters_that_are_all_sharp_are_one_finding_not_nine() -> None:
    heard = heard_as_planned(MEDLEY, tuning=tuning(dict.fromkeys(range(9), 12.0)))
    finding = only(heard)
    assert (finding.kind, finding.size) == ("chanters and drones", 12.0)


def test_a_note_off_among_sharp_chanters_is_held_against_the_other_notes() -> None:
    heard = heard_as_planned(MEDLEY, tuning=tuning({**dict.fromkeys(range(9), 12.0), 6: 22.0}))
    note = next(one for one in found(heard) if one.kind == "tuning")
    assert note.size == pytest.approx(10.0)
    assert "F is 10 cents sharp of the other notes" in note.says


def test_a_note_that_was_not_heard_is_not_told() -> None:
    measured = tuning({5: 30.0})
    measured.notes["heard"][5] = False
    assert found(heard_as_planned(MEDLEY, tuning=measured)) == []


# drones


def drones_with(**more: Any) -> Heard:
    heard = heard_as_planned(MEDLEY)
    assert heard.drones is not None
    return replace(heard, drones=replace(heard.drones, **more))


def test_tenors_that_beat_faster_than_five_cents_apart_are_told() -> None:
    finding = only(drones_with(beating_hz=1.4))
    assert (finding.kind, finding.size, finding.unit) == ("tenors apart", 1.4, "Hz")
    assert "10 cents apart" in finding.says  # 1200 log2(241.4 / 240) is 10.07


def test_tenors_that_beat_slowly_are_not_told() -> None:
    assert found(drones_with(beating_hz=0.5)) == []


def test_a_bass_off_the_tenors_octave_is_told() -> None:
    finding = only(drones_with(bass_hz=120.0 * 2 ** (9 / 1200)))
    assert finding.kind == "bass and tenors"
    assert finding.size == pytest.approx(9.0)


def test_drones_that_rise_are_told_with_the_whole_change() -> None:
    finding = only(drones_with(drift_cents=np.linspace(-5.0, 5.0, 30)))
    assert finding.kind == "drones drift"
    assert finding.size == pytest.approx(10.0)


def test_drones_left_sounding_are_told() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.start_stop is not None
    finding = only(replace(heard, start_stop=replace(heard.start_stop, drones_after_s=1.6)))
    assert (finding.kind, finding.size, finding.unit) == ("drones after", 1.6, "s")


def test_drones_that_come_in_late_are_told_against_the_plan() -> None:
    planned_s = BEGINS_S + MEDLEY.drones_in_s
    finding = only(drones_with(in_s=planned_s + 1.2))
    assert finding.kind == "drones in"
    assert finding.size == pytest.approx(1.2, abs=0.01)


# start and stop


def test_an_early_chanter_and_a_straggler_are_told_with_their_times() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.start_stop is not None
    lone = (Lone(True, 15.0, 240.0, 20.0), Lone(False, 250.0, 130.0, 30.0))
    first, second = found(replace(heard, start_stop=replace(heard.start_stop, lone=lone)))
    assert (first.kind, first.size, first.time_s) == ("early chanter", 240.0, 15.0)
    assert (second.kind, second.size, second.time_s) == ("straggler", 130.0, 250.0)


def test_a_ragged_stop_is_told_and_that_of_one_player_is_not() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.start_stop is not None
    assert heard.start_stop.stop is not None
    ragged = replace(heard.start_stop, stop=replace(heard.start_stop.stop, spread_ms=55.0))
    assert only(replace(heard, start_stop=ragged)).kind == "stop"
    assert found(replace(heard, start_stop=ragged, n_players=1)) == []


# tempo


def test_a_tune_played_too_fast_is_told_with_both_tempi() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"][MEDLEY.bars["tune"] == 0] *= 1.06
    finding = only(heard)
    assert (finding.kind, finding.tune, finding.bar) == ("tempo", "The Waxed Thread", None)
    assert finding.size == pytest.approx(100 * np.log(1.06))
    assert "95.4 beats a minute" in finding.says
    assert "90.0 was planned" in finding.says


def test_a_set_that_is_fast_throughout_is_told_once() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"] *= 1.05
    finding = only(heard)
    assert (finding.kind, finding.tune) == ("tempo", None)
    assert finding.size == pytest.approx(100 * np.log(1.05), abs=0.01)


def test_a_tune_that_is_faster_still_than_the_set_is_told_too() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"] *= np.where(MEDLEY.bars["tune"] == 3, 1.14, 1.05)
    assert {one.tune for one in found(heard)} == {None, "Weel May the Keel Row"}


def test_a_tune_that_speeds_up_is_told_as_drift() -> None:
    heard = heard_as_planned(MARCH)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"] *= np.exp(np.linspace(-0.04, 0.04, heard.tempo.bars.size))
    finding = only(heard, MARCH)
    assert finding.kind == "tempo drift"
    assert finding.size == pytest.approx(8.0, abs=0.5)


def test_a_surge_is_found_in_its_bars_and_nowhere_else() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"][bars_of(MEDLEY, 4, 1, 2, 3, 6)] *= 1.05
    finding = only(heard)
    assert (finding.kind, finding.tune, finding.part, finding.bar) == ("surge", "Mrs MacLeod of Raasay", 1, 3)
    assert finding.size == pytest.approx(100 * np.log(1.05), abs=0.3)
    assert "part 1 (second time), bars 3 to 6 run 4.9 % faster" in finding.says


def test_bars_that_hang_behind_are_told_as_slower() -> None:
    heard = heard_as_planned(MARCH)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"][bars_of(MARCH, 0, 2, 1, 1, 4)] *= 0.94
    assert "slower than the rest" in only(heard, MARCH).says


@pytest.mark.parametrize("seed", range(8))
def test_bars_that_vary_less_than_an_ear_can_tell_give_no_finding(seed: int) -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"] *= np.exp(0.006 * np.random.default_rng(seed).standard_normal(MEDLEY.bars.size))
    assert found(heard) == []


def test_a_tune_that_surges_all_over_is_told_as_unsteady_with_its_worst_places() -> None:
    heard = heard_as_planned(MARCH)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"] *= np.exp(np.random.default_rng(3).normal(0.0, 0.08, MARCH.bars.size))
    kinds = [one.kind for one in found(heard, MARCH)]
    assert kinds.count("unsteady") == 1
    assert kinds.count("surge") == 4


def test_the_last_bar_of_all_whose_end_is_the_cut_off_tells_no_tempo() -> None:
    heard = heard_as_planned(MARCH)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"][-1] *= 0.7
    assert found(heard, MARCH) == []


def test_four_bars_in_the_time_of_three_are_one_left_out_and_no_surge() -> None:
    heard = heard_as_planned(MARCH)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"][bars_of(MARCH, 0, 2, 1, 2, 5)] *= 4 / 3
    finding = only(heard, MARCH)
    assert (finding.kind, finding.size, finding.part, finding.bar) == ("left out", 1.0, 2, 2)
    assert "bars 2 to 5 take about one bar less than their time" in finding.says


def test_four_bars_in_the_time_of_six_are_two_played_again() -> None:
    heard = heard_as_planned(MARCH)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"][bars_of(MARCH, 0, 2, 1, 2, 5)] *= 4 / 6
    finding = only(heard, MARCH)
    assert (finding.kind, finding.size) == ("repeated", 2.0)
    assert "take about 2 bars more than their time" in finding.says


def test_nothing_is_said_of_the_tempo_beside_a_jump() -> None:
    left_out = bars_of(MEDLEY, 1, 1, 1, 5, 6)
    heard = heard_in((0, notes_of(left_out)[0] - 1), (notes_of(left_out)[-1] + 1, MEDLEY.notes.size - 1))
    assert heard.tempo is not None
    heard.tempo.bars["bpm"][[left_out[0] - 1, left_out[-1] + 1]] *= 0.6
    assert only(heard).kind == "left out"


def test_bars_that_were_not_heard_are_left_out_of_the_tempo() -> None:
    heard = heard_as_planned(MARCH)
    assert heard.tempo is not None
    heard.tempo.bars["bpm"][4:9] = 0.0
    heard.tempo.bars["heard"][4:9] = False
    assert found(heard, MARCH) == []


def split_by_the_definition(gains: list[float], start: int, stop: int) -> list[tuple[int, int]]:
    """Ruzzo and Tompa's definition: the best stretch (the shortest of equals), then the best on either side of it."""
    best = max(
        ((sum(gains[i:j]), i - j, -i) for i in range(start, stop) for j in range(i + 1, stop + 1)), default=(0.0, 0, 0)
    )
    if best[0] <= 0:
        return []
    first = -best[2]
    last = first - best[1]
    return [*split_by_the_definition(gains, start, first), (first, last), *split_by_the_definition(gains, last, stop)]


@given(st.lists(st.integers(-50, 50).filter(bool), max_size=12))
def test_maximal_stretches_are_those_of_the_definition(numbers: list[int]) -> None:
    gains = [number + 1e-6 * index**2 for index, number in enumerate(numbers)]
    assert maximal_stretches(np.array(gains, dtype=np.float64)) == split_by_the_definition(gains, 0, len(gains))


# togetherness


def test_loose_bars_are_told_as_one_stretch_at_the_worst_of_them() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.togetherness is not None
    bars = bars_of(MEDLEY, 1, 2, 1, 3, 5)
    heard.togetherness["spread_ms"][bars] = [50.0, 72.0, 55.0]
    finding = only(heard)
    assert (finding.kind, finding.part, finding.bar, finding.size) == ("loose bars", 2, 4, 72.0)
    assert "part 2, bars 3 to 5 are loose" in finding.says


def test_a_bar_that_is_loose_each_time_through_is_told_once() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.togetherness is not None
    first, second = (bars_of(MEDLEY, 0, 1, number, 4, 4)[0] for number in (1, 2))
    heard.togetherness["spread_ms"][[first, second]] = [50.0, 60.0]
    finding = only(heard)
    assert (finding.size, finding.bar, finding.played_bar) == (60.0, 4, second)


def test_a_band_that_is_loose_throughout_is_told_once() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.togetherness is not None
    heard.togetherness["spread_ms"] = 50.0
    assert only(heard).kind == "togetherness"


def test_loose_bars_within_their_uncertainty_are_not_told() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.togetherness is not None
    heard.togetherness["spread_ms"][20] = 50.0
    heard.togetherness["uncertainty_ms"][20] = 25.0
    assert found(heard) == []


# what was played


def heard_in(*stretches: tuple[int, int], timeline: Timeline = MEDLEY) -> Heard:
    heard = heard_as_planned(timeline)
    assert heard.alignment is not None
    return replace(heard, alignment=replace(heard.alignment, passages=passages(*stretches, timeline=timeline)))


def notes_of(bars: np.ndarray[Any, Any], timeline: Timeline = MEDLEY) -> np.ndarray[Any, Any]:
    return np.flatnonzero(np.isin(timeline.notes["bar"], bars))


def test_bars_left_out_are_told_by_their_printed_numbers() -> None:
    left_out = notes_of(bars_of(MEDLEY, 1, 1, 1, 5, 6))
    last = MEDLEY.notes.size - 1
    finding = only(heard_in((0, left_out[0] - 1), (left_out[-1] + 1, last)))
    assert (finding.kind, finding.size, finding.unit, finding.bar) == ("left out", 2.0, "bars", 5)
    assert "part 1 (first time), bars 5 to 6 were left out" in finding.says


def test_bars_played_again_are_told() -> None:
    again = notes_of(bars_of(MEDLEY, 3, 2, 1, 1, 4))
    finding = only(heard_in((0, again[-1]), (again[0], MEDLEY.notes.size - 1)))
    assert (finding.kind, finding.size, finding.part, finding.bar) == ("repeated", 4.0, 2, 1)


def test_a_false_start_is_told_as_one() -> None:
    reached = notes_of(bars_of(MEDLEY, 0, 1, 1, 4, 4))[-1]
    finding = only(heard_in((0, reached), (0, MEDLEY.notes.size - 1)))
    assert finding.kind == "false start"
    assert "as far as The Waxed Thread, part 1 (first time), bar 4" in finding.says


def test_a_few_notes_before_the_beginning_are_no_false_start() -> None:
    assert found(heard_in((2, 5), (0, MEDLEY.notes.size - 1))) == []


def test_after_a_false_start_no_early_chanter_and_no_early_drones_are_told() -> None:
    reached = notes_of(bars_of(MEDLEY, 0, 1, 1, 4, 4))[-1]
    heard = heard_in((0, reached), (0, MEDLEY.notes.size - 1))
    assert heard.start_stop is not None
    assert heard.drones is not None
    early = replace(heard.start_stop, lone=(Lone(True, 15.0, 900.0, 20.0),))
    drones = replace(heard.drones, in_s=BEGINS_S + MEDLEY.drones_in_s - 8.0)
    assert only(replace(heard, start_stop=early, drones=drones)).kind == "false start"


def test_a_recording_of_a_part_of_the_set_says_which() -> None:
    bars = np.flatnonzero(MEDLEY.bars["tune"] == 2)
    held = notes_of(bars)
    finding = only(heard_in((held[0], held[-1])))
    assert finding.kind == "not all"
    assert finding.size == bars.size
    assert finding.tune == "Amazing Grace"


def test_a_written_note_that_was_not_heard_is_told_with_its_beat() -> None:
    heard = heard_as_planned(MARCH)
    assert heard.alignment is not None
    bar = bars_of(MARCH, 0, 1, 2, 3, 3)
    beats = MARCH.bars["start_num"][bar[0]] / MARCH.bars["start_den"][bar[0]]
    note = notes_of(bar, MARCH)[-1]
    heard.alignment.steps["heard"][note] = False
    finding = only(heard, MARCH)
    row = MARCH.notes[note]
    assert finding.kind == "missing notes"
    assert finding.beat == int(row["start_num"] / row["start_den"] - beats) + 1
    assert (finding.part, finding.bar, finding.size) == (1, 3, 1.0)


# the recording, and the whole


def test_clipping_and_softness_are_told_even_of_a_recording_that_cannot_be_trusted() -> None:
    heard = heard_as_planned(MEDLEY)
    levels = Levels(1.0, 0.001, 1_000_000, 5_000, 10)
    poor = replace(heard, trusted=False, reason="x.", recording=replace(heard.recording, levels=levels))
    assert {one.kind for one in found(poor)} == {"clipping", "soft"}


def test_pipes_that_hardly_stand_out_of_the_noise_are_told_and_clear_ones_are_not() -> None:
    heard = heard_as_planned(MEDLEY)
    assert not found(replace(heard, stands_out_db=19.0))
    (finding,) = found(replace(heard, stands_out_db=14.2))
    assert (finding.kind, finding.size, finding.unit) == ("noisy", 14.2, "dB")
    assert "only 14 dB" in finding.says


def test_nothing_of_the_playing_is_said_when_the_recording_cannot_be_trusted() -> None:
    heard = heard_as_planned(MEDLEY, tuning=tuning({0: 40.0}), trusted=False, reason="It is another tune.")
    assert found(heard) == []


def test_a_wrong_speed_is_told() -> None:
    finding = only(heard_as_planned(MEDLEY, speed=1.05))
    assert finding.kind == "speed"
    assert finding.size == pytest.approx(5.0)


def test_findings_come_heaviest_first_and_what_is_too_much_is_counted() -> None:
    heard = heard_as_planned(MEDLEY, tuning=tuning(dict(enumerate([20, -20, 9, -9, 12, -15, 8, -8, 30]))))
    assert heard.togetherness is not None
    heard.togetherness["spread_ms"][::4] = 60.0
    assert heard.tempo is not None
    heard.tempo.bars["bpm"] *= np.exp(np.random.default_rng(2).normal(0.0, 0.08, MEDLEY.bars.size))
    said = with_findings(heard, MEDLEY)
    weights = [one.weight for one in said.findings]
    assert weights == sorted(weights, reverse=True)
    assert len(weights) == MOST_FINDINGS
    assert said.n_more_findings == len(found(heard)) - MOST_FINDINGS > 0


def test_every_finding_is_a_sentence_with_a_weight_above_the_limit() -> None:
    heard = heard_as_planned(MEDLEY, tuning=tuning({0: 14.0, 7: -11.0}, {0: 9.0, 3: 8.0}), speed=0.97)
    assert heard.togetherness is not None
    heard.togetherness["spread_ms"][30:33] = 70.0
    for finding in found(heard):
        assert finding.says.endswith(".")
        assert finding.says[0].isupper()
        assert "nan" not in finding.says
        assert finding.weight >= 1.0


def test_every_kind_of_finding_is_explained_and_only_those_are_made() -> None:
    root = Path(__file__).parents[2]
    page = (root / "docs" / "listening.md").read_text("utf-8")
    assert [kind for kind in FINDING_KINDS if f"`{kind}`" not in page] == []
    sources = [path.read_text("utf-8") for path in sorted((root / "src/graith/listen").glob("about_*.py"))]
    written = {word for text in sources for word in re.findall(r'"([a-z ]+)"', text)}
    assert set(FINDING_KINDS) <= written
