"""What no set can exceed: prices on what is hard to keep, and the best path when only prices are kept.

The slots of a set make a network in which a set is a path. Kept exactly: slots, links, who may stand where. Relaxed and
priced instead: the whole time, the number of parts, each type counted once, each tune played once, the tunes that must be
there. For any prices the best path of the network is worth at least as much as the best set (Lagrangian duality), and the
best prices are approached by subgradient steps.

The path has a short memory for types: a tune earns nothing for its type when one of the two before it has the same.

References
----------
M. L. Fisher, "The Lagrangian relaxation method for solving integer programming problems", Management Science 27 (1981)
1-18: the bound and Polyak's step length. H. D. Sherali, O. Ulular, "A primal-dual conjugate subgradient algorithm for
specially structured linear and convex programming problems", Applied Mathematics and Optimization 20 (1989) 193-221: the
direction that bisects the last one and the new slope. Paths by layers: Bellman's principle. From memory, not checked again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.builder.problem import NEVER, Booleans, Integers, Plan, Problem

Floats = npt.NDArray[np.float64]

_TIME_SCALE_US = 10_000_000
_PATIENCE = 7
_SMALLEST_HOPE = 20_000_000
_SMALLEST_FALL = 100_000
_SMALLEST_SLOPE = 1e-9

# What keeps every sum far from where 64 bits end.
_MOST_FOR_A_TUNE = 10**14
_MOST_FOR_A_PART = 10**12
_MOST_FOR_A_MICROSECOND = 10**5


@dataclass(frozen=True, slots=True, eq=False)
class Slot:
    """One slot of the network.

    Attributes
    ----------
    items : Integers, shape (items,)
        Sorted by row.
    rows : Integers, shape (rows,)
        Rows of ``Problem.link`` that stand here, increasing, so that those of one type stand together.
    first_of_row : Integers, shape (rows,)
        Index in ``items`` of each row's first.
    row_of_item : Integers, shape (items,)
        Index in ``rows``.
    type_of_row : Integers, shape (rows,)
        All 0 where variety does not count.
    types, first_of_type : Integers, shape (types here,)
        The types that stand here, and the index in ``rows`` of each one's first.
    ends, goes_on : Booleans, shape (rows,)
        Whether the set may end here, and whether another tune may follow.
    link : Integers, shape (rows, rows of the slot before)
        Empty in the first slot.
    """

    items: Integers
    rows: Integers
    first_of_row: Integers
    row_of_item: Integers
    type_of_row: Integers
    types: Integers
    first_of_type: Integers
    ends: Booleans
    goes_on: Booleans
    link: Integers


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """A plan's slots as layers of a network; ``slots[0]`` is the first tune's."""

    problem: Problem
    plan: Plan
    slots: tuple[Slot, ...]
    types: Integers
    low_us: int
    high_us: int

    @property
    def no_type(self) -> int:
        """The index that stands for the type of no tune, where none comes before."""
        return self.problem.n_memory


def network_of(problem: Problem, plan: Plan) -> Network:
    """Return the network of a plan."""
    slots: list[Slot] = []
    blocks: dict[tuple[bytes, bytes], Integers] = {}
    for index, allowed in enumerate(plan.slots):
        before = slots[-1].rows if slots else np.zeros(0, dtype=np.int64)
        slots.append(_slot(problem, allowed, before, blocks, may_end=index + 1 >= plan.least))
    everything = np.unique(np.concatenate([slot.items for slot in slots]))
    openers = slots[0].items
    return Network(
        problem=problem,
        plan=plan,
        slots=tuple(slots),
        types=np.unique(problem.tune_type[everything]),
        low_us=int(problem.low_us[openers].min()),
        high_us=int(problem.high_us[openers].max()),
    )


def _slot(
    problem: Problem, allowed: Integers, before: Integers, blocks: dict[tuple[bytes, bytes], Integers], *, may_end: bool
) -> Slot:
    items = allowed[np.argsort(problem.row[allowed], kind="stable")]
    rows, first_of_row, row_of_item = np.unique(problem.row[items], return_index=True, return_inverse=True)
    type_of_row = problem.tune_type[items[first_of_row]] if problem.variety else np.zeros(rows.size, dtype=np.int64)
    types, first_of_type = np.unique(type_of_row, return_index=True)
    closes = problem.tune[items][first_of_row] == problem.closer
    key = (before.tobytes(), rows.tobytes())
    if key not in blocks:
        blocks[key] = np.ascontiguousarray(problem.link[np.ix_(before, rows)].T)
    return Slot(
        items=items,
        rows=rows,
        first_of_row=first_of_row,
        row_of_item=row_of_item.reshape(-1),
        type_of_row=type_of_row,
        types=types,
        first_of_type=first_of_type,
        ends=np.full(rows.size, may_end) if problem.closer is None else closes & may_end,
        goes_on=~closes,
        link=blocks[key],
    )


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
    value = (
        problem.value - prices.time * problem.mid_us - prices.parts * problem.parts - prices.tunes[problem.tune]
    )
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
    by_time = _best_time(network, prices)[0]
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
        Of the row itself: the next tune's type is not earned when it is the same.
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
    return ahead


def best_arrivals(network: Network, state: Priced) -> list[Integers]:
    """Return what the best beginning up to each row is worth: slot by slot, shape (rows, memory + 1).

    Columns are the type of the tune before, the last for no tune before; the row itself is counted. With ``rest`` of the
    same column it makes the best path through the row.
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
        ahead[np.arange(before.rows.size), before.type_of_row] -= earned[before.type_of_row]
        onward = slot.link + ahead[:, slot.type_of_row].T
        by_type = np.maximum.reduceat(onward, before.first_of_type, axis=1) + value[:, None]
        arrived = np.full((slot.rows.size, earned.size + 1), NEVER)
        arrived[:, before.types] = np.maximum(by_type, NEVER)
        arrivals.append(arrived)
    return arrivals


