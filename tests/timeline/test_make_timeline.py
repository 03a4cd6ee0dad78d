"""The timeline against hand counts, the closed form of constant tempo, and numerical integration."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from graith.errors import TimelineError
from graith.music.model import ChanterNote, Tune
from graith.music.read_abc import read_tune
from graith.music.tune_types import tune_type_named
from graith.sets.model import Ending, Link, Opening, PlannedSet, PlannedTune
from graith.timeline.graces import GraceModel
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline

MARCH = """X:1
T:Eight bars of march
M:2/4
L:1/8
R:march
K:HP
|: {g}A2 {d}A>B | {gcd}c2 {e}A>c | {gef}e2 A>c | {gde}d2 {gBd}B2 |
{g}A2 {d}A>B | {gcd}c2 {e}A>c | {gef}e>c {gBd}B>c | {g}A2 {GAG}A2 :|
"""
WITH_PICKUP = """X:2
T:With a pick-up
M:2/4
L:1/8
R:march
K:HP
A | c2 e2 | c2 A2 | B2 c2 | A3 |]
"""
REEL = """X:3
T:Four bars of reel
M:C|
L:1/8
R:reel
K:HP
A2 c2 e2 c2 | A2 c2 e4 | a2 e2 c2 e2 | A8 |]
"""


def planned(text: str, type_name: str, bpm: float, end_bpm: float | None = None) -> PlannedTune:
    return PlannedTune(read_tune(text, "test.abc"), tune_type_named(type_name), bpm, end_bpm or bpm)


def set_of(
    *tunes: PlannedTune, links: tuple[Link, ...] | None = None, roll_beats: int = 8, **more: object
) -> PlannedSet:
    chosen = (Link(),) * (len(tunes) - 1) if links is None else links
    return PlannedSet("a set", tunes, chosen, opening=Opening(roll_beats=roll_beats), **more)  # type: ignore[arg-type]


def line_of(*tunes: PlannedTune, **more: object) -> Timeline:
    return timeline_of(set_of(*tunes, **more))  # type: ignore[arg-type]


def test_sixteen_played_bars_of_two_beats_are_thirty_two_beats() -> None:
    timeline = line_of(planned(MARCH, "2/4 march", 80))
    assert timeline.total_beats == 32
    assert len(timeline.bars) == 16
    assert timeline.bars["number"].tolist() == [*range(1, 9), *range(1, 9)]
    assert timeline.bars["pass_number"].tolist() == [1] * 8 + [2] * 8


@given(st.floats(40, 200), st.integers(0, 16).filter(lambda n: n != 1))
def test_at_constant_tempo_the_total_is_beats_times_sixty_over_bpm(bpm: float, roll_beats: int) -> None:
    timeline = line_of(planned(MARCH, "2/4 march", bpm), planned(MARCH, "2/4 march", bpm), roll_beats=roll_beats)
    assert timeline.playing_s == pytest.approx(float(roll_beats + timeline.total_beats) * 60 / bpm, abs=1e-9)


@given(st.floats(40, 200), st.floats(40, 200))
def test_a_ramp_over_a_tune_takes_what_numerical_integration_says(bpm: float, end_bpm: float) -> None:
    timeline = line_of(planned(MARCH, "2/4 march", bpm, end_bpm), roll_beats=0)
    expected_s, _ = quad(lambda beat: 60 / (bpm + (end_bpm - bpm) * beat / 32), 0, 32, epsabs=1e-12)
    assert timeline.playing_s == pytest.approx(expected_s, abs=1e-9)
    middle_s, _ = quad(lambda beat: 60 / (bpm + (end_bpm - bpm) * beat / 32), 0, 16, epsabs=1e-12)
    assert timeline.bars["start_s"][8] == pytest.approx(middle_s, abs=1e-9)


def test_the_tune_starts_on_the_ninth_beat_and_the_e_on_the_seventh() -> None:
    timeline = line_of(planned(MARCH, "2/4 march", 60))
    assert timeline.first_note_s == 8.0
    assert timeline.drones_in_s == 4.0
    assert timeline.notes["start_s"][0] == 6.0
    assert timeline.notes["chanter_note"][0] == ChanterNote.E
    assert timeline.beats["time_s"][:9].tolist() == [float(n) for n in range(9)]


def test_a_first_pick_up_sounds_before_the_ninth_beat() -> None:
    timeline = line_of(planned(WITH_PICKUP, "2/4 march", 60))
    assert timeline.first_note_s == 7.5
    assert timeline.bars["start_s"].tolist() == [7.5, 8.0, 10.0, 12.0, 14.0]
    assert timeline.bars["number"].tolist() == [0, 1, 2, 3, 4]


def test_the_next_pick_up_takes_its_time_from_the_last_bar_and_the_feet_lose_no_beat() -> None:
    timeline = line_of(planned(MARCH, "2/4 march", 60), planned(WITH_PICKUP, "2/4 march", 60), roll_beats=0)
    second = timeline.bars[timeline.bars["tune"] == 1]
    assert second["start_s"].tolist() == [31.5, 32.0, 34.0, 36.0, 38.0]
    last_of_first = timeline.notes[timeline.notes["bar"] == 15][-1]
    assert last_of_first["stop_s"] == 31.5


def test_a_bar_left_short_for_its_own_pick_up_is_completed_before_a_tune_without_one() -> None:
    timeline = line_of(planned(WITH_PICKUP, "2/4 march", 60), planned(MARCH, "2/4 march", 60), roll_beats=0)
    assert timeline.bars[timeline.bars["tune"] == 1]["start_s"][0] == 0.5 + 8.0
    assert timeline.tunes[0].beats == 8


def test_a_tune_with_a_minim_beat_counts_two_beats_a_bar() -> None:
    timeline = line_of(planned(REEL, "reel", 60), roll_beats=0)
    assert timeline.total_beats == 8
    assert timeline.playing_s == 8.0
    assert timeline.beats["beat_in_bar"].tolist() == [1, 2] * 4


def test_a_link_can_hold_the_last_note_and_ease_the_tempo() -> None:
    march, reel = planned(MARCH, "2/4 march", 80), planned(REEL, "reel", 90)
    link = Link(hold_beats=Fraction(2), ease_beats=Fraction(4), ease_to_bpm=60)
    timeline = timeline_of(set_of(march, reel, links=(link,), roll_beats=0))
    eased_s, _ = quad(lambda beat: 60 / (80 - 20 * beat / 4), 0, 4, epsabs=1e-12)
    assert timeline.tunes[0].beats == 34
    assert timeline.tunes[1].start_s == pytest.approx(30 * 0.75 + eased_s, abs=1e-9)


def test_the_ending_is_held_before_the_cut_off() -> None:
    timeline = line_of(planned(MARCH, "2/4 march", 60), roll_beats=0, ending=Ending(hold_beats=Fraction(3, 2)))
    assert timeline.cut_off_s == 33.5
    assert timeline.notes["stop_s"][-1] == 33.5


def test_doubling_the_tempo_halves_the_time_and_leaves_gracenotes_their_length() -> None:
    slow = timeline_of(set_of(planned(MARCH, "2/4 march", 60)))
    fast = timeline_of(set_of(planned(MARCH, "2/4 march", 60)), tempo_factor=2.0)
    assert fast.playing_s == pytest.approx(slow.playing_s / 2, abs=1e-12)
    lengths_s = fast.graces["stop_s"] - fast.graces["onset_s"]
    assert lengths_s == pytest.approx(np.full(len(fast.graces), 0.045))


def test_gracenotes_fill_the_time_between_a_notes_beginning_and_its_onset() -> None:
    timeline = line_of(planned(MARCH, "2/4 march", 80))
    for index, note in enumerate(timeline.notes):
        own = timeline.graces[timeline.graces["note"] == index]
        assert len(own) == note["n_graces"]
        if len(own):
            assert own["onset_s"][0] == note["start_s"]
            assert own["stop_s"][-1] == pytest.approx(note["onset_s"])
            assert own["onset_s"][1:] == pytest.approx(own["stop_s"][:-1])


def test_gracenotes_can_take_their_time_from_the_note_before() -> None:
    timeline = timeline_of(set_of(planned(MARCH, "2/4 march", 80)), graces=GraceModel(before=True))
    with_graces = np.flatnonzero(timeline.notes["n_graces"] > 0)
    assert timeline.notes["onset_s"][with_graces] == pytest.approx(timeline.notes["start_s"][with_graces])
    first = with_graces[1]
    own = timeline.graces[timeline.graces["note"] == first]
    assert own["onset_s"][0] == pytest.approx(timeline.notes["stop_s"][first - 1])
    assert own["stop_s"][-1] == pytest.approx(timeline.notes["start_s"][first])


def test_gracenotes_never_take_more_than_their_share_of_a_short_note() -> None:
    timeline = timeline_of(set_of(planned(MARCH, "2/4 march", 300)), graces=GraceModel(grace_s=0.2))
    notes = timeline.notes
    assert np.all(notes["onset_s"] - notes["start_s"] <= 0.6 * (notes["stop_s"] - notes["start_s"]) + 1e-12)


def test_notes_follow_each_other_without_a_gap_to_the_cut_off() -> None:
    timeline = line_of(planned(MARCH, "2/4 march", 72), planned(REEL, "reel", 84))
    assert timeline.notes["stop_s"][:-1] == pytest.approx(timeline.notes["start_s"][1:])
    assert timeline.notes["stop_s"][-1] == timeline.cut_off_s
    assert np.all(np.diff(timeline.beats["time_s"]) > 0)


def test_exact_lengths_add_up_to_all_beats() -> None:
    timeline = line_of(planned(MARCH, "2/4 march", 72), planned(REEL, "reel", 84))
    exact = sum((Fraction(int(n["beats_num"]), int(n["beats_den"])) for n in timeline.notes[1:]), Fraction(0))
    assert exact == timeline.total_beats == 40


def test_tied_notes_sound_as_one() -> None:
    tied = read_tune("X:1\nT:Tied\nM:2/4\nL:1/8\nK:HP\nA2 c2- | c2 {g}c2 |]\n", "tied.abc")
    timeline = line_of(PlannedTune(tied, tune_type_named("2/4 march"), 60, 60), roll_beats=0)
    assert timeline.notes["chanter_note"].tolist() == [ChanterNote.LOW_A, ChanterNote.C, ChanterNote.C]
    assert timeline.notes["stop_s"].tolist() == [1.0, 3.0, 4.0]


def test_parts_can_be_chosen_and_repeats_left_out() -> None:
    tune = planned(MARCH, "2/4 march", 60)
    once = PlannedTune(tune.tune, tune.tune_type, 60, 60, parts=(1,), repeats=False)
    assert line_of(once, roll_beats=0).total_beats == 16


@pytest.mark.parametrize(
    ("broken", "sentence"),
    [
        (PlannedSet("empty", (), ()), "has no tunes"),
        (set_of(planned(WITH_PICKUP, "2/4 march", 60), roll_beats=8, ending=Ending(slow_beats=Fraction(99))), "99"),
    ],
)
def test_a_set_that_cannot_be_laid_is_refused_in_a_sentence(broken: PlannedSet, sentence: str) -> None:
    with pytest.raises(TimelineError, match=sentence):
        timeline_of(broken)


def test_a_note_that_the_chanter_lacks_is_named_with_its_place() -> None:
    low = read_tune("X:1\nT:Too low\nM:2/4\nL:1/8\nK:HP\nA2 C2 |]\n", "low.abc")
    with pytest.raises(TimelineError, match=r"low\.abc.*C♯4"):
        line_of(PlannedTune(low, tune_type_named("2/4 march"), 60, 60))


def _whole(tune: Tune) -> int:
    return sum(len(part.bars) for part in tune.parts)


def test_every_printed_bar_is_played() -> None:
    timeline = line_of(planned(REEL, "reel", 84))
    assert len(timeline.bars) == _whole(read_tune(REEL, "reel.abc"))


def test_a_tune_that_is_nothing_but_a_pick_up_lasts_as_long_as_it_is_written() -> None:
    timeline = line_of(planned("X:1\nT:Short\nM:2/4\nL:1/8\nR:march\nK:HP\nA3 |]\n", "2/4 march", 60), roll_beats=0)
    assert timeline.total_beats == Fraction(3, 2)
    assert timeline.cut_off_s == pytest.approx(1.5)


@pytest.mark.parametrize(
    "music", ["A99999999 |]", "A9999999999 |]", "A/97B/89c/83d/79e/73f/71g/67a/61A/59B/53c/47d/43 |]"]
)
def test_lengths_beyond_all_measure_are_refused_in_a_sentence(music: str) -> None:
    tune = planned(f"X:1\nT:Endless\nM:none\nL:1/8\nR:march\nK:HP\n{music}\n", "2/4 march", 60)
    with pytest.raises(TimelineError, match="Look for a note whose length is wrong"):
        line_of(tune)
