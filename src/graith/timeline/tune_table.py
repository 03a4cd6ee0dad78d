"""A tune's played bars as plain integer arrays, made once per tune and choice of parts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import chain

import numpy as np
import numpy.typing as npt

from graith.errors import TimelineError
from graith.music.model import Bar, Note, Pitch, Tune, chanter_note
from graith.music.unfold import PlayedBar, played_bars
from graith.sets.model import PlannedTune

Integers = npt.NDArray[np.int64]
_MOST_TICKS = 2**40


@dataclass(frozen=True, slots=True, eq=False)
class TuneTable:
    """What one tune sounds like in order, in ticks (``ticks_per_beat`` to the tune's beat), repeats unfolded.

    Attributes
    ----------
    ticks_per_beat : int
        The smallest number that makes every length whole.
    n_ticks : int
        From the first full beat to the last note's written end; the pick-up not counted.
    pickup_ticks : int
        Length of the leading pick-up, 0 when there is none or nothing else.
    missing_ticks : int
        What the last bar lacks of its metre (its pick-up's share), 0 when it is full.
    bar_starts, bar_columns : Integers, shapes (bars,) and (bars, 4)
        Start ticks (negative in the pick-up); part, printed number, pass, index in the part.
    note_starts, note_ticks, note_pitches, note_bars, note_indices : Integers, shape (notes,)
        Ties joined; pitch -1 is a rest.
    first_grace, n_graces : Integers, shape (notes,)
    grace_pitches : Integers, shape (graces,)
    """

    ticks_per_beat: int
    n_ticks: int
    pickup_ticks: int
    missing_ticks: int
    bar_starts: Integers
    bar_columns: Integers
    note_starts: Integers
    note_ticks: Integers
    note_pitches: Integers
    note_bars: Integers
    note_indices: Integers
    first_grace: Integers
    n_graces: Integers
    grace_pitches: Integers


@dataclass(frozen=True, slots=True)
class _SameTune:
    """A tune compared by identity, so that a table is kept per object and nothing deep is hashed."""

    tune: Tune

    def __hash__(self) -> int:
        return id(self.tune)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _SameTune) and other.tune is self.tune


def tune_table(planned: PlannedTune) -> TuneTable:
    """Return the table of a planned tune; the same tune with the same parts is worked out once.

    Raises
    ------
    TimelineError
        If the tune has a note that the chanter does not have, lengths beyond all measure, or nothing to play.
    MusicError
        If a part is asked for that is not there.
    """
    beat = planned.beat_length
    return _table(_SameTune(planned.tune), planned.parts, planned.repeats, beat.numerator, beat.denominator)


@lru_cache(maxsize=4096)
def _table(same: _SameTune, parts: tuple[int, ...] | None, repeats: bool, beat_num: int, beat_den: int) -> TuneTable:
    tune = same.tune
    played = played_bars(tune, parts=parts, repeats=repeats)
    printed = {id(one.bar): one.bar for one in played}
    ticks_per_whole = _ticks_per_whole(tuple(printed.values()), beat_den)
    reading = _Reading(tune, ticks_per_whole)
    codes = {key: reading.bar(bar) for key, bar in printed.items()}
    return _joined(tune, played, codes, ticks_per_whole * beat_num // beat_den, ticks_per_whole)


def _ticks_per_whole(bars: tuple[Bar, ...], beat_den: int) -> int:
    """Return the least number of ticks in a whole note that makes the beat and every length whole."""
    denominators = {beat_den}
    denominators.update(bar.metre.unit for bar in bars if bar.metre is not None)
    notes = {id(note): note for bar in bars for note in bar.notes}.values()
    denominators.update(note.written.denominator * (note.tuplet.actual if note.tuplet else 1) for note in notes)
    return math.lcm(*denominators)


@dataclass(frozen=True, slots=True, eq=False)
class _BarCode:
    """One printed bar in ticks: plain numbers, joined later."""

    n_ticks: int
    ticks: tuple[int, ...]
    pitches: tuple[int, ...]
    tied: tuple[bool, ...]
    n_graces: tuple[int, ...]
    grace_pitches: tuple[int, ...]


_NoteCode = tuple[int, int, bool, int, tuple[int, ...]]


@dataclass(slots=True)
class _Reading:
    """What is remembered while one tune is read: notes and bars that its reader shares are worked out once."""

    tune: Tune
    ticks_per_whole: int
    notes: dict[int, _NoteCode] = field(default_factory=dict)
    groups: dict[int, tuple[int, ...]] = field(default_factory=dict)
    bars: dict[int, _BarCode] = field(default_factory=dict)

    def bar(self, bar: Bar) -> _BarCode:
        """Return one bar's code."""
        known = self.bars.get(id(bar.notes))
        if known is not None:
            return known
        if not bar.notes:
            return _BarCode(0, (), (), (), (), ())
        known_notes = self.notes
        codes = [known_notes.get(id(note)) or self._note(bar, note) for note in bar.notes]
        ticks, pitches, tied, n_graces, graces = zip(*codes, strict=True)
        grace_pitches = tuple(chain.from_iterable(graces))
        found = self.bars[id(bar.notes)] = _BarCode(sum(ticks), ticks, pitches, tied, n_graces, grace_pitches)
        return found

    def _note(self, bar: Bar, note: Note) -> _NoteCode:
        length = note.written.numerator * self.ticks_per_whole // note.written.denominator
        if note.tuplet is not None:
            length = length * note.tuplet.normal // note.tuplet.actual
        pitch = self._index(bar, note.pitches[0]) if note.pitches else -1
        graces = self.groups.get(id(note.graces))
        if graces is None:
            graces = self.groups[id(note.graces)] = tuple([self._index(bar, grace.pitch) for grace in note.graces])
        code = self.notes[id(note)] = (length, pitch, note.tied, len(graces), graces)
        return code

    def _index(self, bar: Bar, pitch: Pitch) -> int:
        index = chanter_note(pitch)
        if index is None:
            raise TimelineError(
                f"{bar.place}: {self.tune.title!r} has the note {pitch}, which the chanter does not have. "
                "Change the note, or move the tune onto the chanter first."
            )
        return int(index)


def _joined(
    tune: Tune, played: tuple[PlayedBar, ...], codes: dict[int, _BarCode], ticks_per_beat: int, ticks_per_whole: int
) -> TuneTable:
    order = [codes[id(one.bar)] for one in played]
    if sum(code.n_ticks for code in order) > _MOST_TICKS:
        longest = max(played, key=lambda one: codes[id(one.bar)].n_ticks).bar
        raise TimelineError(
            f"{longest.place}: {tune.title!r} has lengths that no clock can count. "
            "Look for a note whose length is wrong."
        )
    ticks = np.array([tick for code in order for tick in code.ticks], dtype=np.int64)
    if ticks.size == 0 or int(ticks.sum()) == 0:
        raise TimelineError(f"{tune.place}: {tune.title!r} has nothing to play. Choose parts that hold notes.")
    pitches = np.array([pitch for code in order for pitch in code.pitches], dtype=np.int64)
    tied = np.array([tie for code in order for tie in code.tied], dtype=bool)
    n_graces = np.array([n for code in order for n in code.n_graces], dtype=np.int64)
    grace_pitches = np.array([pitch for code in order for pitch in code.grace_pitches], dtype=np.int64)
    counts = np.array([len(code.ticks) for code in order], dtype=np.int64)
    is_more_than_pickup = int(ticks.sum()) > order[0].n_ticks
    pickup = order[0].n_ticks if played[0].printed_number == 0 and is_more_than_pickup else 0
    starts = np.cumsum(ticks) - ticks - pickup
    bar_ticks = np.array([code.n_ticks for code in order], dtype=np.int64)
    kept = _first_of_each_tie(pitches, tied, n_graces)
    return TuneTable(
        ticks_per_beat=ticks_per_beat,
        n_ticks=int(ticks.sum()) - pickup,
        pickup_ticks=pickup,
        missing_ticks=_missing(played[-1].bar, order[-1].n_ticks, ticks_per_whole),
        bar_starts=np.cumsum(bar_ticks) - bar_ticks - pickup,
        bar_columns=np.array(
            [(one.part, one.printed_number, one.pass_number, one.bar_index_in_part) for one in played], dtype=np.int64
        ),
        note_starts=starts[kept],
        note_ticks=np.add.reduceat(ticks, kept),
        note_pitches=pitches[kept],
        note_bars=np.repeat(np.arange(len(order)), counts)[kept],
        note_indices=(np.arange(ticks.size) - np.repeat(np.cumsum(counts) - counts, counts))[kept],
        first_grace=(np.cumsum(n_graces) - n_graces)[kept],
        n_graces=n_graces[kept],
        grace_pitches=grace_pitches,
    )


def _first_of_each_tie(pitches: Integers, tied: npt.NDArray[np.bool_], n_graces: Integers) -> Integers:
    """Return the indices of notes that are struck: not those a tie only lengthens."""
    lengthens = np.zeros(pitches.size, dtype=bool)
    lengthens[1:] = tied[:-1] & (pitches[1:] == pitches[:-1]) & (n_graces[1:] == 0)
    return np.flatnonzero(~lengthens)


def _missing(bar: Bar, n_ticks: int, ticks_per_whole: int) -> int:
    if bar.metre is None:
        return 0
    return max(0, bar.metre.beats * ticks_per_whole // bar.metre.unit - n_ticks)
