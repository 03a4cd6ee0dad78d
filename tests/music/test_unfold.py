"""Repeats, endings and the order of parts, unfolded; letters show the first note of each played bar.

Source: ABC 2.1 §3.1.9, §4.8, §4.9, §4.10, and hand counts on traditional forms.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings

import strategies
from graith.errors import MusicError
from graith.music._part_order import letters_in_order
from graith.music.model import Tune
from graith.music.read_abc import read_book
from graith.music.unfold import PlayedBar, played_bars


def _tune(music: str, order: str = "", metre: str = "2/4") -> Tune:
    header = f"P:{order}\n" if order else ""
    return read_book(f"X:1\nT:Test\nM:{metre}\nL:1/8\n{header}K:HP\n{music}\n").tunes[0]


def _letters(played: tuple[PlayedBar, ...]) -> str:
    return "".join("GABcdefga"[note] for one in played if (note := one.bar.notes[0].chanter_note) is not None)


def _played(music: str, order: str = "") -> str:
    return _letters(played_bars(_tune(music, order)))


@pytest.mark.parametrize(
    ("music", "played"),
    [
        ("|:A4|B4:|", "ABAB"),
        ("A4|B4:|", "ABAB"),
        ("|:A4:||:B4:|", "AABB"),
        ("A4::B4:|", "AABB"),
        ("|::A4::|", "AAA"),
        ("|:A4|1B4:|2c4|]", "ABAc"),
        ("|:A4|[1B4:|[2c4||d4|]", "ABAcd"),
        ("|:A4|[1,3B4:|[2c4:|d4|]", "ABAcABd"),
        ("|:A4|[1-3B4:|[4c4|]", "ABABABAc"),
        ("|:A4|[1B4:|[2c4:|[3d4|]", "ABAcAd"),
        ("|:A4|1B4:|2c4:|", "ABAc"),
        ("A4|B4:|2c4||", "ABABc"),
        ("A4|B4:|c4|d4:|", "ABABcdcd"),
    ],
)
def test_repeats_and_endings_are_played_as_the_standard_says(music: str, played: str) -> None:
    assert _played(music) == played


def test_a_repeat_end_without_a_start_goes_back_to_the_double_bar_line() -> None:
    """§4.8: 'from the latest double bar line or end of repeated section'."""
    assert _played("A4||B4|c4:|") == "ABcBc"


def test_a_double_bar_line_within_a_written_repeat_does_not_stop_it() -> None:
    assert _played("|:A4||B4:|c4|]") == "ABABc"


def test_a_repeat_may_reach_over_labelled_parts() -> None:
    assert _played("P:A\n|:A4|\nP:B\nB4:|]") == "ABAB"


def test_a_pick_up_before_the_repeat_is_played_once_and_within_it_each_time() -> None:
    assert _played("e|:A4|B4:|") == "eABAB"
    assert _played("|:e|A4|B3:|") == "eABeAB"
    assert _played("e||A4|B4:|") == "eABAB"


# -- the order of parts ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("order", "letters"),
    [("A", "A"), ("ABC", "ABC"), ("A2B", "AAB"), ("(AB)2C", "ABABC"), ("((AB)3.(CD)3)2", "ABABABCDCDCDABABABCDCDCD")],
)
def test_a_part_order_is_written_out(order: str, letters: str) -> None:
    """§3.1.9: the last is the standard's own example."""
    assert letters_in_order(order) == letters


@pytest.mark.parametrize("order", ["(AB", "AB)", "2A", "A+B", "(A99)99"])
def test_a_part_order_that_is_none_is_refused(order: str) -> None:
    with pytest.raises(MusicError, match="part order"):
        letters_in_order(order)


def test_parts_are_played_in_the_order_the_header_writes() -> None:
    assert _played("P:A\nA4||\nP:B\n|:B4:|\nP:C\nc4|]", "ABAC") == "ABBAc"


def test_each_pass_of_a_part_in_a_row_takes_its_ending() -> None:
    """§4.10: P:A4.B4 plays A four times in all, each time with another ending."""
    music = "P:A\nA4|[1 c4:|[2 d4:|[3 e4:|[4 f4|]\nP:B\nB4|]"
    assert _played(music, "A4.B4") == "AcAdAeAfBBBB"


def test_a_part_without_signs_takes_its_next_ending_when_it_comes_back() -> None:
    assert _played("P:A\nA4|[1c4||[2d4||\nP:B\nB4|]", "ABA") == "AcBAd"


