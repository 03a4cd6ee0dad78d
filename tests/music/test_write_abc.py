"""Writing ABC back: reading what was written gives an equal tune."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import strategies
from graith.music.model import Tune
from graith.music.read_abc import read_book, read_tune
from graith.music.write_abc import write_abc, write_book

_SETTINGS = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def _written_back(music: str, header: str = "M:2/4\nL:1/8\nK:HP") -> str:
    text = write_abc(read_tune(f"X:1\nT:T\n{header}\n{music}\n"))
    return text.split("K:", 1)[1].split("\n", 1)[1].rstrip("\n")


@_SETTINGS
@given(strategies.tunes())
def test_reading_what_was_written_gives_an_equal_tune(tune: Tune) -> None:
    book = read_book(write_abc(tune))
    assert book.tunes == (tune,)


@_SETTINGS
@given(strategies.tunes(pipes_only=True))
def test_a_pipe_tune_is_read_back_without_a_problem(tune: Tune) -> None:
    book = read_book(write_abc(tune))
    assert (book.tunes, book.problems) == ((tune,), ())


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(strategies.tunes(pipes_only=True), max_size=3))
def test_a_book_keeps_all_its_tunes_in_order(tunes: list[Tune]) -> None:
    assert read_book(write_book(tunes)).tunes == tuple(tunes)


@_SETTINGS
@given(strategies.abc_like_texts())
def test_whatever_a_text_held_can_be_written_and_read_again(text: str) -> None:
    tunes = read_book(text).tunes
    assert read_book(write_book(tunes)).tunes == tunes


@pytest.mark.parametrize(
    ("music", "written"),
    [
        ("A3/2B/2 c/d3/2|", "A>B c<d |"),
        ("A7/4{g}B/4 c2|", "A>>{g}B c2 |"),
        ("|:A4|B4:|", "|: A4 | B4 :|"),
        ("A4:||:B4:|", "A4 :: B4 :|"),
        ("|:A4|1B4:|2c4||", "|: A4 |1 B4 :|2 c4 ||"),
        ("A4|[1,3B4:|[2c4|]", "A4 |1,3 B4 :|2 c4 |]"),
        ("(3ABc (3:2:2A2B d|", "(3ABc (3::2A2B d |"),
        ("{/g}A4|", "{/g}A4 |"),
        ("{gef}e2{g2e/}f2|", "{gef}e2{g2e/}f2 |"),
        ("A2 \\\nB2|c4|", "A2 B2 | c4 |"),
        ("A4|[M:3/4]B6|", "A4 | [M:3/4] B6 |"),
        ("!doubling!e2 !birl!A2|", "!doubling!e2 !birl!A2 |"),
    ],
)
def test_music_is_written_as_a_piper_would_write_it(music: str, written: str) -> None:
    assert _written_back(music) == written


def test_an_accidental_is_written_once_in_a_bar() -> None:
    assert _written_back("^g2g2|g4|=g2^g2|", "M:2/4\nL:1/8\nK:C") == "^g2g2 | g4 | g2^g2 |"


def test_a_tied_altered_note_needs_no_second_accidental() -> None:
    assert _written_back("^g4-|g4|", "M:2/4\nL:1/8\nK:C") == "^g4- | g4 |"


def test_a_directive_among_the_music_does_not_break_the_line() -> None:
    assert _written_back("A4|\\\n%%vskip 1cm\nB4|") == "A4 | \\\n%%vskip 1cm\nB4 |"


def test_a_per_cent_sign_in_a_title_survives() -> None:
    tune = read_tune("X:1\nT:Twice \\% as \\\\ good\nK:HP\nA8|]\n")
    assert tune.title == "Twice % as \\ good"
    assert read_tune(write_abc(tune)) == tune
