"""A rulebook as a page to read: every rule in words, with its source."""

from __future__ import annotations

from collections.abc import Iterable

from graith.rules.hold import rulings_on_roster, rulings_on_set
from graith.rules.model import RosterFacts, SetFacts
from graith.rules.rulebook import (
    ADVICE,
    DressTerm,
    Event,
    Grade,
    JudgesTerm,
    NoteTerm,
    PlacingTerm,
    Rule,
    Rulebook,
    StandingsTerm,
    StartTerm,
)


def rulebook_page(book: Rulebook, *, depth: int = 1) -> str:
    """Return a rulebook as Markdown: its grades and events, each rule with what it asks and where it comes from.

    Parameters
    ----------
    book : Rulebook
    depth : int, >= 1
        Level of the page's first heading.

    Examples
    --------
    >>> print(rulebook_page(Rulebook("Empty", ())))
    # Empty
    <BLANKLINE>
    Check your own association's current book.
    <BLANKLINE>
    """
    blocks = [f"{'#' * depth} {book.name}", *_front_page(book)]
    for grade in book.grades:
        blocks += _grade(grade, depth + 1)
    blocks += [ADVICE]
    return "\n\n".join(blocks) + "\n"


def rule_words(rule: Rule) -> str:
    """Return what a rule asks or says, in words.

    Examples
    --------
    >>> from graith.rules.rulebook import DurationRule
    >>> rule_words(DurationRule(name="time", source="invented", min_s=180.0, max_s=300.0))
    '3:00 to 5:00 from the first roll to the cut-off'
    """
    words = _term_words(rule)
    if words is None:
        alone = Rulebook("", (Grade("", (Event("", (rule,)),)),))
        (ruling,) = (*rulings_on_set(alone, "", "", SetFacts()), *rulings_on_roster(alone, "", "", RosterFacts()))
        return ruling.asks
    return f"{words}: {rule.text}" if words and rule.text else words or rule.text


def _term_words(rule: Rule) -> str | None:
    """Return the words of a term, empty for a note; None for a rule that is measured."""
    if isinstance(rule, StartTerm):
        return " or ".join(rule.manners)
    if isinstance(rule, JudgesTerm):
        return ", ".join(f"{count} {what}" for what, count in rule.panel)
    if isinstance(rule, PlacingTerm):
        ties = f"; ties broken by {', then '.join(rule.tie_break)}" if rule.tie_break else ""
        return f"{rule.method}{ties}"
    if isinstance(rule, StandingsTerm):
        return rule.method
    if isinstance(rule, DressTerm):
        return "; ".join(rule.items)
    return "" if isinstance(rule, NoteTerm) else None


def _front_page(book: Rulebook) -> list[str]:
    days = [f"from {book.valid_from}"] if book.valid_from else []
    days += [f"to {book.valid_to}"] if book.valid_to else []
    lines = [f"Season: {book.season}."] if book.season else []
    lines += [f"Holds {' '.join(days)}."] if days else []
    lines += [f"Laid over: {book.extends}."] if book.extends else []
    own_words = book.text.removesuffix(ADVICE).strip()
    return [block for block in (own_words, " ".join(lines)) if block]


def _grade(grade: Grade, depth: int) -> list[str]:
    blocks = [f"{'#' * depth} {grade.name}"]
    blocks += [grade.text] if grade.text else []
    blocks += [_table(grade.rules)] if grade.rules else []
    for event in grade.events:
        blocks.append(f"{'#' * (depth + 1)} {grade.name}: {event.name}")
        blocks += [event.text] if event.text else []
        own = [rule for rule in event.rules if rule not in grade.rules]
        blocks += [_table(own)] if own else []
    return blocks


def _table(rules: Iterable[Rule]) -> str:
    rows = [f"| {_cell(rule.name)} | {_cell(rule_words(rule))} | {_cell(rule.source)} |" for rule in rules]
    return "\n".join(["| rule | what it asks | source |", "|---|---|---|", *rows])


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")
