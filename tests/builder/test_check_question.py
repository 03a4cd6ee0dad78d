"""Questions that cannot be taken are refused in one sentence."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from builder.made_books import candidate, cut
from graith.builder.build import build_sets
from graith.builder.model import Locks, Question, Weights
from graith.errors import BuilderError
from graith.sets.model import Opening

REEL = candidate("the reel")
JIG = candidate("the jig", "jig")
BOOK = Question((REEL, JIG))


@pytest.mark.parametrize(
    ("question", "says"),
    [
        (replace(BOOK, candidates=()), "There are no tunes to build a set from"),
        (replace(BOOK, candidates=(REEL, REEL)), "2 candidates have the key 'the reel'"),
        (replace(BOOK, candidates=(replace(REEL, tune_type="waltz"),)), "type of 'The Reel' is not known"),
        (replace(BOOK, candidates=(replace(REEL, tempo_bpm=0.0),)), "tempo of 0.0"),
        (replace(BOOK, candidates=(replace(REEL, readiness=1.2),)), "readiness of 1.2"),
        (replace(BOOK, candidates=(replace(REEL, readiness=float("nan")),)), "readiness of nan"),
        (replace(BOOK, candidates=(replace(REEL, difficulty=11.0),)), "difficulty of 11.0"),
        (replace(BOOK, candidates=(replace(REEL, cuts=()),)), "no cut"),
        (replace(BOOK, candidates=(replace(REEL, cuts=(cut(2, of=2, beats=0),)),)), "lasts 0 beats"),
        (replace(BOOK, candidates=(replace(REEL, cuts=(cut(3, of=3),)),)), "plays 3 of 2 parts"),
        (replace(BOOK, n_tunes=(0, 3)), "0 to 3 tunes cannot be"),
        (replace(BOOK, n_tunes=(4, 3)), "4 to 3 tunes cannot be"),
        (replace(BOOK, n_tunes=(17, 20)), "17 tunes or more is not considered"),
        (replace(BOOK, target_s=-1.0), "target of -1.0 s"),
        (replace(BOOK, level=12.0), "level is 12.0"),
        (replace(BOOK, weights=Weights(variety=-1.0)), "weight 'variety' is -1.0"),
        (replace(BOOK, weights=Weights(tempo=float("inf"))), "weight 'tempo' is inf"),
        (replace(BOOK, hold_beats=Fraction(-1)), "hold below zero"),
        (replace(BOOK, locks=Locks(contains=("the real",))), "'contains' names 'the real'.*nearest is 'the reel'"),
        (replace(BOOK, locks=Locks(opens_with="x")), "'opens with' names 'x'"),
        (replace(BOOK, locks=Locks(closes_with="x")), "'closes with' names 'x'"),
        (replace(BOOK, locks=Locks(leaves_out=("x",))), "'leaves out' names 'x'"),
        (replace(BOOK, locks=Locks(at_slot=((1, "x"),))), "'at slot' names 'x'"),
        (replace(BOOK, locks=Locks(at_slot=((0, "the jig"),))), "slots run from 1"),
        (replace(BOOK, locks=Locks(not_after=(("the jig", "x"),))), "'not after' names 'x'"),
        (replace(BOOK, locks=Locks(not_with=(("the jig", "the jig"),))), "against itself"),
    ],
)
def test_a_question_that_cannot_be_taken_says_what_is_wrong(question: Question, says: str) -> None:
    with pytest.raises(BuilderError, match=says):
        build_sets(question)


@pytest.mark.parametrize("n_best", [0, 101])
def test_only_some_numbers_of_sets_can_be_asked_for(n_best: int) -> None:
    with pytest.raises(BuilderError, match=f"{n_best} sets cannot be asked for"):
        build_sets(BOOK, n_best=n_best)


def test_an_opening_too_short_for_every_pickup_is_refused() -> None:
    long_pickup = candidate("a", cuts=(cut(2, of=2, pickup_beats=Fraction(3)),))
    with pytest.raises(BuilderError, match="No tune's pick-up finds room in an opening of 2 beats"):
        build_sets(Question((long_pickup,), opening=Opening(roll_beats=2)))