def _best_time(network: Network, prices: Prices) -> tuple[int, int]:
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


def best_prices(
    network: Network,
    prices: Prices,
    *,
    n_steps: int,
    known: int | None,
    enough: int,
    should_stop: Callable[[], bool] | None = None,
) -> Priced:
    """Return the network under the best prices found.

    Each step aims at a bound lower by what is hoped for: twice as much after that was reached half, half as much after
    seven steps in vain, from the best prices again.

    Parameters
    ----------
    network : Network
    prices : Prices
        Where to start.
    n_steps : int
    known : int or None
        Value of a set that is known, which no bound can pass; None when none is.
    enough : int
        Stop as soon as the bound is no more than this.
    should_stop : callable, optional
        Asked before each step.
    """
    best = state = priced(network, prices)
    direction: Floats | None = None
    hoped = (best.bound - network.problem.floor) // 16 if known is None else best.bound - known
    fallen_from, idle = best.bound, 0
    for _ in range(n_steps):
        if best.bound <= enough or hoped < _SMALLEST_HOPE or (should_stop is not None and should_stop()):
            break
        slope = _within_ranges(network, state.prices, _slope(network, state))
        if not slope.any():
            break
        if direction is not None:
            slope = _within_ranges(network, state.prices, slope + _ratio(slope, direction) * direction)
        direction = slope
        aim = best.bound - hoped if known is None else max(best.bound - hoped, known)
        pace = max(state.bound - aim, _SMALLEST_FALL) / max(float(direction @ direction), _SMALLEST_SLOPE)
        state = priced(network, _moved(network, state.prices, pace * direction))
        if state.bound < best.bound - _SMALLEST_FALL:
            best, idle = state, 0
            if fallen_from - best.bound > hoped // 2:
                hoped, fallen_from = 2 * hoped, best.bound
        elif idle + 1 < _PATIENCE:
            idle += 1
        else:
            state, direction, idle = best, None, 0
            hoped, fallen_from = hoped // 2, best.bound
    return best


def _ratio(slope: Floats, direction: Floats) -> float:
    """Return what brings the last direction to the slope's length, so that the two are bisected."""
    length = float(direction @ direction)
    return float(np.sqrt(slope @ slope / length)) if length > 0.0 else 0.0


def _slope(network: Network, state: Priced) -> Floats:
    """Return a subgradient of the bound: by time, parts, each type and each tune, in this order.

    A price goes up where the best path takes too much of a thing, and down where it takes too little.
    """
    problem, prices = network.problem, state.prices
    best = best_path(network, state)
    path = best.items
    played_us = int(problem.mid_us[path].sum() + problem.start_us[path[0]] + problem.closing_extra_us[path[-1]])
    parts = int(problem.parts[path].sum())
    if prices.parts == 0:
        best_parts = int(np.clip(parts, problem.least_parts, problem.most_parts))
    else:
        best_parts = problem.most_parts if prices.parts > 0 else problem.least_parts
    by_types = np.zeros(problem.n_types)
    if problem.variety:
        by_types[network.types] = np.bincount(best.earned, minlength=problem.n_types)[network.types] - 1.0
    by_tunes = 1.0 - np.bincount(problem.tune[path], minlength=problem.n_tunes)
    by_time = (_best_time(network, prices)[1] - played_us) / _TIME_SCALE_US
    return np.concatenate([[by_time, float(best_parts - parts)], by_types, by_tunes])


def _within_ranges(network: Network, prices: Prices, slope: Floats) -> Floats:
    """Return a slope without those of its parts along which a price would leave its range."""
    problem = network.problem
    kept = slope.copy()
    by_types, by_tunes = kept[2 : 2 + problem.n_types], kept[2 + problem.n_types :]
    by_types[(prices.types <= 0) & (by_types > 0)] = 0.0
    by_types[(prices.types >= problem.variety) & (by_types < 0)] = 0.0
    by_tunes[_is_free(problem) & (prices.tunes <= 0) & (by_tunes > 0)] = 0.0
    return kept


def _is_free(problem: Problem) -> Booleans:
    """Return which tunes may be left out."""
    free = np.ones(problem.n_tunes, dtype=bool)
    free[list(problem.needed)] = False
    return free


def _moved(network: Network, prices: Prices, move: Floats) -> Prices:
    """Return prices moved down the bound's slope, whole and within their ranges."""
    problem = network.problem
    by_types, by_tunes = move[2 : 2 + problem.n_types], move[2 + problem.n_types :]
    tunes = np.clip(np.rint(prices.tunes - by_tunes), -_MOST_FOR_A_TUNE, _MOST_FOR_A_TUNE).astype(np.int64)
    time = float(np.clip(prices.time - move[0] / _TIME_SCALE_US, -_MOST_FOR_A_MICROSECOND, _MOST_FOR_A_MICROSECOND))
    parts = float(np.clip(prices.parts - move[1], -_MOST_FOR_A_PART, _MOST_FOR_A_PART))
    return Prices(
        time=round(time),
        parts=_one_sided(round(parts), problem),
        types=np.clip(np.rint(prices.types - by_types), 0, problem.variety).astype(np.int64),
        tunes=np.where(_is_free(problem), np.maximum(tunes, 0), tunes),
    )


def _one_sided(price: int, problem: Problem) -> int:
    """Return a price on parts that does not pay for a limit that is not there."""
    return min(price, 0) if problem.most_parts >= 10**6 else price
