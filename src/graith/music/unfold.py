"""A tune as it is played: repeats taken, endings chosen, parts put in order.

How repeats are taken (ABC 2.1):

* §4.8: a repeat goes back to its ``|:``; where that is missing, to the latest double bar line, repeat end or
  beginning of a part. So a pick-up before a double bar line is not played again.
* §4.9, §4.10: on each pass the ending that names it is played, the others are passed over. Where a repeat has
  endings, they say how often it is played.
* §3.1.9: the header's ``P:`` is the order of parts. A part that the order plays several times in a row, and that has
  at most one repeat, is played so many times in all: its own repeat sign is part of that count (§4.10's example).
  A part without repeat signs that comes back takes its next ending.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from graith.errors import MusicError
from graith.music._part_order import parts_in_order
from graith.music.model import Bar, BarLine, Part, Tune

_MOST_BARS = 100_000
_DOUBLE_LINES = frozenset((BarLine.DOUBLE, BarLine.END, BarLine.START))


@dataclass(frozen=True, slots=True)
class PlayedBar:
    """A bar at its turn.

    Attributes
    ----------
    bar : Bar
    part : int
        The part it belongs to, from 1.
    pass_number : int
        Which time its repeat (or its part, in a row) is played, from 1.
    bar_index_in_part : int
        Index in ``tune.parts[part - 1].bars``, from 0.
    """

    bar: Bar
    part: int
    pass_number: int
    bar_index_in_part: int

    @property
    def printed_number(self) -> int:
        """The bar's number as printed: from 1 within the part, 0 for a pick-up."""
        return self.bar.number


@dataclass(frozen=True, slots=True)
class _Spot:
    """A printed bar with its part and index."""

    bar: Bar
    part: int
    index: int


@dataclass(frozen=True, slots=True)
class _EndingGroup:
    """Endings side by side, as ``|1 ... :|2 ... ||``: ``of[i]`` is the pass list and extent of each."""

    first: int
    last: int
    of: tuple[tuple[tuple[int, ...], int, int], ...]

    @property
    def n_passes(self) -> int:
        """The highest pass that any of the endings names."""
        return max(max(passes) for passes, _, _ in self.of)

    def chosen(self, pass_number: int, is_last: bool) -> tuple[int, ...]:
        """Return the pass list of the ending for a pass; the last pass of fewer or more than written takes the last."""
        wanted = pass_number
        if is_last and pass_number > self.n_passes:
            wanted = self.n_passes
        elif pass_number >= self.n_passes and not is_last:
            wanted = max(self.n_passes - 1, 1)
        return next((passes for passes, _, _ in self.of if wanted in passes), self.of[-1][0])


def played_bars(
    tune: Tune, parts: Sequence[int] | None = None, repeats: bool | Sequence[int] = True
) -> tuple[PlayedBar, ...]:
    r"""Return a tune's bars in the order in which they are played.

    Parameters
    ----------
    tune : Tune
    parts : sequence of int, optional
        Parts to play, in order, from 1; each comes with its own repeats. None plays the tune as written: by its
        ``P:`` order if it has one, else its parts in turn.
    repeats : bool or sequence of int
        False plays each part once and takes the last ending. A sequence says for each played part how many times:
        one number a part.

    Returns
    -------
    tuple of PlayedBar

    Raises
    ------
    MusicError
        If a part is asked for that is not there, if the ``P:`` order cannot be read, or if ``repeats`` has not one
        number of at least 1 for each played part.

    References
    ----------
    ABC 2.1 §3.1.9, §4.8, §4.9, §4.10.

    Examples
    --------
    >>> from graith.music.read_abc import read_tune
    >>> tune = read_tune("X:1\nT:T\nM:2/4\nL:1/8\nK:HP\n|: A4 |1 B4 :|2 c4 || d4 |]")
    >>> "".join("GABcdefga"[played.bar.notes[0].chanter_note] for played in played_bars(tune))
    'ABAcd'
    """
    if parts is not None:
        _check_parts(tune, parts)
    if not isinstance(repeats, bool):
        return _with_counts(tune, parts, repeats)
    if parts is not None:
        return _limited(played for number in parts for played in _part_played(tune, number, repeats))
    if tune.part_order:
        return _limited(_in_written_order(tune, repeats))
    if not repeats:
        numbers = range(1, len(tune.parts) + 1)
        return _limited(played for number in numbers for played in _part_played(tune, number, False))
    return _limited(_walk(_spots(tune.parts), None))


