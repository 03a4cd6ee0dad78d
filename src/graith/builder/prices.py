"""What no set can exceed: prices on what is hard to keep, and the best path when only prices are kept.

The slots of a set make a network in which a set is a path. Kept exactly: slots, links, who may stand where. Relaxed
and priced instead: the whole time, the number of parts, each type counted once, each tune played once, the tunes that
must be there. For any prices the best path of the network is worth at least as much as the best set (Lagrangian
duality). The path has a short memory: a tune earns nothing for its type when one of the two before it has the same.

References
----------
M. L. Fisher, "The Lagrangian relaxation method for solving integer programming problems", Management Science 27 (1981)
1-18. Paths by layers: Bellman's principle. N. Christofides, A. Mingozzi, P. Toth, "State-space relaxation procedures
for the computation of bounds to routing problems", Networks 11 (1981) 145-164: a short memory against short cycles.
Cited from memory, not checked again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from graith.builder.network import Network, Slot
from graith.builder.plans import Integers
from graith.builder.problem import NEVER, Problem


@dataclass(frozen=True, slots=True, eq=False)
class Prices:
    """Prices in billionths of a point; any whole numbers in the ranges said give a true bound.

    Attributes
    ----------
    time : int
        Of each microsecond of the whole time, of either sign.
    parts : int
        Of each part played, of either sign.
    types : Integers, shape (types,)
        What a tune earns for its type, from 0 to ``Problem.variety``.
    tunes : Integers, shape (tunes,)
        What playing a tune costs: at least 0, of either sign for a tune that must be there.
    """

    time: int
    parts: int
    types: Integers
    tunes: Integers


def first_prices(network: Network) -> Prices:
    """Return prices to start from: none but the types', at their worth, half of it or nothing, whichever bounds best.

    Where a set has room for no more tunes than there are types, the whole worth is close to the best price.
    """
    problem = network.problem
    tunes = np.zeros(problem.n_tunes, dtype=np.int64)
    starts = [
        Prices(0, 0, np.full(problem.n_types, price, dtype=np.int64), tunes)
        for price in (problem.variety, problem.variety // 2, 0)
    ]
    return min(starts, key=lambda prices: priced(network, prices).bound)


@dataclass(frozen=True, slots=True, eq=False)
class Priced:
    """A network under prices.

    Attributes
    ----------
    bound : int
        No set of the plan is worth more.
    item_value : Integers, shape (items,)
        Of every item of the problem, prices counted, its type and the opening not.
    row_value : tuple of Integers, shape (rows,)
        Slot by slot, the best item of each row with what its type earns; in the first slot with the opening.
    rest : tuple of Integers, shape (rows, memory + 1)
        Slot by slot, what can still be won behind each row, by the type of the tune before it; the last column is for
        no tune before it.
    by_types, by_time, by_parts, by_tunes : int
        The constants of the bound.
    """

    prices: Prices
    bound: int
    item_value: Integers
    row_value: tuple[Integers, ...]
    rest: tuple[Integers, ...]
    by_types: int
    by_time: int
    by_parts: int
    by_tunes: int

    @property
    def constant(self) -> int:
        """All constants together."""
        return self.by_types + self.by_time + self.by_parts + self.by_tunes


def priced(network: Network, prices: Prices) -> Priced:
    """Return what a network is worth under prices: one backward pass over its slots."""
    problem = network.problem
    value = problem.value - prices.time * problem.mid_us - prices.parts * problem.parts - prices.tunes[problem.tune]
    row_value = tuple(_row_value(network, index, value, prices) for index in range(len(network.slots)))
    earned = earned_types(problem, prices)
    rest: list[Integers] = []
    for index in range(len(network.slots) - 1, -1, -1):
        slot = network.slots[index]
        closing = -prices.time * problem.closing_extra_us[slot.items[slot.first_of_row]]
        best = np.repeat(np.where(slot.ends, closing, NEVER)[:, None], problem.n_memory + 1, axis=1)
        if rest:
            following = network.slots[index + 1]
            won = row_value[index + 1][:, None] + rest[-1][:, :-1]
            onward = following.link + np.take(won, slot.type_of_row, axis=1)
            by_type = np.maximum.reduceat(onward, following.first_of_type, axis=0)
            ahead = after_memory(by_type, following.types, slot.type_of_row, earned)
            np.maximum(best, ahead.T, out=best, where=slot.goes_on[:, None])
        rest.append(np.maximum(best, NEVER))
    rest.reverse()
    by_types = int((problem.variety - prices.types[network.types]).sum()) - problem.variety + problem.start
    by_time = best_time(network, prices)[0]
    by_parts = max(prices.parts * problem.least_parts, prices.parts * problem.most_parts)
    by_tunes = int(prices.tunes.sum())
    best_start = int((row_value[0] + rest[0][:, network.no_type]).max())
    bound = best_start + by_types + by_time + by_parts + by_tunes
    return Priced(prices, bound, value, row_value, tuple(rest), by_types, by_time, by_parts, by_tunes)


def _row_value(network: Network, index: int, value: Integers, prices: Prices) -> Integers:
    slot, problem = network.slots[index], network.problem
    here = value[slot.items]
    if index == 0:
        here = here - prices.time * problem.start_us[slot.items]
    best: Integers = np.maximum.reduceat(here, slot.first_of_row)
    return best + earned_types(problem, prices)[slot.type_of_row]


def earned_types(problem: Problem, prices: Prices) -> Integers:
    """Return what each type that can be remembered earns, shape (n_memory,)."""
    return prices.types if problem.variety else np.zeros(1, dtype=np.int64)


def after_memory(by_type: Integers, types: Integers, type_of_row: Integers, earned: Integers) -> Integers:
    """Return the best continuation by the type of the tune before, when types just heard earn nothing.

    Parameters
    ----------
    by_type : Integers, shape (types here, rows, ...)
        Best continuation of each row by the type of the next tune, its type earned. Overwritten.
    types : Integers, shape (types here,)
        Those types.
    type_of_row : Integers, shape (rows,)
        Of the row itself: the next tune's type is not earned when it is the same, and lost once only.
    earned : Integers, shape (memory,)
        What each type earns.

    Returns
    -------
    Integers, shape (memory + 1, rows, ...)
        Best continuation when the tune before the row had each type, or was not there.
    """
    place = np.full(earned.size + 1, -1)
    place[types] = np.arange(types.size)
    again = np.flatnonzero(place[type_of_row] >= 0)
    heard = type_of_row[again]
    by_type[place[heard], again] -= earned[heard].reshape((-1,) + (1,) * (by_type.ndim - 2))
    best = by_type.argmax(axis=0)
    top = np.take_along_axis(by_type, best[None], axis=0)[0]
    ahead = np.repeat(top[None], earned.size + 1, axis=0)
    if earned.any():
        np.put_along_axis(by_type, best[None], NEVER, axis=0)
        second = by_type.max(axis=0)
        for index, one in enumerate(types):
            ahead[one] = np.where(best == index, np.maximum(top - earned[one], second), top)
            ahead[one, type_of_row == one] = top[type_of_row == one]
    return ahead


def best_arrivals(network: Network, state: Priced) -> list[Integers]:
    """Return what the best beginning up to each row is worth: slot by slot, shape (rows, memory + 1).

    Columns are the type of the tune before, the last for no tune before; the row itself is counted. With ``rest`` of
    the same column it makes the best path through the row.
    """
    earned = earned_types(network.problem, state.prices)
    kinds = np.arange(earned.size)
    arrived = np.full((network.slots[0].rows.size, earned.size + 1), NEVER)
    arrived[:, network.no_type] = state.row_value[0]
    arrivals = [arrived]
    for slot, before, value in zip(network.slots[1:], network.slots, state.row_value[1:], strict=False):
        reached = np.where(before.goes_on[:, None], arrivals[-1], NEVER)
        lost = np.where(kinds[:, None] == np.append(kinds, -1)[None, :], earned[:, None], 0)
        ahead = np.max([reached[:, None, column] - lost[None, :, column] for column in range(earned.size + 1)], axis=0)
        own = before.type_of_row
        ahead[np.arange(before.rows.size), own] = reached.max(axis=1) - earned[own]
        onward = slot.link + ahead[:, slot.type_of_row].T
        by_type = np.maximum.reduceat(onward, before.first_of_type, axis=1) + value[:, None]
        arrived = np.full((slot.rows.size, earned.size + 1), NEVER)
        arrived[:, before.types] = np.maximum(by_type, NEVER)
        arrivals.append(arrived)
    return arrivals


def best_time(network: Network, prices: Prices) -> tuple[int, int]:
    """Return the best worth of a whole time with its price paid back, and that time."""
    problem = network.problem
    aimed_us = min(max(problem.target_us, network.low_us), network.high_us)
    times_us = np.array([network.low_us, aimed_us, network.high_us])
    worths = problem.time_value(times_us) + prices.time * times_us
    best = int(worths.argmax())
    return int(worths[best]) + max(0, -prices.time) * problem.slack_us, int(times_us[best])


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The best path under prices: its items in order, and the types it earned."""

    items: Integers
    earned: Integers