def test_without_labels_the_letters_count_the_parts() -> None:
    assert _played("A4||B4|]", "ABA") == "ABA"


def test_an_order_that_names_a_part_not_there_is_refused() -> None:
    with pytest.raises(MusicError, match="names part C"):
        _played("P:A\nA4||\nP:B\nB4|]", "ABC")


# -- chosen parts ------------------------------------------------------------------------------------------------

MARCH = "|:A4|1B4:|2c4||d4:|e4|]"


def test_chosen_parts_come_in_their_order_with_their_repeats() -> None:
    assert _letters(played_bars(_tune(MARCH), parts=(2, 1, 2))) == "ddABAcdd"


def test_without_repeats_each_part_is_played_once_with_its_last_ending() -> None:
    assert _letters(played_bars(_tune(MARCH), repeats=False)) == "Acde"
    assert _letters(played_bars(_tune(MARCH), parts=(1,), repeats=False)) == "Ac"


def test_each_played_part_can_be_given_its_own_number_of_times() -> None:
    assert _letters(played_bars(_tune(MARCH), repeats=(3, 1, 2))) == "ABABAcdee"


def test_repeating_a_part_plays_every_bar_again() -> None:
    played = played_bars(_tune("|:e|A4|B3:|"))
    assert [(one.pass_number, one.printed_number) for one in played] == [(1, 0), (1, 1), (1, 2), (2, 0), (2, 1), (2, 2)]


def test_a_played_bar_knows_its_part_and_its_index_there() -> None:
    played = played_bars(_tune("A4|B4||c4|]"))
    assert [(one.part, one.bar_index_in_part) for one in played] == [(1, 0), (1, 1), (2, 0)]


@pytest.mark.parametrize("parts", [(0,), (4,), (1, 9)])
def test_a_part_that_is_not_there_is_refused(parts: tuple[int, ...]) -> None:
    with pytest.raises(MusicError, match=r"has 3 parts; part \d is not there"):
        played_bars(_tune(MARCH), parts=parts)


@pytest.mark.parametrize("repeats", [(1,), (1, 1, 0), (1, 1, 1, 1)])
def test_repeats_must_be_one_number_for_each_part(repeats: tuple[int, ...]) -> None:
    with pytest.raises(MusicError, match="Give one number of at least 1 for each part"):
        played_bars(_tune(MARCH), repeats=repeats)


def test_repeats_without_end_are_refused() -> None:
    with pytest.raises(MusicError, match="more than 100000 bars"):
        played_bars(_tune("|:A4" + ":" * 200_000 + "|"))


# -- forms known by heart ------------------------------------------------------------------------------------------


def _bars_of(count: int) -> str:
    return "|".join(["A4"] * count)


def test_a_four_parted_march_with_repeats_has_sixty_four_bars() -> None:
    """Hand count: four parts of eight bars, each twice (common practice, no source)."""
    music = "".join(f"|:e|{_bars_of(7)}|A3:|" for _ in range(4))
    played = played_bars(_tune(music))
    assert sum(1 for one in played if one.printed_number) == 64
    assert sum(one.bar.length for one in played) == 64 * _tune(music).metre.length  # type: ignore[union-attr]


def test_a_reel_of_four_unrepeated_parts_has_thirty_two_bars() -> None:
    """Hand count: parts of eight bars closed by double bar lines."""
    tune = _tune("||".join([_bars_of(8)] * 4) + "|]")
    assert (len(tune.parts), len(played_bars(tune))) == (4, 32)


def test_a_jig_with_first_and_second_endings_has_the_bars_of_its_form() -> None:
    """Hand count: seven bars and an ending, twice, in each of two parts: thirty-two."""
    part = f"|:{_bars_of(7)}|1B4:|2c4||"
    assert len(played_bars(_tune(part * 2))) == 32


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(strategies.tunes(pipes_only=True))
def test_every_played_bar_is_the_printed_bar_it_points_to(tune: Tune) -> None:
    for one in played_bars(tune):
        assert tune.parts[one.part - 1].bars[one.bar_index_in_part] is one.bar


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(strategies.tunes(pipes_only=True))
def test_without_repeats_no_bar_is_played_twice_in_a_part(tune: Tune) -> None:
    parts = tuple(range(1, len(tune.parts) + 1))
    played = played_bars(tune, parts=parts, repeats=False)
    places = [(one.part, one.bar_index_in_part) for one in played]
    assert len(places) == len(set(places))
