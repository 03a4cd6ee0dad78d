"""The slots of a set as a network: a set is a path through it, one row a slot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from graith.builder.plans import Booleans, Integers, Plan
from graith.builder.problem import Problem


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