def best_path(network: Network, state: Priced) -> Path:
    """Return the best path under prices."""
    items: list[int] = []
    earned: list[int] = []
    before, here = network.no_type, network.no_type
    value = state.row_value[0] + state.rest[0][:, network.no_type]
    for index, slot in enumerate(network.slots):
        row = int(value.argmax())
        items.append(_best_item(slot, row, state, index, network))
        one = int(slot.type_of_row[row])
        if one not in (before, here):
            earned.append(one)
        before, here = here, one
        if index + 1 == len(network.slots):
            break
        following = network.slots[index + 1]
        value = following.link[:, row] + state.row_value[index + 1] + state.rest[index + 1][:, here]
        if network.problem.variety:
            just_heard = (following.type_of_row == here) | (following.type_of_row == before)
            value = value - np.where(just_heard, state.prices.types[following.type_of_row], 0)
        if slot.ends[row] and (not slot.goes_on[row] or value.max() < state.rest[index][row, before]):
            break
    return Path(np.array(items, dtype=np.int64), np.array(earned, dtype=np.int64))


def _best_item(slot: Slot, row: int, state: Priced, index: int, network: Network) -> int:
    here = slot.items[slot.row_of_item == row]
    value = state.item_value[here]
    if index == 0:
        value = value - state.prices.time * network.problem.start_us[here]
    return int(here[value.argmax()])
