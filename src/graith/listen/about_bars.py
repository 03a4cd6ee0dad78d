"""What is worth saying of what was played: bars left out or played again, a false start, notes that are not there."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from graith.listen._words import clock_words
from graith.listen.heard import Heard
from graith.listen.model import Alignment, Finding
from graith.listen.places import (
    Stretch,
    bar_of_note,
    bar_words,
    beat_of_note,
    last_bar_of_note,
    listed,
    place_of,
    printed_words,
    stretch_words,
    stretches,
)
from graith.music.model import ChanterNote
from graith.timeline.model import StructuredArray, Timeline

_BREAKDOWN, _NOT_ALL, _MISSING = 20.0, 5.0, 2.0  # weights: these are heard by anyone, so no limit of the ear decides
_FALSE_START_BARS = 2
_FEWEST_NOTES = 8
"""Fewer notes than this before the set is begun again are tuning or talk that happens to fit."""


def bar_findings(heard: Heard, timeline: Timeline) -> list[Finding]:
    """Return what was left out, played again or not found."""
    alignment = heard.alignment
    if alignment is None or not alignment.passages.size:
        return []
    found = list(_jumps(alignment, timeline))
    found += [*_ends(alignment, timeline), *_missing_notes(alignment, timeline)]
    return found if heard.wrong_notes is None else [*found, *_wrong_notes(heard.wrong_notes, alignment, timeline)]


def _jumps(alignment: Alignment, timeline: Timeline) -> Iterator[Finding]:
    for before, after in pairwise(played_passages(alignment)):
        last, first = int(before["last_note"]), int(after["first_note"])
        time_s = float(after["start_s"])
        if first > last + 1:
            yield _left_out(timeline, last + 1, first - 1, time_s)
        elif first <= last:
            yield _played_again(timeline, first, last, time_s)


def played_passages(alignment: Alignment) -> StructuredArray:
    """Return the passages that are playing: not the few notes at the beginning after which the set is begun."""
    passages = alignment.passages
    first = 0
    while first < passages.size - 1 and (
        passages["last_note"][first] - passages["first_note"][first] < _FEWEST_NOTES
        and passages["first_note"][first + 1] <= passages["last_note"][first]
    ):
        first += 1
    kept: StructuredArray = passages[first:]
    return kept


def is_begun_again(alignment: Alignment, timeline: Timeline) -> bool:
    """Return whether the set was begun more than once, or something was taken for a beginning."""
    bars = timeline.notes["bar"][alignment.passages["first_note"][1:]]
    return bool((bars < _FALSE_START_BARS).any())


def _left_out(timeline: Timeline, first: int, last: int, time_s: float) -> Finding:
    stretch = Stretch(max(0, bar_of_note(timeline, first)), max(0, last_bar_of_note(timeline, last)))
    n_notes = last - first + 1
    inside = np.isin(timeline.notes["bar"], np.arange(stretch.first, stretch.last + 1)).sum()
    at = f"at {clock_words(time_s)} in the recording"
    if n_notes < inside and stretch.n_bars == 1:
        notes = "1 note" if n_notes == 1 else f"{n_notes} notes"
        says = f"In {stretch_words(timeline, stretch)}, {notes} were left out ({at})."
        size, unit = float(n_notes), "notes"
    else:
        verb = "was" if stretch.n_bars == 1 else "were"
        says = f"{stretch_words(timeline, stretch)} {verb} left out ({at})."
        size, unit = float(stretch.n_bars), "bars"
    place = place_of(timeline, stretch.first)
    beat = beat_of_note(timeline, first)
    return Finding("left out", size, unit, 0.0, says, _BREAKDOWN, beat=beat, time_s=time_s, **place)


def _played_again(timeline: Timeline, first: int, last: int, time_s: float) -> Finding:
    first_bar, last_bar = max(0, bar_of_note(timeline, first)), max(0, bar_of_note(timeline, last))
    stretch = Stretch(first_bar, max(first_bar, last_bar))
    at = f"at {clock_words(time_s)} in the recording"
    place = place_of(timeline, stretch.first)
    if first_bar < _FALSE_START_BARS:
        says = (
            f"The set was begun again {at}, after a false start that came as far as {bar_words(timeline, last_bar)}. "
            "What is measured is the playing that went on."
        )
        kind = "false start"
    else:
        verb = "was" if stretch.n_bars == 1 else "were"
        says = f"{stretch_words(timeline, stretch)} {verb} played once more than written ({at})."
        kind = "repeated"
    return Finding(kind, float(stretch.n_bars), "bars", 0.0, says, _BREAKDOWN, time_s=time_s, **place)


def _ends(alignment: Alignment, timeline: Timeline) -> Iterator[Finding]:
    """Yield what the recording does not hold of the set's beginning and end."""
    first = int(alignment.passages["first_note"].min())
    last = int(alignment.passages["last_note"].max())
    first_bar, last_bar = max(0, bar_of_note(timeline, first)), max(0, last_bar_of_note(timeline, last))
    n_bars = timeline.bars.size
    sounding = np.flatnonzero((timeline.notes["chanter_note"] >= 0) & (timeline.notes["bar"] >= 0))
    if first > sounding[0] or last < sounding[-1]:
        says = (
            f"The recording holds {last_bar - first_bar + 1} of the {n_bars} bars, from "
            f"{bar_words(timeline, first_bar)} to {bar_words(timeline, last_bar)}; nothing is said of the others."
        )
        place = place_of(timeline, first_bar)
        yield Finding("not all", float(last_bar - first_bar + 1), "bars", 0.0, says, _NOT_ALL, **place)


