"""Lay a planned set on the clock: exact beats first, then seconds through pieces of constant or sloping tempo."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from graith.errors import TimelineError
from graith.sets.model import PlannedSet, PlannedTune
from graith.timeline.graces import GraceModel
from graith.timeline.model import BAR_DTYPE, BEAT_DTYPE, GRACE_DTYPE, NOTE_DTYPE, StructuredArray, Timeline, TuneSpan
from graith.timeline.tempo import TempoCurve, tempo_curve
from graith.timeline.tune_table import TuneTable, tune_table

Floats = npt.NDArray[np.float64]
_MOST_BEATS = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """One tune laid on the clock: its table, its tempo, and where its first full beat falls."""

    planned: PlannedTune
    table: TuneTable
    curve: TempoCurve
    first_beat: Fraction  # beats from time 0 to the tune's first full beat
    first_beat_s: float
    beats: Fraction  # from its first full beat to the next tune's, or to the cut-off

    def seconds(self, ticks: npt.NDArray[np.int64]) -> Floats:
        """Return times in seconds of positions in ticks; a pick-up runs back from the first beat."""
        return self.first_beat_s + self.curve.seconds(ticks / self.table.ticks_per_beat)

    @property
    def pickup_s(self) -> float:
        """Seconds of the pick-up, at the tune's first tempo."""
        return 60.0 / self.curve.start_bpm * self.table.pickup_ticks / self.table.ticks_per_beat

    @property
    def stop_s(self) -> float:
        """Where the next tune's first full beat, or the cut-off, falls."""
        return self.first_beat_s + float(self.curve.seconds(np.array([float(self.beats)]))[0])


def timeline_of(planned: PlannedSet, *, graces: GraceModel | None = None, tempo_factor: float = 1.0) -> Timeline:
    """Return a set's timeline.

    The first tune's first full beat falls ``opening.roll_beats`` beats after time 0, its pick-up before it. Each
    later tune's first full beat falls on the whole beat that completes the last bar of the tune before it; a pick-up
    takes its time from the end of that bar. Gracenotes take theirs from a melody note as the model says.

    Parameters
    ----------
    planned : PlannedSet
    graces : GraceModel, optional
        Default ``GraceModel()``.
    tempo_factor : float, > 0
        Multiplies every tempo, the opening's too; gracenotes keep their own length.

    Raises
    ------
    TimelineError
        If the set has no tune, a tune has a note the chanter lacks or a million beats, the opening is too short for
        the pick-up, or an easing is longer than its tune.

    Notes
    -----
    For a constant tempo, ``cut_off_s`` equals ``(roll_beats + total_beats) * 60 / bpm``; a straight-line ramp of B
    beats from v0 to v1 takes ``60 B ln(v1 / v0) / (v1 - v0)`` seconds (:func:`graith.units.ramp_s`).
    """
    if not planned.tunes:
        raise TimelineError(f"The set {planned.name!r} has no tunes. Add a [[tunes]] table for each.")
    model = graces or GraceModel()
    laid = _lay_tunes(planned, tempo_factor)
    opening_bpm = (planned.opening.tempo_bpm or planned.tunes[0].tempo_bpm) * tempo_factor
    bars = _bars(laid)
    notes, grace_pitches = _notes(planned, laid, opening_bpm)
    graced = with_graces(notes, grace_pitches, model)
    return Timeline(
        name=planned.name,
        beats=_beats(planned, laid, opening_bpm),
        bars=bars,
        notes=notes,
        graces=graced,
        tunes=_spans(laid, bars),
        drones_in_s=_opening_s(planned.opening.drones_in_beat, planned, opening_bpm),
        strike_in_s=_opening_s(planned.opening.strike_in_beat, planned, opening_bpm),
        first_note_s=float(bars["start_s"][0]),
        cut_off_s=laid[-1].stop_s,
        total_beats=sum((one.beats for one in laid), Fraction(0)) + _lone_pickup(planned, laid[0]),
    )


def _opening_s(beat: int, planned: PlannedSet, opening_bpm: float) -> float:
    return max(0, min(beat - 1, planned.opening.roll_beats)) * 60.0 / opening_bpm


def _lone_pickup(planned: PlannedSet, first: _Laid) -> Fraction:
    """Return the first pick-up's beats when there is no opening to hold it."""
    if planned.opening.roll_beats:
        return Fraction(0)
    return Fraction(first.table.pickup_ticks, first.table.ticks_per_beat)


def _lay_tunes(planned: PlannedSet, tempo_factor: float) -> list[_Laid]:
    tables = [tune_table(one) for one in planned.tunes]
    beat, time_s = _first_beat(planned, tables[0], tempo_factor)
    laid: list[_Laid] = []
    for index, (one, table) in enumerate(zip(planned.tunes, tables, strict=True)):
        beats = _beats_to_next(planned, tables, index)
        if beats > _MOST_BEATS:
            raise TimelineError(
                f"{one.tune.place}: {one.tune.title!r} has {float(beats):.3g} beats, more than anyone can play. "
                "Look for a note whose length is wrong."
            )
        curve = tempo_curve(planned, index, beats, tempo_factor)
        laid.append(_Laid(one, table, curve, beat, time_s, beats))
        beat += beats
        time_s = laid[-1].stop_s
    return laid


