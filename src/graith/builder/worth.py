"""What a set is worth: each tune, each link, the variety of types, the time. Whole billionths of a point.

One definition serves the search (whole arrays) and the reasons (one set): see ``docs/builder.md`` for the formulas.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from graith.builder.model import Candidate, Cut, Question, Weights
from graith.music.fingering import crossing
from graith.music.model import ChanterNote
from graith.rules.rulebook import ClockStart

Integers = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

BILLION = 10**9
START = 100 * BILLION
"""Every set starts from 100 points."""

UNKNOWN = len(ChanterNote)
"""Index of a note that is not known, in the two tables below."""

UNTIMED_S = 240.0
"""The length against which a tune's share of the time is counted when the question aims at none."""

SIMPLE_RATIOS = (1.0, 1.5, 2.0)
ROUGHEST_RATIO_ERROR = 0.2

_SEMITONES = (-2, 0, 2, 4, 5, 7, 9, 10, 12)
_TONAL_BY_SEMITONES = {0: 0.0, 5: 0.25, 3: 0.4, 4: 0.5, 2: 0.5, 6: 1.0, 1: 1.0}
_HALF = 0.5


def microseconds(beats: Fraction, tempo_bpm: float) -> int:
    """Return what a number of beats lasts, to the nearest microsecond.

    Examples
    --------
    >>> microseconds(Fraction(64), 80.0)
    48000000
    """
    bpm, of = float(tempo_bpm).as_integer_ratio()
    numerator, denominator = 60_000_000 * beats.numerator * of, beats.denominator * bpm
    return (2 * numerator + denominator) // (2 * denominator)


def tempo_roughness(from_bpm: Floats, to_bpm: Floats) -> Floats:
    """Return how hard it is to find the next tempo, from 0 to 1.

    The quicker beat is held against 1, 1½ and 2 of the slower; 0 is on one of them, 1 is a fifth or more away from all.
    Common practice, no source: a band finds a beat that is equal, half as quick again, or double.

    Examples
    --------
    >>> tempo_roughness(np.array(80.0), np.array([80.0, 84.0, 120.0, 100.0])).round(2).tolist()
    [0.0, 0.25, 0.0, 0.83]
    """
    ratio = np.maximum(from_bpm, to_bpm) / np.minimum(from_bpm, to_bpm)
    error = np.min([np.abs(ratio / simple - 1.0) for simple in SIMPLE_RATIOS], axis=0)
    roughness: Floats = np.minimum(error / ROUGHEST_RATIO_ERROR, 1.0)
    return roughness


def _tonal_table() -> Floats:
    table = np.full((UNKNOWN + 1, UNKNOWN + 1), _HALF)
    for one in range(UNKNOWN):
        for other in range(UNKNOWN):
            apart = (_SEMITONES[one] - _SEMITONES[other]) % 12
            table[one, other] = _TONAL_BY_SEMITONES[min(apart, 12 - apart)]
    return table


def _meeting_table() -> Floats:
    table = np.full((UNKNOWN + 1, UNKNOWN + 1), _HALF)
    for last in ChanterNote:
        for first in ChanterNote:
            leap = abs(first - last) / 8
            fingers = min(crossing(last, first), 2) / 2
            table[last, first] = (leap + fingers) / 2
    return table


TONAL_ROUGHNESS = _tonal_table()
"""Shape (10, 10), by tonal centre of the tune that ends and of the next: 0 the same, 0.25 a fourth or fifth apart,
0.4 a minor third (relative keys), 0.5 a major third, a tone, or one not known, 1 a semitone or a tritone. Our own
choice."""

MEETING_ROUGHNESS = _meeting_table()
"""Shape (10, 10), by the last note and the first of the next tune: half for the leap (an octave and a note is full),
half for fingers that cross (two are full). 0.5 where one is not known. Our own choice."""


def note_index(note: ChanterNote | None) -> int:
    """Return a note's row in the two tables."""
    return UNKNOWN if note is None else int(note)


def billionths(points: float, share: Floats) -> Integers:
    """Return a share of some points, rounded to whole billionths of a point."""
    whole: Integers = np.rint(points * BILLION * share).astype(np.int64)
    return whole


def tempo_loss(weights: Weights, one: Candidate, other: Candidate) -> int:
    """Return what the change of tempo between two tunes costs."""
    return int(billionths(weights.tempo, tempo_roughness(np.array(one.tempo_bpm), np.array(other.tempo_bpm))))


def tonal_loss(weights: Weights, one: Candidate, other: Candidate) -> int:
    """Return what the move between two tonal centres costs."""
    return int(billionths(weights.tonal, TONAL_ROUGHNESS[note_index(one.tonal_centre), note_index(other.tonal_centre)]))


