"""The search itself: beginnings of sets, continued slot by slot, dropped as soon as a bound says they cannot matter.

A *beginning* is the first tunes of a set, with their cuts. Beginnings are held in batches and opened depth first, the
most promising of the deepest slot first, all continuations of a batch at once. The search is exact: what is dropped is
dropped because its bound does not exceed the worst set still on the list.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from graith.builder import worth
from graith.builder.best_sets import BestSets
from graith.builder.network import Network
from graith.builder.plans import Booleans, Integers
from graith.builder.prices import Priced
from graith.builder.problem import NEVER
from graith.builder.time_table import TimeTable

BATCH = 1024
_MOST_PAIRS = 400_000


@dataclass(frozen=True, slots=True, eq=False)
class _Beginnings:
    """Beginnings of one length. ``items`` has shape (beginnings, slots filled); all else (beginnings,).

    ``types`` and ``needed`` are bit sets; ``price`` is what the tunes played cost under prices.
    """

    items: Integers
    time_us: Integers
    value: Integers
    price: Integers
    types: Integers
    needed: Integers
    parts: Integers
    bound: Integers

    def __len__(self) -> int:
        return len(self.bound)

    def take(self, chosen: npt.NDArray[np.intp]) -> _Beginnings:
        return _Beginnings(
            self.items[chosen],
            self.time_us[chosen],
            self.value[chosen],
            self.price[chosen],
            self.types[chosen],
            self.needed[chosen],
            self.parts[chosen],
            self.bound[chosen],
        )


def _nothing_yet() -> _Beginnings:
    zero = np.zeros(1, dtype=np.int64)
    return _Beginnings(np.zeros((1, 0), dtype=np.int64), zero, zero, zero, zero, zero, zero, np.array([-NEVER]))


@dataclass(slots=True)
class Search:
    """A search of one network under prices, and with a time table when there is one.

    Attributes
    ----------
    network : Network
    state : Priced
    table : TimeTable or None
    best : BestSets
        Filled as sets are found.
    n_opened : int
        Beginnings continued so far.
    """

    network: Network
    state: Priced
    best: BestSets
    table: TimeTable | None = None
    n_opened: int = 0
    _pools: list[list[_Beginnings]] = field(default_factory=list)
    _by_types: Integers = field(init=False)
    _n_types_of: Integers = field(init=False)
    _bit_of_tune: Integers = field(init=False)
    _needed_us: Integers = field(init=False)
    _needed_types: Integers = field(init=False)
    _types_us: Integers = field(init=False)
    _parts_can_be: list[Booleans] = field(init=False)

    def __post_init__(self) -> None:
        problem = self.network.problem
        sets_of_types = np.arange(1 << problem.n_types, dtype=np.int64)
        self._n_types_of = sum(((sets_of_types >> t) & 1 for t in range(problem.n_types)), np.zeros_like(sets_of_types))
        self._by_types = np.full(sets_of_types.size, problem.start - problem.variety, dtype=np.int64)
        for one in self.network.types:
            unheard = problem.variety - self.state.prices.types[one]
            self._by_types += np.where((sets_of_types >> one) & 1, problem.variety, unheard)
        self._bit_of_tune = np.zeros(problem.n_tunes, dtype=np.int64)
        for bit, tune in enumerate(problem.needed):
            self._bit_of_tune[tune] |= 1 << bit
        self._needed_us, self._needed_types = self._needed_still()
        self._types_us = self._times_of_types()
        self._parts_can_be = self._reachable_parts()
        self._pools = [[] for _ in self.network.slots]
        self._pools[0].append(_nothing_yet())

    @property
    def bound(self) -> int:
        """What no set that is still unseen can exceed."""
        return max((int(one.bound.max()) for pool in self._pools for one in pool), default=NEVER)

    def run(
        self,
        *,
        most_opened: int | None = None,
        batch: int = BATCH,
        should_stop: Callable[[], bool] | None = None,
        stop_when_full: bool = False,
        after_batch: Callable[[Search], None] | None = None,
    ) -> bool:
        """Search on; return whether nothing is left to search.

        Parameters
        ----------
        most_opened : int, optional
            Give up after about so many beginnings.
        batch : int
            Beginnings opened at once.
        should_stop : callable, optional
            Asked before each batch.
        stop_when_full : bool
            Return as soon as the list is full, whether or not it is the best.
        after_batch : callable, optional
            Told of the search after each batch.
        """
        while True:
            slot = max((index for index, pool in enumerate(self._pools) if pool), default=None)
            if slot is None:
                return True
            if stop_when_full and self.best.is_full:
                return False
            if (most_opened is not None and self.n_opened >= most_opened) or (
                should_stop is not None and should_stop()
            ):
                return False
            beginnings = self._next_batch(slot, batch)
            if beginnings is not None:
                self._open(beginnings, slot)
                if after_batch is not None:
                    after_batch(self)

    def _next_batch(self, slot: int, batch: int) -> _Beginnings | None:
        pool = self._pools[slot].pop()
        alive = np.flatnonzero(pool.bound > self.best.threshold)
        if not alive.size:
            return None
        order = alive[np.argsort(-pool.bound[alive], kind="stable")]
        if order.size > batch:
            self._pools[slot].append(pool.take(order[batch:]))
        return pool.take(order[:batch])

    def _open(self, beginnings: _Beginnings, slot: int) -> None:
        self.n_opened += len(beginnings)
        items = self.network.slots[slot].items
        rows_at_once = max(1, _MOST_PAIRS // max(1, items.size))
        for start in range(0, len(beginnings), rows_at_once):
            some = beginnings.take(np.arange(start, min(start + rows_at_once, len(beginnings))))
            longer = self._continued(some, slot)
            if not len(longer):
                continue
            self._note_whole_sets(longer, slot)
            if slot + 1 < len(self.network.slots):
                on = np.flatnonzero(longer.bound > self.best.threshold)
                if on.size:
                    self._pools[slot + 1].append(longer.take(on))

    def _continued(self, before: _Beginnings, slot: int) -> _Beginnings:
        """Return all continuations by one tune whose bound exceeds the threshold."""
        problem, here = self.network.problem, self.network.slots[slot]
        items = here.items
        value = before.value[:, None] + problem.value[items][None, :]
        time_us = before.time_us[:, None] + problem.mid_us[items][None, :]
        if slot == 0:
            time_us = time_us + problem.start_us[items][None, :]
        else:
            last = before.items[:, -1]
            value += problem.link[problem.row[last][:, None], problem.row[items][None, :]]
            if problem.has_held_links:
                time_us += worth.held_us(
                    np.broadcast_to(problem.pickup_us[items][None, :], time_us.shape),
                    np.broadcast_to(problem.room_us[last][:, None], time_us.shape),
                    problem.beat_us[last][:, None],
                )
        types = before.types[:, None] | (1 << problem.tune_type[items])[None, :]
        price = before.price[:, None] + self.state.prices.tunes[problem.tune[items]][None, :]
        parts = before.parts[:, None] + problem.parts[items][None, :]
        needed = before.needed[:, None] | self._bit_of_tune[problem.tune[items]][None, :]
        if slot and problem.variety:
            type_before = problem.tune_type[before.items[:, -1]]
        else:
            type_before = np.full(len(before), self.network.no_type if slot == 0 else 0)
        bound = self._bound(slot, type_before, value, time_us, types, price, parts)
        bound[self._forbidden(before, slot) | ~self._can_be_completed(slot, time_us, types, parts, needed)] = NEVER
        one, other = np.nonzero(bound > self.best.threshold)
        return _Beginnings(
            items=np.concatenate([before.items[one], items[other][:, None]], axis=1),
            time_us=time_us[one, other],
            value=value[one, other],
            price=price[one, other],
            types=types[one, other],
            needed=needed[one, other],
            parts=parts[one, other],
            bound=bound[one, other],
        )

    def _bound(
        self,
        slot: int,
        type_before: Integers,
        value: Integers,
        time_us: Integers,
        types: Integers,
        price: Integers,
        parts: Integers,
    ) -> Integers:
        """Return what no set with these beginnings can exceed: by the prices, and by the table when there is one."""
        prices, state, row_of_item = self.state.prices, self.state, self.network.slots[slot].row_of_item
        known = value + self._by_types[types] + (state.by_tunes - price) + (state.by_parts - prices.parts * parts)
        rest = state.rest[slot][row_of_item[None, :], type_before[:, None]]
        bound: Integers = known + (state.by_time - prices.time * time_us) + rest
        if self.table is None:
            return bound
        by_table: Integers = known + self.table.rest(slot, row_of_item, type_before, time_us)
        return np.minimum(bound, by_table)

    def _forbidden(self, before: _Beginnings, slot: int) -> Booleans:
        """Return which continuations play a tune twice, or tunes together that must not be."""
        problem = self.network.problem
        tunes = problem.tune[self.network.slots[slot].items]
        forbidden = np.zeros((len(before), tunes.size), dtype=bool)
        played = problem.tune[before.items]
        for column in range(slot):
            forbidden |= played[:, column][:, None] == tunes[None, :]
            if column == slot - 1:
                for one, other in problem.not_after:
                    forbidden |= (played[:, column] == one)[:, None] & (tunes == other)[None, :]
        for pair in problem.apart:
            for one, other in (pair, pair[::-1]):
                forbidden |= (played == one).any(axis=1)[:, None] & (tunes == other)[None, :]
        if slot and problem.closer is not None:
            forbidden |= (played[:, -1] == problem.closer)[:, None]
        return forbidden

    def _can_be_completed(
        self, slot: int, time_us: Integers, types: Integers, parts: Integers, needed: Integers
    ) -> Booleans:
        """Return which beginnings may still get their time, parts, types and needed tunes."""
        problem = self.network.problem
        left: Integers | int = len(self.network.slots) - 1 - slot
        most_us = self.network.high_us - min(0, int(problem.closing_extra_us.min()))
        can_be: Booleans = time_us + self._needed_us[needed] <= most_us
        if problem.needed:
            left = left - self._n_needed_left(needed)
            can_be &= left >= 0
        if problem.least_types:
            can_be &= time_us + self._types_us[types] <= most_us
            can_be &= self._n_types_of[types | self._needed_types[needed]] + left >= problem.least_types
        reachable = self._parts_can_be[slot]
        can_be &= reachable[np.minimum(parts, reachable.size - 1)]
        return can_be

    def _n_needed_left(self, needed: Integers) -> Integers:
        left = np.full(needed.shape, len(self.network.problem.needed), dtype=np.int64)
        for bit in range(len(self.network.problem.needed)):
            left -= (needed >> bit) & 1
        return left

    def _needed_still(self) -> tuple[Integers, Integers]:
        """Return, by the bit set of needed tunes that are there, the least time and the types of the others."""
        problem = self.network.problem
        sets = np.arange(1 << len(problem.needed), dtype=np.int64)
        left_us, left_types = np.zeros_like(sets), np.zeros_like(sets)
        for bit, tune in enumerate(problem.needed):
            of_tune = problem.tune == tune
            is_left = (sets >> bit) & 1 == 0
            left_us += np.where(is_left, problem.mid_us[of_tune].min(), 0)
            left_types |= np.where(is_left, 1 << int(problem.tune_type[of_tune][0]), 0)
        return left_us, left_types

    def _times_of_types(self) -> Integers:
        """Return, by the bit set of types heard, the least time in which the types that are wanting can be heard."""
        problem = self.network.problem
        sets = np.arange(1 << problem.n_types, dtype=np.int64)
        wanting = np.maximum(problem.least_types - self._n_types_of, 0)
        left_us = np.zeros_like(sets)
        shortest = [(int(problem.mid_us[problem.tune_type == one].min()), one) for one in range(problem.n_types)]
        for time_us, one in sorted(shortest):
            takes = (wanting > 0) & ((sets >> one) & 1 == 0)
            left_us += np.where(takes, time_us, 0)
            wanting -= takes
        return left_us

    def _reachable_parts(self) -> list[Booleans]:
        """Return, slot by slot, for each number of parts so far whether a number that is allowed can be reached."""
        problem, slots = self.network.problem, self.network.slots
        longest = sum(int(problem.parts[slot.items].max()) for slot in slots)
        counts = np.arange(longest + 1)
        allowed = (counts >= problem.least_parts) & (counts <= problem.most_parts)
        reachable: list[Booleans] = []
        for index in range(len(slots) - 1, -1, -1):
            can_be = allowed.copy() if index + 1 >= self.network.plan.least else np.zeros(longest + 1, dtype=bool)
            if reachable:
                for more in np.unique(problem.parts[slots[index + 1].items]):
                    can_be[: longest + 1 - more] |= reachable[-1][more:]
            reachable.append(can_be)
        reachable.reverse()
        return reachable

    def _note_whole_sets(self, whole: _Beginnings, slot: int) -> None:
        """Put those beginnings on the list that are sets already."""
        if slot + 1 < self.network.plan.least:
            return
        problem = self.network.problem
        first, last = whole.items[:, 0], whole.items[:, -1]
        time_us = whole.time_us + problem.closing_extra_us[last]
        fits = (time_us >= problem.low_us[first]) & (time_us <= problem.high_us[first])
        fits &= (whole.parts >= problem.least_parts) & (whole.parts <= problem.most_parts)
        fits &= self._n_types_of[whole.types] >= problem.least_types
        fits &= whole.needed == (1 << len(problem.needed)) - 1
        if problem.closer is not None:
            fits &= problem.tune[last] == problem.closer
        variety = (self._n_types_of[whole.types] - 1) * problem.variety
        value = problem.start + whole.value + variety + problem.time_value(time_us)
        good = np.flatnonzero(fits & (value > self.best.threshold))
        for index in good[np.argsort(-value[good], kind="stable")]:
            if value[index] <= self.best.threshold:
                break
            items = tuple(whole.items[index].tolist())
            self.best.add(tuple(problem.tune[list(items)].tolist()), items, int(value[index]))
