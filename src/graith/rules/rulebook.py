"""What a rulebook holds: grades, their events, and one small frozen dataclass for each kind of rule.

Two families. A :class:`Rule` that can be *measured* (durations, parts, tune types, players) is held against facts by
:mod:`graith.rules.hold`. A *term* (start manner, judges, placing, standings, dress, notes) is data to be read by people
and by later rooms; nothing measures it, so it gives no ruling and never counts as satisfied.

A book as it is here is whole: what it takes over from another book is already in it, and an event's rules already
include those of its grade and of the book. See ``docs/rules.md`` for the file.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import StrEnum

ADVICE = "Check your own association's current book."
"""The sentence with which every page and every list of rulings ends."""

ANY_TYPE = "any"
"""A tune-type word that every tune answers to."""

ANY_MARCH = "march"
"""A tune-type word that every march answers to, whatever its metre."""


def answers_to(type_word: str, tune_type: str) -> bool:
    """Return whether a tune type is what a rule's type word means.

    Parameters
    ----------
    type_word : str
        A tune type's name, ``"march"`` for any march, or ``"any"``.
    tune_type : str
        Name of a :class:`~graith.music.tune_types.TuneType`.

    Examples
    --------
    >>> answers_to("march", "6/8 march"), answers_to("2/4 march", "6/8 march"), answers_to("any", "jig")
    (True, False, True)
    """
    if type_word == ANY_TYPE:
        return True
    if type_word == ANY_MARCH:
        return tune_type.endswith(" march")
    return type_word == tune_type


class ClockStart(StrEnum):
    """What starts the clock of a duration; it always runs to the cut-off."""

    FIRST_ROLL = "first roll"
    FIRST_NOTE = "first note"


class Instrument(StrEnum):
    """Who is counted; the value is the word in the file and the name of the field in ``RosterFacts``."""

    PIPERS = "pipers"
    SNARES = "snares"
    TENORS = "tenors"
    BASSES = "basses"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What every rule has.

    Attributes
    ----------
    name : str
        Its name in the book, by which another book may change or remove it.
    source : str
        Where it stands in print, or ``"common practice, no source"``.
    text : str
        The rule in the book's own words; empty when the numbers say it all.
    """

    name: str
    source: str
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeRule(Rule):
    """The tunes' types, in order, are one of ``patterns``; each is a tuple of type words (see :func:`answers_to`)."""

    patterns: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TypesRule(Rule):
    """Every tune answers to one of the type words ``allowed``, in any order."""

    allowed: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TuneCountRule(Rule):
    """The set has at least ``least`` and at most ``most`` tunes; None is no limit."""

    least: int | None = None
    most: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTotalRule(Rule):
    """All tunes together have at least ``least`` and at most ``most`` parts played.

    Every playing of a part counts, but a part repeated straight away counts once:
    the sum of ``len(parts_played)`` over the tunes.
    """

    least: int | None = None
    most: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TunePartsRule(Rule):
    """Every tune that answers to ``tune_type`` is played with one of the ``allowed`` numbers of different parts."""

    tune_type: str
    allowed: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MetreRule(Rule):
    """Every tune that answers to ``tune_type`` stands in one of the ``allowed`` metres, written ``"2/4"``."""

    tune_type: str
    allowed: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DurationRule(Rule):
    """The set lasts from ``min_s`` to ``max_s`` seconds, both included; None is no limit.

    The clock runs from ``clock_from`` to the cut-off.
    """

    min_s: float | None = None
    max_s: float | None = None
    clock_from: ClockStart = ClockStart.FIRST_ROLL


@dataclass(frozen=True, slots=True, kw_only=True)
class VarietyRule(Rule):
    """The set has tunes of at least ``least_types`` different tune types."""

    least_types: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayersRule(Rule):
    """At least ``least`` and at most ``most`` players of one instrument; None is no limit."""

    instrument: Instrument
    least: int | None = None
    most: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StartTerm(Rule):
    """How a band may start: one or more of ``manners``, such as ``"march on playing"``."""

    manners: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgesTerm(Rule):
    """Who judges: pairs of what is judged and how many judges, such as ``("piping", 2)``."""

    panel: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacingTerm(Rule):
    """How bands are placed, and what breaks a tie, first to last."""

    method: str
    tie_break: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingsTerm(Rule):
    """How a season's standings are counted."""

    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DressTerm(Rule):
    """What is worn."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteTerm(Rule):
    """A rule in words alone; its ``text`` is never empty."""


SET_RULES = (
    ShapeRule,
    TypesRule,
    TuneCountRule,
    PartTotalRule,
    TunePartsRule,
    MetreRule,
    DurationRule,
    VarietyRule,
)
"""The kinds of rule held against a set."""

TERMS = (StartTerm, JudgesTerm, PlacingTerm, StandingsTerm, DressTerm, NoteTerm)
"""The kinds of rule that nothing measures."""


@dataclass(frozen=True, slots=True)
class Event:
    """One event of a grade. ``rules`` are all that hold in it, those of the grade and of the book included."""

    name: str
    rules: tuple[Rule, ...]
    text: str = ""


@dataclass(frozen=True, slots=True)
class Grade:
    """One grade. ``rules`` are those that hold in all its events, those of the whole book included."""

    name: str
    events: tuple[Event, ...]
    rules: tuple[Rule, ...] = ()
    text: str = ""


@dataclass(frozen=True, slots=True)
class Rulebook:
    """An association's book for a season, with everything it takes over from other books already in it.

    Attributes
    ----------
    name : str
    grades : tuple of Grade
        In the order of the file.
    season : str
        As the book says it; empty when it does not.
    valid_from, valid_to : datetime.date or None
        First and last day on which it holds; None is not said.
    extends : str
        Name of the book it extends; empty when it stands alone.
    text : str
        What the book says of itself.
    """

    name: str
    grades: tuple[Grade, ...]
    season: str = ""
    valid_from: dt.date | None = None
    valid_to: dt.date | None = None
    extends: str = ""
    text: str = ""


@dataclass(frozen=True, slots=True)
class EventRules:
    """The measured rules of one event of one grade, sorted by kind: all of them must hold.

    An empty tuple means that the book does not limit that kind of thing.
    """

    grade: str
    event: str
    shapes: tuple[ShapeRule, ...] = ()
    types: tuple[TypesRule, ...] = ()
    tune_counts: tuple[TuneCountRule, ...] = ()
    part_totals: tuple[PartTotalRule, ...] = ()
    tune_parts: tuple[TunePartsRule, ...] = ()
    metres: tuple[MetreRule, ...] = ()
    durations: tuple[DurationRule, ...] = ()
    varieties: tuple[VarietyRule, ...] = ()
    players: tuple[PlayersRule, ...] = ()
    terms: tuple[Rule, ...] = ()
