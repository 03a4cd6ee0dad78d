"""A rulebook file becomes a rulebook, and one book is laid over another."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from graith.errors import RulesError
from graith.rules.look_up import event_named, grade_named
from graith.rules.read_rule import KEYS_BY_KIND
from graith.rules.read_rulebook import read_rulebook
from graith.rules.rulebook import (
    ClockStart,
    DressTerm,
    DurationRule,
    Instrument,
    JudgesTerm,
    MetreRule,
    NoteTerm,
    PartTotalRule,
    PlacingTerm,
    PlayersRule,
    Rulebook,
    ShapeRule,
    StandingsTerm,
    StartTerm,
    TuneCountRule,
    TunePartsRule,
    TypesRule,
    VarietyRule,
)

BASE = """\
name = "Base"
season = "2031"
valid_from = 2031-04-01
valid_to = 2031-10-31

[rules.dress]
kind = "dress"
items = ["kilt"]
source = "base 1"

[grades.novice]
text = "Beginners"
[grades.novice.rules.pipers]
kind = "players"
instrument = "pipers"
min = 5
source = "base 2"
[grades.novice.events.medley]
text = "Some tunes"
[grades.novice.events.medley.rules.time]
kind = "duration"
min_s = 180
max_s = 300
clock_from = "first roll"
source = "base 3"
[grades.novice.events.medley.rules.variety]
kind = "variety"
min = 2
source = "base 4"
"""


def _error_of(text: str) -> RulesError | None:
    """Return the room's own error, or None; let anything else through."""
    try:
        read_rulebook(text, "fuzz.toml", {"base": BASE})
    except RulesError as error:
        return error
    return None


def _names(book: Rulebook, grade: str, event: str = "medley") -> list[str]:
    return [rule.name for rule in event_named(book, grade, event).rules]


def _over(text: str) -> Rulebook:
    return read_rulebook('name = "Over"\nextends = "base"\n' + text, "over.toml", {"base": BASE})


def _one_rule(text: str) -> object:
    book = read_rulebook(f'name = "One"\n[grades.g.rules.r]\nsource = "s"\n{text}', "one.toml")
    return book.grades[0].rules[0]


def test_the_front_page_is_kept() -> None:
    book = read_rulebook(BASE, "base.toml")
    assert (book.name, book.season, book.extends) == ("Base", "2031", "")
    assert (book.valid_from, book.valid_to) == (dt.date(2031, 4, 1), dt.date(2031, 10, 31))


def test_an_event_has_the_rules_of_its_grade_and_of_the_book() -> None:
    assert _names(read_rulebook(BASE, "base.toml"), "novice") == ["dress", "pipers", "time", "variety"]
    assert [rule.name for rule in grade_named(read_rulebook(BASE, "base.toml"), "novice").rules] == ["dress", "pipers"]


SHARED = {"name": "r", "source": "s"}


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ('kind = "shape"\npatterns = [["march", "reel"]]', ShapeRule(**SHARED, patterns=(("march", "reel"),))),
        ('kind = "types"\nallowed = ["jig", "any"]', TypesRule(**SHARED, allowed=("jig", "any"))),
        ('kind = "tunes"\nmin = 2\nmax = 4', TuneCountRule(**SHARED, least=2, most=4)),
        ('kind = "parts"\nmax = 8', PartTotalRule(**SHARED, most=8)),
        (
            'kind = "parts of a tune"\ntune_type = "reel"\nallowed = [2, 4]',
            TunePartsRule(**SHARED, tune_type="reel", allowed=(2, 4)),
        ),
        (
            'kind = "metre"\ntune_type = "hornpipe"\nallowed = ["2/4"]',
            MetreRule(**SHARED, tune_type="hornpipe", allowed=("2/4",)),
        ),
        (
            'kind = "duration"\nmin_s = 60\nclock_from = "first note"\nclock_to = "cut-off"',
            DurationRule(**SHARED, min_s=60.0, clock_from=ClockStart.FIRST_NOTE),
        ),
        ('kind = "variety"\nmin = 3', VarietyRule(**SHARED, least_types=3)),
        (
            'kind = "players"\ninstrument = "tenors"\nmin = 1',
            PlayersRule(**SHARED, instrument=Instrument.TENORS, least=1),
        ),
        ('kind = "start"\nmanners = ["circle"]', StartTerm(**SHARED, manners=("circle",))),
        (
            'kind = "judges"\npanel = { piping = 2, drumming = 1 }',
            JudgesTerm(**SHARED, panel=(("piping", 2), ("drumming", 1))),
        ),
        (
            'kind = "placing"\nmethod = "sum"\ntie_break = ["ensemble"]',
            PlacingTerm(**SHARED, method="sum", tie_break=("ensemble",)),
        ),
        ('kind = "standings"\nmethod = "points"', StandingsTerm(**SHARED, method="points")),
        ('kind = "dress"\nitems = ["kilt"]', DressTerm(**SHARED, items=("kilt",))),
        ('kind = "note"\ntext = "Be kind."', NoteTerm(**SHARED, text="Be kind.")),
    ],
)
def test_every_kind_of_rule_is_read(text: str, rule: object) -> None:
    assert _one_rule(text) == rule


