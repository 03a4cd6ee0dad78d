"""A rulebook's page tells every rule in words, with its source, and ends by sending the reader to the real book."""

from __future__ import annotations

import datetime as dt
from importlib import resources

import pytest

from graith.rules.read_rulebook import read_rulebook
from graith.rules.rulebook import (
    ADVICE,
    DressTerm,
    Grade,
    Instrument,
    JudgesTerm,
    NoteTerm,
    PlacingTerm,
    PlayersRule,
    Rule,
    Rulebook,
    StandingsTerm,
    StartTerm,
    TuneCountRule,
)
from graith.rules.rulebook_page import rule_words, rulebook_page

SHIPPED = {
    one.name.removesuffix(".toml"): one.read_text("utf-8")
    for one in (resources.files("graith.rules") / "books").iterdir()
    if one.name.endswith(".toml")
}
S = {"name": "r", "source": "s"}


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (TuneCountRule(**S, least=2, most=2), "exactly 2 tunes"),
        (PlayersRule(**S, instrument=Instrument.BASSES, most=1), "at most 1 bass"),
        (StartTerm(**S, manners=("circle", "stage")), "circle or stage"),
        (
            JudgesTerm(**S, panel=(("piping", 2), ("ensemble", 1)), text="Of two bands."),
            "2 piping, 1 ensemble: Of two bands.",
        ),
        (PlacingTerm(**S, method="sum of places"), "sum of places"),
        (PlacingTerm(**S, method="sum", tie_break=("ensemble", "piping")), "sum; ties broken by ensemble, then piping"),
        (StandingsTerm(**S, method="points"), "points"),
        (DressTerm(**S, items=("kilt", "hose")), "kilt; hose"),
        (NoteTerm(**S, text="Be there early."), "Be there early."),
    ],
)
def test_every_kind_of_rule_has_words(rule: Rule, words: str) -> None:
    assert rule_words(rule) == words


@pytest.mark.parametrize("name", sorted(SHIPPED))
def test_the_page_holds_every_rule_and_ends_with_the_advice(name: str) -> None:
    book = read_rulebook(SHIPPED[name], name, SHIPPED)
    page = rulebook_page(book)
    assert page.endswith(f"\n\n{ADVICE}\n")
    for grade in book.grades:
        for event in grade.events:
            for rule in event.rules:
                assert f"| {rule.name} | {rule_words(rule)} | {rule.source} |" in page


def test_the_front_page_tells_season_and_days_and_the_book_below() -> None:
    book = Rulebook(
        "Ours", (), "2031", dt.date(2031, 4, 1), dt.date(2031, 10, 31), "common-practice", f"Our book. {ADVICE}"
    )
    assert rulebook_page(book) == (
        "# Ours\n\nOur book.\n\nSeason: 2031. Holds from 2031-04-01 to 2031-10-31. Laid over: common-practice.\n\n"
        f"{ADVICE}\n"
    )


def test_a_bar_in_a_rules_words_does_not_break_the_table() -> None:
    book = Rulebook("Ours", (Grade("g", (), (NoteTerm(name="n", source="s", text="Either | or\nboth."),)),))
    assert "| n | Either \\| or both. | s |" in rulebook_page(book)
