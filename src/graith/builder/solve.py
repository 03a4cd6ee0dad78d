"""From a problem to its best sets: prices, a dive, a narrower network, a time table, the search to the end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from graith.builder.best_sets import BestSets
from graith.builder.descend import best_prices
from graith.builder.network import Network, network_of
from graith.builder.plans import Integers, Plan
from graith.builder.prices import Priced, Prices, best_arrivals, earned_types, first_prices, priced
from graith.builder.problem import Problem
from graith.builder.search import BATCH, Search
from graith.builder.time_table import MOST_BUCKETS, time_table

_FIRST_STEPS = 40
_LATER_STEPS = 150
_DIVE_BATCH = 128
_UNVALUED_BATCH = 16


@dataclass(slots=True)
class _Open:
    """A plan that is not finished, with its network under prices and what it cannot exceed."""

    network: Network
    state: Priced
    bound: int


@dataclass(slots=True)
class Solver:
    """Solves one problem in two stages, so that a caller may look after the first.

    Attributes
    ----------
    problem : Problem
    best : BestSets
        Filled as sets are found.
    should_stop : callable or None
        Asked often; when it says yes the work ends where it is.
    on_progress : callable or None
        Told ``(n_opened, best, bound)`` after each batch of the last stage.
    is_valued : bool
        False when nothing is counted and the first set found is enough.
    most_dived, most_buckets : int
        Beginnings continued in one dive, and buckets of the time table: they change how fast the answer comes, never
        the answer.
    """

    problem: Problem
    best: BestSets
    should_stop: Callable[[], bool] | None = None
    on_progress: Callable[[int, int | None, int], None] | None = None
    is_valued: bool = True
    most_dived: int = 1500
    most_buckets: int = MOST_BUCKETS
    n_opened: int = 0
    _open: list[_Open] = field(default_factory=list)

    @property
    def is_finished(self) -> bool:
        """Whether nothing is left that could change the list."""
        return not self._open or (not self.is_valued and self.best.is_full)

    @property
    def bound(self) -> int | None:
        """What no set exceeds; None when no set can exist."""
        bounds = [one.bound for one in self._open]
        if self.best.best is not None:
            bounds.append(self.best.best)
        return max(bounds, default=None)

    def begin(self) -> None:
        """Price every plan and dive once into each, for sets to start from."""
        for plan in self.problem.plans:
            if self._could_hold_what_is_needed(plan):
                network = network_of(self.problem, plan)
                state = priced(network, first_prices(network))
                self._open.append(_Open(network, state, state.bound))
        for one in list(self._open):
            if self._is_over():
                return
            self._improve(one, _FIRST_STEPS)

    def finish(self) -> None:
        """Search every plan that is left to its end, the most promising first."""
        for one in sorted(self._open, key=lambda one: -one.bound):
            if self._is_over():
                return
            self._narrow(one)
            if one in self._open:
                self._improve(one, _LATER_STEPS)
            if one in self._open and not self._is_over():
                self._narrow(one)
            if one in self._open and not self._is_over():
                self._search(one)

    def _is_over(self) -> bool:
        return self.is_finished or (self.should_stop is not None and self.should_stop())

    def _could_hold_what_is_needed(self, plan: Plan) -> bool:
        needed = set(self.problem.needed)
        there = set(self.problem.tune[np.concatenate(plan.slots)].tolist())
        return len(needed) <= plan.most and needed <= there

    def _improve(self, one: _Open, n_steps: int) -> None:
        state = best_prices(
            one.network,
            one.state.prices,
            n_steps=n_steps,
            known=self.best.worst,
            enough=self.best.threshold,
            should_stop=self.should_stop,
        )
        one.state, one.bound = state, min(one.bound, state.bound)
        if one.bound <= self.best.threshold:
            self._open.remove(one)
            return
        if not self.most_dived:
            return
        dive = Search(one.network, state, self.best)
        whole = dive.run(
            most_opened=self.most_dived,
            batch=min(_DIVE_BATCH if self.is_valued else _UNVALUED_BATCH, self.most_dived),
            should_stop=self.should_stop,
            stop_when_full=not self.is_valued,
        )
        self.n_opened += dive.n_opened
        if whole or one.bound <= self.best.threshold:
            self._open.remove(one)

    def _narrow(self, one: _Open) -> None:
        network = narrowed(one.network, one.state, self.best.threshold)
        if network is None:
            self._open.remove(one)
            return
        one.network = network
        one.state = priced(network, _prices_of_what_is_there(network, one.state.prices))
        one.bound = min(one.bound, one.state.bound)

    def _search(self, one: _Open) -> None:
        search = Search(
            one.network, one.state, self.best, time_table(one.network, one.state, most_buckets=self.most_buckets)
        )
        before = self.n_opened

        def after_batch(search: Search) -> None:
            self.n_opened = before + search.n_opened
            one.bound = min(one.bound, search.bound)
            if self.on_progress is not None:
                self.on_progress(self.n_opened, self.best.best, self.bound or 0)

        whole = search.run(
            batch=BATCH if self.is_valued else _UNVALUED_BATCH,
            should_stop=self.should_stop,
            stop_when_full=not self.is_valued,
            after_batch=after_batch,
        )
        self.n_opened = before + search.n_opened
        if whole:
            self._open.remove(one)


def narrowed(network: Network, state: Priced, threshold: int) -> Network | None:
    """Return the network without the items through which no path exceeds a threshold; None when none is left."""
    problem = network.problem
    earned = earned_types(problem, state.prices)
    slots: list[Integers] = []
    for index, (slot, reached) in enumerate(zip(network.slots, best_arrivals(network, state), strict=True)):
        through = (reached + state.rest[index]).max(axis=1) - state.row_value[index]
        value = state.item_value[slot.items] + earned[slot.type_of_row[slot.row_of_item]]
        if index == 0:
            value = value - state.prices.time * problem.start_us[slot.items]
        kept = slot.items[through[slot.row_of_item] + value + state.constant > threshold]
        if not kept.size:
            break
        slots.append(np.sort(kept))
    if len(slots) < network.plan.least:
        return None
    return network_of(problem, replace(network.plan, most=len(slots), slots=tuple(slots)))


def _prices_of_what_is_there(network: Network, prices: Prices) -> Prices:
    """Return prices without those on tunes that stand in no slot any more."""
    problem = network.problem
    there = np.zeros(problem.n_tunes, dtype=bool)
    there[problem.tune[np.concatenate([slot.items for slot in network.slots])]] = True
    there[list(problem.needed)] = True
    return replace(prices, tunes=np.where(there, prices.tunes, 0))