def _check_parts(tune: Tune, parts: Sequence[int]) -> None:
    for number in parts:
        if not 1 <= number <= len(tune.parts):
            raise MusicError(
                f"{tune.title!r} has {len(tune.parts)} parts; part {number} is not there. "
                f"Choose from 1 to {len(tune.parts)}."
            )


def _limited(played: Iterator[PlayedBar]) -> tuple[PlayedBar, ...]:
    bars: list[PlayedBar] = []
    for one in played:
        bars.append(one)
        if len(bars) > _MOST_BARS:
            raise MusicError(f"The tune's repeats make more than {_MOST_BARS} bars. Correct the repeat signs.")
    return tuple(bars)


def _spots(parts: Sequence[Part], first_number: int = 1) -> list[_Spot]:
    return [
        _Spot(bar, number, index)
        for number, part in enumerate(parts, start=first_number)
        for index, bar in enumerate(part.bars)
    ]


def _part_played(tune: Tune, number: int, repeats: bool) -> Iterator[PlayedBar]:
    spots = _spots(tune.parts[number - 1 : number], number)
    return _walk(spots, None) if repeats else _once(spots)


def _with_counts(tune: Tune, parts: Sequence[int] | None, counts: Sequence[int]) -> tuple[PlayedBar, ...]:
    numbers = tuple(parts) if parts is not None else _written_order(tune)
    if len(counts) != len(numbers) or any(count < 1 for count in counts):
        raise MusicError(
            f"{tune.title!r} plays {len(numbers)} parts, but the repeats are {list(counts)}. "
            "Give one number of at least 1 for each part."
        )
    return _limited(
        played for number, count in zip(numbers, counts, strict=True) for played in _counted(tune, number, count)
    )


def _written_order(tune: Tune) -> tuple[int, ...]:
    if tune.part_order:
        return parts_in_order(tune.part_order, [part.label for part in tune.parts])
    return tuple(range(1, len(tune.parts) + 1))


def _in_written_order(tune: Tune, repeats: bool) -> Iterator[PlayedBar]:
    visits: dict[int, int] = {}
    for number, row in groupby(_written_order(tune)):
        n_times = len(list(row))
        if not repeats:
            yield from _part_played(tune, number, False)
        elif n_times > 1 and _n_repeats(tune.parts[number - 1]) <= 1:
            yield from _counted(tune, number, n_times)
        else:
            for _ in range(n_times):
                visits[number] = visits.get(number, 0) + 1
                yield from _visited(tune, number, visits[number])


def _n_repeats(part: Part) -> int:
    """Return how many repeats a part has; endings side by side are one."""
    groups = _ending_groups(_spots([part]))
    inside = sum(1 for bar in part.bars[: groups[0].first] if bar.repeat_end) if groups else 0
    plain = sum(1 for bar in part.bars if bar.repeat_end)
    return inside + len(groups) if groups else plain


def _visited(tune: Tune, number: int, visit: int) -> Iterator[PlayedBar]:
    """Play a part at its n-th visit: without repeat signs its n-th ending is taken."""
    spots = _spots(tune.parts[number - 1 : number], number)
    has_signs = any(spot.bar.repeat_end for spot in spots)
    if has_signs or not any(spot.bar.ending for spot in spots):
        return _walk(spots, None)
    return _one_pass(spots, _ending_groups(spots), visit, is_last=False, written=True)


def _counted(tune: Tune, number: int, count: int) -> Iterator[PlayedBar]:
    """Play a part so many times in all."""
    spots = _spots(tune.parts[number - 1 : number], number)
    if count == 1:
        yield from _once(spots)
    elif any(spot.bar.repeat_end for spot in spots):
        yield from _walk(spots, count)
    else:
        groups = _ending_groups(spots)
        for pass_number in range(1, count + 1):
            yield from _one_pass(spots, groups, pass_number, is_last=pass_number == count)


