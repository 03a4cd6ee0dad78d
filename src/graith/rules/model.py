"""What a rulebook says and what a ruling is.

Rules are plain data: each kind of rule is one frozen dataclass with its source. Facts are what was measured of a set
or counted of a roster; a fact that is missing is ``None``, and a rule that needs it answers ``cannot tell``.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """What a ruling says. A rule that lacks data never passes silently."""

    HOLDS = "holds"
    FAILS = "fails"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Ruling:
    """One rule held against one set or roster.

    Attributes
    ----------
    rule : str
        The rule's name in its rulebook.
    asks : str
        What the rule asks, in words.
    measured : str
        What was measured, in words and numbers; says what is missing when it cannot tell.
    verdict : Verdict
    source : str
        Where the rule comes from.
    margin : float or None
        How far inside the nearest limit (negative: outside), in ``unit``; None when it has no number.
    unit : str
    """

    rule: str
    asks: str
    measured: str
    verdict: Verdict
    source: str
    margin: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class TuneFacts:
    """What the rules can ask of one tune in a set.

    ``n_parts`` counts the parts of the tune that are played at least once; ``parts_played`` every playing of a part in
    order, a repeated part once (empty: not known). ``metre`` is written ``"2/4"``; None is not known.
    """

    title: str
    tune_type: str | None
    n_parts: int
    parts_played: tuple[int, ...] = ()
    metre: str | None = None


@dataclass(frozen=True, slots=True)
class SetFacts:
    """What was measured of a set. Durations in seconds; ``None`` is not known.

    ``roll_to_cut_off_s`` runs from the first roll, ``first_note_to_cut_off_s`` from the first tune's first note.
    ``spread_s`` is the standard deviation the band's own tempo gives the duration, when known.
    """

    tunes: tuple[TuneFacts, ...] | None = None
    roll_to_cut_off_s: float | None = None
    first_note_to_cut_off_s: float | None = None
    spread_s: float | None = None


@dataclass(frozen=True, slots=True)
class RosterFacts:
    """How many play what; ``None`` is not known."""

    pipers: int | None = None
    snares: int | None = None
    tenors: int | None = None
    basses: int | None = None
