from fractions import Fraction

import pytest

from graith.builder.candidate import candidate_of, tonal_centre, usual_cuts
from graith.errors import BuilderError
from graith.music.model import ChanterNote
from graith.music.read_abc import read_tune
from graith.music.tune_types import tune_type_named

MARCH = """X:1
T:Two parts
M:2/4
L:1/8
R:march
K:HP
A |: c2 e2 | c2 A2 | B2 d2 | A3 A :|
|: e2 a2 | e2 c2 | B2 d2 | A3 A :|
"""
MARCH_TYPE = tune_type_named("2/4 march")


def test_a_cut_holds_the_beats_that_the_timeline_counts() -> None:
    whole, *_ = candidate_of(read_tune(MARCH, "m.abc"), MARCH_TYPE, 80, key="m").cuts
    assert whole.beats == 32
    assert whole.closing_beats == 32
    assert whole.pickup_beats == Fraction(1, 2)
    assert whole.last_beats == Fraction(1, 2)
    assert (whole.first_note, whole.last_note) == (ChanterNote.LOW_A, ChanterNote.LOW_A)


def test_a_tune_of_four_parts_can_be_cut_to_two() -> None:
    text = MARCH + MARCH.split("K:HP\n")[1]
    tune = read_tune(text, "m.abc")
    assert len(tune.parts) == 4
    assert usual_cuts(tune) == (None, (1, 2))
    assert [cut.n_played for cut in candidate_of(tune, MARCH_TYPE, 80, key="m").cuts] == [4, 2]


def test_a_tune_that_writes_its_order_of_parts_is_not_cut() -> None:
    text = MARCH.replace("K:HP", "P:ABA\nK:HP").replace("A |: c2", "P:A\nA |: c2").replace("|: e2 a2", "P:B\n|: e2 a2")
    assert usual_cuts(read_tune(text, "m.abc")) == (None,)


@pytest.mark.parametrize(
    ("music", "centre"),
    [
        ("A2 c2 | e2 A2 | c2 e2 | A4 |]", ChanterNote.LOW_A),
        ("d2 f2 | a2 f2 | e2 f2 | d4 |]", ChanterNote.D),
        ("B2 d2 | f2 d2 | B2 f2 | B4 |]", ChanterNote.B),
        ("g2 d2 | B2 d2 | g2 d2 | G4 |]", ChanterNote.LOW_G),
    ],
)
def test_a_plain_tune_turns_about_the_note_it_rests_on(music: str, centre: ChanterNote) -> None:
    assert tonal_centre(read_tune(f"X:1\nT:Plain\nM:2/4\nL:1/8\nK:HP\n{music}\n", "p.abc")) is centre


def test_a_cut_that_asks_for_a_part_that_is_not_there_is_refused() -> None:
    with pytest.raises(BuilderError, match=r"m\.abc:1.*part"):
        candidate_of(read_tune(MARCH, "m.abc"), MARCH_TYPE, 80, key="m.abc:1", cuts=((3,),))
