"""Notes that the chanter has, and notes it lacks. The nine notes: ABC 2.1 §3.1.14."""

from __future__ import annotations

import pytest

from graith.errors import Severity
from graith.music.check_range import range_problems
from graith.music.read_abc import read_book


def _problems(music: str, key: str = "HP") -> list[tuple[str, str]]:
    tune = read_book(f"X:1\nT:Test\nM:4/4\nL:1/8\nK:{key}\n{music}\n", "test.abc").tunes[0]
    return [(str(problem.place.column), problem.says) for problem in range_problems(tune)]


def test_the_nine_notes_are_all_there() -> None:
    assert _problems("{g}GAB{d}cde{a}fga") == []


@pytest.mark.parametrize(
    ("note", "says"),
    [
        ("F", "the chanter has no F♯4; the nearest note is low G"),
        ("b", "the chanter has no B5; the nearest note is high A"),
        ("=c", "the chanter has no C♮5; the nearest notes are B and C"),
        ("^g", "the chanter has no G♯5; the nearest notes are high G and high A"),
        ("_B", "the chanter has no B♭4; the nearest notes are low A and B"),
        ("_d", "the chanter has no D♭5; C sounds the same"),
    ],
)
def test_a_note_that_is_not_there_is_told_with_the_nearest(note: str, says: str) -> None:
    assert _problems(f"A4{note}4") == [("3", says)]


def test_a_general_key_may_leave_the_chanter_too_few_sharps() -> None:
    assert _problems("c4f4", "G") == [("1", "the chanter has no C♮5; the nearest notes are B and C")]


def test_gracenotes_are_looked_at_too() -> None:
    assert _problems("{b}A8") == [("4", "gracenote: the chanter has no B5; the nearest note is high A")]


def test_rests_and_chords_are_doubts() -> None:
    tune = read_book("X:1\nT:T\nM:4/4\nL:1/8\nK:HP\nz4[Ae]2x2|]\n").tunes[0]
    found = [(problem.kind, problem.severity) for problem in range_problems(tune)]
    assert found == [("rest", Severity.WARNING), ("chord", Severity.WARNING)]