def meeting_loss(weights: Weights, last: Cut, first: Cut) -> int:
    """Return what the last note's meeting the first costs."""
    return int(billionths(weights.meeting, MEETING_ROUGHNESS[note_index(last.last_note), note_index(first.first_note)]))


def sameness_loss(weights: Weights, one: Candidate, other: Candidate) -> int:
    """Return what two neighbours of one type cost."""
    return int(billionths(weights.sameness, np.array(float(one.tune_type == other.tune_type))))


def first_clock(question: Question) -> ClockStart:
    """Return the clock of the question's target: the first duration rule's, else from the first roll."""
    durations = question.rules.durations
    return durations[0].clock_from if durations else ClockStart.FIRST_ROLL


def target_us(question: Question) -> int | None:
    """Return the time aimed at, in microseconds; None aims at none."""
    if question.target_s is not None:
        return round(question.target_s * 1_000_000)
    for rule in question.rules.durations[:1]:
        if rule.min_s is not None and rule.max_s is not None:
            return round((rule.min_s + rule.max_s) * 500_000)
    return None


def time_slope(question: Question) -> int:
    """Return what each microsecond away from the target costs."""
    return 0 if target_us(question) is None else round(question.weights.time_per_10_s * 100)


def tune_us(question: Question, candidate: Candidate, cut: Cut) -> int:
    """Return the time from a tune's first full beat to the next tune's, in microseconds."""
    return microseconds(cut.beats + question.hold_beats, candidate.tempo_bpm)


def closing_us(question: Question, candidate: Candidate, cut: Cut) -> int:
    """Return the time from the closing tune's first full beat to the cut-off, in microseconds."""
    return microseconds(cut.closing_beats + question.ending_hold_beats, candidate.tempo_bpm)


def start_us(question: Question, candidate: Candidate, cut: Cut, clock: ClockStart) -> int:
    """Return the time from a clock's start to the opening tune's first full beat, in microseconds."""
    opening = question.opening
    if clock is ClockStart.FIRST_ROLL and opening.roll_beats:
        return microseconds(Fraction(opening.roll_beats), opening.tempo_bpm or candidate.tempo_bpm)
    return microseconds(cut.pickup_beats, candidate.tempo_bpm)


def may_open(question: Question, candidate: Candidate, cut: Cut) -> bool:
    """Return whether a tune's pick-up finds room in the rolls before it."""
    roll_us = start_us(question, candidate, cut, ClockStart.FIRST_ROLL)
    return roll_us >= microseconds(cut.pickup_beats, candidate.tempo_bpm)


def room_us(question: Question, candidate: Candidate, cut: Cut) -> int:
    """Return the time from a tune's last note to the next tune's first full beat, in microseconds."""
    return microseconds(cut.last_beats + question.hold_beats, candidate.tempo_bpm)


def held_us(pickup_us: Integers, room: Integers, beat_us: Integers) -> Integers:
    """Return what is added, in microseconds, so that the next tune's pick-up does not swallow the last note whole.

    As the timeline does: whole beats are added until something of the last note is left.
    """
    held: Integers = np.where(pickup_us >= room, (np.maximum(pickup_us - room, 0) // beat_us + 1) * beat_us, 0)
    return held


def readiness_loss(question: Question, candidate: Candidate, cut: Cut) -> int:
    """Return what a tune costs because not everybody has it."""
    share = _time_share(question, candidate, cut)
    return int(billionths(question.weights.readiness, np.array((1.0 - candidate.readiness) * share)))


def difficulty_loss(question: Question, candidate: Candidate, cut: Cut) -> int:
    """Return what a tune costs because it is harder than the band's level."""
    if question.level is None:
        return 0
    share = _time_share(question, candidate, cut)
    over = max(0.0, candidate.difficulty - question.level)
    return int(billionths(question.weights.difficulty, np.array(over * share)))


def cut_loss(question: Question, candidate: Candidate, cut: Cut) -> int:
    """Return what the parts left out of a tune cost."""
    left_out = 1.0 - min(1.0, cut.n_parts / candidate.n_parts)
    return int(billionths(question.weights.whole, np.array(left_out)))


def variety_gain(weights: Weights) -> int:
    """Return what each tune type after the first is worth."""
    return int(billionths(weights.variety, np.array(1.0)))


def _time_share(question: Question, candidate: Candidate, cut: Cut) -> float:
    aimed_us = target_us(question) or round(UNTIMED_S * 1_000_000)
    return tune_us(question, candidate, cut) / aimed_us
