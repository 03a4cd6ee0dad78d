"""Where something lies in a timeline, in a piper's words: tune, part, printed bar, which time through."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import TypedDict

import numpy as np
import numpy.typing as npt

from graith.timeline.model import Timeline

Integers = npt.NDArray[np.int64]


class Place(TypedDict):
    """The fields of a finding that say where."""

    tune: str | None
    part: int | None
    bar: int | None
    played_bar: int | None


NOWHERE: Place = {"tune": None, "part": None, "bar": None, "played_bar": None}


@dataclass(frozen=True, slots=True)
class Stretch:
    """Bars of one tune that follow each other, as indices in the timeline's bars, both played."""

    first: int
    last: int

    @property
    def n_bars(self) -> int:
        """How many."""
        return self.last - self.first + 1


def place_of(timeline: Timeline, bar: int) -> Place:
    """Return where a bar stands, for a finding; a bar below 0 (the strike-in) stands nowhere."""
    if bar < 0:
        return NOWHERE
    row = timeline.bars[bar]
    return {
        "tune": timeline.tunes[int(row["tune"])].title,
        "part": int(row["part"]),
        "bar": int(row["number"]),
        "played_bar": bar,
    }


def tune_words(timeline: Timeline, tune: int) -> str:
    """Return how a tune is named in a sentence: by its title, with its type when two share one."""
    span = timeline.tunes[tune]
    titles = [one.title for one in timeline.tunes]
    return f"{span.title} ({span.tune_type})" if titles.count(span.title) > 1 else span.title


def stretch_words(timeline: Timeline, stretch: Stretch) -> str:
    """Return a stretch in words, such as ``"Hame, part 2 (second time), bars 5 to 7"``."""
    first, last = timeline.bars[stretch.first], timeline.bars[stretch.last]
    title = tune_words(timeline, int(first["tune"]))
    if int(first["part"]) == int(last["part"]) and int(first["pass_number"]) == int(last["pass_number"]):
        return (
            f"{title}, {_part_words(timeline, stretch.first)}, {_bars_words(int(first['number']), int(last['number']))}"
        )
    return (
        f"{title}, from {_part_words(timeline, stretch.first)}, {_bars_words(int(first['number']))} "
        f"to {_part_words(timeline, stretch.last)}, {_bars_words(int(last['number']))}"
    )


def printed_words(timeline: Timeline, stretch: Stretch) -> str:
    """Return a stretch of one part in words that leave open which time through it is: ``"Hame, part 2, bar 5"``."""
    first, last = timeline.bars[stretch.first], timeline.bars[stretch.last]
    bars = _bars_words(int(first["number"]), int(last["number"]))
    return f"{tune_words(timeline, int(first['tune']))}, part {int(first['part'])}, {bars}"


def bar_words(timeline: Timeline, bar: int) -> str:
    """Return one bar in words; a bar below 0 is the strike-in note."""
    return stretch_words(timeline, Stretch(bar, bar)) if bar >= 0 else "the strike-in note"


def _part_words(timeline: Timeline, bar: int) -> str:
    row = timeline.bars[bar]
    bars = timeline.bars
    same = (bars["tune"] == row["tune"]) & (bars["part"] == row["part"])
    if int(bars["pass_number"][same].max()) == 1:
        return f"part {int(row['part'])}"
    return f"part {int(row['part'])} ({ordinal(int(row['pass_number']))} time)"


def _bars_words(first: int, last: int | None = None) -> str:
    if last is None or first == last:
        return "the pick-up" if first == 0 else f"bar {first}"
    return f"the pick-up to bar {last}" if first == 0 else f"bars {first} to {last}"


def ordinal(number: int) -> str:
    """Return first, second, third, fourth, then 5th and on.

    Examples
    --------
    >>> ordinal(2), ordinal(11), ordinal(23)
    ('second', '11th', '23rd')
    """
    if 1 <= number <= 4:
        return ("first", "second", "third", "fourth")[number - 1]
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def stretches(timeline: Timeline, bars: Iterable[int]) -> Iterator[Stretch]:
    """Yield the stretches that bars make up, broken where a tune, or a time through a part, ends."""
    ordered = sorted(set(bars))
    first = 0
    for index in range(1, len(ordered) + 1):
        if index == len(ordered) or not _follow(timeline, ordered[index - 1], ordered[index]):
            yield Stretch(ordered[first], ordered[index - 1])
            first = index


def _follow(timeline: Timeline, bar: int, next_bar: int) -> bool:
    one, two = timeline.bars[bar], timeline.bars[next_bar]
    return next_bar == bar + 1 and all(one[name] == two[name] for name in ("tune", "part", "pass_number"))


def tune_stretches(timeline: Timeline, first: int, last: int) -> list[Stretch]:
    """Return the bars from one to another as one stretch for each tune they touch."""
    tunes = timeline.bars["tune"][first : last + 1]
    cuts = [0, *(np.flatnonzero(np.diff(tunes)) + 1).tolist(), tunes.size]
    return [Stretch(first + start, first + stop - 1) for start, stop in pairwise(cuts)]


def bar_of_note(timeline: Timeline, note: int) -> int:
    """Return the bar a note stands in, as index in the timeline's bars; -1 for the strike-in note."""
    return int(timeline.notes["bar"][note])


def last_bar_of_note(timeline: Timeline, note: int) -> int:
    """Return the bar in which a note ends, which a tie may carry past its own; -1 for the strike-in note."""
    if bar_of_note(timeline, note) < 0:
        return -1
    stop_s = float(timeline.notes["stop_s"][note])
    return int(np.searchsorted(timeline.bars["start_s"], stop_s - 1e-6)) - 1


def beat_of_note(timeline: Timeline, note: int) -> int:
    """Return the beat of its bar, from 1, in which a note begins."""
    row = timeline.notes[note]
    if row["bar"] < 0:
        return 1
    bar = timeline.bars[int(row["bar"])]
    start = Fraction(int(row["start_num"]), int(row["start_den"])) - Fraction(
        int(bar["start_num"]), int(bar["start_den"])
    )
    return int(start // 1) + 1


def bar_beats(timeline: Timeline) -> npt.NDArray[np.float64]:
    """Return each bar's length in beats of its own tune, shape (bars,); the last ends with the timeline."""
    bars = timeline.bars
    starts = bars["start_num"] / bars["start_den"]
    lengths: npt.NDArray[np.float64] = np.empty(bars.size)
    lengths[:-1] = np.diff(starts)
    if bars.size:
        last = bars[-1]
        lengths[-1] = (last["stop_s"] - last["start_s"]) * last["tempo_bpm"] / 60.0
    return lengths


def counted_bars(timeline: Timeline) -> Integers:
    """Return each played bar's count from 0 with repeats unfolded, -1 for every pick-up, shape (bars,)."""
    full = timeline.bars["number"] != 0
    counts: Integers = np.where(full, np.cumsum(full) - 1, -1).astype(np.int64)
    return counts


def listed(words: Sequence[str]) -> str:
    """Return words joined by commas and one *and*.

    Examples
    --------
    >>> listed(["low G", "B", "high A"])
    'low G, B and high A'
    """
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""
