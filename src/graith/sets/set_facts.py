"""Measure a planned set for the rules: which tunes, which parts as they are played, how long."""

from __future__ import annotations

from itertools import groupby

from graith.music.unfold import played_bars
from graith.rules.model import SetFacts, TuneFacts
from graith.sets.model import PlannedSet, PlannedTune


def set_facts(
    planned: PlannedSet,
    *,
    roll_to_cut_off_s: float | None = None,
    first_note_to_cut_off_s: float | None = None,
    spread_s: float | None = None,
) -> SetFacts:
    """Return what a rulebook can ask of a set.

    Parameters
    ----------
    planned : PlannedSet
    roll_to_cut_off_s, first_note_to_cut_off_s : float or None
        Durations in seconds, from the set's timeline; None is not known.
    spread_s : float or None
        Standard deviation of the band's own playing time of this set, in seconds; None is not known.

    Raises
    ------
    MusicError
        If a part is asked for that its tune does not have.
    """
    tunes = tuple(tune_facts(tune) for tune in planned.tunes)
    return SetFacts(tunes, roll_to_cut_off_s, first_note_to_cut_off_s, spread_s)


def tune_facts(planned: PlannedTune) -> TuneFacts:
    """Return what a rulebook can ask of one tune of a set, its parts counted as they are played.

    Raises
    ------
    MusicError
        If a part is asked for that the tune does not have.
    """
    parts = parts_played(planned)
    metre = planned.tune.metre
    return TuneFacts(
        title=planned.tune.title,
        tune_type=planned.tune_type.name,
        n_parts=len(set(parts)),
        parts_played=parts,
        metre=None if metre is None else str(metre),
    )


def parts_played(planned: PlannedTune) -> tuple[int, ...]:
    """Return the parts of a tune in the order in which they are played, from 1.

    A part that is repeated straight away counts once, whether by repeat signs, by the order of parts that the tune
    writes or by the set; so does a repeat that takes several parts in one: its second pass is not counted. A part
    that comes back later counts again.

    Raises
    ------
    MusicError
        If a part is asked for that the tune does not have.
    """
    played = played_bars(planned.tune, parts=planned.parts, repeats=planned.repeats)
    stretches = [(part, next(bars).pass_number) for part, bars in groupby(played, key=lambda one: one.part)]
    is_ordered = planned.parts is not None or bool(planned.tune.part_order)
    return tuple(part for part, pass_number in stretches if is_ordered or pass_number == 1)
