"""The builder against every set that could be made of a small book."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from builder.made_books import best_of_each_order, every_set, questions
from graith.builder.best_sets import BestSets
from graith.builder.build import build_sets
from graith.builder.demands import all_asked
from graith.builder.model import Question
from graith.builder.problem import problem_of
from graith.builder.solve import Solver

patient = settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


@patient
@given(questions())
def test_the_ten_best_are_those_that_trying_every_set_finds(question: Question) -> None:
    wanted = best_of_each_order(every_set(question))[:10]
    answer = build_sets(question)
    assert answer.is_proven
    assert [one.billionths for one in answer.sets] == [one.billionths for one in wanted]
    if wanted:
        assert answer.bound_billionths == wanted[0].billionths
        assert len({one.keys for one in answer.sets}) == len(answer.sets)
    else:
        assert answer.clash is not None


@patient
@given(questions(), st.sampled_from([0, 1, 5]), st.sampled_from([1, 2, 3, 400]), st.sampled_from([1, 3, 10]))
def test_however_little_is_dived_and_however_coarse_the_table_the_list_stays_the_same(
    question: Question, most_dived: int, most_buckets: int, n_best: int
) -> None:
    conditions = [one.condition for one in all_asked(question)]
    problem = problem_of(question, conditions)
    best = BestSets(n_best, problem.floor)
    solver = Solver(problem, best, most_dived=most_dived, most_buckets=most_buckets)
    solver.begin()
    solver.finish()
    assert solver.is_finished
    wanted = best_of_each_order(every_set(question))[:n_best]
    assert [value for _, value in best.in_order()] == [one.billionths for one in wanted]
