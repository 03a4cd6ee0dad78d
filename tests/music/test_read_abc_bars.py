"""Bar lines, repeats, endings, parts and bar numbers; each test names the section of ABC 2.1 it follows.

Source: the abc music standard 2.1 (December 2011). How parts are split and bars numbered is our own rule, written
down in docs/music.md; the expected values are counted by hand.
"""

from __future__ import annotations

import pytest

from graith.music.model import Bar, BarLine, Tune
from graith.music.read_abc import read_book


def _tune(music: str, metre: str = "2/4", header: str = "") -> Tune:
    book = read_book(f"X:1\nT:Test\n{header}M:{metre}\nL:1/8\nK:HP\n{music}\n", "test.abc")
    assert not book.problems
    return book.tunes[0]


def _bars(music: str, metre: str = "2/4") -> list[Bar]:
    return [bar for part in _tune(music, metre).parts for bar in part.bars]


def _part_sizes(music: str, metre: str = "2/4") -> list[int]:
    return [len(part.bars) for part in _tune(music, metre).parts]


def _numbers(music: str, metre: str = "2/4") -> list[list[int]]:
    return [[bar.number for bar in part.bars] for part in _tune(music, metre).parts]


# -- bar lines, §4.8 -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sign", "look", "repeat_end", "starts_repeat"),
    [
        ("|", BarLine.SINGLE, 0, False),
        ("||", BarLine.DOUBLE, 0, False),
        ("|]", BarLine.END, 0, False),
        ("[|", BarLine.START, 0, False),
        (".|", BarLine.DOTTED, 0, False),
        ("[|]", BarLine.INVISIBLE, 0, False),
        (":|", BarLine.SINGLE, 1, False),
        ("|:", BarLine.SINGLE, 0, True),
        ("::", BarLine.SINGLE, 1, True),
        (":|:", BarLine.SINGLE, 1, True),
        (":||:", BarLine.SINGLE, 1, True),
        ("::|", BarLine.SINGLE, 2, False),
        (":|]", BarLine.END, 1, False),
        ("[|:::", BarLine.START, 0, True),
        ("|[|", BarLine.START, 0, False),
        (":| |:", BarLine.SINGLE, 1, True),
        (":|\n|:", BarLine.SINGLE, 1, True),
    ],
)
def test_every_bar_line_of_the_standard_is_understood(
    sign: str, look: BarLine, repeat_end: int, starts_repeat: bool
) -> None:
    """§4.8: the table, the variants of ::, the extension to three times, and the two shapes 'in the wild'."""
    first, second = _bars(f"A4 {sign} B4 |")
    assert (first.closing, first.repeat_end, second.repeat_start) == (look, repeat_end, starts_repeat)


def test_a_bar_line_after_a_staccato_note_is_not_dotted() -> None:
    assert _bars(".A4|")[0].closing is BarLine.SINGLE


def test_a_bar_line_inside_a_text_is_no_bar_line() -> None:
    assert len(_bars('"a|b"A4|')) == 1


def test_a_bar_may_run_over_the_end_of_a_line() -> None:
    """§2.2.6 and common use: a line may end in mid-bar; it counts as broken after that bar."""
    first, second = _bars("A2\nB2|c4|")
    assert (len(first.notes), first.line_end, second.line_end) == (2, True, True)


def test_a_backslash_keeps_the_line_of_music_going() -> None:
    """§6.1.1."""
    assert [bar.line_end for bar in _bars("A4|\\\nB4|\nc4|")] == [False, True, True]


# -- endings, §4.9 and §4.10 -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "music", ["|:A4|1B4:|2c4|]", "|:A4|[1B4:|[2c4|]", "|:A4| [1 B4 :| [2 c4 |]", "A4 |[1 B4:|\n[2 c4|]"]
)
def test_endings_may_be_written_short_or_long(music: str) -> None:
    """§4.9: |1 and | [1 are legal, and the |: may be missing."""
    assert [bar.ending for bar in _bars(music)] == [(), (1,), (2,)]


def test_a_space_between_bar_line_and_bare_number_is_not_legal() -> None:
    """§4.9: '| 1' is not."""
    book = read_book("X:1\nT:T\nM:2/4\nL:1/8\nK:HP\nA4| 1 B4:|\n")
    assert [problem.says for problem in book.problems] == ["'1' means nothing here"]


def test_an_ending_may_name_several_passes_and_ranges() -> None:
    """§4.10: [1,3 and [1-3 and [1,3,5-7."""
    assert [bar.ending for bar in _bars("A4|[1,3,5-7 B4:|[2,4,8 c4|]")] == [(), (1, 3, 5, 6, 7), (2, 4, 8)]


