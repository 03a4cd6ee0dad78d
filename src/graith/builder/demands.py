"""Everything a set must satisfy, one thing at a time: the event's rules, the locks, the number of tunes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from graith.builder.model import MOST_TUNES, Candidate, Demand, Question
from graith.rules.hold_duration import ruling_on_duration
from graith.rules.hold_tunes import ruling_on_tunes
from graith.rules.model import SetFacts
from graith.rules.rulebook import DurationRule, EventRules, Rule, TuneCountRule

YOURS = "your own choice"
"""The source of every lock."""


@dataclass(frozen=True, slots=True)
class OpensWith:
    """The set opens with this tune."""

    key: str


@dataclass(frozen=True, slots=True)
class ClosesWith:
    """The set closes with this tune."""

    key: str


@dataclass(frozen=True, slots=True)
class Contains:
    """The set contains this tune."""

    key: str


@dataclass(frozen=True, slots=True)
class LeavesOut:
    """The set does not contain this tune."""

    key: str


@dataclass(frozen=True, slots=True)
class NotWith:
    """The set does not contain both."""

    key: str
    other: str


@dataclass(frozen=True, slots=True)
class AtSlot:
    """The tune stands at this slot, from 1."""

    slot: int
    key: str


@dataclass(frozen=True, slots=True)
class NotAfter:
    """The tune ``key`` never comes right after ``before``."""

    before: str
    key: str


Lock = OpensWith | ClosesWith | Contains | LeavesOut | NotWith | AtSlot | NotAfter
Condition = Rule | Lock


@dataclass(frozen=True, slots=True)
class Asked:
    """A condition and how it is told."""

    condition: Condition
    demand: Demand


def all_asked(question: Question) -> tuple[Asked, ...]:
    """Return everything a question demands, rules first, then the number of tunes, then the locks; no lock twice."""
    rules = [_asked_by_rule(rule) for rule in _set_rules(question.rules)]
    titles = {candidate.key: candidate.title for candidate in question.candidates}
    locks = [Asked(lock, _told_lock(lock, titles)) for lock in dict.fromkeys(_locks(question))]
    return (*rules, _asked_number(question), *locks)


def _set_rules(rules: EventRules) -> tuple[Rule, ...]:
    return (
        *rules.shapes,
        *rules.types,
        *rules.tune_counts,
        *rules.part_totals,
        *rules.tune_parts,
        *rules.metres,
        *rules.durations,
        *rules.varieties,
    )


def _asked_by_rule(rule: Rule) -> Asked:
    nothing_known = SetFacts()
    if isinstance(rule, DurationRule):
        ruling = ruling_on_duration(rule, nothing_known)
    else:
        held = ruling_on_tunes(rule, None)
        assert held is not None, f"no ruling for {rule!r}"
        ruling = held
    return Asked(rule, Demand("rule", rule.name, ruling.asks, rule.source))


def _asked_number(question: Question) -> Asked:
    least, most = question.n_tunes
    most = min(most, MOST_TUNES)
    rule = TuneCountRule(name="number of tunes", source=YOURS, least=least, most=most)
    return Asked(rule, Demand("number of tunes", rule.name, _asked_by_rule(rule).demand.says, YOURS))


def _locks(question: Question) -> list[Lock]:
    locks = question.locks
    found: list[Lock] = []
    if locks.opens_with is not None:
        found.append(OpensWith(locks.opens_with))
    if locks.closes_with is not None:
        found.append(ClosesWith(locks.closes_with))
    found.extend(Contains(key) for key in locks.contains)
    found.extend(LeavesOut(key) for key in locks.leaves_out)
    found.extend(NotWith(*sorted(pair)) for pair in locks.not_with)
    found.extend(AtSlot(slot, key) for slot, key in locks.at_slot)
    found.extend(NotAfter(before, key) for before, key in locks.not_after)
    return found


def _told_lock(lock: Lock, titles: dict[str, str]) -> Demand:
    match lock:
        case OpensWith(key):
            name, says = "opens with", f"“{titles[key]}” opens the set"
        case ClosesWith(key):
            name, says = "closes with", f"“{titles[key]}” closes the set"
        case Contains(key):
            name, says = "contains", f"“{titles[key]}” is in the set"
        case LeavesOut(key):
            name, says = "leaves out", f"“{titles[key]}” is not in the set"
        case NotWith(key, other):
            name, says = "not with", f"“{titles[key]}” and “{titles[other]}” are not in one set"
        case AtSlot(slot, key):
            name, says = "at slot", f"“{titles[key]}” is tune {slot} of the set"
        case NotAfter(before, key):
            name, says = "not after", f"“{titles[key]}” does not come right after “{titles[before]}”"
    return Demand("lock", name, says, YOURS)


def obeys_lock(lock: Lock, tunes: Sequence[Candidate]) -> bool:
    """Return whether tunes in playing order obey a lock."""
    keys = [candidate.key for candidate in tunes]
    match lock:
        case OpensWith(key):
            return keys[0] == key
        case ClosesWith(key):
            return keys[-1] == key
        case Contains(key):
            return key in keys
        case LeavesOut(key):
            return key not in keys
        case NotWith(key, other):
            return not (key in keys and other in keys)
        case AtSlot(slot, key):
            return len(keys) >= slot and keys[slot - 1] == key
        case NotAfter(before, key):
            return (before, key) not in pairwise(keys)
