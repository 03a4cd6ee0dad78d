"""No bound is ever below what it bounds."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, permutations, product

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from builder.made_books import best_of_each_order, every_set, questions
from builder.test_stopping import made_tune
from graith.builder.demands import all_asked
from graith.builder.descend import best_prices
from graith.builder.model import BuiltSet, Question, Weights
from graith.builder.network import Network, network_of
from graith.builder.prices import Prices, first_prices, priced
from graith.builder.problem import problem_of
from graith.builder.solve import narrowed
from graith.builder.time_table import time_table
from graith.rules.rulebook import DurationRule, EventRules

patient = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


@st.composite
def wild_prices(draw: st.DrawFn, n_types: int, n_tunes: int, variety: int) -> Prices:
    def several(low: int, high: int, size: int) -> np.ndarray:
        return np.array(draw(st.lists(st.integers(low, high), min_size=size, max_size=size)), dtype=np.int64)

    return Prices(
        time=draw(st.integers(-5000, 5000)),
        parts=draw(st.integers(-(10**9), 0)),
        types=several(0, variety, n_types),
        tunes=several(0, 5 * 10**9, n_tunes),
    )


@patient
@given(questions(most_tunes=4), st.data())
def test_whatever_the_prices_no_set_is_worth_more_than_the_bound(question: Question, data: st.DataObject) -> None:
    problem = problem_of(question, [one.condition for one in all_asked(question)])
    best = best_of_each_order(every_set(question))
    bounds = [
        priced(
            network_of(problem, plan), data.draw(wild_prices(problem.n_types, problem.n_tunes, problem.variety))
        ).bound
        for plan in problem.plans
    ]
    assert not best or max(bounds) >= best[0].billionths


@patient
@given(questions(most_tunes=4), st.integers(0, 60))
def test_every_step_down_keeps_a_true_bound_and_none_makes_it_worse(question: Question, n_steps: int) -> None:
    problem = problem_of(question, [one.condition for one in all_asked(question)])
    best = best_of_each_order(every_set(question))
    bounds = []
    for plan in problem.plans:
        network = network_of(problem, plan)
        start = first_prices(network)
        found = best_prices(network, start, n_steps=n_steps, known=None, enough=problem.floor)
        assert found.bound <= priced(network, start).bound
        bounds.append(found.bound)
    assert not best or max(bounds) >= best[0].billionths


@patient
@given(questions(most_tunes=4), st.data())
def test_narrowing_never_drops_a_tune_of_a_set_that_is_good_enough(question: Question, data: st.DataObject) -> None:
    problem = problem_of(question, [one.condition for one in all_asked(question)])
    best = best_of_each_order(every_set(question))
    assume(best)
    kept = []
    for plan in problem.plans:
        network = network_of(problem, plan)
        prices = data.draw(wild_prices(problem.n_types, problem.n_tunes, problem.variety))
        narrower = narrowed(network, priced(network, prices), best[0].billionths - 1)
        kept.append(narrower is not None and holds(narrower, best[0]))
    assert any(kept)


def holds(network: Network, built: BuiltSet) -> bool:
    """Return whether each tune of a set stands, with its cut, in its slot of the network."""
    return len(network.slots) >= len(built.tunes) and all(
        any(network.problem.choices[item] == one for item in slot.items)
        for slot, one in zip(network.slots, built.tunes, strict=False)
    )


def timed_network() -> Network:
    rule = DurationRule(name="time", source="invented", min_s=150.0, max_s=260.0)
    weights = replace(Weights(time_per_10_s=8.0), variety=0.0)
    question = Question(
        tuple(made_tune(number) for number in range(7)), EventRules("", "", durations=(rule,)), (2, 3), weights=weights
    )
    problem = problem_of(question, [one.condition for one in all_asked(question)])
    return network_of(problem, problem.plans[0])


@pytest.mark.parametrize("most_buckets", [1, 2, 3, 5, 8, 13, 50, 400])
def test_what_follows_a_tune_is_never_worth_more_than_the_table_says(most_buckets: int) -> None:
    network = timed_network()
    problem = network.problem
    nothing = Prices(0, 0, np.zeros(problem.n_types, dtype=np.int64), np.zeros(problem.n_tunes, dtype=np.int64))
    table = time_table(network, priced(network, nothing), most_buckets=most_buckets)
    items_of = [np.flatnonzero(problem.tune == tune) for tune in range(problem.n_tunes)]
    row_of_item = dict(zip(network.slots[0].items.tolist(), network.slots[0].row_of_item.tolist(), strict=True))
    n_checked = 0
    for n_tunes in (2, 3):
        for order in permutations(range(problem.n_tunes), n_tunes):
            for items in product(*(items_of[tune] for tune in order)):
                time_us = int(problem.start_us[items[0]] + problem.mid_us[list(items)].sum())
                if not problem.low_us[items[0]] <= time_us <= problem.high_us[items[0]]:
                    continue
                links = sum(int(problem.link[problem.row[one], problem.row[other]]) for one, other in pairwise(items))
                follows = sum(int(problem.value[item]) for item in items[1:]) + links
                gone_us = int(problem.start_us[items[0]] + problem.mid_us[items[0]])
                bound = table.rest(
                    0, np.array([row_of_item[int(items[0])]]), np.array([network.no_type]), np.array([[gone_us]])
                )
                assert int(bound[0, 0]) >= follows + int(problem.time_value(np.array(time_us)))
                n_checked += 1
    assert n_checked > 200
