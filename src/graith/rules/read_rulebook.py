"""Read a rulebook: TOML in, a whole :class:`~graith.rules.rulebook.Rulebook` out, what it takes over included.

A book may extend another. It is read over the other one, place by place: a rule of the same name in the same place
replaces the other's, ``remove = true`` takes it away, and everything else stays. A grade may be ``like`` a grade of the
other book (or an earlier one of its own) and then begins as a copy of it. After that the narrower place wins: a rule
of an event over one of the same name of its grade, a rule of the grade over one of the whole book.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from graith.errors import Problem, RulesError
from graith.rules.read_rule import read_rule
from graith.rules.rulebook import Event, Grade, Rule, Rulebook
from graith.rules.toml_table import TomlTable, nearest, raise_first
from graith.rules.toml_text import located_toml

BOOK_KEYS = ("name", "extends", "season", "valid_from", "valid_to", "text", "rules", "grades")
GRADE_KEYS = ("like", "remove", "text", "rules", "events")
EVENT_KEYS = ("remove", "text", "rules")

_NO_OTHER_BOOK = "no other book"

_Rules = dict[str, Rule | None]
"""Rules by name in the order of the text; None is a rule taken away here."""


@dataclass(slots=True)
class _EventDraft:
    rules: _Rules = field(default_factory=dict)
    text: str = ""


@dataclass(slots=True)
class _GradeDraft:
    rules: _Rules = field(default_factory=dict)
    events: dict[str, _EventDraft] = field(default_factory=dict)
    text: str = ""


@dataclass(slots=True)
class _Draft:
    """A book while it is read: what it holds place by place, before the narrower place wins."""

    rules: _Rules = field(default_factory=dict)
    grades: dict[str, _GradeDraft] = field(default_factory=dict)


def read_rulebook(text: str, source: str, known: Mapping[str, str] | None = None) -> Rulebook:
    """Return the rulebook that a file describes, with everything it takes over from other books in it.

    Parameters
    ----------
    text : str
        The file's text, TOML.
    source : str
        Label of its origin for messages; it is not opened.
    known : mapping of str to str, optional
        Texts of the books that may be extended, by the names that ``extends`` uses.

    Raises
    ------
    RulesError
        If the text is no TOML or no rulebook, if it extends a book that is not known or, however far round, itself.
        The message is the first problem; ``problems`` holds all of one file.

    Examples
    --------
    >>> text = '''
    ... name = "Two rules"
    ... [grades.novice.events.medley.rules.time]
    ... kind = "duration"
    ... max_s = 300
    ... clock_from = "first roll"
    ... source = "invented"
    ... '''
    >>> read_rulebook(text, "two-rules.toml").grades[0].events[0].rules[0].max_s
    300.0
    """
    book, draft = _read(text, source, known or {}, ())
    return replace(book, grades=tuple(_grade(name, grade, draft.rules) for name, grade in draft.grades.items()))


def _read(text: str, source: str, known: Mapping[str, str], above: tuple[str, ...]) -> tuple[Rulebook, _Draft]:
    problems: list[Problem] = []
    table = TomlTable(located_toml(text, source, RulesError), problems, "a rulebook")
    table.refuse_unknown(BOOK_KEYS)
    book = _front_page(table)
    draft = _Draft()
    if book.extends:
        draft = _extended(table, book, known, above)
        raise_first(RulesError, [problem for problem in problems if problem.kind == _NO_OTHER_BOOK])
    _lay_over(table, draft)
    if not draft.grades and not problems:
        table.refuse("grades", "the rulebook has no grades", 'Write [grades."its name"] for each.', "missing key")
    raise_first(RulesError, problems)
    return book, draft


def _front_page(table: TomlTable) -> Rulebook:
    book = Rulebook(
        name=table.text("name", required=True),
        grades=(),
        season=table.text("season"),
        valid_from=table.date("valid_from"),
        valid_to=table.date("valid_to"),
        extends=table.text("extends"),
        text=table.text("text"),
    )
    if book.valid_from and book.valid_to and book.valid_from > book.valid_to:
        says = f"the rulebook holds from {book.valid_from} but only to {book.valid_to}"
        table.refuse("valid_to", says, "Let valid_to be the later day.")
    return book


def _extended(table: TomlTable, book: Rulebook, known: Mapping[str, str], above: tuple[str, ...]) -> _Draft:
    chain = (*above, book.extends)
    if book.extends in above:
        says = f"the rulebook extends itself: {' extends '.join(chain)}"
        table.refuse("extends", says, "Take one extends out.", _NO_OTHER_BOOK)
        return _Draft()
    if book.extends not in known:
        says = f'there is no rulebook called "{book.extends}" to extend'
        table.refuse("extends", says, nearest(book.extends, known), _NO_OTHER_BOOK)
        return _Draft()
    _, draft = _read(known[book.extends], f"rulebook {book.extends}", known, chain)
    return draft


def _lay_over(table: TomlTable, draft: _Draft) -> None:
    """Lay what a book writes over what it takes over. Grades go last, so that another can still be like them."""
    _lay_rules(table, draft.rules, {})
    removed = []
    for name, grade in table.named_tables("grades", "grade"):
        if _is_removal(grade, name, draft.grades, "grade"):
            removed.append(name)
        else:
            _lay_grade(grade, name, draft)
    for name in removed:
        draft.grades.pop(name, None)


def _lay_grade(table: TomlTable, name: str, draft: _Draft) -> None:
    table.refuse_unknown(GRADE_KEYS)
    like = table.text("like")
    if like and like not in draft.grades:
        says = f'{table.what} is like "{like}", which is not a grade above it'
        table.refuse("like", says, nearest(like, draft.grades), "unknown word")
    elif like:
        draft.grades[name] = _copied(draft.grades[like])
    grade = draft.grades.setdefault(name, _GradeDraft())
    grade.text = table.text("text", grade.text)
    _lay_rules(table, grade.rules, draft.rules)
    for event_name, event in table.named_tables("events", "event"):
        if _is_removal(event, event_name, grade.events, "event"):
            grade.events.pop(event_name, None)
        else:
            _lay_event(event, grade.events.setdefault(event_name, _EventDraft()), {**draft.rules, **grade.rules})


def _lay_event(table: TomlTable, event: _EventDraft, wider: _Rules) -> None:
    table.refuse_unknown(EVENT_KEYS)
    event.text = table.text("text", event.text)
    _lay_rules(table, event.rules, wider)


def _copied(grade: _GradeDraft) -> _GradeDraft:
    events = {name: _EventDraft(dict(event.rules), event.text) for name, event in grade.events.items()}
    return _GradeDraft(dict(grade.rules), events, grade.text)


def _lay_rules(table: TomlTable, here: _Rules, wider: _Rules) -> None:
    for name, rule in table.named_tables("rules", "rule"):
        if _is_removal(rule, name, {**wider, **here}, "rule"):
            here[name] = None
        elif (found := read_rule(name, rule)) is not None:
            here[name] = found


def _is_removal(table: TomlTable, name: str, there: Mapping[str, object], what: str) -> bool:
    if not table.truth("remove", False):
        return False
    table.refuse_unknown(("remove",))
    names = [known for known, value in there.items() if value is not None]
    if name not in names:
        table.refuse("remove", f'there is no {what} "{name}" to remove', nearest(name, names), "unknown word")
    return True


def _grade(name: str, draft: _GradeDraft, wider: _Rules) -> Grade:
    rules = {**wider, **draft.rules}
    events = tuple(
        Event(event_name, _left({**rules, **event.rules}), event.text) for event_name, event in draft.events.items()
    )
    return Grade(name, events, _left(rules), draft.text)


def _left(rules: _Rules) -> tuple[Rule, ...]:
    return tuple(rule for rule in rules.values() if rule is not None)
