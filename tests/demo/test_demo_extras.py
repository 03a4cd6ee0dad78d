"""The general book, the faulty book and the README of the demo band."""

from __future__ import annotations

from pathlib import Path

import pytest

import graith
from graith.errors import Severity
from graith.music.fit import fits
from graith.music.read_abc import Book, read_book
from graith.services.check_music import check_book

DEMO = Path(graith.__file__).parent / "demo"


def _book(name: str) -> Book:
    return read_book((DEMO / name).read_text("utf-8"), name)


@pytest.mark.parametrize(
    ("title", "semitones"),
    [("Tempus Adest Floridum", [7]), ("The Ferryman's Lantern", [0]), ("Auld Lang Syne", [])],
)
def test_a_general_tune_fits_the_chanter_where_its_note_says(title: str, semitones: list[int]) -> None:
    book = _book("general/folk.abc")
    assert book.problems == ()
    (tune,) = (tune for tune in book.tunes if tune.title == title)
    assert [move.semitones for move in fits(tune)] == semitones


@pytest.mark.parametrize(
    ("number", "kinds", "bars"),
    [
        (1, ["bar length"], [3]),
        (2, ["range", "range"], [2, 3]),
        (3, ["unknown figure", "silent gracenote"], [2, 3]),
        (4, ["figure"], [2]),
        (5, ["bar length"], [2]),
    ],
)
def test_each_deliberate_mistake_is_found_where_it_stands(number: int, kinds: list[str], bars: list[int]) -> None:
    checked = check_book(_book("faulty/mistakes.abc"), "mistakes.abc")
    (check,) = (check for check in checked.tunes if check.tune.number == number)
    assert [problem.kind for problem in check.problems] == kinds
    assert [problem.place.bar for problem in check.problems] == bars


def test_gracenotes_of_no_known_figure_are_a_warning_and_no_error() -> None:
    checked = check_book(_book("faulty/mistakes.abc"), "mistakes.abc")
    (knot,) = (check for check in checked.tunes if check.tune.title == "Fingers in a Knot")
    assert {problem.severity for problem in knot.problems} == {Severity.WARNING}


def test_the_readme_says_that_all_of_it_is_invented() -> None:
    readme = (DEMO / "README.md").read_text("utf-8")
    assert "**Everything here is invented**" in readme
    for name in ("band", "people", "places", "League", "contests"):
        assert name in readme.split("\n\n")[1]


def test_the_readme_names_the_tunes_that_it_says_something_about() -> None:
    books = [read_book(file.read_text("utf-8")) for file in (DEMO / "tunes").glob("*.abc")]
    readme = " ".join((DEMO / "README.md").read_text("utf-8").split())
    by_name = {tune.title for book in books for tune in book.tunes if "!" in tune_text(tune.title)}
    ordered = {tune.title for book in books for tune in book.tunes if tune.part_order}
    ended = {
        tune.title
        for book in books
        for tune in book.tunes
        if any(bar.ending for part in tune.parts for bar in part.bars)
    }
    assert {title for title in by_name | ordered | ended if f"*{title}*" not in readme} == set()


def tune_text(title: str) -> str:
    for file in (DEMO / "tunes").glob("*.abc"):
        for text in file.read_text("utf-8").split("\n\n"):
            if f"T:{title}\n" in text:
                return text
    raise AssertionError(title)
