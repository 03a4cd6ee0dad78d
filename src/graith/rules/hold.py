"""Hold a rulebook against measured facts: one ruling for each rule, in words and numbers.

Three answers, never two: what a rule needs and does not get makes it ``cannot tell``. Where part of the facts is
missing, a rule still fails if what is known breaks it already, and holds only if what is missing could not break it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from graith.errors import RulesError
from graith.rules._say import count_limits, counted, ruling, ruling_on_count
from graith.rules.hold_duration import ruling_on_duration
from graith.rules.hold_tunes import ruling_on_tunes
from graith.rules.look_up import event_named, grade_named
from graith.rules.model import RosterFacts, Ruling, SetFacts, Verdict
from graith.rules.rulebook import DurationRule, PlayersRule, Rule, Rulebook


def rulings_on_set(rulebook: Rulebook, grade: str, event: str, facts: SetFacts) -> tuple[Ruling, ...]:
    """Return one ruling for each rule of an event that can be held against a set, in the order of the book.

    Parameters
    ----------
    rulebook : Rulebook
    grade, event : str
        Names in the book, capitals ignored.
    facts : SetFacts
        What was measured; None is not known.

    Raises
    ------
    RulesError
        If the book has no such grade or event, or a duration cannot be (negative, not finite).
    """
    for seconds in (facts.roll_to_cut_off_s, facts.first_note_to_cut_off_s, facts.spread_s):
        if seconds is not None and not (math.isfinite(seconds) and seconds >= 0):
            raise RulesError(f"A duration of {seconds!r} s cannot be; give seconds from 0, or None when not known.")
    rules = event_named(rulebook, grade, event).rules
    rulings = (_ruling_on_set(rule, facts) for rule in rules)
    return tuple(ruling for ruling in rulings if ruling is not None)


def rulings_on_roster(rulebook: Rulebook, grade: str, event: str | None, facts: RosterFacts) -> tuple[Ruling, ...]:
    """Return one ruling for each rule about players: of an event, or of the whole grade when ``event`` is None.

    Raises
    ------
    RulesError
        If the book has no such grade or event, or a count of players is below 0.
    """
    holder = grade_named(rulebook, grade) if event is None else event_named(rulebook, grade, event)
    return tuple(_ruling_on_players(rule, facts) for rule in holder.rules if isinstance(rule, PlayersRule))


def is_legal(rulings: Iterable[Ruling]) -> Verdict:
    """Return what rulings come to: one that fails fails all, and one that cannot tell leaves all in doubt.

    No rulings at all cannot tell: where nothing was asked nothing is known.

    Examples
    --------
    >>> is_legal([])
    <Verdict.CANNOT_TELL: 'cannot tell'>
    """
    verdicts = {ruling.verdict for ruling in rulings}
    if Verdict.FAILS in verdicts:
        return Verdict.FAILS
    return Verdict.HOLDS if verdicts == {Verdict.HOLDS} else Verdict.CANNOT_TELL


def _ruling_on_set(rule: Rule, facts: SetFacts) -> Ruling | None:
    if isinstance(rule, DurationRule):
        return ruling_on_duration(rule, facts)
    return ruling_on_tunes(rule, facts.tunes)


def _ruling_on_players(rule: PlayersRule, facts: RosterFacts) -> Ruling:
    unit = rule.instrument.value
    count: int | None = getattr(facts, unit)
    if count is None:
        asks = count_limits(rule.least, rule.most, unit)
        return ruling(rule, asks, Verdict.CANNOT_TELL, f"the number of {unit} is not known")
    if count < 0:
        raise RulesError(f"A roster of {count} {unit} cannot be; give a count from 0, or None when not known.")
    return ruling_on_count(rule, count, rule.least, rule.most, unit, f"the roster has {counted(count, unit)}")
