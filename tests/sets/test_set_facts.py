"""Parts are counted as they are played, a repeat once; each case is counted by hand."""

from __future__ import annotations

import pytest

from graith.errors import MusicError
from graith.music.read_abc import read_book
from graith.music.tune_types import tune_type_named
from graith.rules.hold_tunes import ruling_on_tunes
from graith.rules.model import SetFacts, TuneFacts, Verdict
from graith.rules.rulebook import PartTotalRule
from graith.sets.model import PlannedSet, PlannedTune
from graith.sets.set_facts import parts_played, set_facts, tune_facts

HEAD = "X:1\nT:Four Parts\nR:march\nM:2/4\nL:1/8\nK:HP\n"
FOUR_PARTS = HEAD + "|: A4 :|\n|: B4 :|\n|: c4 |1 d4 :|2 e4 |]\n|: f4 :|\n"


def _planned(abc: str, parts: tuple[int, ...] | None = None, *, repeats: bool = True) -> PlannedTune:
    (tune,) = read_book(abc, "a.abc").tunes
    return PlannedTune(tune, tune_type_named("2/4 march"), 80.0, 80.0, parts, repeats)


@pytest.mark.parametrize(
    ("parts", "repeats", "played"),
    [
        (None, True, (1, 2, 3, 4)),
        (None, False, (1, 2, 3, 4)),
        ((1, 2), True, (1, 2)),
        ((1, 2, 1), True, (1, 2, 1)),
        ((1, 2, 1, 2), False, (1, 2, 1, 2)),
        ((1, 1, 2), True, (1, 2)),
        ((4, 3), True, (4, 3)),
    ],
)
def test_parts_are_counted_in_the_order_in_which_the_set_plays_them(
    parts: tuple[int, ...] | None, repeats: bool, played: tuple[int, ...]
) -> None:
    assert parts_played(_planned(FOUR_PARTS, parts, repeats=repeats)) == played


@pytest.mark.parametrize(
    ("order", "played"),
    [("AB", (1, 2)), ("A2B2", (1, 2)), ("ABA", (1, 2, 1)), ("(AB)2", (1, 2, 1, 2)), ("AABB", (1, 2))],
)
def test_the_tunes_own_order_of_parts_is_counted_like_a_sets(order: str, played: tuple[int, ...]) -> None:
    text = HEAD.replace("K:HP\n", f"P:{order}\nK:HP\n") + "P:A\nA4 | A4 |1 B4 |2 c4 ||\nP:B\nd4 | e4 |]\n"
    assert parts_played(_planned(text)) == played


def test_a_part_asked_for_that_is_not_there_is_refused() -> None:
    with pytest.raises(MusicError, match="part 5"):
        parts_played(_planned(FOUR_PARTS, (5,)))


def test_the_facts_of_a_tune_are_what_the_rules_ask() -> None:
    facts = tune_facts(_planned(FOUR_PARTS, (1, 2, 1)))
    assert facts == TuneFacts("Four Parts", "2/4 march", 2, (1, 2, 1), "2/4")


def test_the_facts_of_a_set_carry_its_durations() -> None:
    planned = PlannedSet("Twice", (_planned(FOUR_PARTS), _planned(FOUR_PARTS, (1, 2))), ())
    facts = set_facts(planned, roll_to_cut_off_s=200.0, first_note_to_cut_off_s=194.0, spread_s=2.5)
    assert facts == SetFacts((tune_facts(planned.tunes[0]), tune_facts(planned.tunes[1])), 200.0, 194.0, 2.5)


def test_a_quick_march_medley_of_four_and_two_parts_has_six() -> None:
    planned = PlannedSet("Six", (_planned(FOUR_PARTS), _planned(FOUR_PARTS, (1, 2))), ())
    rule = PartTotalRule(name="parts", source="common practice, no source", least=6, most=8)
    ruling = ruling_on_tunes(rule, set_facts(planned).tunes)
    assert ruling is not None
    assert (ruling.verdict, ruling.measured) == (Verdict.HOLDS, "6 parts played (4 + 2)")
