"""A search that is stopped says honestly how far it came."""

from __future__ import annotations

from collections.abc import Callable
from itertools import count

import pytest

from builder.made_books import INVENTED, TEMPI_BPM, candidate, cut
from graith.builder.build import build_sets
from graith.builder.model import Candidate, Question, Step
from graith.music.model import ChanterNote
from graith.rules.rulebook import DurationRule, EventRules


def made_tune(number: int) -> Candidate:
    tune_type = list(TEMPI_BPM)[number * 7 % 5]
    notes = {"first_note": ChanterNote(number * 5 % 9), "last_note": ChanterNote(number * 4 % 9)}
    return candidate(
        f"tune {number}",
        tune_type,
        n_parts=4,
        tempo_bpm=TEMPI_BPM[tune_type] + number % 6,
        readiness=1 - (number * 13 % 17) / 40,
        tonal_centre=ChanterNote(number * 3 % 7),
        cuts=(cut(4, of=4, beats=32, **notes), cut(2, of=4, beats=32, **notes)),
    )


WINDOW = DurationRule(name="time", source=INVENTED, min_s=200.0, max_s=260.0)
QUESTION = Question(tuple(made_tune(n) for n in range(40)), EventRules("", "", durations=(WINDOW,)), n_tunes=(4, 6))
PROVEN = build_sets(QUESTION)


def after(n_times: int) -> Callable[[], bool]:
    asked = count()
    return lambda: next(asked) >= n_times


@pytest.mark.parametrize("n_times", [0, 1, 20, 50, 80, 100, 120, 150, 200])
def test_the_bound_of_a_stopped_search_is_never_below_the_best_set(n_times: int) -> None:
    answer = build_sets(QUESTION, should_stop=after(n_times))
    assert PROVEN.best is not None
    assert answer.bound is not None
    assert answer.bound >= PROVEN.best.value
    if answer.is_proven:
        assert [one.billionths for one in answer.sets] == [one.billionths for one in PROVEN.sets]
    if answer.sets:
        assert answer.gap is not None
        assert answer.sets[0].value + answer.gap == pytest.approx(answer.bound)
        assert answer.sets[0].value <= PROVEN.best.value


def test_a_search_stopped_at_once_finds_and_claims_nothing() -> None:
    answer = build_sets(QUESTION, should_stop=lambda: True)
    assert not answer.sets
    assert not answer.is_proven
    assert answer.clash is None
    assert "not settled" in str(answer)


def test_a_search_that_is_let_alone_proves_its_best_set() -> None:
    assert PROVEN.is_proven
    assert PROVEN.gap == 0.0
    assert len(PROVEN.sets) == 10
    assert "proven that none is better" in str(PROVEN)


def test_the_same_question_gives_the_same_answer() -> None:
    assert build_sets(QUESTION) == PROVEN


def test_the_order_of_the_book_does_not_change_the_values() -> None:
    turned = Question(QUESTION.candidates[::-1], QUESTION.rules, n_tunes=QUESTION.n_tunes)
    assert [one.billionths for one in build_sets(turned).sets] == [one.billionths for one in PROVEN.sets]


def test_steps_tell_of_a_best_value_that_rises_and_a_bound_that_falls() -> None:
    steps: list[Step] = []
    build_sets(QUESTION, on_step=steps.append)
    bounds = [step.bound for step in steps if step.bound is not None]
    values = [step.best for step in steps if step.best is not None]
    assert len(steps) > 1
    assert bounds == sorted(bounds, reverse=True)
    assert values == sorted(values)
    assert [step.n_opened for step in steps] == sorted(step.n_opened for step in steps)
