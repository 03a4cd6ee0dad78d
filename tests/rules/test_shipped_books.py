"""The two books that come with Graith say what facts and printed rules say, each rule with its source."""

from __future__ import annotations

from importlib import resources

import pytest

from graith.rules.hold import is_legal, rulings_on_roster, rulings_on_set
from graith.rules.look_up import event_rules
from graith.rules.model import RosterFacts, SetFacts, TuneFacts, Verdict
from graith.rules.read_rulebook import read_rulebook
from graith.rules.rulebook import ADVICE, ClockStart, NoteTerm, PlacingTerm, Rulebook

BOOKS = {
    one.name.removesuffix(".toml"): one.read_text("utf-8")
    for one in (resources.files("graith.rules") / "books").iterdir()
    if one.name.endswith(".toml")
}
MSR = "march, strathspey and reel"


def _book(name: str) -> Rulebook:
    return read_rulebook(BOOKS[name], f"{name}.toml", BOOKS)


COMMON = _book("common-practice")
LEAGUE = _book("dalmorrow-league")


def _tune(tune_type: str, n_parts: int, metre: str = "2/4") -> TuneFacts:
    return TuneFacts("A tune", tune_type, n_parts, tuple(range(1, n_parts + 1)), metre)


def _set(*tunes: tuple[str, int], seconds: float | None = None) -> SetFacts:
    return SetFacts(tuple(_tune(*tune) for tune in tunes), seconds, seconds)


def _legal(book: Rulebook, grade: str, event: str, facts: SetFacts) -> Verdict:
    return is_legal(rulings_on_set(book, grade, event, facts))


@pytest.mark.parametrize("name", sorted(BOOKS))
def test_every_shipped_rule_names_its_source_and_the_book_sends_the_reader_to_the_real_one(name: str) -> None:
    book = _book(name)
    assert ADVICE in book.text
    for grade in book.grades:
        for event in grade.events:
            for rule in event.rules:
                assert "common practice, no source" in rule.source or rule.source.startswith(
                    "invented for the demonstration"
                )


def test_common_practice_invents_nothing() -> None:
    rules = [rule for grade in COMMON.grades for event in grade.events for rule in event.rules]
    assert all("common practice, no source" in rule.source for rule in rules)


@pytest.mark.parametrize(
    ("n_parts", "verdict"),
    [((2, 3), Verdict.FAILS), ((2, 4), Verdict.HOLDS), ((4, 4), Verdict.HOLDS), ((4, 4, 1), Verdict.FAILS)],
)
def test_the_lowest_grade_plays_six_to_eight_parts_of_quick_marches(n_parts: tuple[int, ...], verdict: Verdict) -> None:
    facts = _set(*(("2/4 march", count) for count in n_parts))
    assert _legal(COMMON, "lowest grade", "quick march medley", facts) is verdict


def test_a_quick_march_medley_has_no_jig() -> None:
    assert _legal(COMMON, "lowest grade", "quick march medley", _set(("2/4 march", 4), ("jig", 4))) is Verdict.FAILS


@pytest.mark.parametrize(
    ("tunes", "verdict"),
    [
        ((("2/4 march", 4), ("strathspey", 2), ("reel", 2)), Verdict.HOLDS),
        ((("2/4 march", 4), ("strathspey", 4), ("reel", 4)), Verdict.HOLDS),
        ((("2/4 march", 4), ("strathspey", 2), ("reel", 4)), Verdict.HOLDS),
        ((("2/4 march", 2), ("strathspey", 2), ("reel", 2)), Verdict.FAILS),
        ((("2/4 march", 4), ("strathspey", 3), ("reel", 2)), Verdict.FAILS),
        ((("6/8 march", 4), ("strathspey", 2), ("reel", 2)), Verdict.FAILS),
        ((("strathspey", 2), ("2/4 march", 4), ("reel", 2)), Verdict.FAILS),
    ],
)
def test_march_strathspey_and_reel_as_a_printed_notice_of_2017_describes_it(
    tunes: tuple[tuple[str, int], ...], verdict: Verdict
) -> None:
    assert _legal(COMMON, "next grade", MSR, _set(*tunes)) is verdict


@pytest.mark.parametrize(
    ("seconds", "verdict"),
    [(179.0, Verdict.FAILS), (180.0, Verdict.HOLDS), (300.0, Verdict.HOLDS), (301.0, Verdict.FAILS)],
)
def test_the_next_grades_medley_lasts_three_to_five_minutes(seconds: float, verdict: Verdict) -> None:
    facts = _set(("2/4 march", 4), ("jig", 4), seconds=seconds)
    assert _legal(COMMON, "next grade", "medley", facts) is verdict


@pytest.mark.parametrize(
    ("grade", "roster", "verdict"),
    [
        ("lowest grade", RosterFacts(5, 2, 0, 1), Verdict.HOLDS),
        ("lowest grade", RosterFacts(4, 2, 0, 1), Verdict.FAILS),
        ("lowest grade", RosterFacts(5, 1, 0, 1), Verdict.FAILS),
        ("lowest grade", RosterFacts(5, 2, 0, 0), Verdict.FAILS),
        ("next grade", RosterFacts(5, 2, 0, 1), Verdict.FAILS),
        ("next grade", RosterFacts(5, 2, 1, 1), Verdict.HOLDS),
        ("next grade", RosterFacts(5, 2, None, 1), Verdict.CANNOT_TELL),
    ],
)
def test_the_smallest_bands_of_common_practice(grade: str, roster: RosterFacts, verdict: Verdict) -> None:
    assert is_legal(rulings_on_roster(COMMON, grade, None, roster)) is verdict


@pytest.mark.parametrize(("grade", "minutes"), [("Grade 1", (5, 7)), ("Grade 2", (4, 6)), ("Grade 3", (3, 5))])
def test_the_three_upper_grades_have_the_durations_of_a_printed_rule_of_2019(
    grade: str, minutes: tuple[int, int]
) -> None:
    """Pipe Bands Australia, notice of 5 July 2018 on the rule from 1 January 2019: 5-7, 4-6 and 3-5 minutes."""
    (time,) = event_rules(LEAGUE, grade, "medley").durations
    assert (time.min_s, time.max_s) == (60.0 * minutes[0], 60.0 * minutes[1])


def test_a_concert_set_is_timed_from_the_first_note() -> None:
    (time,) = event_rules(LEAGUE, "Grade 1", "concert set").durations
    assert time.clock_from is ClockStart.FIRST_NOTE


def test_the_leagues_own_grades_go_on_from_common_practice() -> None:
    assert [grade.name for grade in LEAGUE.grades] == ["Grade 5", "Grade 4", "Grade 3", "Grade 2", "Grade 1"]
    assert (
        event_rules(LEAGUE, "Grade 5", "quick march medley").part_totals
        == event_rules(COMMON, "lowest grade", "quick march medley").part_totals
    )


def test_the_ensemble_judge_breaks_ties_first_as_printed_rules_have_it() -> None:
    for book in (COMMON, LEAGUE):
        terms = event_rules(book, book.grades[-1].name, "medley").terms
        (placing,) = [term for term in terms if isinstance(term, PlacingTerm)]
        assert "ensemble" in placing.tie_break[0]


def test_what_nobody_measures_is_there_to_be_read() -> None:
    terms = event_rules(COMMON, "next grade", "medley").terms
    assert any(isinstance(term, NoteTerm) and "two three-pace rolls" in term.text for term in terms)
