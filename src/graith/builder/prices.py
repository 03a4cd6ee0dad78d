"""What no set can exceed: prices on what is hard to keep, and the best path when only prices are kept.

The slots of a set make a network in which a set is a path. Kept exactly: slots, links, who may stand where. Relaxed and
priced instead: the whole time, the number of parts, each type counted once, each tune played once, the tunes that must be
there. For any prices the best path of the network is worth at least as much as the best set (Lagrangian duality), and the
best prices are approached by subgradient steps.

References
----------
M. L. Fisher, "The Lagrangian relaxation method for solving integer programming problems", Management Science 27 (1981)
1-18: the bound and Polyak's step length. Paths by layers: Bellman's principle.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.builder.problem import NEVER, Booleans, Integers, Plan, Problem

Floats = npt.NDArray[np.float64]

_TIME_SCALE_US = 10_000_000
_PATIENCE = 10
_STREAK = 4
_SMALLEST_STEP = 0.02
_HOPED_GAP = 2_000_000_000
_SMALLEST_GAP = 100_000
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
        Rows of ``Problem.link`` that stand here, increasing.
    first_of_row : Integers, shape (rows,)
        Index in ``items`` of each row's first.
    row_of_item : Integers, shape (items,)
        Index in ``rows``.
    ends, goes_on : Booleans, shape (rows,)
        Whether the set may end here, and whether another tune may follow.
    link : Integers, shape (rows of the slot before, rows)
        Empty in the first slot.
    """

    items: Integers
    rows: Integers
    first_of_row: Integers
    row_of_item: Integers
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


def network_of(problem: Problem, plan: Plan) -> Network:
    """Return the network of a plan."""
    slots: list[Slot] = []
    blocks: dict[tuple[bytes, bytes], Integers] = {}
    for index, allowed in enumerate(plan.slots):
        items = allowed[np.argsort(problem.row[allowed], kind="stable")]
        rows, first_of_row, row_of_item = np.unique(problem.row[items], return_index=True, return_inverse=True)
        closes = problem.tune[items][first_of_row] == problem.closer
        may_end = index + 1 >= plan.least
        ends = np.full(rows.size, may_end) if problem.closer is None else closes & may_end
        if index == 0:
            link = np.zeros((0, rows.size), dtype=np.int64)
        else:
            key = (slots[-1].rows.tobytes(), rows.tobytes())
            if key not in blocks:
                blocks[key] = np.ascontiguousarray(problem.link[np.ix_(slots[-1].rows, rows)])
            link = blocks[key]
        slots.append(Slot(items, rows, first_of_row, row_of_item.reshape(-1), ends, ~closes, link))
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
        Of every item of the problem, prices counted, the opening not.
    row_value : tuple of Integers
        Slot by slot, the best item of each row; in the first slot with the opening.
    rest : tuple of Integers
        Slot by slot, what can still be won behind each row.
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
        problem.value
        - prices.time * problem.mid_us
        - prices.parts * problem.parts
        + prices.types[problem.tune_type]
        - prices.tunes[problem.tune]
    )
    row_value = [
        np.maximum.reduceat((value - prices.time * problem.start_us if index == 0 else value)[slot.items], slot.first_of_row)
        for index, slot in enumerate(network.slots)
    ]
    rest: list[Integers] = []
    for index in range(len(network.slots) - 1, -1, -1):
        slot = network.slots[index]
        closing = -prices.time * problem.closing_extra_us[slot.items[slot.first_of_row]]
        best = np.where(slot.ends, closing, NEVER)
        if rest:
            onward = (network.slots[index + 1].link + (row_value[index + 1] + rest[-1])[None, :]).max(axis=1)
            best = np.maximum(best, np.where(slot.goes_on, onward, NEVER))
        rest.append(np.maximum(best, NEVER))
    rest.reverse()
    by_types = int((problem.variety - prices.types[network.types]).sum()) - problem.variety + problem.start
    by_time = _best_time(network, prices)[0]
    by_parts = max(prices.parts * problem.least_parts, prices.parts * problem.most_parts)
    by_tunes = int(prices.tunes.sum())
    bound = int((row_value[0] + rest[0]).max()) + by_types + by_time + by_parts + by_tunes
    return Priced(
        prices, bound, value, tuple(row_value), tuple(rest), by_types, by_time, by_parts, by_tunes
    )


def _best_time(network: Network, prices: Prices) -> tuple[int, int]:
    """Return the best worth of a whole time with its price paid back, and that time."""
    problem = network.problem
    aimed_us = min(max(problem.target_us, network.low_us), network.high_us)
    times_us = np.array([network.low_us, aimed_us, network.high_us])
    worths = problem.time_value(times_us) + prices.time * times_us
    best = int(worths.argmax())
    held = max(0, -prices.time) * problem.slack_us
    return int(worths[best]) + held, int(times_us[best])


def best_path(network: Network, state: Priced) -> Integers:
    """Return the items of the best path under prices, in order."""
    path: list[int] = []
    value = state.row_value[0] + state.rest[0]
    for index, slot in enumerate(network.slots):
        row = int(value.argmax())
        path.append(_best_item(slot, row, state, index, network))
        if index + 1 == len(network.slots):
            break
        onward = network.slots[index + 1].link[row] + state.row_value[index + 1] + state.rest[index + 1]
        if slot.ends[row] and (not slot.goes_on[row] or onward.max() < state.rest[index][row]):
            break
        value = onward
    return np.array(path, dtype=np.int64)


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

    Parameters
    ----------
    network : Network
    prices : Prices
        Where to start.
    n_steps : int
    known : int or None
        Value of a set that is known, for the step length; None when none is.
    enough : int
        Stop as soon as the bound is no more than this.
    should_stop : callable, optional
        Asked before each step.
    """
    best = state = priced(network, prices)
    direction: Floats | None = None
    step, idle, fallen = 1.0, 0, 0
    for _ in range(n_steps):
        if best.bound <= enough or step < _SMALLEST_STEP or (should_stop is not None and should_stop()):
            break
        slope = _within_ranges(network, state.prices, _slope(network, state))
        if not slope.any():
            break
        if direction is not None:
            slope = _within_ranges(network, state.prices, slope + _ratio(slope, direction) * direction)
        direction = slope
        aim = best.bound - _HOPED_GAP if known is None else known
        pace = step * max(state.bound - aim, _SMALLEST_GAP) / max(float(direction @ direction), _SMALLEST_SLOPE)
        state = priced(network, _moved(network, state.prices, pace * direction))
        if state.bound < best.bound - _SMALLEST_GAP:
            best, idle, fallen = state, 0, fallen + 1
            if known is None and fallen % _STREAK == 0:
                step *= 2
            continue
        idle += 1
        if idle == _PATIENCE:
            step, idle = step / 2, 0
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
    path = best_path(network, state)
    played_us = int(problem.mid_us[path].sum() + problem.start_us[path[0]] + problem.closing_extra_us[path[-1]])
    parts = int(problem.parts[path].sum())
    if prices.parts == 0:
        best_parts = int(np.clip(parts, problem.least_parts, problem.most_parts))
    else:
        best_parts = problem.most_parts if prices.parts > 0 else problem.least_parts
    by_types = np.zeros(problem.n_types)
    by_types[network.types] = np.bincount(problem.tune_type[path], minlength=problem.n_types)[network.types] - 1.0
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
