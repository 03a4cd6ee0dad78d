"""What can still be won behind each slot, by the time that is gone already."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from graith.builder.network import Network
from graith.builder.plans import Integers
from graith.builder.prices import Priced, after_memory, earned_types
from graith.builder.problem import NEVER

_MOST_WORK = 40_000_000
_MOST_ENTRIES = 10_000_000
_FEWEST_BUCKETS = 24
MOST_BUCKETS = 400


@dataclass(frozen=True, slots=True, eq=False)
class TimeTable:
    """Bounds on what follows, with the whole time kept and no longer priced.

    Time is cut into buckets. Whatever the time within a bucket, what follows is worth no more than the bucket's entry:
    a tune's time may carry a bucket into either of two, and the better one counts.

    Attributes
    ----------
    bucket_us : int
    by_slot : tuple of Integers, shape (rows, types + 1, buckets)
        By the type of the tune before, as in :class:`~graith.builder.prices.Priced`.
    """

    bucket_us: int
    by_slot: tuple[Integers, ...]

    def rest(self, slot: int, row_of_item: Integers, type_before: Integers, time_us: Integers) -> Integers:
        """Return bounds on what follows, shape (beginnings, items), for times of the same shape."""
        table = self.by_slot[slot]
        bucket = np.minimum(time_us // self.bucket_us, table.shape[2] - 1)
        rest: Integers = table[row_of_item[None, :], type_before[:, None], bucket]
        return rest


def time_table(network: Network, state: Priced, *, most_buckets: int = MOST_BUCKETS) -> TimeTable:
    """Return the table of a network; prices on types, tunes and parts stay in force.

    Fewer buckets make a looser bound, never a wrong one.
    """
    problem = network.problem
    last_us = network.high_us - min(0, int(problem.closing_extra_us.min()))
    n_buckets = _n_buckets(network, most_buckets) if problem.slope or network.low_us > 0 or _is_limited(network) else 1
    bucket_us = last_us // n_buckets + 1
    starts_us = np.arange(n_buckets, dtype=np.int64) * bucket_us
    earned = earned_types(problem, state.prices)
    value = state.item_value + state.prices.time * problem.mid_us
    tables: list[Integers] = []
    for index in range(len(network.slots) - 1, -1, -1):
        slot = network.slots[index]
        closing_us = problem.closing_extra_us[slot.items[slot.first_of_row]]
        ending = np.where(slot.ends[:, None], _ending(network, starts_us, bucket_us, closing_us), NEVER)
        table = np.repeat(ending[:, None, :], problem.n_memory + 1, axis=1)
        if tables:
            by_type = _onward(network, index, tables[-1], value, bucket_us, earned)
            types = network.slots[index + 1].types
            ahead = after_memory(by_type, types, slot.type_of_row, earned)
            np.maximum(table, ahead.transpose(1, 0, 2), out=table, where=slot.goes_on[:, None, None])
        tables.append(np.maximum(table, NEVER))
    tables.reverse()
    return TimeTable(bucket_us, tuple(tables))


def _is_limited(network: Network) -> bool:
    """Return whether some set could be too long."""
    problem = network.problem
    longest = sum(int(problem.mid_us[slot.items].max()) for slot in network.slots)
    return network.high_us < longest + int(problem.start_us.max()) + max(0, int(problem.closing_extra_us.max()))


def _n_buckets(network: Network, most_buckets: int) -> int:
    """Return as many buckets as the work of filling them allows."""
    slots = network.slots
    pairs = sum(len(after.items) * len(before.rows) for before, after in pairwise(slots))
    entries = sum(len(slot.rows) for slot in slots) * (network.problem.n_memory + 1)
    allowed = min(_MOST_WORK // max(1, pairs), _MOST_ENTRIES // entries)
    return min(max(allowed, _FEWEST_BUCKETS), most_buckets)


def _ending(network: Network, starts_us: Integers, bucket_us: int, closing_us: Integers) -> Integers:
    """Return the most that ending in each bucket can be worth, shape (rows, buckets)."""
    problem = network.problem
    low = starts_us[None, :] + closing_us[:, None]
    high = low + bucket_us - 1 + problem.slack_us
    low, high = np.maximum(low, network.low_us), np.minimum(high, network.high_us)
    nearest = np.clip(problem.target_us, low, np.maximum(low, high))
    return np.where(low <= high, problem.time_value(nearest), NEVER)


def _onward(
    network: Network, index: int, after: Integers, value: Integers, bucket_us: int, earned: Integers
) -> Integers:
    """Return the most that going on can be worth, by the next tune's type: shape (types there, rows, buckets)."""
    problem, slot, following = network.problem, network.slots[index], network.slots[index + 1]
    n_buckets = after.shape[2]
    by_type = np.full((following.types.size, slot.rows.size, n_buckets), NEVER)
    place = np.searchsorted(following.types, following.type_of_row)
    for item, row in zip(following.items, following.row_of_item, strict=True):
        jump = int(problem.mid_us[item]) // bucket_us
        if jump >= n_buckets:
            continue
        won = np.full(after.shape[1:], NEVER)
        won[:, : n_buckets - jump] = after[row, :, jump:]
        won[:, : n_buckets - jump - 1] = np.maximum(won[:, : n_buckets - jump - 1], after[row, :, jump + 1 :])
        won += value[item] + earned[following.type_of_row[row]]
        best = by_type[place[row]]
        np.maximum(best, following.link[row][:, None] + won[slot.type_of_row], out=best)
    return by_type