def test_no_kind_of_rule_is_forgotten_here() -> None:
    (mark,) = test_every_kind_of_rule_is_read.pytestmark
    assert {text.split('"')[1] for text, _ in mark.args[1]} == set(KEYS_BY_KIND)


def test_a_rule_of_the_same_name_replaces_the_other_books_and_the_rest_stays() -> None:
    book = _over(
        "[grades.novice.events.medley.rules.time]\n"
        'kind = "duration"\nmax_s = 400\nclock_from = "first roll"\nsource = "over 1"'
    )
    (time,) = [rule for rule in event_named(book, "novice", "medley").rules if rule.name == "time"]
    assert time == DurationRule(name="time", source="over 1", max_s=400.0)
    assert _names(book, "novice") == ["dress", "pipers", "time", "variety"]
    assert grade_named(book, "novice").text == "Beginners"


def test_a_new_rule_comes_beside_the_others() -> None:
    book = _over('[grades.novice.events.medley.rules.count]\nkind = "tunes"\nmax = 9\nsource = "over 1"')
    assert _names(book, "novice") == ["dress", "pipers", "time", "variety", "count"]


def test_a_rule_is_removed_where_it_stands() -> None:
    book = _over("[grades.novice.events.medley.rules.variety]\nremove = true")
    assert _names(book, "novice") == ["dress", "pipers", "time"]


def test_a_wider_rule_can_be_removed_for_one_event_alone() -> None:
    book = _over("[grades.novice.events.medley.rules.pipers]\nremove = true\n[grades.novice.events.jigs]")
    assert "pipers" not in _names(book, "novice")
    assert "pipers" in _names(book, "novice", "jigs")


def test_the_narrower_place_wins() -> None:
    book = _over('[grades.novice.events.medley.rules.dress]\nkind = "dress"\nitems = ["anything"]\nsource = "over 1"')
    assert event_named(book, "novice", "medley").rules[0] == DressTerm(
        name="dress", source="over 1", items=("anything",)
    )
    assert grade_named(book, "novice").rules[0].source == "base 1"


def test_grades_and_events_are_removed() -> None:
    assert not grade_named(_over("[grades.novice.events.medley]\nremove = true"), "novice").events
    assert [grade.name for grade in _over("[grades.novice]\nremove = true\n[grades.other]").grades] == ["other"]


def test_a_grade_like_another_begins_as_its_copy_and_goes_its_own_way() -> None:
    book = _over(
        '[grades."Grade 5"]\nlike = "novice"\n[grades."Grade 5".events.medley.rules.variety]\nremove = true\n'
        "[grades.novice]\nremove = true"
    )
    assert [grade.name for grade in book.grades] == ["Grade 5"]
    assert _names(book, "Grade 5") == ["dress", "pipers", "time"]


def test_a_change_to_a_copy_leaves_the_original_alone() -> None:
    book = _over('[grades.copy]\nlike = "novice"\n[grades.copy.rules.pipers]\nremove = true')
    assert "pipers" in _names(book, "novice")
    assert "pipers" not in _names(book, "copy")


def test_a_book_may_extend_a_book_that_extends_another() -> None:
    middle = 'name = "Middle"\nextends = "base"\n[grades.novice.rules.pipers]\nremove = true'
    book = read_rulebook(
        'name = "Top"\nextends = "middle"\n[rules.dress]\nremove = true', "top.toml", {"middle": middle, "base": BASE}
    )
    assert _names(book, "novice") == ["time", "variety"]
    assert book.season == ""


def test_books_that_extend_each_other_are_refused() -> None:
    known = {"a": 'name = "A"\nextends = "b"', "b": 'name = "B"\nextends = "a"'}
    with pytest.raises(RulesError, match="the rulebook extends itself: b extends a extends b"):
        read_rulebook(known["a"], "a.toml", known)


def test_a_book_that_is_not_there_names_the_nearest_and_only_that() -> None:
    with pytest.raises(
        RulesError, match=r'over\.toml:2: there is no rulebook called "bse" to extend\. Did you mean "base"'
    ) as caught:
        read_rulebook(
            'name = "Over"\nextends = "bse"\n[grades.novice.rules.x]\nremove = true', "over.toml", {"base": BASE}
        )
    assert len(caught.value.problems) == 1


