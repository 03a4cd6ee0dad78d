"""Practice tracks as timelines, against the timeline's own tempo factor and against counting by hand."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from graith.errors import SoundError
from graith.music.read_abc import read_tune
from graith.music.tune_types import tune_type_named
from graith.sets.model import Ending, Link, Opening, PlannedSet, PlannedTune
from graith.sound.model import Band, Drums, Players
from graith.sound.perform import performance
from graith.sound.practice import BarPlace, Practice, loop_named, practice_band
from graith.sound.practice_timeline import practice_timeline
from graith.timeline.graces import GraceModel
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline

FIRST = """X:1
T:Two parts with a pick-up
M:2/4
L:1/8
R:march
K:HP
|: {g}A | {gcd}c2 {g}A2 | {gef}e2 {g}A2 | {gBd}B2 {gcd}c2 | {g}A2 {d}A- :|
|: {g}A | {gef}e2 {g}f2 | {gcd}c2 {g}A2 | {gef}e>c {gBd}B>c | {g}A2 A :|
"""
SECOND = """X:2
T:A strathspey
M:4/4
L:1/8
R:strathspey
K:HP
{g}A>B {gcd}c>e {gef}e2 {g}c>A | {gBd}B>c {gBd}B>A {gBd}B2 {g}c>e |]
"""


def planned_set(roll_beats: int, bpm: float = 80.0, end_bpm: float | None = None) -> PlannedSet:
    march = PlannedTune(read_tune(FIRST, "test.abc"), tune_type_named("2/4 march"), bpm, end_bpm or bpm)
    strathspey = PlannedTune(read_tune(SECOND, "test.abc"), tune_type_named("strathspey"), 120.0, 120.0)
    return PlannedSet(
        "a set", (march, strathspey), (Link(),), Opening(roll_beats=roll_beats), Ending(hold_beats=Fraction(1, 2))
    )


@pytest.fixture
def two_tunes() -> Timeline:
    """A march of two parts of four bars and a strathspey of two bars, after eight beats of opening."""
    return timeline_of(planned_set(8))


def assert_same(one: Timeline, other: Timeline) -> None:
    for name in ("beats", "bars", "notes", "graces"):
        left, right = getattr(one, name), getattr(other, name)
        assert left.size == right.size
        for field in left.dtype.names:
            np.testing.assert_allclose(left[field], right[field], atol=1e-9, err_msg=f"{name}.{field}")
    for name in ("drones_in_s", "strike_in_s", "first_note_s", "cut_off_s", "total_beats"):
        assert float(getattr(one, name)) == pytest.approx(float(getattr(other, name)), abs=1e-9)
    for left_span, right_span in zip(one.tunes, other.tunes, strict=True):
        assert (left_span.title, left_span.tune_type, left_span.beats) == (
            right_span.title,
            right_span.tune_type,
            right_span.beats,
        )
        for name in ("start_s", "stop_s", "start_bpm", "end_bpm"):
            assert getattr(left_span, name) == pytest.approx(getattr(right_span, name), abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    factor=st.floats(0.3, 2.5),
    roll_beats=st.sampled_from([0, 8]),
    end_bpm=st.floats(50, 110),
    model=st.builds(GraceModel, st.floats(0.02, 0.08), st.floats(0.2, 0.8), st.booleans()),
)
def test_a_tempo_factor_is_what_laying_the_set_at_that_factor_gives(
    factor: float, roll_beats: int, end_bpm: float, model: GraceModel
) -> None:
    planned = planned_set(roll_beats, 80.0, end_bpm)
    practised = practice_timeline(timeline_of(planned, graces=model), Practice(tempo_factor=factor), graces=model)
    assert_same(practised, timeline_of(planned, graces=model, tempo_factor=factor))


def test_gracenotes_keep_their_length_when_the_tempo_halves(two_tunes: Timeline) -> None:
    slow = practice_timeline(two_tunes, Practice(tempo_factor=0.5))
    lengths_s = [one.graces["stop_s"] - one.graces["onset_s"] for one in (two_tunes, slow)]
    roomy = np.isclose(lengths_s[0], 0.045)
    assert roomy.mean() > 0.9
    assert lengths_s[1][roomy] == pytest.approx(0.045, abs=1e-12)
    assert slow.cut_off_s == pytest.approx(2 * two_tunes.cut_off_s)


def test_a_loop_of_two_bars_three_times_has_six_bars_of_that_music(two_tunes: Timeline) -> None:
    loop = Practice(first=BarPlace(1, 2, 1), last=BarPlace(1, 2, 2), times=3)
    track = practice_timeline(two_tunes, loop)
    assert track.bars["number"].tolist() == [1, 2] * 3
    assert track.bars["part"].tolist() == [2] * 6
    assert track.total_beats == 12
    assert track.cut_off_s == pytest.approx(12 * 60 / 80)
    assert track.beats["time_s"] == pytest.approx(np.arange(12) * 0.75)
    source = two_tunes.notes[np.isin(two_tunes.notes["bar"], np.flatnonzero(two_tunes.bars["part"] == 2)[1:3])]
    assert track.notes["chanter_note"].tolist() == source["chanter_note"].tolist() * 3
    assert (np.diff(track.notes["onset_s"]) > 0).all()


def test_a_ramp_over_repeats_takes_the_sum_of_its_steps(two_tunes: Timeline) -> None:
    ramp = Practice(tempo_factor=0.6, end_factor=1.0, times=5, first=BarPlace(1, 1, 1), last=BarPlace(1, 1, 2))
    track = practice_timeline(two_tunes, ramp)
    by_hand_s = sum(4 * 60 / (80 * factor) for factor in (0.6, 0.7, 0.8, 0.9, 1.0))
    assert track.cut_off_s == pytest.approx(by_hand_s, abs=1e-9)
    assert track.bars["tempo_bpm"][::2] == pytest.approx([48, 56, 64, 72, 80])
    assert [span.start_bpm for span in track.tunes] == pytest.approx([48, 56, 64, 72, 80])


def test_a_count_in_comes_before_the_first_full_beat_and_the_pick_up_within_it(two_tunes: Timeline) -> None:
    track = practice_timeline(two_tunes, Practice(count_in_beats=4, first=BarPlace(1, 1, 0), last=BarPlace(1, 1, 4)))
    taps = track.beats[track.beats["tune"] < 0]
    assert taps["time_s"] == pytest.approx([0, 0.75, 1.5, 2.25])
    assert track.bars["number"].tolist() == [0, 1, 2, 3, 4]
    assert track.bars["start_s"][1] == pytest.approx(3.0)
    assert track.first_note_s == pytest.approx(3.0 - 0.375)
    assert Fraction(int(track.bars["start_num"][0]), int(track.bars["start_den"][0])) == Fraction(7, 2)
    assert track.drones_in_s == 0.0
    assert track.total_beats == 8 - Fraction(1, 2)


def test_a_count_in_leads_to_the_first_full_bar_however_long_the_pick_up() -> None:
    text = "X:1\nT:Long pick-up\nM:4/4\nL:1/4\nR:march\nK:HP\nA c/B/ A | c4 | A2 A |]\n"
    tune = PlannedTune(read_tune(text, "test.abc"), tune_type_named("4/4 march"), 60.0, 60.0)
    timeline = timeline_of(PlannedSet("long", (tune,), (), Opening(roll_beats=0)))
    track = practice_timeline(timeline, Practice(count_in_beats=4, times=2))
    assert track.beats["time_s"] == pytest.approx(np.arange(track.beats.size))
    assert track.bars["start_s"] == pytest.approx([1, 4, 8, 11, 14, 18])
    assert track.first_note_s == 1.0
    with pytest.raises(SoundError, match="shorter than the pick-up of 3"):
        practice_timeline(timeline, Practice(count_in_beats=2))


def test_a_looped_part_with_its_pick_up_closes_on_itself_without_losing_a_beat(two_tunes: Timeline) -> None:
    track = practice_timeline(two_tunes, Practice(times=3, first=BarPlace(1, 1, 0), last=BarPlace(1, 1, 4)))
    downbeats_s = track.bars["start_s"][track.bars["number"] == 1]
    assert np.diff(downbeats_s) == pytest.approx([6.0, 6.0])


def test_a_looped_part_without_its_pick_up_is_held_to_the_whole_beat(two_tunes: Timeline) -> None:
    track = practice_timeline(two_tunes, Practice(times=2, first=BarPlace(1, 1, 1), last=BarPlace(1, 1, 4)))
    assert np.diff(track.bars["start_s"][track.bars["number"] == 1]) == pytest.approx([6.0])
    assert track.beats["time_s"] == pytest.approx(np.arange(track.beats.size) * 0.75)
    assert track.notes["stop_s"][:-1] == pytest.approx(track.notes["start_s"][1:])


def test_a_note_tied_into_or_out_of_the_loop_is_cut_at_its_ends() -> None:
    text = "X:1\nT:Tied\nM:2/4\nL:1/8\nR:march\nK:HP\n{g}A2 c2- | c2 e2- | e2 A2 |]\n"
    tied = PlannedTune(read_tune(text, "test.abc"), tune_type_named("2/4 march"), 60.0, 60.0)
    timeline = timeline_of(PlannedSet("tied", (tied,), (), Opening(roll_beats=0)))
    assert timeline.notes["chanter_note"].tolist() == [1, 3, 5, 1]
    track = practice_timeline(timeline, Practice(first=BarPlace(1, 1, 2), last=BarPlace(1, 1, 2), times=2))
    assert track.notes["chanter_note"].tolist() == [3, 5, 3, 5]
    assert track.notes["start_s"].tolist() == [0.0, 1.0, 2.0, 3.0]
    assert track.notes["beats_num"].tolist() == track.notes["beats_den"].tolist() == [1] * 4
    assert track.notes["bar"].tolist() == [0, 0, 1, 1]
    assert not track.notes["n_graces"].any()


def test_a_loop_may_run_from_one_tune_into_the_next(two_tunes: Timeline) -> None:
    track = practice_timeline(two_tunes, Practice(first=BarPlace(1, 2, 4), last=BarPlace(2, 1, 1), times=2))
    assert [span.title for span in track.tunes] == ["Two parts with a pick-up", "A strathspey"] * 2
    assert sorted(set(track.bars["tune"].tolist())) == [0, 1, 2, 3]
    for span, tune in zip(track.tunes, range(4), strict=True):
        bars = track.bars[track.bars["tune"] == tune]
        assert (bars["start_s"][0], bars["stop_s"][-1]) == (span.start_s, span.stop_s)


@settings(max_examples=40, deadline=None)
@given(
    data=st.data(),
    times=st.integers(1, 4),
    factor=st.floats(0.4, 1.6),
    end_factor=st.none() | st.floats(0.4, 1.6),
    count_in=st.sampled_from([0, 1, 4]),
    before=st.booleans(),
)
def test_any_loop_is_a_sound_timeline(
    data: st.DataObject, times: int, factor: float, end_factor: float | None, count_in: int, before: bool
) -> None:
    model = GraceModel(before=before)
    timeline = timeline_of(planned_set(8), graces=model)
    first = data.draw(st.integers(0, timeline.bars.size - 1))
    last = data.draw(st.integers(first, timeline.bars.size - 1))
    places = [
        BarPlace(int(row["tune"]) + 1, int(row["part"]), int(row["number"])) for row in timeline.bars[[first, last]]
    ]
    practice = Practice(factor, end_factor, times, places[0], None, count_in)
    if first == int(np.flatnonzero(timeline.bars["number"] == places[0].bar)[0]):
        practice = replace(practice, last=places[1])
    track = practice_timeline(timeline, practice, graces=model)
    assert track.notes["stop_s"][-1] == pytest.approx(track.cut_off_s)
    assert (np.diff(track.beats["time_s"]) > 0).all()
    assert (np.diff(track.bars["start_s"]) > 0).all()
    assert (track.notes["bar"] < track.bars.size).all()
    exact = track.notes["start_num"] / track.notes["start_den"]
    assert (np.diff(exact) > 0).all()
    lasting = track.notes["beats_num"] / track.notes["beats_den"]
    assert exact[-1] + lasting[-1] <= float(track.total_beats) + count_in + 1e-9
    counts = np.bincount(track.graces["note"], minlength=track.notes.size)
    assert counts.tolist() == track.notes["n_graces"].tolist()
    played = performance(track, Band(players=Players(2, onset_spread_ms=10.0))).players[1].played
    assert (np.diff(played["onset_s"]) > 0).all()


def test_what_is_left_out_does_not_sound_and_a_count_in_does(two_tunes: Timeline) -> None:
    practice = Practice(count_in_beats=2, drones=False, drum_pulse=False)
    band = practice_band(Band(), practice)
    performed = performance(practice_timeline(two_tunes, practice), band)
    assert performed.drones.size == 0
    assert performed.strokes["time_s"] == pytest.approx([0.0, 0.75])
    assert practice_band(Band(), Practice(chanter=False)).chanter is False
    assert practice_band(Band(), Practice()) == Band()
    silent = practice_band(Band(drums=None), Practice())
    assert performance(two_tunes, silent).strokes.size == 0


def test_rolls_stay_only_with_the_opening_and_the_pulse(two_tunes: Timeline) -> None:
    assert practice_band(Band(), Practice(drum_pulse=False)).drums == Drums(pulse=False, opening="none")
    whole = practice_timeline(two_tunes, Practice(times=2))
    assert (whole.beats["tune"] < 0).sum() == 8
    assert whole.drones_in_s == two_tunes.drones_in_s


def test_bars_are_named_by_tune_part_and_bar() -> None:
    assert loop_named("1.2.1-1.2.4") == (BarPlace(1, 2, 1), BarPlace(1, 2, 4))
    assert loop_named("2.1.0") == (BarPlace(2, 1, 0), None)
    with pytest.raises(SoundError, match=r"TUNE\.PART\.BAR"):
        loop_named("first part")


@pytest.mark.parametrize(
    ("first", "last", "message"),
    [
        (BarPlace(9, 1, 1), None, "no tune 9, part 1, bar 1 in this timeline. It has tunes 1 to 2"),
        (BarPlace(1, 7, 1), None, "It has parts 1, 2 of tune 1"),
        (BarPlace(1, 2, 30), None, "It has bars 0 to 4 in that part"),
        (BarPlace(1, 2, 1), BarPlace(1, 1, 1), "played before its first"),
    ],
)
def test_a_bar_that_is_not_there_is_told(
    two_tunes: Timeline, first: BarPlace, last: BarPlace | None, message: str
) -> None:
    with pytest.raises(SoundError, match=message):
        practice_timeline(two_tunes, Practice(first=first, last=last))


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"tempo_factor": 0.0}, "A tempo factor of 0.0"),
        ({"end_factor": float("inf")}, "A tempo factor of inf"),
        ({"times": 0}, "0 times through"),
        ({"count_in_beats": -1}, "A count-in of -1"),
        ({"last": BarPlace(1, 1, 1)}, "has no beginning"),
    ],
)
def test_practice_that_cannot_be_is_refused(wrong: dict[str, object], message: str) -> None:
    with pytest.raises(SoundError, match=message):
        replace(Practice(), **wrong)  # type: ignore[arg-type]
