"""Find a grade, an event and its rules in a rulebook; a name that is not there names the nearest that is."""

from __future__ import annotations

from graith.errors import RulesError
from graith.rules.rulebook import (
    TERMS,
    DurationRule,
    Event,
    EventRules,
    Grade,
    MetreRule,
    PartTotalRule,
    PlayersRule,
    Rulebook,
    ShapeRule,
    TuneCountRule,
    TunePartsRule,
    TypesRule,
    VarietyRule,
)
from graith.rules.toml_table import nearest


def grade_named(rulebook: Rulebook, grade: str) -> Grade:
    """Return the grade of that name, capitals ignored.

    Raises
    ------
    RulesError
        If the book has none; the message names the nearest.
    """
    for found in rulebook.grades:
        if found.name.casefold() == grade.strip().casefold():
            return found
    says = f'The rulebook "{rulebook.name}" has no grade "{grade}".'
    raise RulesError(f"{says} {nearest(grade, (found.name for found in rulebook.grades))}")


def event_named(rulebook: Rulebook, grade: str, event: str) -> Event:
    """Return the event of that name in a grade, capitals ignored.

    Raises
    ------
    RulesError
        If the book has no such grade, or the grade no such event; the message names the nearest.
    """
    events = grade_named(rulebook, grade).events
    for found in events:
        if found.name.casefold() == event.strip().casefold():
            return found
    says = f'The rulebook "{rulebook.name}" has no event "{event}" in "{grade}".'
    raise RulesError(f"{says} {nearest(event, (found.name for found in events))}")


def event_rules(rulebook: Rulebook, grade: str, event: str) -> EventRules:
    """Return all rules of one event of one grade, sorted by kind.

    Raises
    ------
    RulesError
        If the book has no such grade or event.
    """
    found = event_named(rulebook, grade, event)
    rules = found.rules
    return EventRules(
        grade=grade_named(rulebook, grade).name,
        event=found.name,
        shapes=tuple(rule for rule in rules if isinstance(rule, ShapeRule)),
        types=tuple(rule for rule in rules if isinstance(rule, TypesRule)),
        tune_counts=tuple(rule for rule in rules if isinstance(rule, TuneCountRule)),
        part_totals=tuple(rule for rule in rules if isinstance(rule, PartTotalRule)),
        tune_parts=tuple(rule for rule in rules if isinstance(rule, TunePartsRule)),
        metres=tuple(rule for rule in rules if isinstance(rule, MetreRule)),
        durations=tuple(rule for rule in rules if isinstance(rule, DurationRule)),
        varieties=tuple(rule for rule in rules if isinstance(rule, VarietyRule)),
        players=tuple(rule for rule in rules if isinstance(rule, PlayersRule)),
        terms=tuple(rule for rule in rules if isinstance(rule, TERMS)),
    )
