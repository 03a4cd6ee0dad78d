"""Lay one tune on the clock as a set of its own, for its sheet and its practice sound."""

from __future__ import annotations

from fractions import Fraction

from graith.errors import SetError
from graith.music.model import Tune
from graith.music.tune_types import TuneType, tune_type_of
from graith.sets.model import Opening, PlannedSet, PlannedTune
from graith.sets.plan_set import usual_tempo_bpm

_SLOWEST_BPM, _FASTEST_BPM = 20.0, 300.0


def tune_type_or_plain(tune: Tune) -> TuneType:
    """Return the tune's type, or a plain one made from its metre when ``R:`` names none."""
    named = tune_type_of(tune)
    if named is not None:
        return named
    metre = tune.metre
    beat_length = metre.beat_length if metre is not None else Fraction(1, 4)
    metres = ((metre.beats, metre.unit),) if metre is not None else ()
    return TuneType(tune.rhythm or "tune", (), metres, beat_length, 60.0, 80.0, 120.0)


def planned_tune_alone(
    tune: Tune,
    *,
    parts: tuple[int, ...] | None = None,
    repeats: bool = True,
    tempo_bpm: float | None = None,
    opening: Opening | None = None,
) -> PlannedSet:
    """Return a set of this one tune, by default without rolls.

    Raises
    ------
    SetError
        If the tempo is outside 20 to 300 beats a minute.
    """
    tune_type = tune_type_or_plain(tune)
    chosen_bpm = usual_tempo_bpm(tune, tune_type) if tempo_bpm is None else tempo_bpm
    if not _SLOWEST_BPM <= chosen_bpm <= _FASTEST_BPM:
        raise SetError(f"A tempo of {chosen_bpm:g} beats a minute cannot be marched or danced; use 20 to 300.")
    one = PlannedTune(tune, tune_type, chosen_bpm, chosen_bpm, parts=parts, repeats=repeats)
    return PlannedSet(tune.title, (one,), (), opening=opening or Opening(roll_beats=0))
