"""The best prices: steps down the slope of the bound.

References
----------
H. D. Sherali, O. Ulular, "A primal-dual conjugate subgradient algorithm for specially structured linear and convex
programming problems", Applied Mathematics and Optimization 20 (1989) 193-221: the direction that bisects the last one
and the new slope. B. T. Polyak's step length, as in Fisher (1981). Cited from memory, not checked again. Whatever the
steps, each bound they meet is a true one: a bad step costs time and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from graith.builder.network import Network
from graith.builder.plans import Booleans
from graith.builder.prices import Priced, Prices, best_path, best_time, priced
from graith.builder.problem import Problem

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
    by_time = (best_time(network, prices)[1] - played_us) / _TIME_SCALE_US
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
