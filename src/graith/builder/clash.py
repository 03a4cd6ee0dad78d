"""Why no set exists: the fewest demands that cannot hold together.

Every selection of demands that can hold together leaves some out; whatever clash exists must touch what *every* such
selection leaves out. So the fewest demands that touch all leavings seen so far are tried. If they can hold together,
the set that shows it is grown as far as it goes, and what it leaves out joins the leavings. If they cannot, they are a
clash, and no smaller one exists: any smaller selection misses the leavings of a set that does exist.

References
----------
A. Ignatiev, A. Previti, M. Liffiton, J. Marques-Silva, "Smallest MUS extraction with minimal hitting set dualization",
Principles and Practice of Constraint Programming (2015), LNCS 9255, 173-182. Cited from memory, not checked again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from graith.builder.best_sets import BestSets
from graith.builder.demands import Asked, Condition, all_asked
from graith.builder.explain import obeys
from graith.builder.model import ChosenTune, Clash, Question
from graith.builder.problem import problem_of
from graith.builder.solve import Solver


@dataclass(frozen=True, slots=True)
class Witness:
    """Whether some set satisfies conditions.

    Attributes
    ----------
    items : tuple of int or None
        Items of :func:`~graith.builder.problem.problem_of` that show it; None when none was found.
    tunes : tuple of ChosenTune
        The same, in full.
    is_impossible : bool
        Whether it is proven that there is none.
    n_opened : int
    """

    items: tuple[int, ...] | None
    tunes: tuple[ChosenTune, ...]
    is_impossible: bool
    n_opened: int


def some_set(
    question: Question, conditions: Iterable[Condition], should_stop: Callable[[], bool] | None = None
) -> Witness:
    """Return any set that satisfies the conditions, or that there is none."""
    problem = problem_of(question, conditions, valued=False)
    best = BestSets(1, problem.floor)
    solver = Solver(problem, best, should_stop, is_valued=False)
    solver.begin()
    if not solver.is_finished:
        solver.finish()
    found = best.in_order()
    if not found:
        return Witness(None, (), solver.is_finished, solver.n_opened)
    items = found[0][0]
    return Witness(items, tuple(problem.choices[item] for item in items), False, solver.n_opened)


def smallest_clash(question: Question, *, should_stop: Callable[[], bool] | None = None) -> Clash:
    """Return the fewest demands of a question that no set can satisfy together.

    Parameters
    ----------
    question : Question
        One that no set can satisfy; whoever calls has made sure of it.
    should_stop : callable, optional
        When it says yes, all demands are returned, and that a smaller clash may exist.
    """
    asked = all_asked(question)
    leavings: list[frozenset[int]] = []
    while True:
        tried = fewest_touching(leavings, len(asked))
        witness = some_set(question, [asked[index].condition for index in tried], should_stop)
        if witness.is_impossible:
            return Clash(tuple(asked[index].demand for index in sorted(tried)), is_smallest=True)
        if witness.items is None:
            return Clash(tuple(one.demand for one in asked), is_smallest=False)
        held = _grown(question, asked, tried, witness.tunes, should_stop)
        leavings.append(frozenset(range(len(asked))) - held)


def _grown(
    question: Question,
    asked: Sequence[Asked],
    tried: frozenset[int],
    tunes: Sequence[ChosenTune],
    should_stop: Callable[[], bool] | None,
) -> frozenset[int]:
    """Return demands that can hold together, beginning with those a set satisfies, as many as will go."""
    held = tried | {index for index, one in enumerate(asked) if obeys(one.condition, question, tunes)}
    for index, one in enumerate(asked):
        if index in held:
            continue
        witness = some_set(question, [*(asked[kept].condition for kept in sorted(held)), one.condition], should_stop)
        if witness.items is not None:
            held |= {other for other, also in enumerate(asked) if obeys(also.condition, question, witness.tunes)}
    return frozenset(held)


def fewest_touching(groups: Sequence[frozenset[int]], n: int) -> frozenset[int]:
    """Return the fewest of the numbers 0 … n - 1 of which every group holds at least one; of equals the first.

    Examples
    --------
    >>> sorted(fewest_touching([frozenset({0, 1}), frozenset({1, 2}), frozenset({3})], 4))
    [1, 3]
    """
    for size in range(n + 1):
        found = _touching(groups, frozenset(), size)
        if found is not None:
            return found
    return frozenset(range(n))


def _touching(groups: Sequence[frozenset[int]], chosen: frozenset[int], left: int) -> frozenset[int] | None:
    missed = [group for group in groups if not group & chosen]
    if not missed:
        return chosen
    if left == 0:
        return None
    smallest = min(missed, key=_size)
    for one in sorted(smallest):
        found = _touching(groups, chosen | {one}, left - 1)
        if found is not None:
            return found
    return None


def _size(group: frozenset[int]) -> int:
    return len(group)