def test_a_problem_in_the_extended_book_says_which_book() -> None:
    with pytest.raises(RulesError, match=r'rulebook bad:2: a rulebook has no key "grade"\. Did you mean "grades"'):
        read_rulebook('name = "Over"\nextends = "bad"', "over.toml", {"bad": 'name = "Bad"\ngrade = 1'})


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("max_s", "mx_s", r'base\.toml:23: rule "time" has no key "mx_s"\. Did you mean "max_s"'),
        (
            "[grades.novice.events.medley]",
            "[grades.novice.event.medley]",
            r'"novice" has no key "event"\. Did you mean "events"',
        ),
        ('kind = "duration"', 'kind = "lasting"', r"base\.toml:21: .*not one of the words it can be"),
        ('kind = "variety"', 'kind = "varety"', r'Did you mean "variety"'),
        ('kind = "variety"\n', "", r'base\.toml:26: rule "variety" has no "kind"'),
        ('source = "base 4"\n', "", r'base\.toml:26: rule "variety" has no "source"'),
        ('source = "base 4"\n', 'source = " "\n', r'rule "variety" has an empty "source"'),
        ("min_s = 180\nmax_s = 300\n", "", "neither min_s nor max_s"),
        ("min_s = 180", "min_s = 500", r"base\.toml:22: rule \"time\" asks for at least 500 and at most 300"),
        ("min_s = 180", "min_s = -1", "outside 0 to 7200 seconds"),
        ('"first roll"', '"first rol"', r'Did you mean "first roll"'),
        ('"pipers"', '"piper"', r'base\.toml:15: .*Did you mean "pipers"'),
        ("valid_to = 2031-10-31", "valid_to = 2031-03-31", "holds from 2031-04-01 but only to 2031-03-31"),
        ("valid_to = 2031-10-31", 'valid_to = "2031-10-31"', r"base\.toml:4: .*Write a day such as"),
        ('items = ["kilt"]', "items = []", "a list that is not empty"),
        ('items = ["kilt"]', "items = [3]", "items number 1 = 3"),
        ('text = "Beginners"', 'like = "expert"', r'is like "expert", which is not a grade above it'),
        ('text = "Some tunes"', "remove = true", r'there is no event "medley" to remove'),
        (
            'kind = "variety"\nmin = 2\nsource = "base 4"',
            "remove = true",
            r'toml:27: there is no rule "variety" to remove',
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_line_and_what_to_do(old: str, new: str, told: str) -> None:
    assert old in BASE
    with pytest.raises(RulesError, match=told):
        read_rulebook(BASE.replace(old, new, 1), "base.toml")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('kind = "shape"', 'has no "patterns"'),
        ('kind = "shape"\npatterns = [[]]', "a list of words such as"),
        ('kind = "shape"\npatterns = ["reel"]', "a list of words such as"),
        ('kind = "shape"\npatterns = [["rel"]]', r'names the tune type "rel"\. Did you mean "reel"'),
        ('kind = "types"\nallowed = ["rell"]', r'Did you mean "reel"'),
        ('kind = "tunes"', "neither min nor max"),
        ('kind = "tunes"\nmin = 2.5', "Write a whole number"),
        ('kind = "parts of a tune"\ntune_type = "reel"', 'has no "allowed"'),
        ('kind = "parts of a tune"\ntune_type = "reel"\nallowed = [0]', "outside 1 to 99"),
        ('kind = "metre"\ntune_type = "jig"\nallowed = ["6-8"]', r'names the metre "6-8"\. Write it like'),
        ('kind = "judges"', 'has no "panel"'),
        ('kind = "judges"\npanel = 3', "must be a table but is a number"),
        ('kind = "judges"\npanel = {}', "is empty"),
        ('kind = "judges"\npanel = { piping = 0 }', "piping = 0, outside 1 to 999"),
        ('kind = "note"', 'has no "text"'),
        ('kind = "duration"\nmax_s = 5\nclock_from = "first roll"\nclock_to = "last drum"', r"Known are: cut-off"),
    ],
)
def test_each_kind_of_rule_guards_its_own_keys(text: str, told: str) -> None:
    with pytest.raises(RulesError, match=told):
        _one_rule(text)


def test_a_book_without_grades_is_refused() -> None:
    with pytest.raises(RulesError, match="the rulebook has no grades"):
        read_rulebook('name = "Empty"', "empty.toml")


_SCRAPS = st.sampled_from(
    [
        "name",
        "[rules.a]",
        "[grades.g]",
        "[grades.g.events.e]",
        "[grades.g.events.e.rules.r]",
        "kind",
        "=",
        '"duration"',
        '"shape"',
        "patterns",
        "remove",
        "true",
        "like",
        '"g"',
        "extends",
        '"base"',
        "min",
        "max_s",
        "3",
        "[[",
        "]]",
        "[]",
        "{}",
        "\n",
        "\n",
        "source",
    ]
)


@given(st.lists(_SCRAPS, max_size=40).map(" ".join))
def test_scraps_of_a_rulebook_give_a_rulebook_or_a_rules_error(text: str) -> None:
    error = _error_of(text)
    assert error is None or error.problems


_LINES = st.sampled_from(
    [
        *BASE.splitlines(),
        "remove = true",
        'like = "novice"',
        "grades = 3",
        "rules = []",
        "min = [1]",
        'kind = "judges"',
        "panel = 1",
    ]
)


@given(st.lists(_LINES, max_size=30).map("\n".join))
def test_shuffled_lines_give_a_rulebook_or_a_rules_error(text: str) -> None:
    error = _error_of(text)
    assert error is None or error.problems