@pytest.mark.parametrize("sign", ["||", ":|", "|]", "[|"])
def test_an_ending_closes_at_the_signs_of_the_standard(sign: str) -> None:
    """§4.10: 'ends with one of ||, :| |] or [|'."""
    bars = _bars(f"|: A4 |1 B4 | c4 :|2 d4 | e4 {sign} f4 |]")
    assert [bar.ending_closed for bar in bars] == [False, False, True, False, True, False]


def test_an_ending_not_closed_runs_on() -> None:
    """§4.10: a plain bar line closes nothing."""
    bars = _bars("|: A4 |1 B4 :|2 c4 | d4 | e4 |]")
    assert [bar.ending_closed for bar in bars] == [False, True, False, False, True]


def test_an_ending_may_begin_in_mid_bar() -> None:
    head, first, second = _bars("|: A2 [1 B2 :|[2 c2 |]")
    assert (head.closing, first.ending, second.ending) == (BarLine.NONE, (1,), (2,))
    assert [bar.number for bar in (head, first, second)] == [1, 0, 0]


# -- parts -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("music", "sizes"),
    [
        ("A4|B4:|c4|d4:|", [2, 2]),
        ("|:A4|B4:||:c4|d4:|", [2, 2]),
        ("A4|B4::c4|d4|e4:|", [2, 3]),
        ("A4|B4||c4|d4|]", [2, 2]),
        ("A4|B4|]c4|", [2, 1]),
        ("|:A4|1B4:|2c4||d4|e4|]", [3, 2]),
        ("|:A4||B4:|c4|", [2, 1]),
        ("A4|B4|c4|", [3]),
    ],
)
def test_a_part_begins_at_a_repeat_and_after_a_double_bar_line(music: str, sizes: list[int]) -> None:
    assert _part_sizes(music) == sizes


def test_labels_alone_decide_where_there_are_labels() -> None:
    """§3.1.9: P: in the tune's body."""
    tune = _tune("P:A\n|:A4|B4:|c4||\nP:B\nd4|]", header="P:AB\n")
    assert [(part.label, len(part.bars)) for part in tune.parts] == [("A", 3), ("B", 1)]


def test_a_label_may_stand_in_brackets() -> None:
    """§3.2: inline fields."""
    assert [part.label for part in _tune("[P:A]A4||[P:B]B4|]").parts] == ["A", "B"]


def test_a_lone_pick_up_belongs_to_the_part_behind_it() -> None:
    assert _part_sizes("e|:A4|B3:|e|:c4|d3:|") == [3, 3]


def test_a_lone_last_note_belongs_to_the_part_before_it() -> None:
    assert _part_sizes("A4|B4:|c2|]") == [3]


# -- numbers ---------------------------------------------------------------------------------------------------


def test_a_pick_up_is_bar_nought() -> None:
    assert _numbers("e|A4|B3:|e|c4|d3:|") == [[0, 1, 2], [0, 1, 2]]


def test_a_bar_cut_by_a_repeat_counts_once() -> None:
    """The piece before the sign keeps its number, the piece behind it is a pick-up."""
    assert _numbers("P:A\nA4|B3:|e|c4|d3|]") == [[1, 2, 0, 3, 4]]


def test_each_ending_counts_its_bars() -> None:
    assert _numbers("e|:A4|1B3:|2c3||") == [[0, 1, 2, 3]]
    assert _tune("e|:A4|1B3:|2c3||").parts[0].n_bars == 3


def test_a_short_bar_within_a_part_keeps_its_number() -> None:
    assert _numbers("A4|B2|c4|]") == [[1, 2, 3]]


def test_a_bar_cut_by_a_change_of_key_counts_once() -> None:
    assert _numbers("A2[K:D]B2|c4|]") == [[1, 0, 2]]


# -- fields among the music, §3.2 --------------------------------------------------------------------------------


def test_a_change_of_metre_stands_with_the_bar_behind_it() -> None:
    first, second = _bars("A4|[M:6/8]B3c3|]")
    assert (str(first.metre), str(second.metre)) == ("2/4", "6/8")
    assert second.changes == (("M", "6/8"),)


def test_a_change_of_unit_holds_from_where_it_stands() -> None:
    """§3.1.7: L: in the body."""
    assert [str(note.written) for note in _bars("A2[L:1/16]B2c2|")[0].notes] == ["1/4", "1/8", "1/8"]


def test_a_change_of_key_holds_from_where_it_stands() -> None:
    assert [bar.notes[0].pitch.alter for bar in _bars("c4|\nK:C\nc4|\nK:HP\nc4|")] == [1, 0, 1]


def test_a_directive_among_the_music_is_kept() -> None:
    assert _bars("A4|\n%%vskip 1cm\nB4|")[1].changes == (("%%", "vskip 1cm"),)


def test_music_that_looks_like_a_field_is_music() -> None:
    """A line of music may begin with a note and a repeat sign."""
    assert [len(bar.notes) for bar in _bars("|:A4|\ne:|2f4|]")] == [1, 1, 1]
