"""How hard a bar and a tune are to play at a tempo, on a scale from 0 to 10, with what makes them so.

Four things are measured in a bar: gracenotes a second, melody notes a second, crossings a second (see
:mod:`graith.music.fingering`), and the contrast of lengths. Each is weighed, and their sum, the *load*, is bent
onto the scale::

    load  = 0.10 graces_per_s + 0.06 notes_per_s + 0.12 crossings_per_s + 0.12 contrast
    score = 10 (1 - exp(-load))

A tune's score is the root mean square of its bars' scores, each bar weighing as long as it lasts, so that hard bars
count for more than easy ones make up for. Nothing in the sum falls when the tempo rises, so neither does a score.

The weights are our own choice (no published measure was found); they put an easy slow air near 2, a parade march
near 4 and a competition march at 80 beats a minute near 7. ``docs/figures.md`` says the same to readers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from graith.errors import MusicError, Place
from graith.music.fingering import crossing
from graith.music.model import Bar, ChanterNote, Metre, Note, Tune
from graith.music.tune_types import tune_type_of

GRACE_WEIGHT_S = 0.10
NOTE_WEIGHT_S = 0.06
CROSSING_WEIGHT_S = 0.12
CONTRAST_WEIGHT = 0.12

_UNTYPED_BPM = 80.0
_UNTYPED_BEAT = Fraction(1, 4)


@dataclass(frozen=True, slots=True)
class BarDifficulty:
    """How hard one bar is, and why.

    Attributes
    ----------
    part, bar_index : int
        The part from 1, the bar from 0 within it.
    place : Place
    duration_s : float
        The bar's time at the tempo, in seconds.
    graces_per_s, notes_per_s, crossings_per_s : float
        Gracenotes, melody notes struck and crossing fingers, to the second. A tied note is struck once.
    contrast : float
        Mean, over the bar's pairs of neighbouring notes, of the binary logarithm of longer to shorter: 0 for
        even notes, 1 for lengths of 2 : 1, 1.585 for a dotted pair (3 : 1).
    score : float
        0 to 10.
    """

    part: int
    bar_index: int
    place: Place
    duration_s: float
    graces_per_s: float
    notes_per_s: float
    crossings_per_s: float
    contrast: float
    score: float


@dataclass(frozen=True, slots=True)
class Difficulty:
    """How hard a tune is at a tempo.

    Attributes
    ----------
    score : float
        0 to 10.
    tempo_bpm : float
        Beats a minute.
    beat_length : Fraction
        The beat of the tempo, in whole notes.
    bars : tuple of BarDifficulty
        In written order, repeats once.
    """

    score: float
    tempo_bpm: float
    beat_length: Fraction
    bars: tuple[BarDifficulty, ...]

    @property
    def hardest(self) -> BarDifficulty | None:
        """The bar with the highest score, the first of equals; None for a tune without notes."""
        return max(self.bars, key=lambda bar: bar.score, default=None)


def bar_difficulty(
    bar: Bar,
    tempo_bpm: float,
    beat_length: Fraction,
    *,
    previous: ChanterNote | None = None,
    after_tie: bool = False,
    part: int = 1,
    bar_index: int = 0,
) -> BarDifficulty:
    """Return how hard a bar is at a tempo.

    Parameters
    ----------
    bar : Bar
    tempo_bpm : float, > 0
        Beats a minute.
    beat_length : Fraction
        The beat, in whole notes.
    previous : ChanterNote or None
        The melody note before the bar.
    after_tie : bool
        Whether the note before the bar is tied into it.
    part, bar_index : int
        Where the bar stands, kept in the answer.

    Raises
    ------
    MusicError
        If the tempo is zero, negative or not finite.

    References
    ----------
    Our own definition, at the top of this module.
    """
    _check_tempo(tempo_bpm)
    struck = list(_struck(bar.notes, after_tie=after_tie))
    duration_s = float(bar.length / beat_length) * 60.0 / tempo_bpm
    per_s = 1.0 / duration_s if duration_s > 0 else 0.0
    graces_per_s = sum(len(note.graces) for note, _ in struck) * per_s
    notes_per_s = len(struck) * per_s
    crossings_per_s = _crossings([previous, *(note.chanter_note for note in bar.notes)]) * per_s
    contrast = _contrast([length for _, length in struck])
    score = _score(graces_per_s, notes_per_s, crossings_per_s, contrast)
    return BarDifficulty(
        part, bar_index, bar.place, duration_s, graces_per_s, notes_per_s, crossings_per_s, contrast, score
    )


def tune_difficulty(tune: Tune, tempo_bpm: float | None = None) -> Difficulty:
    """Return how hard a tune is, bar by bar and as a whole.

    Parameters
    ----------
    tune : Tune
    tempo_bpm : float, optional
        Beats a minute, of the tune type's beat, or of the metre's where the type is not known. Left out, it is
        the tempo written in the tune, else the usual one of its type, else 80.

    Raises
    ------
    MusicError
        If the tempo is zero, negative or not finite.

    References
    ----------
    Our own definition, at the top of this module.
    """
    bpm, beat_length = _tempo(tune, tempo_bpm)
    _check_tempo(bpm)
    bars = []
    previous: ChanterNote | None = None
    after_tie = False
    for part_number, part in enumerate(tune.parts, start=1):
        for bar_index, bar in enumerate(part.bars):
            bars.append(
                bar_difficulty(
                    bar, bpm, beat_length, previous=previous, after_tie=after_tie, part=part_number, bar_index=bar_index
                )
            )
            if bar.notes:
                previous, after_tie = bar.notes[-1].chanter_note, bar.notes[-1].tied
    return Difficulty(_overall(bars), bpm, beat_length, tuple(bars))


def _check_tempo(tempo_bpm: float) -> None:
    if not (math.isfinite(tempo_bpm) and tempo_bpm > 0):
        raise MusicError(f"A tempo of {tempo_bpm!r} beats a minute cannot be; it must be a number above zero.")


def _tempo(tune: Tune, tempo_bpm: float | None) -> tuple[float, Fraction]:
    tune_type = tune_type_of(tune)
    if tempo_bpm is None and tune.tempo is not None:
        return tune.tempo.bpm, tune.tempo.beat_length
    if tune_type is not None:
        return tune_type.usual_bpm if tempo_bpm is None else tempo_bpm, tune_type.beat_length
    beat_length = tune.metre.beat_length if isinstance(tune.metre, Metre) else _UNTYPED_BEAT
    return _UNTYPED_BPM if tempo_bpm is None else tempo_bpm, beat_length


def _struck(notes: tuple[Note, ...], *, after_tie: bool) -> Iterator[tuple[Note, Fraction]]:
    # Each note that begins to sound, with its length; what is tied to it within the bar is added.
    held: tuple[Note, Fraction] | None = None
    into_tie = after_tie
    for note in notes:
        if into_tie and held is not None:
            held = (held[0], held[1] + note.length)
        elif not into_tie:
            if held is not None:
                yield held
            held = None if note.is_rest else (note, note.length)
        into_tie = note.tied
    if held is not None:
        yield held


def _crossings(melody: list[ChanterNote | None]) -> int:
    return sum(
        crossing(first, second) for first, second in pairwise(melody) if first is not None and second is not None
    )


def _contrast(lengths: list[Fraction]) -> float:
    ratios = [abs(math.log2(first / second)) for first, second in pairwise(lengths) if first and second]
    return math.fsum(ratios) / len(ratios) if ratios else 0.0


def _score(graces_per_s: float, notes_per_s: float, crossings_per_s: float, contrast: float) -> float:
    load = (
        GRACE_WEIGHT_S * graces_per_s
        + NOTE_WEIGHT_S * notes_per_s
        + CROSSING_WEIGHT_S * crossings_per_s
        + CONTRAST_WEIGHT * contrast
    )
    return -10.0 * math.expm1(-load)


def _overall(bars: list[BarDifficulty]) -> float:
    total_s = math.fsum(bar.duration_s for bar in bars)
    if total_s == 0:
        return 0.0
    return math.sqrt(math.fsum(bar.score**2 * bar.duration_s for bar in bars) / total_s)
