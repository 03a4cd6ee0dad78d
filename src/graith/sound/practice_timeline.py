"""Practice tracks: a timeline slowed, looped, repeated and counted in gives another timeline.

Tempi change, gracenotes do not: a player who slows a tune down still plays his doublings at their own speed, so they
are laid anew by the duration model and not stretched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from graith.errors import SoundError
from graith.sound.practice import BarPlace, Practice
from graith.timeline.graces import GraceModel
from graith.timeline.make_timeline import with_graces
from graith.timeline.model import BAR_DTYPE, BEAT_DTYPE, NOTE_DTYPE, StructuredArray, Timeline, TuneSpan

Floats = npt.NDArray[np.float64]

_SAME_S = 1e-9


def practice_timeline(timeline: Timeline, practice: Practice, *, graces: GraceModel | None = None) -> Timeline:
    """Return the timeline as it is practised.

    Between times through, a stretch that is not a whole number of beats long is completed by holding its last note.

    Parameters
    ----------
    timeline : Timeline
    practice : Practice
    graces : GraceModel, optional
        The one the timeline was made with; default ``GraceModel()``.

    Returns
    -------
    Timeline
        Its tunes are the stretches played, one for each tune and time through, and its bars count them.

    Raises
    ------
    SoundError
        If a bar is not in the timeline, the last comes before the first, or the count-in is shorter than the pick-up.
    """
    source = _Source(timeline)
    first, last = _bar_range(timeline, practice)
    keeps_opening = practice.first is None and practice.count_in_beats == 0
    stretch = source.stretch(first, last, with_opening=False)
    made = _Made(source, graces or GraceModel())
    if practice.count_in_beats:
        made.count_in(practice.count_in_beats, stretch, practice.tempo_factor)
    elif keeps_opening:
        made.add(source.stretch(first, last, with_opening=True), practice.tempo_factor, completed=practice.times > 1)
    factors = practice.factors()
    for index, factor in enumerate(factors):
        if index == 0 and keeps_opening:
            continue
        made.add(stretch, factor, completed=index < len(factors) - 1)
    return made.timeline(opening_factor=practice.tempo_factor if keeps_opening else None)


def _bar_range(timeline: Timeline, practice: Practice) -> tuple[int, int]:
    """Return the indices of the first and last played bar."""
    bars = timeline.bars
    if practice.first is None:
        return 0, bars.size - 1
    first = _found(bars, practice.first, 0)
    if practice.last is not None:
        return first, _found(bars, practice.last, first)
    same = np.ones(bars.size - first, dtype=bool)
    for name in ("tune", "part", "pass_number"):
        same &= bars[name][first:] == bars[name][first]
    return first, first + (int(np.argmin(same)) if not same.all() else same.size) - 1


def _found(bars: StructuredArray, place: BarPlace, start: int) -> int:
    matches = (bars["tune"] == place.tune - 1) & (bars["part"] == place.part) & (bars["number"] == place.bar)
    found = np.flatnonzero(matches)
    if not found.size:
        raise SoundError(f"There is no {place} in this timeline. It has {_said_range(bars, place)}.")
    later = found[found >= start]
    if not later.size:
        raise SoundError(f"The loop's last bar, {place}, is played before its first. Swap them.")
    return int(later[0])


def _said_range(bars: StructuredArray, place: BarPlace) -> str:
    of_tune = bars[bars["tune"] == place.tune - 1]
    if not of_tune.size:
        return f"tunes 1 to {int(bars['tune'].max()) + 1}"
    of_part = of_tune[of_tune["part"] == place.part]
    if not of_part.size:
        return f"parts {', '.join(str(part) for part in np.unique(of_tune['part']))} of tune {place.tune}"
    return f"bars {int(of_part['number'].min())} to {int(of_part['number'].max())} in that part"


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A part of the timeline to be played: bars by index, and its ends in beats and seconds."""

    first_bar: int
    last_bar: int
    start: Fraction
    stop: Fraction
    start_s: float
    stop_s: float


