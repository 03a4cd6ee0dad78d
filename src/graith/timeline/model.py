"""What a timeline holds: structured arrays of beats, bars, notes and gracenotes, and a few totals.

Time 0 s is the first beat of the opening (the first roll), or the tune's first note when there is no opening. Positions
are exact in beats (numerator and denominator) and float64 in seconds. A *beat* is the beat of the tune in force: after
a change of tune type the count simply goes on.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

StructuredArray = npt.NDArray[np.void]

BEAT_DTYPE = np.dtype(
    [
        (
            "number",
            np.int32,
        ),  # from 1, over the whole set; a tune's first full beat is a whole number after the opening
        ("time_s", np.float64),
        ("tempo_bpm", np.float64),  # at this beat
        ("tune", np.int16),  # index in the set from 0; -1 in the opening
        ("bar", np.int32),  # index in ``bars``; -1 in the opening and in holds
        ("beat_in_bar", np.int16),  # from 1
    ]
)
"""One row a beat, the opening's first."""

BAR_DTYPE = np.dtype(
    [
        ("start_num", np.int64),  # exact start in beats from time 0, numerator
        ("start_den", np.int64),
        ("start_s", np.float64),
        ("stop_s", np.float64),
        ("tempo_bpm", np.float64),  # at the bar's first beat
        ("tune", np.int16),  # index in the set from 0
        ("part", np.int16),  # as printed, from 1
        ("number", np.int16),  # printed number within the part, from 1; 0 is a pick-up
        ("pass_number", np.int16),  # repeat pass, from 1
        ("bar_in_part", np.int16),  # index in ``tune.parts[part - 1].bars``
    ]
)
"""One row a played bar, repeats unfolded, in playing order."""

NOTE_DTYPE = np.dtype(
    [
        ("start_num", np.int64),  # exact start in beats from time 0: where the written note begins
        ("start_den", np.int64),
        ("beats_num", np.int64),  # exact length in beats
        ("beats_den", np.int64),
        ("start_s", np.float64),  # the written beginning (where its first gracenote sounds, if graces steal from it)
        ("onset_s", np.float64),  # the melody note itself, after its gracenotes
        ("stop_s", np.float64),
        ("chanter_note", np.int8),  # 0 low G … 8 high A; -1 silence
        ("bar", np.int32),  # index in ``bars``; -1 for the strike-in note
        ("note_in_bar", np.int16),  # index in ``bar.notes``; -1 for the strike-in note
        ("first_grace", np.int32),  # index in ``graces``
        ("n_graces", np.int8),
    ]
)
"""One row a melody note in playing order; tied notes are one row; the strike-in note is the first."""

GRACE_DTYPE = np.dtype(
    [
        ("onset_s", np.float64),
        ("stop_s", np.float64),
        ("chanter_note", np.int8),
        ("note", np.int32),  # index in ``notes`` of the note it leads into
    ]
)
"""One row a gracenote in playing order."""


@dataclass(frozen=True, slots=True, eq=False)
class TuneSpan:
    """One tune's stretch of the timeline, from its first beat or pick-up to the next tune's."""

    title: str
    tune_type: str
    start_s: float
    stop_s: float
    beats: Fraction
    start_bpm: float
    end_bpm: float


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """A set's exact plan.

    Attributes
    ----------
    beats, bars, notes, graces : structured arrays
        Of ``BEAT_DTYPE``, ``BAR_DTYPE``, ``NOTE_DTYPE``, ``GRACE_DTYPE``.
    tunes : tuple of TuneSpan
    drones_in_s, strike_in_s : float
    first_note_s : float
        Onset of the first note of the first tune, a pick-up included.
    cut_off_s : float
        When the last note stops: the end of the timeline.
    total_beats : Fraction
        All beats of all tunes with their holds, the opening not counted.
    """

    name: str
    beats: StructuredArray
    bars: StructuredArray
    notes: StructuredArray
    graces: StructuredArray
    tunes: tuple[TuneSpan, ...]
    drones_in_s: float
    strike_in_s: float
    first_note_s: float
    cut_off_s: float
    total_beats: Fraction

    @property
    def playing_s(self) -> float:
        """Seconds from the first roll (time 0) to the cut-off."""
        return self.cut_off_s

    @property
    def music_s(self) -> float:
        """Seconds from the first tune's first note to the cut-off."""
        return self.cut_off_s - self.first_note_s


def rows(array: StructuredArray) -> list[dict[str, Any]]:
    """Return a structured array as a list of plain dictionaries, for JSON."""
    names = array.dtype.names or ()
    return [dict(zip(names, row.item(), strict=True)) for row in array]