def _first_beat(planned: PlannedSet, table: TuneTable, tempo_factor: float) -> tuple[Fraction, float]:
    """Return where the first tune's first full beat falls, in beats and seconds from time 0."""
    pickup = Fraction(table.pickup_ticks, table.ticks_per_beat)
    roll = planned.opening.roll_beats
    tempo_bpm = planned.tunes[0].tempo_bpm * tempo_factor
    if roll == 0:
        return pickup, float(pickup) * 60.0 / tempo_bpm
    roll_s = roll * 60.0 / ((planned.opening.tempo_bpm or planned.tunes[0].tempo_bpm) * tempo_factor)
    if roll_s < float(pickup) * 60.0 / tempo_bpm:
        raise TimelineError(
            f"The opening of {planned.name!r} has {roll} beats, less than the first tune's pick-up of {pickup} beats. "
            "Give [opening] more roll_beats, or 0 for none."
        )
    return Fraction(roll), roll_s


def _tune_beats(table: TuneTable) -> Fraction:
    return Fraction(table.n_ticks, table.ticks_per_beat)


def _beats_to_next(planned: PlannedSet, tables: list[TuneTable], index: int) -> Fraction:
    """Return the beats from a tune's first full beat to the next tune's, or to the cut-off for the last.

    Between tunes the last bar is completed and rounded up to a whole beat, so that the feet never lose theirs; when
    the next pick-up would swallow the last note whole, one more beat is held.
    """
    table = tables[index]
    written = _tune_beats(table)
    if index == len(tables) - 1:
        return written + planned.ending.hold_beats
    completed = Fraction(table.n_ticks + table.missing_ticks, table.ticks_per_beat)
    whole = Fraction(-(-completed.numerator // completed.denominator))
    next_table = tables[index + 1]
    ratio = Fraction(planned.tunes[index].tempo_end_bpm) / Fraction(planned.tunes[index + 1].tempo_bpm)
    pickup = Fraction(next_table.pickup_ticks, next_table.ticks_per_beat) * ratio
    last_start = Fraction(int(table.note_starts[-1]), table.ticks_per_beat)
    while whole + planned.links[index].hold_beats - pickup <= last_start:
        whole += 1
    return whole + planned.links[index].hold_beats


def _spans(laid: list[_Laid], bars: StructuredArray) -> tuple[TuneSpan, ...]:
    """Return each tune's stretch, from its first note to the next tune's first note or the cut-off."""
    starts_s = [float(bars["start_s"][bars["tune"] == index][0]) for index in range(len(laid))]
    stops_s = [*starts_s[1:], laid[-1].stop_s]
    return tuple(
        TuneSpan(
            title=one.planned.tune.title,
            tune_type=one.planned.tune_type.name,
            start_s=start_s,
            stop_s=stop_s,
            beats=one.beats,
            start_bpm=one.curve.start_bpm,
            end_bpm=float(one.curve.tempi_bpm[-1, 1]),
        )
        for one, start_s, stop_s in zip(laid, starts_s, stops_s, strict=True)
    )


def _exact(laid: _Laid, ticks: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], int]:
    """Return numerators of exact beats from time 0, and their one denominator."""
    denominator = laid.first_beat.denominator * laid.table.ticks_per_beat
    offset = laid.first_beat.numerator * laid.table.ticks_per_beat
    return ticks * laid.first_beat.denominator + offset, denominator


def _reduced(array: StructuredArray, numerator: str, denominator: str) -> None:
    divisor = np.gcd(array[numerator], array[denominator])
    array[numerator] //= divisor
    array[denominator] //= divisor


def _bars(laid: list[_Laid]) -> StructuredArray:
    pieces: list[StructuredArray] = []
    for index, one in enumerate(laid):
        table = one.table
        bars = np.zeros(table.bar_starts.size, dtype=BAR_DTYPE)
        bars["start_num"], bars["start_den"] = _exact(one, table.bar_starts)
        bars["start_s"] = one.seconds(table.bar_starts)
        bars["tempo_bpm"] = one.curve.bpm(table.bar_starts / table.ticks_per_beat)
        bars["tune"] = index
        for name, column in zip(("part", "number", "pass_number", "bar_in_part"), table.bar_columns.T, strict=True):
            bars[name] = column
        pieces.append(bars)
    joined = np.concatenate(pieces)
    joined["stop_s"][:-1] = joined["start_s"][1:]
    joined["stop_s"][-1] = laid[-1].stop_s
    _reduced(joined, "start_num", "start_den")
    return joined


def _notes(planned: PlannedSet, laid: list[_Laid], opening_bpm: float) -> tuple[StructuredArray, npt.NDArray[np.int64]]:
    """Return the notes without their gracenotes' time, the strike-in note first, and all gracenotes' pitches."""
    pieces: list[StructuredArray] = [_strike_in(planned, laid[0], opening_bpm)]
    grace_offset = 0
    bar_offset = 0
    for one in laid:
        table = one.table
        notes = np.zeros(table.note_starts.size, dtype=NOTE_DTYPE)
        notes["start_num"], notes["start_den"] = _exact(one, table.note_starts)
        notes["beats_num"], notes["beats_den"] = table.note_ticks, table.ticks_per_beat
        notes["start_s"] = one.seconds(table.note_starts)
        notes["chanter_note"] = table.note_pitches
        notes["bar"] = table.note_bars + bar_offset
        notes["note_in_bar"] = table.note_indices
        notes["first_grace"] = table.first_grace + grace_offset
        notes["n_graces"] = table.n_graces
        pieces.append(notes)
        grace_offset += table.grace_pitches.size
        bar_offset += table.bar_starts.size
    joined = np.concatenate(pieces)
    joined["stop_s"][:-1] = joined["start_s"][1:]
    joined["stop_s"][-1] = laid[-1].stop_s
    _reduced(joined, "start_num", "start_den")
    _reduced(joined, "beats_num", "beats_den")
    return joined, np.concatenate([one.table.grace_pitches for one in laid])


def _strike_in(planned: PlannedSet, first: _Laid, opening_bpm: float) -> StructuredArray:
    """Return one row for the note before the tune, or none when the tune's pick-up or first beat comes sooner."""
    opening = planned.opening
    start = Fraction(opening.strike_in_beat - 1)
    stop = first.first_beat - Fraction(first.table.pickup_ticks, first.table.ticks_per_beat)
    start_s = _opening_s(opening.strike_in_beat, planned, opening_bpm)
    if opening.roll_beats == 0 or start_s >= first.first_beat_s - first.pickup_s:
        return np.zeros(0, dtype=NOTE_DTYPE)
    row = np.zeros(1, dtype=NOTE_DTYPE)
    row["start_num"], row["start_den"] = start.numerator, start.denominator
    row["beats_num"], row["beats_den"] = (stop - start).numerator, (stop - start).denominator
    row["start_s"] = start_s
    row["chanter_note"] = int(opening.strike_in_note)
    row["bar"] = row["note_in_bar"] = -1
    return row


def with_graces(notes: StructuredArray, grace_pitches: npt.NDArray[np.int64], model: GraceModel) -> StructuredArray:
    """Set the notes' onsets (and stops, when gracenotes take from the note before); return the gracenotes."""
    counts = notes["n_graces"].astype(np.int64)
    lengths_s = notes["stop_s"] - notes["start_s"]
    each_s = model.each_s(counts, lengths_s)
    if model.before:
        each_s[1:] = model.each_s(counts, np.concatenate([lengths_s[:1], lengths_s[:-1]]))[1:]
    took_s = each_s * counts
    first_s = notes["start_s"].copy()
    notes["onset_s"] = notes["start_s"] + took_s
    if model.before and notes.size > 1:
        notes["onset_s"][1:] = notes["start_s"][1:]
        first_s[1:] -= took_s[1:]
        notes["stop_s"][:-1] -= took_s[1:]
    graces = np.zeros(grace_pitches.size, dtype=GRACE_DTYPE)
    owner = np.repeat(np.arange(notes.size), counts)
    place_in_group = np.arange(owner.size) - np.repeat(np.cumsum(counts) - counts, counts)
    graces["onset_s"] = first_s[owner] + place_in_group * each_s[owner]
    graces["stop_s"] = graces["onset_s"] + each_s[owner]
    graces["chanter_note"] = grace_pitches
    graces["note"] = owner
    return graces


def _beats(planned: PlannedSet, laid: list[_Laid], opening_bpm: float) -> StructuredArray:
    roll = np.zeros(planned.opening.roll_beats, dtype=BEAT_DTYPE)
    roll["time_s"] = np.arange(roll.size) * 60.0 / opening_bpm
    roll["tempo_bpm"] = opening_bpm
    roll["tune"] = roll["bar"] = -1
    roll["beat_in_bar"] = np.arange(1, roll.size + 1)
    pieces = [roll]
    bar_offset = 0
    for index, one in enumerate(laid):
        n_beats = -(-one.beats.numerator // one.beats.denominator)
        ticks = np.arange(n_beats, dtype=np.int64) * one.table.ticks_per_beat
        beats = np.zeros(n_beats, dtype=BEAT_DTYPE)
        beats["time_s"] = one.seconds(ticks)
        beats["tempo_bpm"] = one.curve.bpm(ticks / one.table.ticks_per_beat)
        beats["tune"] = index
        within = np.searchsorted(one.table.bar_starts, ticks, side="right") - 1
        beats["bar"] = np.where(ticks < one.table.n_ticks + one.table.missing_ticks, within + bar_offset, -1)
        beats["beat_in_bar"] = (ticks - one.table.bar_starts[within]) // one.table.ticks_per_beat + 1
        pieces.append(beats)
        bar_offset += one.table.bar_starts.size
    joined = np.concatenate(pieces)
    joined["number"] = np.arange(1, joined.size + 1)
    return joined
