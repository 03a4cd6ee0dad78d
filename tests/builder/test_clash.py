"""The smallest clash against every selection of demands."""

from __future__ import annotations

from itertools import combinations

from hypothesis import HealthCheck, assume, given, settings

from builder.made_books import candidate, every_set, questions
from graith.builder.build import build_sets
from graith.builder.clash import fewest_touching, smallest_clash
from graith.builder.demands import all_asked
from graith.builder.explain import obeys
from graith.builder.model import Locks, Question
from graith.rules.rulebook import DurationRule, EventRules, ShapeRule

patient = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


def smallest_by_trying(question: Question) -> int | None:
    """Return the size of the smallest selection of demands that no set satisfies; None when all can hold."""
    asked = all_asked(question)
    satisfied = {
        frozenset(index for index, one in enumerate(asked) if obeys(one.condition, question, built.tunes))
        for built in every_set(question, [])
    }
    for size in range(len(asked) + 1):
        for chosen in combinations(range(len(asked)), size):
            if not any(set(chosen) <= held for held in satisfied):
                return size
    return None


@patient
@given(questions(most_tunes=4))
def test_no_smaller_clash_exists_than_the_one_that_is_told(question: Question) -> None:
    size = smallest_by_trying(question)
    assume(size is not None)
    clash = smallest_clash(question)
    assert clash.is_smallest
    assert len(clash.demands) == size
    told = [one.condition for one in all_asked(question) if one.demand in clash.demands]
    assert len(told) >= len(clash.demands)
    assert not any(True for _ in every_set(question, told))


@patient
@given(questions(most_tunes=4))
def test_a_clash_is_told_exactly_when_no_set_exists(question: Question) -> None:
    assert (build_sets(question).clash is None) == (smallest_by_trying(question) is None)


def test_two_tunes_that_are_not_with_each_other_and_both_wanted_clash_in_three() -> None:
    question = Question(
        candidates=tuple(candidate(key) for key in "abcd"),
        locks=Locks(contains=("a", "b", "c"), not_with=(("b", "a"),), opens_with="d"),
    )
    clash = build_sets(question).clash
    assert clash is not None
    assert [demand.name for demand in clash.demands] == ["contains", "contains", "not with"]
    assert "no fewer clash" in str(clash)
    assert "“A” is in the set" in str(clash)


def test_a_clash_names_the_rule_with_its_source() -> None:
    rules = EventRules(
        "",
        "",
        shapes=(ShapeRule(name="order", source="a printed rule", patterns=(("strathspey", "reel"),)),),
        durations=(DurationRule(name="time", source="another", min_s=600.0),),
    )
    question = Question((candidate("a"), candidate("b", "strathspey")), rules)
    clash = build_sets(question).clash
    assert clash is not None
    assert [(demand.kind, demand.name, demand.source) for demand in clash.demands] == [("rule", "time", "another")]
    assert "at least 10:00 from the first roll" in str(clash)


def test_a_search_that_is_stopped_claims_no_smallest_clash() -> None:
    question = Question((candidate("a"),), locks=Locks(contains=("a",), leaves_out=("a",)))
    clash = smallest_clash(question, should_stop=lambda: True)
    assert not clash.is_smallest


def test_the_fewest_that_touch_every_group_are_found_among_all_selections() -> None:
    groups = [frozenset({0, 3}), frozenset({1, 3}), frozenset({2, 4}), frozenset({4, 5}), frozenset({0, 1})]
    sizes = [
        size
        for size in range(7)
        for chosen in combinations(range(6), size)
        if all(group & set(chosen) for group in groups)
    ]
    assert len(fewest_touching(groups, 6)) == min(sizes)
