"""Headers, whole books, and texts that are no music: nothing stops the reader.

Source: the abc music standard 2.1 (December 2011), sections named at each test.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import HealthCheck, given, settings

import strategies
from graith.errors import MusicError, Severity
from graith.music.check_bars import bar_problems
from graith.music.check_range import range_problems
from graith.music.model import Metre, Tune
from graith.music.read_abc import read_book, read_tune
from graith.music.unfold import played_bars

TUNE = "X:1\nT:First\nM:2/4\nL:1/8\nK:HP\nA4|]\n"


def _header(fields: str) -> Tune:
    return read_book(f"X:7\nT:Test\n{fields}M:6/8\nL:1/8\nK:HP\nA6|]\n").tunes[0]


# -- headers ---------------------------------------------------------------------------------------------------


def test_every_field_of_the_header_finds_its_place() -> None:
    """§3.1: the table of fields."""
    tune = _header("T:Other title\nC:Trad.\nR:jig\nS:A drawer\nN:One\nN:Two\nZ:Us\nB:Book\nQ:3/8=116\n%%titleleft 1\n")
    assert (tune.number, tune.titles, tune.composers) == (7, ("Test", "Other title"), ("Trad.",))
    assert (tune.rhythm, tune.source, tune.notes) == ("jig", "A drawer", ("One", "Two"))
    assert tune.fields == (("Z", "Us"), ("B", "Book"))
    assert tune.directives == ("titleleft 1",)
    assert tune.tempo is not None
    assert (tune.tempo.bpm, tune.tempo.beat_length) == (116.0, Fraction(3, 8))


@pytest.mark.parametrize(
    ("text", "metre"),
    [("C", Metre(4, 4)), ("C|", Metre(2, 2)), ("6/8", Metre(6, 8)), ("2+3/8", Metre(5, 8)), ("(2+3+2)/8", Metre(7, 8)),
     ("none", None)],
)  # fmt: skip
def test_metres_are_read_as_the_standard_writes_them(text: str, metre: Metre | None) -> None:
    """§3.1.6."""
    assert read_book(f"X:1\nT:T\nM:{text}\nK:HP\nA|\n").tunes[0].metre == metre


@pytest.mark.parametrize(
    ("text", "bpm", "beat"),
    [("1/4=84", 84.0, "1/4"), ('"Slow" 1/4=60.5', 60.5, "1/4"), ("1/4 3/8 1/4 3/8=40", 40.0, "5/4"),
     ("120", 120.0, "1/8")],
)  # fmt: skip
def test_tempi_are_read_as_the_standard_writes_them(text: str, bpm: float, beat: str) -> None:
    """§3.1.8; a bare number is the outdated form of §10.1."""
    tempo = _header(f"Q:{text}\n").tempo
    assert tempo is not None
    assert (tempo.bpm, tempo.beat_length) == (bpm, Fraction(beat))


def test_a_field_may_be_continued() -> None:
    """§3.3."""
    assert _header("N:a long\n+:story\n").notes == ("a long story",)


def test_escapes_in_texts_are_resolved() -> None:
    """§8.2: mnemonics, named entities, fixed unicode sequences."""
    assert _header("C:Se\\'an \\& Co. &eacute; \\u00e8 100\\%\n").composers == ("Seán & Co. é è 100%",)


def test_a_comment_ends_a_line_and_a_remark_is_no_title() -> None:
    """§2.2.5."""
    assert _header("R:jig % lively\n% R:reel\n").rhythm == "jig"


def test_the_file_header_holds_for_every_tune_that_does_not_say_otherwise() -> None:
    """§2.2.2."""
    book = read_book("R:march\nM:6/8\n\nX:1\nT:A\nK:HP\nA6|]\n\nX:2\nT:B\nR:reel\nM:C|\nK:HP\nA8|]\n")
    assert [(tune.rhythm, str(tune.metre)) for tune in book.tunes] == [("march", "6/8"), ("reel", "2/2")]


def test_words_are_kept_or_left_out_with_a_reason() -> None:
    """§5: w: under the notes is left out, W: at the end is kept."""
    book = read_book(TUNE + "w: la la\nw: la\nW: Last words\n")
    assert [str(problem.says) for problem in book.problems] == ["words under the music (w:) are left out"]
    assert book.tunes[0].fields == (("W", "Last words"),)


def test_typeset_text_is_not_music() -> None:
    """§11.4.2: %%begintext."""
    book = read_book("X:1\nT:T\nM:2/4\nL:1/8\nK:HP\nA4|\n%%begintext\nABc|def|\n%%endtext\nB4|]\n")
    assert [len(part.bars) for part in book.tunes[0].parts] == [2]
    assert not book.problems


def test_only_the_first_voice_is_read() -> None:
    """§7: V:."""
    book = read_book("X:1\nT:T\nM:2/4\nL:1/8\nK:HP\n[V:1]A4|B4|\n[V:2]c4|d4|\n[V:1]e4|]\n")
    notes = [str(bar.notes[0].pitch) for bar in book.tunes[0].parts[0].bars]
    assert notes == ["A4", "B4", "E5"]
    assert [problem.kind for problem in book.problems] == ["voice"]


# -- books -----------------------------------------------------------------------------------------------------


def test_free_text_between_tunes_is_passed_over() -> None:
    """§2.2.3."""
    book = read_book(f"Some words about the book.\n\n{TUNE}\nMore words, and a comma.\n\n{TUNE.replace('X:1', 'X:2')}")
    assert ([tune.number for tune in book.tunes], book.problems) == ([1, 2], ())


def test_a_wrong_tune_does_not_stop_the_others() -> None:
    book = read_book(f"{TUNE}\nX:2\nT:Wrong\nM:banana\nK:Q\nA?0 [|:\n\n{TUNE.replace('X:1', 'X:3')}")
    assert [tune.number for tune in book.tunes] == [1, 2, 3]
    assert {problem.place.tune for problem in book.problems} == {"Wrong"}


def test_all_that_is_wrong_is_told_in_the_order_of_the_lines() -> None:
    book = read_book("X:1\nT:T\nM:9/7\nL:1/8\nK:HP\nA0 B|\nc ?|\n", "wrong.abc")
    assert [(problem.place.line, problem.place.column) for problem in book.problems] == [(3, 1), (6, 1), (7, 3)]


def test_music_lost_behind_an_empty_line_is_told() -> None:
    """§2.2.1: an empty line ends a tune."""
    book = read_book("X:1\nT:T\nM:2/4\nL:1/8\nK:HP\nABcd|\n\nefga|\n", "gap.abc")
    assert [str(problem.place) for problem in book.problems] == ["gap.abc:8:1"]


def test_a_tune_without_a_key_is_told_and_read_for_pipes() -> None:
    book = read_book("X:1\nT:T\nM:2/4\nL:1/8\nA4|]\n")
    assert book.problems[0].remedy == "Write K:HP as the header's last line."
    assert book.tunes[0].key.is_pipes


def test_a_line_of_the_header_that_is_no_field_is_told_and_left_out() -> None:
    book = read_book("X:1\nT:T\nwhat is this\nM:2/4\nL:1/8\nK:HP\nA4|]\n")
    assert [problem.place.line for problem in book.problems] == [3]
    assert len(book.tunes[0].parts) == 1


def test_windows_line_ends_and_a_byte_order_mark_change_nothing() -> None:
    assert read_book("\ufeff" + TUNE.replace("\n", "\r\n")) == read_book(TUNE)


def test_a_part_order_that_cannot_be_played_is_told() -> None:
    """§3.1.9."""
    book = read_book("X:1\nT:T\nP:AC\nM:2/4\nL:1/8\nK:HP\nP:A\nA4||\nP:B\nB4|]\n")
    assert "names part C, but the tune's parts are A, B" in book.problems[0].says


def test_read_tune_refuses_a_text_with_errors_and_hands_over_them_all() -> None:
    with pytest.raises(MusicError, match=r"x\.abc:6:1, part 1, bar 1") as caught:
        read_tune("X:1\nT:T\nM:2/4\nL:1/8\nK:HP\nA0 B4 A0|]\n", "x.abc")
    assert len(caught.value.problems) == 2


def test_read_tune_refuses_a_text_without_a_tune() -> None:
    with pytest.raises(MusicError, match="there is no tune here"):
        read_tune("Dear piper,\n", "letter.txt")


def test_a_warning_does_not_stop_read_tune() -> None:
    assert read_tune(TUNE + "w: la\n").title == "First"


# -- anything at all ---------------------------------------------------------------------------------------------


@settings(max_examples=500, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(strategies.abc_like_texts())
def test_no_text_stops_the_reader(text: str) -> None:
    book = read_book(text, "any.abc")
    for problem in book.problems:
        assert str(problem).startswith("any.abc:")
        assert problem.severity in Severity
    for tune in book.tunes:
        bar_problems(tune)
        range_problems(tune)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(strategies.abc_like_texts())
def test_whatever_was_read_can_be_played_or_says_why_not(text: str) -> None:
    for tune in read_book(text).tunes:
        try:
            played_bars(tune)
        except MusicError as error:
            assert str(error).endswith(".")  # noqa: PT017