class _Source:
    """A timeline with its beats as exact positions."""

    def __init__(self, timeline: Timeline) -> None:
        self.timeline = timeline
        beats = timeline.beats
        self.n_opening = int((beats["tune"] < 0).sum())
        self.end = self.n_opening + timeline.total_beats
        self.first_position = Fraction(0)
        if not self.n_opening and beats.size:
            self.first_position = self.bar_start(int(beats["bar"][0])) + int(beats["beat_in_bar"][0]) - 1

    def bar_start(self, bar: int) -> Fraction:
        """Return a bar's exact start in beats."""
        row = self.timeline.bars[bar]
        return Fraction(int(row["start_num"]), int(row["start_den"]))

    def stretch(self, first: int, last: int, *, with_opening: bool) -> _Stretch:
        """Return the stretch of these bars; the opening may go with the first."""
        bars = self.timeline.bars
        is_end = last == bars.size - 1
        start, start_s = (Fraction(0), 0.0) if with_opening else (self.bar_start(first), float(bars["start_s"][first]))
        stop = self.end if is_end else self.bar_start(last + 1)
        return _Stretch(first, last, start, stop, start_s, float(bars["stop_s"][last]))

    def first_full_beat(self, stretch: _Stretch) -> Fraction:
        """Return where a stretch's first full bar begins if it starts with a pick-up, else its first whole beat."""
        bars = self.timeline.bars
        if bars["number"][stretch.first_bar] == 0 and stretch.first_bar < stretch.last_bar:
            return self.bar_start(stretch.first_bar + 1)
        return stretch.start + -(stretch.start - self.first_position) % 1

    def seconds_at(self, position: Fraction) -> float:
        """Return the time of a position in beats; before the first and past the last beat at their tempi."""
        beats = self.timeline.beats
        place = float(position - self.first_position)
        if place < 0:
            return float(beats["time_s"][0] + place * 60.0 / beats["tempo_bpm"][0])
        if place > beats.size - 1:
            return float(beats["time_s"][-1] + (place - beats.size + 1) * 60.0 / beats["tempo_bpm"][-1])
        return float(np.interp(place, np.arange(beats.size), beats["time_s"]))

    def beats_between(self, low: int, high: int) -> StructuredArray:
        """Return the rows of whole beats by index, those before the first and past the last made up.

        A tune that begins with a pick-up has none in it, but when it is played again the pulse goes on through it.
        """
        known = self.timeline.beats
        places = np.arange(low, high)
        rows: StructuredArray = known[np.clip(places, 0, known.size - 1)]
        for row in np.flatnonzero((places < 0) | (places >= known.size)):
            rows["time_s"][row] = self.seconds_at(self.first_position + int(places[row]))
            rows["bar"][row] = 0 if places[row] < 0 else -1
            rows["beat_in_bar"][row] = 1 + row
        return rows