def _once(spots: Sequence[_Spot]) -> Iterator[PlayedBar]:
    """Play every bar once, taking the last ending of each repeat."""
    skipped: set[int] = set()
    for group in _ending_groups(spots):
        for passes, first, last in group.of:
            if group.n_passes not in passes:
                skipped.update(range(first, last + 1))
    for index, spot in enumerate(spots):
        if index not in skipped:
            yield PlayedBar(spot.bar, spot.part, 1, spot.index)


def _one_pass(
    spots: Sequence[_Spot], groups: Sequence[_EndingGroup], pass_number: int, is_last: bool, written: bool = False
) -> Iterator[PlayedBar]:
    """Play straight through, choosing endings for one pass."""
    skipped: set[int] = set()
    for group in groups:
        wanted = None if written else group.chosen(pass_number, is_last)
        for passes, first, last in group.of:
            taken = pass_number in passes if written else passes == wanted
            if not taken:
                skipped.update(range(first, last + 1))
    for index, spot in enumerate(spots):
        if index not in skipped:
            yield PlayedBar(spot.bar, spot.part, pass_number, spot.index)


def _ending_groups(spots: Sequence[_Spot]) -> list[_EndingGroup]:
    """Find the endings that stand side by side; a pass that does not rise begins a new group."""
    groups: list[_EndingGroup] = []
    endings: list[tuple[tuple[int, ...], int, int]] = []
    index = 0
    while index < len(spots):
        passes = spots[index].bar.ending
        if not passes:
            index += 1
            continue
        last = _ending_stop(spots, index)
        if endings and (endings[-1][2] != index - 1 or passes[0] <= endings[-1][0][0]):
            groups.append(_EndingGroup(endings[0][1], endings[-1][2], tuple(endings)))
            endings = []
        endings.append((passes, index, last))
        index = last + 1
    if endings:
        groups.append(_EndingGroup(endings[0][1], endings[-1][2], tuple(endings)))
    return groups


def _ending_stop(spots: Sequence[_Spot], first: int) -> int:
    for index in range(first, len(spots)):
        if spots[index].bar.ending_closed:
            return index
    return len(spots) - 1


def _walk(spots: Sequence[_Spot], count: int | None) -> Iterator[PlayedBar]:
    """Play bars as their repeat signs say; with ``count`` every repeat is played so many times."""
    groups = _ending_groups(spots)
    group_at = {index: group for group in groups for index in range(group.first, group.last + 1)}
    stop_of = {first: last for group in groups for _, first, last in group.of}
    index, start, pass_number = 0, 0, 1
    explicit = jumped = False
    fresh_at = -1
    while index < len(spots):
        spot = spots[index]
        if not jumped and (spot.bar.repeat_start or index == fresh_at or (not explicit and _opens(spots, index))):
            start, pass_number = index, 1
            explicit = spot.bar.repeat_start
        jumped = False
        group = group_at.get(index)
        if group is not None and spot.bar.ending and not _takes(group, spot.bar.ending, pass_number, count):
            index = stop_of[index] + 1
            fresh_at = index if index == group.last + 1 else fresh_at
            continue
        yield PlayedBar(spot.bar, spot.part, pass_number, spot.index)
        if spot.bar.repeat_end and pass_number < (count or _n_passes(spot.bar, group)):
            index, pass_number, jumped = start, pass_number + 1, True
            continue
        index += 1
        if group is not None and index == group.last + 1:
            fresh_at, explicit = index, False
        elif spot.bar.repeat_end and group is None:
            explicit = False
            fresh_at = index if index not in group_at else fresh_at


def _opens(spots: Sequence[_Spot], index: int) -> bool:
    """Return whether a repeat without a start of its own goes back to here: a part, or a double bar line."""
    if spots[index].index == 0:
        return True
    return spots[index - 1].bar.closing in _DOUBLE_LINES and not spots[index].bar.ending


def _n_passes(bar: Bar, group: _EndingGroup | None) -> int:
    return group.n_passes if group is not None else bar.repeat_end + 1


def _takes(group: _EndingGroup, passes: tuple[int, ...], pass_number: int, count: int | None) -> bool:
    if count is None:
        return pass_number in passes
    return passes == group.chosen(pass_number, is_last=pass_number == count)
