"""How long a set may be, and which tunes may stand in which of its slots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from graith.builder.demands import AtSlot, Condition, OpensWith
from graith.builder.model import MOST_TUNES
from graith.rules.rulebook import ShapeRule, TuneCountRule, answers_to

Integers = npt.NDArray[np.int64]
Booleans = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Lengths and slots.

    Attributes
    ----------
    least, most : int
        Fewest and most tunes.
    slots : tuple of Integers
        For each slot the indices of the items that may stand there, increasing; ``most`` of them.
    """

    least: int
    most: int
    slots: tuple[Integers, ...]


def plans_of(
    asked: Sequence[Condition],
    tune: Integers,
    tune_type: Integers,
    may_open: Booleans,
    *,
    type_names: Sequence[str],
    index_of_key: dict[str, int],
) -> tuple[Plan, ...]:
    """Return the plans that conditions on length, order and slots leave.

    Parameters
    ----------
    asked : sequence of Condition
    tune, tune_type : Integers, shape (items,)
    may_open : Booleans, shape (items,)
        Whether the rolls leave room for the item's pick-up.
    type_names : sequence of str
        By the indices in ``tune_type``.
    index_of_key : dict
        From a candidate's key to the index in ``tune``.
    """
    counts = [one for one in asked if isinstance(one, TuneCountRule)]
    pins = _pins(asked, index_of_key)
    least = max([1, *(one.least or 1 for one in counts), *pins])
    most = min([MOST_TUNES, len(np.unique(tune)), *(one.most for one in counts if one.most is not None)])
    plans = []
    for low, high, types_by_slot in _shapes(asked, type_names, least, most):
        slots = []
        for slot in range(1, high + 1):
            allowed = _allowed(tune, slot, pins)
            if types_by_slot is not None:
                allowed &= np.isin(tune_type, types_by_slot[slot - 1])
            slots.append(np.flatnonzero(allowed & may_open if slot == 1 else allowed))
        filled = next((index for index, items in enumerate(slots) if not items.size), high)
        if low <= filled:
            plans.append(Plan(low, filled, tuple(slots[:filled])))
    return tuple(plans)


def _pins(asked: Sequence[Condition], index_of_key: dict[str, int]) -> dict[int, set[int]]:
    """Return for each pinned slot, from 1, the tunes pinned to it."""
    pins: dict[int, set[int]] = {}
    for one in asked:
        if isinstance(one, OpensWith):
            pins.setdefault(1, set()).add(index_of_key[one.key])
        elif isinstance(one, AtSlot):
            pins.setdefault(one.slot, set()).add(index_of_key[one.key])
    return pins


def _allowed(tune: Integers, slot: int, pins: dict[int, set[int]]) -> Booleans:
    allowed = np.ones(tune.size, dtype=bool)
    for pinned_slot, tunes in pins.items():
        for pinned in tunes:
            allowed &= (tune == pinned) if pinned_slot == slot else (tune != pinned)
    return allowed


def _shapes(
    asked: Sequence[Condition], type_names: Sequence[str], least: int, most: int
) -> list[tuple[int, int, tuple[tuple[int, ...], ...] | None]]:
    """Return ranges of lengths with the types allowed in each slot; None for any type in any slot."""
    rules = [one.patterns for one in asked if isinstance(one, ShapeRule)]
    if not rules:
        return [(least, most, None)] if least <= most else []
    shapes: dict[tuple[tuple[int, ...], ...], None] = {}
    for patterns in product(*rules):
        length = len(patterns[0])
        if not least <= length <= most or any(len(pattern) != length for pattern in patterns):
            continue
        slots = tuple(
            tuple(index for index, name in enumerate(type_names) if all(answers_to(word, name) for word in words))
            for words in zip(*patterns, strict=True)
        )
        shapes[slots] = None
    return [(len(slots), len(slots), slots) for slots in shapes]