class _Made:
    """The practice timeline as it grows."""

    def __init__(self, source: _Source, graces: GraceModel) -> None:
        self._source, self._model = source, graces
        self._beats: list[StructuredArray] = []
        self._bars: list[StructuredArray] = []
        self._notes: list[StructuredArray] = []
        self._grace_pitches: list[npt.NDArray[np.int64]] = []
        self._tunes: list[TuneSpan] = []
        self._position = Fraction(0)
        self._time_s = 0.0
        self._n_bars = 0
        self._opening_beats = 0

    def count_in(self, n_beats: int, stretch: _Stretch, factor: float) -> None:
        """Begin with taps that lead to the stretch's first full beat."""
        full = self._source.first_full_beat(stretch)
        pickup = full - stretch.start
        if pickup > n_beats:
            raise SoundError(
                f"A count-in of {n_beats} beats is shorter than the pick-up of {pickup}. Count more beats in."
            )
        full_s = self._source.seconds_at(full)
        bpm = self._bpm_at(full) * factor
        taps = np.zeros(n_beats, dtype=BEAT_DTYPE)
        taps["time_s"] = np.arange(n_beats) * 60.0 / bpm
        taps["tempo_bpm"] = bpm
        taps["tune"] = taps["bar"] = -1
        taps["beat_in_bar"] = np.arange(1, n_beats + 1)
        self._beats.append(taps)
        self._opening_beats = n_beats
        self._position = n_beats - pickup
        self._time_s = max(0.0, n_beats * 60.0 / bpm - (full_s - stretch.start_s) / factor)

    def _bpm_at(self, position: Fraction) -> float:
        beats = self._source.timeline.beats
        return float(beats["tempo_bpm"][min(math.floor(position - self._source.first_position), beats.size - 1)])

    def add(self, stretch: _Stretch, factor: float, *, completed: bool) -> None:
        """Play a stretch once."""
        stop, stop_s = stretch.stop, stretch.stop_s
        if completed and (stretch.stop - stretch.start).denominator > 1:
            stop = stretch.start + math.ceil(stretch.stop - stretch.start)
            stop_s = max(self._source.seconds_at(stop), stretch.stop_s)
        if stretch.start == 0 and self._source.n_opening and not self._beats:
            self._opening_beats = self._source.n_opening
        self._add_beats(stretch, stop, factor)
        end_s = self._time_s + (stop_s - stretch.start_s) / factor
        self._add_notes(stretch, stop, factor)
        self._add_bars(stretch, factor, end_s)
        self._position += stop - stretch.start
        self._time_s = end_s

    def _moved_s(self, times_s: Floats, stretch: _Stretch, factor: float) -> Floats:
        moved: Floats = self._time_s + (times_s - stretch.start_s) / factor
        return moved

    def _add_beats(self, stretch: _Stretch, stop: Fraction, factor: float) -> None:
        source = self._source
        counted_in = not self._bars and self._beats
        low = math.ceil((source.first_full_beat(stretch) if counted_in else stretch.start) - source.first_position)
        high = math.ceil(stop - source.first_position)
        beats = source.beats_between(low, high)
        held = beats["time_s"] >= stretch.stop_s - _SAME_S
        beats["tune"] = np.where(beats["tune"] >= 0, self._tune_index(stretch, beats["tune"]), -1)
        in_bar = (beats["bar"] >= 0) & ~held
        beats["bar"] = np.where(in_bar, self._bar_index(stretch, beats["bar"]), -1)
        beats["time_s"] = self._moved_s(beats["time_s"], stretch, factor)
        beats["tempo_bpm"] *= factor
        self._beats.append(beats)

    def _tune_index(self, stretch: _Stretch, tune: npt.NDArray[np.int16]) -> npt.NDArray[np.int64]:
        tunes = self._source.timeline.bars["tune"]
        within = np.clip(tune, tunes[stretch.first_bar], tunes[stretch.last_bar])
        return within.astype(np.int64) - int(tunes[stretch.first_bar]) + len(self._tunes)

    def _bar_index(self, stretch: _Stretch, bar: npt.NDArray[np.int32]) -> npt.NDArray[np.int64]:
        within = np.clip(bar, stretch.first_bar, stretch.last_bar)
        return within.astype(np.int64) - stretch.first_bar + self._n_bars

    def _add_notes(self, stretch: _Stretch, stop: Fraction, factor: float) -> None:
        """Add the notes that sound in the stretch; one held into it from before begins with it, without gracenotes."""
        source = self._source.timeline
        starts_s = source.notes["start_s"]
        low = int(np.searchsorted(starts_s, stretch.start_s - _SAME_S))
        high = int(np.searchsorted(starts_s, stretch.stop_s - _SAME_S))
        begins_s = float(starts_s[low]) if low < starts_s.size else math.inf
        holds_over = low > 0 and begins_s > stretch.start_s + _SAME_S and source.notes["bar"][low - 1] >= 0
        notes = source.notes[low - holds_over : high].copy()
        graces = source.graces["chanter_note"][(source.graces["note"] >= low) & (source.graces["note"] < high)]
        if holds_over:
            notes["n_graces"][0] = 0
            notes["start_s"][0] = stretch.start_s
            notes["bar"][0] = stretch.first_bar
        if notes.size:
            self._cut(notes, 0, stretch.start, stop)
            self._cut(notes, notes.size - 1, stretch.start, stop)
        shift = self._position - stretch.start
        notes["start_num"] = notes["start_num"] * shift.denominator + shift.numerator * notes["start_den"]
        notes["start_den"] *= shift.denominator
        divisor = np.gcd(notes["start_num"], notes["start_den"])
        notes["start_num"] //= divisor
        notes["start_den"] //= divisor
        notes["start_s"] = self._moved_s(notes["start_s"], stretch, factor)
        notes["bar"] = np.where(notes["bar"] >= 0, self._bar_index(stretch, notes["bar"]), -1)
        self._notes.append(notes)
        self._grace_pitches.append(graces.astype(np.int64))

    @staticmethod
    def _cut(notes: StructuredArray, index: int, start: Fraction, stop: Fraction) -> None:
        """Cut a note's exact start and stop to the stretch."""
        row = notes[index]
        was = Fraction(int(row["start_num"]), int(row["start_den"]))
        until = was + Fraction(int(row["beats_num"]), int(row["beats_den"]))
        begin, end = max(was, start), min(until, stop)
        notes["start_num"][index], notes["start_den"][index] = begin.numerator, begin.denominator
        notes["beats_num"][index], notes["beats_den"][index] = (end - begin).numerator, (end - begin).denominator

    def _add_bars(self, stretch: _Stretch, factor: float, end_s: float) -> None:
        source = self._source
        bars = source.timeline.bars[stretch.first_bar : stretch.last_bar + 1].copy()
        shift = self._position - stretch.start
        for row, bar in enumerate(range(stretch.first_bar, stretch.last_bar + 1)):
            start = source.bar_start(bar) + shift
            bars["start_num"][row], bars["start_den"][row] = start.numerator, start.denominator
        bars["start_s"] = self._moved_s(bars["start_s"], stretch, factor)
        bars["stop_s"] = np.append(bars["start_s"][1:], end_s)
        bars["tempo_bpm"] *= factor
        bars["tune"] = self._tune_index(stretch, bars["tune"])
        self._tunes += self._spans(bars, stretch, factor)
        self._bars.append(bars)
        self._n_bars += bars.size

    def _spans(self, bars: StructuredArray, stretch: _Stretch, factor: float) -> list[TuneSpan]:
        spans: list[TuneSpan] = []
        source_bars = self._source.timeline.bars
        for tune in np.unique(bars["tune"]):
            rows = np.flatnonzero(bars["tune"] == tune)
            was = int(source_bars["tune"][stretch.first_bar + rows[0]])
            span = self._source.timeline.tunes[was]
            whole = rows.size == int((source_bars["tune"] == was).sum())
            begin = self._source.bar_start(stretch.first_bar + int(rows[0]))
            after = stretch.first_bar + int(rows[-1]) + 1
            end = self._source.bar_start(after) if after <= stretch.last_bar else stretch.stop
            spans.append(
                replace(
                    span,
                    start_s=float(bars["start_s"][rows[0]]),
                    stop_s=float(bars["stop_s"][rows[-1]]),
                    beats=span.beats if whole else end - begin,
                    start_bpm=span.start_bpm * factor if whole else float(bars["tempo_bpm"][rows[0]]),
                    end_bpm=span.end_bpm * factor if whole else float(bars["tempo_bpm"][rows[-1]]),
                )
            )
        return spans

    def timeline(self, opening_factor: float | None) -> Timeline:
        """Return what has been made; the source's opening is kept at this factor, or None."""
        source = self._source.timeline
        beats = np.concatenate([np.zeros(0, dtype=BEAT_DTYPE), *self._beats])
        beats["number"] = np.arange(1, beats.size + 1)
        bars = np.concatenate([np.zeros(0, dtype=BAR_DTYPE), *self._bars])
        notes = np.concatenate([np.zeros(0, dtype=NOTE_DTYPE), *self._notes])
        notes["stop_s"] = np.append(notes["start_s"][1:], self._time_s)
        counts = notes["n_graces"].astype(np.int64)
        notes["first_grace"] = np.cumsum(counts) - counts
        graces = with_graces(notes, np.concatenate(self._grace_pitches), self._model)
        first_note_s = float(bars["start_s"][0])
        return Timeline(
            name=source.name,
            beats=beats,
            bars=bars,
            notes=notes,
            graces=graces,
            tunes=tuple(self._tunes),
            drones_in_s=0.0 if opening_factor is None else source.drones_in_s / opening_factor,
            strike_in_s=first_note_s if opening_factor is None else source.strike_in_s / opening_factor,
            first_note_s=first_note_s,
            cut_off_s=self._time_s,
            total_beats=self._position - self._opening_beats,
        )
