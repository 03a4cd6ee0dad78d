"""Find a set's tunes in their books and settle every tempo: from a set file's wishes to a plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from graith.errors import Place, Problem, SetError
from graith.music.model import Metre, Tune
from graith.music.tune_types import TUNE_TYPES, TuneType, tune_type_of
from graith.rules.toml_table import nearest, raise_first
from graith.sets.model import PlannedSet, PlannedTune, Set, SetTune
from graith.sets.read_set import FASTEST_BPM, SLOWEST_BPM

_MOST_LISTED = 8


class TuneBook(Protocol):
    """What a set needs of a book: its tunes."""

    @property
    def tunes(self) -> Sequence[Tune]:
        """The tunes in the order of the book."""
        ...


def plan_set(wanted: Set, books: Mapping[str, TuneBook], source: str) -> PlannedSet:
    """Return a set with its tunes found and every choice made.

    Each tune's tempo is the set's, else the tune's own ``Q:`` in the beat of its tune type, else its type's usual one.

    Parameters
    ----------
    wanted : Set
    books : mapping of str to book
        The books by the names that the set uses.
    source : str
        Label of the set file, for messages.

    Raises
    ------
    SetError
        If a book, a tune or a part is not there, if a number names two tunes, if a tune has no tune type, or if its own
        tempo cannot be. The message is the first problem; ``problems`` holds all of them.
    """
    if len(wanted.links) not in (0, len(wanted.tunes) - 1):
        n_wanted, n_links = len(wanted.tunes) - 1, len(wanted.links)
        raise SetError(
            f"{source}: a set of {n_wanted + 1} tunes has {n_wanted} links, not {n_links}. Give one a passage."
        )
    problems: list[Problem] = []
    tunes = [_planned(tune, number, books, source, problems) for number, tune in enumerate(wanted.tunes, 1)]
    raise_first(SetError, problems)
    return PlannedSet(
        name=wanted.name,
        tunes=tuple(tune for tune in tunes if tune is not None),
        links=wanted.links,
        opening=wanted.opening,
        ending=wanted.ending,
    )


def usual_tempo_bpm(tune: Tune, tune_type: TuneType) -> float:
    """Return a tune's own ``Q:`` tempo in beats a minute of its type's beat, else its type's usual tempo.

    Examples
    --------
    >>> from fractions import Fraction
    >>> from graith.music.model import Metre, Tempo
    >>> from graith.music.tune_types import tune_type_named
    >>> reel = Tune(1, ("Two crotchets to the beat",), (), Metre(2, 2), tempo=Tempo(168, Fraction(1, 4)))
    >>> usual_tempo_bpm(reel, tune_type_named("reel"))
    84.0
    """
    if tune.tempo is None:
        return tune_type.usual_bpm
    return float(tune.tempo.bpm * tune.tempo.beat_length / tune_type.beat_length)


def _planned(
    wanted: SetTune, number: int, books: Mapping[str, TuneBook], source: str, problems: list[Problem]
) -> PlannedTune | None:
    def refuse(kind: str, says: str, remedy: str) -> None:
        problems.append(Problem(Place(source), kind, f"tune {number}: {says}", remedy))

    if wanted.file not in books:
        refuse("missing file", f'there is no book "{wanted.file}"', nearest(wanted.file, books))
        return None
    found = [tune for tune in books[wanted.file].tunes if tune.number == wanted.index]
    if len(found) != 1:
        refuse("missing tune", *_not_one_tune(wanted, found, books[wanted.file].tunes))
        return None
    tune = found[0]
    where = f'"{tune.title}" (X:{tune.number} of {wanted.file})'
    missing = [part for part in wanted.parts or () if not 1 <= part <= len(tune.parts)]
    if missing:
        has = f"{where} has {len(tune.parts)} part{'' if len(tune.parts) == 1 else 's'}"
        refuse("missing part", f"{has}, no part {missing[0]}", f"Choose parts from 1 to {len(tune.parts)}.")
        return None
    tune_type = tune_type_of(tune)
    if tune_type is None:
        refuse("tune type", *_no_type(tune, where))
        return None
    start_bpm = usual_tempo_bpm(tune, tune_type) if wanted.tempo_bpm is None else wanted.tempo_bpm
    end_bpm = start_bpm if wanted.tempo_end_bpm is None else wanted.tempo_end_bpm
    if not (SLOWEST_BPM <= start_bpm <= FASTEST_BPM and SLOWEST_BPM <= end_bpm <= FASTEST_BPM):
        wrong_bpm = end_bpm if SLOWEST_BPM <= start_bpm <= FASTEST_BPM else start_bpm
        limits = f"{SLOWEST_BPM:g} to {FASTEST_BPM:g} beats a minute"
        says = f"the tempo of {where} is {wrong_bpm:g} beats a minute of its {tune_type.name} beat, outside {limits}"
        refuse("range", says, "Correct its Q:, or write tempo_bpm in the set.")
        return None
    return PlannedTune(tune, tune_type, start_bpm, end_bpm, wanted.parts, wanted.repeats)


def _not_one_tune(wanted: SetTune, found: Sequence[Tune], tunes: Sequence[Tune]) -> tuple[str, str]:
    if found:
        titles = " and ".join(f'"{tune.title}"' for tune in found)
        return f"{wanted.file} has {len(found)} tunes X:{wanted.index}, {titles}", "Give each tune a number of its own."
    if not tunes:
        return f"{wanted.file} has no tune X:{wanted.index}", "It has no tunes at all; look at it with a check."
    near = sorted(tunes, key=lambda tune: abs(tune.number - wanted.index))[:_MOST_LISTED]
    listed = ", ".join(f'X:{tune.number} "{tune.title}"' for tune in sorted(near, key=lambda tune: tune.number))
    has = "It has" if len(near) == len(tunes) else f"Of its {len(tunes)} tunes the nearest are"
    return f"{wanted.file} has no tune X:{wanted.index}", f"{has} {listed}."


def _no_type(tune: Tune, where: str) -> tuple[str, str]:
    metre = tune.metre or Metre(4, 4)
    fitting = [tune_type for tune_type in TUNE_TYPES if (metre.beats, metre.unit) in tune_type.metres]
    written = f"R:{tune.rhythm}" if tune.rhythm.strip() else "no R:"
    in_metre = f"M:{metre}" if tune.metre else "no metre"
    says = f"{where} has {written} and {in_metre}, which make no tune type"
    if not fitting:
        return says, f"No tune type stands in {metre}; correct its M:."
    words = " or ".join(f"R:{tune_type.rhythms[0]}" for tune_type in fitting)
    return says, f"In {metre} write {words} in the tune's head."
