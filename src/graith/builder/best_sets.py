"""The list of the best sets so far."""

from __future__ import annotations

from graith.builder.problem import NEVER


class BestSets:
    """The best sets so far, no two with the same tunes in the same order.

    Parameters
    ----------
    n_best : int
        How many are wanted.
    floor : int
        Sets of this value or less are not wanted.
    """

    def __init__(self, n_best: int, floor: int) -> None:
        self._n_best = n_best
        self._floor = floor
        self._value_of: dict[tuple[int, ...], int] = {}
        self._items_of: dict[tuple[int, ...], tuple[int, ...]] = {}

    @property
    def is_full(self) -> bool:
        """Whether as many as wanted are held."""
        return len(self._value_of) == self._n_best

    @property
    def threshold(self) -> int:
        """What a set must exceed to come on the list."""
        return min(self._value_of.values()) if self.is_full else self._floor

    @property
    def best(self) -> int | None:
        """The best value; None when the list is empty."""
        return max(self._value_of.values(), default=None)

    @property
    def worst(self) -> int | None:
        """The worst value on the list; None when it is empty."""
        return min(self._value_of.values(), default=None)

    def add(self, tunes: tuple[int, ...], items: tuple[int, ...], value: int) -> None:
        """Take a set in if it is good enough; of one order of tunes only the best cuts stay."""
        if value <= self.threshold or value <= self._value_of.get(tunes, NEVER):
            return
        self._value_of[tunes] = value
        self._items_of[tunes] = items
        if len(self._value_of) > self._n_best:
            out = min(self._value_of, key=lambda one: (self._value_of[one], [-tune for tune in one]))
            del self._value_of[out], self._items_of[out]

    def in_order(self) -> list[tuple[tuple[int, ...], int]]:
        """Return items and values, the best first."""
        order = sorted(self._value_of, key=lambda one: (-self._value_of[one], one))
        return [(self._items_of[one], self._value_of[one]) for one in order]
