"""Bars that fill their metre, and bars that do not; expected values are counted by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from graith.errors import Severity
from graith.music.check_bars import bar_problems
from graith.music.read_abc import read_book


def _problems(music: str, metre: str = "6/8") -> list[str]:
    tune = read_book(f"X:1\nT:Test\nM:{metre}\nL:1/8\nK:HP\n{music}\n", "test.abc").tunes[0]
    return [str(problem) for problem in bar_problems(tune)]


def _kinds(music: str, metre: str = "6/8") -> list[tuple[str, str]]:
    tune = read_book(f"X:1\nT:Test\nM:{metre}\nL:1/8\nK:HP\n{music}\n", "test.abc").tunes[0]
    return [(problem.kind, str(problem.place).removeprefix("test.abc:")) for problem in bar_problems(tune)]


@pytest.mark.parametrize(
    "music",
    [
        "A3B3|c6|]",
        "e|A3B3|c5|]",
        "|:e|A3B3|c5:|",
        "e|:A3B3|c5:|e|:A3B3|c5:|",
        "e|A3B3|c3d2:|e|f3g3|a5:|",
        "|:e|A3B3|1c5:|2c5||e|A3B3|c5|]",
        "A3B3|c3||d3|e6|f6|]",
        "A3B3|c3[K:D]d3|e6|]",
        "|:A3B3|c3[1d3:|[2e3|]",
        "A3B3|(3ABcd2e2|f6|]",
        "A3B3|[M:2/4]A4|[M:6/8]A6|]",
        "A3\nB3|c6|]",
        "{gcd}c3>e3|f6|]",
    ],
)
def test_bars_that_fill_their_metre_are_left_in_peace(music: str) -> None:
    assert _problems(music) == []


def test_the_message_says_where_what_by_how_much_and_what_to_do() -> None:
    (problem,) = _problems("|:A3B3|A3B3:|\n|:c3d3|ABc d3e|c6:|")
    assert problem == (
        "test.abc:7:8, part 2, bar 2: the bar holds 7/8 but the metre is 6/8, one quaver too long. "
        "Shorten a note, or write [M:7/8] if the metre changes here.  [ABc d3e]"
    )


@pytest.mark.parametrize(
    ("bar", "metre", "says"),
    [
        ("A4", "6/8", "holds 4/8 but the metre is 6/8, one crotchet too short"),
        ("A2", "2/4", "holds 1/4 but the metre is 2/4, one crotchet too short"),
        ("A3", "2/4", "holds 3/8 but the metre is 2/4, one quaver too short"),
        ("A4B/", "2/4", "holds 9/16 but the metre is 2/4, one semiquaver too long"),
        ("(3ABcA3", "2/4", "holds 5/8 but the metre is 2/4, one quaver too long"),
        ("A8B3", "C", "holds 11/8 but the metre is 4/4, three quavers too long"),
        ("(3ABA", "2/4", "holds 1/4 but the metre is 2/4, one crotchet too short"),
        ("(5ABcde", "2/4", "holds 1/4 but the metre is 2/4, one crotchet too short"),
        ("(3ABcd3/", "2/4", "holds 7/16 but the metre is 2/4, one semiquaver too short"),
        ("(3A2Bc", "2/4", "holds 1/3 but the metre is 2/4, 1/6 of a semibreve too short"),
    ],
)
def test_lengths_and_differences_are_told_in_note_values(bar: str, metre: str, says: str) -> None:
    full = {"6/8": "A6", "2/4": "A4", "C": "A8"}[metre]
    (problem,) = _problems(f"{full}|{bar}|{full}|]", metre)
    assert says in problem


def test_free_metre_has_no_wrong_bars() -> None:
    assert _problems("A|BBBBBBB|c3|]", "none") == []


def test_a_last_bar_that_leaves_no_room_for_the_pick_up_is_worth_a_look() -> None:
    assert _kinds("e|A3B3|c6:|") == [("pick-up", "6:1, part 1, the pick-up")]


def test_a_short_last_bar_without_a_pick_up_is_wrong() -> None:
    assert _kinds("A3B3|c5:|") == [("bar length", "6:6, part 1, bar 2")]


def test_a_first_bar_of_more_than_half_that_nothing_completes_is_wrong() -> None:
    assert _kinds("A3B2|c6|d6|]") == [("bar length", "6:1, part 1, the pick-up")]


def test_a_short_bar_in_the_middle_is_wrong_even_if_a_pick_up_would_fit() -> None:
    assert _kinds("e|A3B2|c6|d5|]") == [("bar length", "6:3, part 1, bar 1")]


def test_an_ending_that_never_closes_is_worth_a_look() -> None:
    kinds = _kinds("|:A6|1B6:|2c6|d6|e6|f6|g6|a6|]")
    assert kinds == [("ending", "6:12, part 1, bar 3")]


def test_wrong_bars_are_errors_and_doubts_are_warnings() -> None:
    tune = read_book("X:1\nT:T\nM:6/8\nL:1/8\nK:HP\ne|A3B4|c6|]\n").tunes[0]
    assert [problem.severity for problem in bar_problems(tune)] == [Severity.WARNING, Severity.ERROR]


@given(st.lists(st.sampled_from(["A6", "A3B3", "ABcdef", "A2Bc2d", "(3ABcd2e2"]), min_size=2, max_size=12), st.data())
def test_one_note_too_many_is_found_wherever_it_stands(bars: list[str], data: st.DataObject) -> None:
    wrong = data.draw(st.integers(0, len(bars) - 1))
    bars[wrong] += "g"
    (problem,) = _problems("|".join(bars) + "|]")
    assert f"bar {wrong + 1}: the bar holds 7/8" in problem
