"""Ask for sets: the one function the rest of the program calls."""

from __future__ import annotations

from collections.abc import Callable

from graith.builder.best_sets import BestSets
from graith.builder.check_question import check_question
from graith.builder.clash import smallest_clash, some_set
from graith.builder.demands import all_asked
from graith.builder.explain import built_set
from graith.builder.model import Answer, Clash, Question, Step
from graith.builder.problem import problem_of
from graith.builder.solve import Solver


def build_sets(
    question: Question,
    *,
    n_best: int = 10,
    should_stop: Callable[[], bool] | None = None,
    on_step: Callable[[Step], None] | None = None,
) -> Answer:
    """Return the best sets from a tune book under rules and locks, with the proof, or what clashes.

    Two sets are distinct when their tunes, in order, are not the same; of each such order the best cuts are returned.
    The same question gives the same answer, always: nothing is random and no clock is read. Whoever wants to limit the
    time hands in ``should_stop``, and the answer then says how far it is from proven.

    Parameters
    ----------
    question : Question
    n_best : int, from 1 to 100
        How many sets are wanted.
    should_stop : callable, optional
        Asked often (many times a second); when it returns True the search ends where it is.
    on_step : callable, optional
        Told of each step of the search.

    Raises
    ------
    BuilderError
        If the question cannot be taken: no candidates, two of one key, a lock on a tune that is not there, a weight
        below zero, and the like.

    References
    ----------
    The method and its sources stand in ``docs/builder.md``.
    """
    check_question(question, n_best)
    asked = all_asked(question)
    conditions = [one.condition for one in asked]
    problem = problem_of(question, conditions)
    best = BestSets(n_best, problem.floor)

    def on_progress(n_opened: int, best_value: int | None, bound: int) -> None:
        if on_step is not None:
            on_step(Step(n_opened, None if best_value is None else best_value / 1e9, bound / 1e9))

    solver = Solver(problem, best, should_stop, on_progress)
    solver.begin()
    if best.best is None and not solver.is_finished:
        witness = some_set(question, conditions, should_stop)
        solver.n_opened += witness.n_opened
        if witness.is_impossible:
            return _no_set(question, solver.n_opened, should_stop)
        if witness.items is not None:
            tunes = tuple(problem.tune[list(witness.items)].tolist())
            chosen = [problem.choices[item] for item in witness.items]
            best.add(tunes, witness.items, built_set(question, chosen).billionths)
    solver.finish()
    if best.best is None and solver.is_finished:
        return _no_set(question, solver.n_opened, should_stop)
    return Answer(
        sets=tuple(built_set(question, [problem.choices[item] for item in items]) for items, _ in best.in_order()),
        bound_billionths=solver.bound,
        is_proven=solver.is_finished,
        clash=None,
        n_opened=solver.n_opened,
    )


def _no_set(question: Question, n_opened: int, should_stop: Callable[[], bool] | None) -> Answer:
    clash: Clash = smallest_clash(question, should_stop=should_stop)
    return Answer(sets=(), bound_billionths=None, is_proven=True, clash=clash, n_opened=n_opened)
