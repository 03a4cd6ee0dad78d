"""A question as arrays: what may be played, what it is worth, and in which slots it may stand.

An *item* is one tune with one cut. A *row* is a group of items of one tune that no link can tell apart, so that links
are counted between rows. A *plan* is a range of lengths with the items allowed in each slot; a rule on the order of
tune types gives one plan for each order, and without one there is a single plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from graith.builder import worth
from graith.builder.demands import (
    AtSlot,
    ClosesWith,
    Condition,
    Contains,
    LeavesOut,
    NotAfter,
    NotWith,
    OpensWith,
)
from graith.builder.model import Candidate, ChosenTune, Cut, Question
from graith.builder.plans import Booleans, Integers, Plan, plans_of
from graith.rules.rulebook import (
    ClockStart,
    DurationRule,
    MetreRule,
    PartTotalRule,
    TunePartsRule,
    TypesRule,
    VarietyRule,
    answers_to,
)

NEVER = -(1 << 59)
"""A value that stands for 'cannot be'; small enough that sixteen of them do not overflow when each sum is clipped."""


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """A question as arrays. Times in microseconds, values in billionths of a point.

    Attributes
    ----------
    choices : tuple of ChosenTune
        The items.
    tune, tune_type : Integers, shape (items,)
        Indices of the candidate, and of its type among ``n_types``.
    value, mid_us, closing_extra_us, start_us : Integers, shape (items,)
        Worth of the item itself; time to the next tune; what closing the set changes in it; time from the first clock's
        start to its first beat when it opens the set.
    low_us, high_us : Integers, shape (items,)
        Limits of the whole time on the first clock when this item opens the set.
    room_us, pickup_us, beat_us, parts : Integers, shape (items,)
        What decides whether a link is held; playings of a part.
    row : Integers, shape (items,)
        Row of the item in ``link``. Where variety counts, rows are of one type each, and sorted by it.
    link : Integers, shape (rows, rows)
        Worth of one row followed by another, ``NEVER`` where it must not.
    has_held_links : bool
        Whether some link is held longer than written.
    slack_us : int
        No set is held longer than this in all.
    slope, target_us : int
        Cost of each microsecond away from the target.
    least_parts, most_parts, least_types : int
    variety : int
        Worth of each type after the first.
    start : int
        Worth of a set before anything is counted.
    needed : tuple of int
        Tunes that must be in the set.
    apart, not_after : tuple of (int, int)
        Tunes never in one set; tunes of which the second never follows the first.
    closer : int or None
        The tune that must close the set.
    plans : tuple of Plan
    """

    choices: tuple[ChosenTune, ...]
    tune: Integers
    tune_type: Integers
    n_types: int
    value: Integers
    mid_us: Integers
    closing_extra_us: Integers
    start_us: Integers
    low_us: Integers
    high_us: Integers
    room_us: Integers
    pickup_us: Integers
    beat_us: Integers
    parts: Integers
    row: Integers
    link: Integers
    has_held_links: bool
    slack_us: int
    slope: int
    target_us: int
    least_parts: int
    most_parts: int
    least_types: int
    variety: int
    start: int
    needed: tuple[int, ...]
    apart: tuple[tuple[int, int], ...]
    not_after: tuple[tuple[int, int], ...]
    closer: int | None
    plans: tuple[Plan, ...]

    @property
    def n_tunes(self) -> int:
        """One more than the largest index in ``tune``."""
        return int(self.tune.max()) + 1 if self.tune.size else 0

    @property
    def n_memory(self) -> int:
        """How many types a path can remember: all, or one where variety does not count."""
        return self.n_types if self.variety else 1

    @property
    def floor(self) -> int:
        """What no set of any plan falls to, however bad."""
        longest = max((plan.most for plan in self.plans), default=0)
        roughest = int(np.where(self.link > NEVER, self.link, 0).min(initial=0))
        worst = int(self.value.min(initial=0)) + roughest
        limits_us = np.array([self.low_us.min(initial=0), self.high_us.max(initial=0)])
        return self.start + longest * worst + int(self.time_value(limits_us).min()) - 1

    def time_value(self, time_us: Integers) -> Integers:
        """Return what whole times are worth, limits left aside."""
        worth_of_time: Integers = -self.slope * np.abs(time_us - self.target_us)
        return worth_of_time


def problem_of(question: Question, conditions: Iterable[Condition], *, valued: bool = True) -> Problem:
    """Return a question as arrays, under the conditions given and no others.

    Parameters
    ----------
    question : Question
        Its rules and locks are not read: ``conditions`` are.
    conditions : iterable of Condition
    valued : bool
        False when only what is possible matters: all links are alike, and items have values that mean nothing.
    """
    asked = tuple(conditions)
    index_of_key = {candidate.key: index for index, candidate in enumerate(question.candidates)}
    needed = _needed(asked)
    kept = [
        (index, candidate, cut)
        for index, candidate in enumerate(question.candidates)
        if not _is_apart_from(candidate.key, needed, asked)
        for cut in candidate.cuts
        if all(_admits(condition, candidate, cut) for condition in asked)
    ]
    type_names = sorted({candidate.tune_type for _, candidate, _ in kept})
    tune = _integers(index for index, _, _ in kept)
    tune_type = _integers(type_names.index(candidate.tune_type) for _, candidate, _ in kept)
    mid_us = _integers(worth.tune_us(question, candidate, cut) for _, candidate, cut in kept)
    extra_us = _integers(worth.closing_us(question, candidate, cut) for _, candidate, cut in kept) - mid_us
    closer = next((index_of_key[one.key] for one in asked if isinstance(one, ClosesWith)), None)
    clock = worth.first_clock(question)
    opens = np.array([worth.may_open(question, candidate, cut) for _, candidate, cut in kept], dtype=bool)
    plans = plans_of(asked, tune, tune_type, opens, type_names=type_names, index_of_key=index_of_key)
    longest = max((plan.most for plan in plans), default=1)
    low_us, high_us = _limits(question, asked, kept, clock)
    room_us = _integers(worth.room_us(question, candidate, cut) for _, candidate, cut in kept)
    pickup_us = _integers(worth.microseconds(cut.pickup_beats, one.tempo_bpm) for _, one, cut in kept)
    beat_us = _integers(round(60_000_000 / candidate.tempo_bpm) for _, candidate, _ in kept)
    longest_held_us = _longest_held_us(room_us, pickup_us, beat_us)
    start_us = _integers(worth.start_us(question, candidate, cut, clock) for _, candidate, cut in kept)
    highest_us = _highest_us(start_us, mid_us, extra_us, longest) + longest * longest_held_us
    row, link = (
        _valued_rows(question, kept, tune_type, extra_us, index_of_key, asked)
        if valued
        else _alike_rows(extra_us, tune == closer)
    )
    return Problem(
        choices=tuple(ChosenTune(candidate, cut) for _, candidate, cut in kept),
        tune=tune,
        tune_type=tune_type,
        n_types=len(type_names),
        value=_item_values(question, kept) if valued else _scattered_values(len(kept)),
        mid_us=mid_us,
        closing_extra_us=extra_us,
        start_us=start_us,
        low_us=np.maximum(low_us, 0),
        high_us=np.minimum(high_us, highest_us),
        room_us=room_us,
        pickup_us=pickup_us,
        beat_us=beat_us,
        parts=_integers(cut.n_played for _, _, cut in kept),
        row=row,
        link=link,
        has_held_links=longest_held_us > 0,
        slack_us=longest_held_us * (longest - 1),
        slope=worth.time_slope(question) if valued else 0,
        target_us=worth.target_us(question) or 0,
        least_parts=max((one.least or 0 for one in asked if isinstance(one, PartTotalRule)), default=0),
        most_parts=_fewest((one.most for one in asked if isinstance(one, PartTotalRule)), 10**6),
        least_types=max((one.least_types for one in asked if isinstance(one, VarietyRule)), default=0),
        variety=worth.variety_gain(question.weights) if valued else 0,
        start=worth.START if valued else 0,
        needed=tuple(index_of_key[key] for key in needed),
        apart=tuple((index_of_key[one.key], index_of_key[one.other]) for one in asked if isinstance(one, NotWith)),
        not_after=tuple(
            (index_of_key[one.before], index_of_key[one.key]) for one in asked if isinstance(one, NotAfter)
        ),
        closer=closer,
        plans=plans,
    )


_Kept = Sequence[tuple[int, Candidate, Cut]]


def _integers(values: Iterable[int]) -> Integers:
    return np.fromiter(values, dtype=np.int64)


def _fewest(limits: Iterable[int | None], default: int) -> int:
    return min((limit for limit in limits if limit is not None), default=default)


def _admits(condition: Condition, candidate: Candidate, cut: Cut) -> bool:
    """Return whether a condition on single tunes lets this one in."""
    match condition:
        case TypesRule(allowed=allowed):
            return any(answers_to(word, candidate.tune_type) for word in allowed)
        case TunePartsRule(tune_type=word, allowed=counts):
            return cut.n_parts in counts or not answers_to(word, candidate.tune_type)
        case MetreRule(tune_type=word, allowed=metres):
            return candidate.metre in metres or not answers_to(word, candidate.tune_type)
        case LeavesOut(key=key):
            return candidate.key != key
        case _:
            return True


def _needed(asked: Sequence[Condition]) -> tuple[str, ...]:
    """Return the keys of the tunes that must be in the set, wherever."""
    placed = (OpensWith, ClosesWith, AtSlot, Contains)
    return tuple(dict.fromkeys(one.key for one in asked if isinstance(one, placed)))


def _is_apart_from(key: str, needed: Sequence[str], asked: Sequence[Condition]) -> bool:
    """Return whether a tune must not be in one set with a tune that must be in it."""
    pairs = [{one.key, one.other} for one in asked if isinstance(one, NotWith)]
    return any(key in pair and pair - {key} <= set(needed) for pair in pairs)


def _limits(
    question: Question, asked: Sequence[Condition], kept: _Kept, first_clock: ClockStart
) -> tuple[Integers, Integers]:
    """Return limits of the time on the first clock, for each item that may open the set."""
    low_us = np.zeros(len(kept), dtype=np.int64)
    high_us = np.full(len(kept), 1 << 60, dtype=np.int64)
    for rule in asked:
        if not isinstance(rule, DurationRule):
            continue
        shift_us = _integers(
            worth.start_us(question, candidate, cut, first_clock)
            - worth.start_us(question, candidate, cut, rule.clock_from)
            for _, candidate, cut in kept
        )
        if rule.min_s is not None:
            low_us = np.maximum(low_us, round(rule.min_s * 1_000_000) + shift_us)
        if rule.max_s is not None:
            high_us = np.minimum(high_us, round(rule.max_s * 1_000_000) + shift_us)
    return low_us, high_us


def _highest_us(start_us: Integers, mid_us: Integers, extra_us: Integers, longest: int) -> int:
    if not mid_us.size:
        return 0
    return int(start_us.max() + longest * mid_us.max() + max(0, int(extra_us.max())))


def _longest_held_us(room_us: Integers, pickup_us: Integers, beat_us: Integers) -> int:
    if not room_us.size or pickup_us.max() < room_us.min():
        return 0
    return int(worth.held_us(np.full(room_us.size, pickup_us.max()), room_us, beat_us).max())


def _item_values(question: Question, kept: _Kept) -> Integers:
    return _integers(
        -worth.readiness_loss(question, candidate, cut)
        - worth.difficulty_loss(question, candidate, cut)
        - worth.cut_loss(question, candidate, cut)
        for _, candidate, cut in kept
    )


def _scattered_values(n_items: int) -> Integers:
    """Return values that mean nothing, from -1 to 0 points, so that prices find a direction: multiplicative hashing."""
    scattered = np.arange(n_items, dtype=np.int64) * 2_654_435_761 % (1 << 32)
    return -(scattered * worth.BILLION >> 32)


def _alike_rows(extra_us: Integers, closes: Booleans) -> tuple[Integers, Integers]:
    """Return rows when links count for nothing: items differ only in how they close."""
    _, row = np.unique(2 * extra_us + closes, return_inverse=True)
    n_rows = int(row.max()) + 1 if row.size else 0
    return row.astype(np.int64), np.zeros((n_rows, n_rows), dtype=np.int64)


def _valued_rows(
    question: Question,
    kept: _Kept,
    tune_type: Integers,
    extra_us: Integers,
    index_of_key: dict[str, int],
    asked: Sequence[Condition],
) -> tuple[Integers, Integers]:
    """Return rows and their links. Rows are sorted by type, as the bounds want them."""
    tune = _integers(index for index, _, _ in kept)
    first = _integers(worth.note_index(cut.first_note) for _, _, cut in kept)
    last = _integers(worth.note_index(cut.last_note) for _, _, cut in kept)
    if not kept:
        return tune, np.zeros((0, 0), dtype=np.int64)
    looks = np.stack([tune_type, tune, first, last, extra_us], axis=1)
    _, chosen, row = np.unique(looks, axis=0, return_index=True, return_inverse=True)
    tempo = np.array([kept[item][1].tempo_bpm for item in chosen])
    centre = _integers(worth.note_index(kept[item][1].tonal_centre) for item in chosen)
    types = tune_type[chosen]
    weights = question.weights
    link = -(
        worth.billionths(weights.tempo, worth.tempo_roughness(tempo[:, None], tempo[None, :]))
        + worth.billionths(weights.tonal, worth.TONAL_ROUGHNESS[centre[:, None], centre[None, :]])
        + worth.billionths(weights.meeting, worth.MEETING_ROUGHNESS[last[chosen][:, None], first[chosen][None, :]])
        + worth.billionths(weights.sameness, (types[:, None] == types[None, :]).astype(np.float64))
    )
    row_tune = tune[chosen]
    link[row_tune[:, None] == row_tune[None, :]] = NEVER
    for one in asked:
        if isinstance(one, NotAfter):
            before, after = index_of_key[one.before], index_of_key[one.key]
            link[np.ix_(row_tune == before, row_tune == after)] = NEVER
    return row.reshape(-1).astype(np.int64), link