def _missing_notes(alignment: Alignment, timeline: Timeline) -> Iterator[Finding]:
    """Yield the stretches in which written melody notes were not heard although the bars were played."""
    notes = alignment.notes
    lacking = notes[~notes["heard"] & (notes["chanter_note"] >= 0) & _played(alignment, notes["note"])]
    bars = timeline.notes["bar"][lacking["note"]]
    for stretch in stretches(timeline, bars[bars >= 0].tolist()):
        here = lacking[(bars >= stretch.first) & (bars <= stretch.last)]
        names = listed(list(dict.fromkeys(ChanterNote(int(row["chanter_note"])).label for row in here)))
        count = f"the written {names} was" if here.size == 1 else f"{here.size} written notes ({names}) were"
        says = f"In {stretch_words(timeline, stretch)}, {count} not heard: left out, or another note played."
        beat = beat_of_note(timeline, int(here["note"][0]))
        place = place_of(timeline, stretch.first)
        weighed = _MISSING * min(5, here.size)
        yield Finding("missing notes", float(here.size), "notes", 0.0, says, weighed, beat=beat, **place)


def _wrong_notes(wrong: StructuredArray, alignment: Alignment, timeline: Timeline) -> Iterator[Finding]:
    """Yield each note in whose place another was played; the same one in the same printed bar is told once."""
    told: dict[tuple[int, int, int, int, int, int], list[np.void]] = {}
    for row in wrong:
        note = timeline.notes[int(row["note"])]
        bar = timeline.bars[int(note["bar"])]
        written = int(note["chanter_note"])
        place = (int(bar["tune"]), int(bar["part"]), int(bar["bar_in_part"]), int(note["note_in_bar"]))
        told.setdefault((*place, written, int(row["heard_note"])), []).append(row)
    for (*_, written, heard_note), rows in told.items():
        note = int(rows[0]["note"])
        bar_number = max(0, bar_of_note(timeline, note))
        beat = beat_of_note(timeline, note)
        times = "" if len(rows) == 1 else f" {_times(len(rows))}"
        where = stretch_words if len(rows) == 1 else printed_words
        says = (
            f"{where(timeline, Stretch(bar_number, bar_number))}, beat {beat}: "
            f"{_a(ChanterNote(heard_note).label)} was played{times} where {ChanterNote(written).label} is written."
        )
        time_s = float(alignment.notes["start_s"][note])
        size, place_said = float(len(rows)), place_of(timeline, bar_number)
        yield Finding("wrong note", size, "notes", 0.0, says, _MISSING, beat=beat, time_s=time_s, **place_said)


def _times(n: int) -> str:
    return "twice" if n == 2 else f"{n} times"


def _a(name: str) -> str:
    return f"an {name}" if name[0] in "AEF" else f"a {name}"


def _played(alignment: Alignment, notes: npt.NDArray[np.int32]) -> npt.NDArray[np.bool_]:
    """Return for each note whether some passage holds it."""
    held = np.zeros(notes.size, dtype=np.bool_)
    for passage in alignment.passages:
        held |= (notes >= passage["first_note"]) & (notes <= passage["last_note"])
    return held
