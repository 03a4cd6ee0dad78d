"""From a tune to a candidate: its cuts with their exact beats, and its tonal centre.

The beats are read from the same table as the timeline's, so that a set the builder makes lasts, to the beat, what the
timeline says of it.
"""

from __future__ import annotations

from collections import defaultdict
from fractions import Fraction

from graith.builder.model import Candidate, Cut
from graith.errors import BuilderError, MusicError
from graith.music.model import ChanterNote, Tune
from graith.music.tune_types import TuneType
from graith.music.unfold import played_bars
from graith.sets.model import PlannedTune
from graith.sets.set_facts import parts_played
from graith.timeline.tune_table import tune_table

CLOSING_SHARE = Fraction(1, 2)
"""What the parts' last notes weigh together for the tonal centre, all the notes' lengths being 1; our own choice."""

_OCTAVE_BELOW = {ChanterNote.HIGH_G: ChanterNote.LOW_G, ChanterNote.HIGH_A: ChanterNote.LOW_A}


def candidate_of(
    tune: Tune,
    tune_type: TuneType,
    tempo_bpm: float,
    *,
    key: str,
    readiness: float = 1.0,
    difficulty: float = 0.0,
    cuts: tuple[tuple[int, ...] | None, ...] | None = None,
) -> Candidate:
    """Return a tune as a candidate for sets.

    Parameters
    ----------
    tune : Tune
        With no error in it, and all its notes on the chanter.
    tune_type : TuneType
    tempo_bpm : float
        Beats a minute, of the tune type's beat.
    key : str
        What locks call it.
    readiness : float, 0 to 1
    difficulty : float, 0 to 10
    cuts : tuple of (tuple of int or None), optional
        Parts to play in each cut; None is the tune as written. Default :func:`usual_cuts`.

    Raises
    ------
    BuilderError
        If a cut asks for a part that is not there, or holds nothing to play.
    """
    try:
        made = tuple(_cut(tune, tune_type, tempo_bpm, parts) for parts in (cuts or usual_cuts(tune)))
    except MusicError as error:
        raise BuilderError(f"{key}: {error}") from error
    return Candidate(
        key=key,
        title=tune.title,
        tune_type=tune_type.name,
        tempo_bpm=tempo_bpm,
        cuts=made,
        n_parts=len(tune.parts),
        metre=str(tune.metre) if tune.metre is not None else None,
        readiness=readiness,
        difficulty=difficulty,
        tonal_centre=tonal_centre(tune),
    )


def usual_cuts(tune: Tune) -> tuple[tuple[int, ...] | None, ...]:
    """Return the whole tune, then its first parts in twos: two of three or four, two and four of six.

    Common practice, no source. A tune whose order of parts is written out by ``P:`` is not cut.

    Examples
    --------
    >>> from graith.music.model import Metre, Part
    >>> usual_cuts(Tune(1, ("Four parts",), (Part(()),) * 4, Metre(2, 4)))
    (None, (1, 2))
    """
    if tune.part_order:
        return (None,)
    shorter = range(2, len(tune.parts), 2)
    return (None, *(tuple(range(1, n_parts + 1)) for n_parts in shorter))


def _cut(tune: Tune, tune_type: TuneType, tempo_bpm: float, parts: tuple[int, ...] | None) -> Cut:
    planned = PlannedTune(tune, tune_type, tempo_bpm, tempo_bpm, parts=parts)
    table = tune_table(planned)
    played = parts_played(planned)
    per_beat = table.ticks_per_beat
    beats = Fraction(-(-(table.n_ticks + table.missing_ticks) // per_beat))
    sounded = table.note_pitches[table.note_pitches >= 0]
    return Cut(
        parts=parts,
        n_parts=len(set(played)),
        n_played=len(played),
        beats=beats,
        closing_beats=Fraction(table.n_ticks, per_beat),
        pickup_beats=Fraction(table.pickup_ticks, per_beat),
        last_beats=beats - Fraction(int(table.note_starts[-1]), per_beat),
        first_note=ChanterNote(int(sounded[0])) if sounded.size else None,
        last_note=ChanterNote(int(sounded[-1])) if sounded.size else None,
    )


def tonal_centre(tune: Tune) -> ChanterNote | None:
    """Return the note a tune turns about, low G to F, octaves taken as one; None for a tune of rests.

    Each note counts for its length, and the last note of each part, as played through once, for its share of
    :data:`CLOSING_SHARE` besides: where a tune comes to rest says more of its centre than where it passes. Our own
    measure, no source; ``tests/oracles/builder.md`` says how often it agrees with the key that transcribers wrote.
    """
    weights: dict[ChanterNote, Fraction] = defaultdict(Fraction)
    total = Fraction(0)
    closings: list[ChanterNote] = []
    for number in range(1, len(tune.parts) + 1):
        notes = [note for one in played_bars(tune, (number,), repeats=False) for note in one.bar.notes]
        named = [(note.chanter_note, note.length) for note in notes if note.chanter_note is not None]
        for note, length in named:
            weights[_OCTAVE_BELOW.get(note, note)] += length
            total += length
        if named:
            closings.append(_OCTAVE_BELOW.get(named[-1][0], named[-1][0]))
    for note in closings:
        weights[note] += CLOSING_SHARE * total / len(closings)
    return max(weights, key=lambda note: (weights[note], -note)) if weights else None
