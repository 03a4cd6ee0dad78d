"""Where lines break: full, readable, never a bar left alone; widths held against Verovio's own."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from graith.errors import SheetError
from graith.music.model import Bar, BarLine, ChanterNote, Metre, Note, Part, Tune
from graith.music.read_abc import read_tune
from graith.sheet.break_lines import bar_width, even_lines, line_widths, plan_lines, source_lines
from graith.sheet.engrave import VEROVIO_OPTIONS
from graith.sheet.model import Layout
from graith.sheet.write_mei import mei_of

NOTE = Note((ChanterNote.E.pitch,), Fraction(1, 4))


def part_of(*numbers: int) -> Part:
    return Part(tuple(Bar((NOTE, NOTE), Metre(2, 4), number) for number in numbers))


def tune_of(*parts: Part) -> Tune:
    return Tune(1, ("T",), parts, Metre(2, 4))


def test_eight_bars_make_two_lines_of_four() -> None:
    assert even_lines(part_of(*range(1, 9)), 4) == (0, 4)


def test_a_pick_up_goes_with_the_bar_after_it() -> None:
    assert even_lines(part_of(0, *range(1, 9)), 4) == (0, 5)


def test_nine_bars_make_three_lines_of_three_and_leave_none_alone() -> None:
    assert even_lines(part_of(*range(1, 10)), 4) == (0, 3, 6)


def test_a_second_ending_of_one_bar_does_not_begin_a_line() -> None:
    bars = list(part_of(*range(1, 10)).bars)
    bars[7] = replace(bars[7], ending=(1,), ending_closed=True, repeat_end=1)
    bars[8] = replace(bars[8], ending=(2,), ending_closed=True)
    assert even_lines(Part(tuple(bars)), 4) == (0, 4)
    assert even_lines(Part(tuple(bars)), 2) == (0, 2, 4, 6)


def test_second_endings_as_long_as_a_line_have_lines_of_their_own() -> None:
    bars = list(part_of(*range(1, 11)).bars)
    bars[6] = replace(bars[6], ending=(1,))
    bars[7] = replace(bars[7], ending_closed=True, repeat_end=1)
    bars[8] = replace(bars[8], ending=(2,))
    bars[9] = replace(bars[9], ending_closed=True)
    assert even_lines(Part(tuple(bars)), 2) == (0, 2, 4, 6, 8)


def test_a_bar_cut_in_two_without_a_line_is_not_parted() -> None:
    bars = list(part_of(1, 2, 0, 3).bars)
    bars[1] = replace(bars[1], closing=BarLine.NONE)
    assert even_lines(Part(tuple(bars)), 1) == (0, 1, 3)


@given(st.lists(st.booleans(), min_size=1, max_size=40), st.integers(1, 8))
def test_lines_begin_with_the_first_bar_and_hold_no_more_than_asked_for(pick_ups: list[bool], most: int) -> None:
    part = part_of(*(0 if pick_up else index + 1 for index, pick_up in enumerate(pick_ups)))
    starts = even_lines(part, most)
    assert starts[0] == 0
    assert list(starts) == sorted(set(starts))
    for start, stop in zip(starts, (*starts[1:], len(part.bars)), strict=True):
        assert sum(bar.number > 0 for bar in part.bars[start:stop]) <= most


def test_the_sources_own_lines_are_kept_when_they_fill_the_paper() -> None:
    tune = read_tune(
        "X:1\nT:T\nM:2/4\nL:1/8\nK:HP\n" + "\n".join(["{g}A>B {gcd}c<e|" * 3, "{g}A>B {gcd}c<e|" * 5 + "]"])
    )
    assert source_lines(tune.parts[0]) == (0, 3)
    assert plan_lines(tune, (1,), Layout()).starts == ((0, 3),)


def test_a_strathspey_gets_four_bars_on_upright_a4_and_fewer_in_the_pocket(demo_tunes: tuple[Tune, ...]) -> None:
    strathspeys = [tune for tune in demo_tunes if tune.rhythm == "strathspey"]
    for tune in strathspeys:
        chosen = range(1, len(tune.parts) + 1)
        on_paper = plan_lines(tune, chosen, Layout("A4"))
        in_pocket = plan_lines(tune, chosen, Layout("pocket"))
        assert sum(map(len, on_paper.starts)) * 2 <= sum(map(len, in_pocket.starts))
        assert on_paper.staff_mm >= 4.4
        assert in_pocket.staff_mm >= 3.7


@pytest.mark.parametrize("paper", ["A4", "Letter", "pocket", "screen"])
@pytest.mark.parametrize("landscape", [False, True])
def test_no_line_is_fuller_than_its_width(demo_tunes: tuple[Tune, ...], paper: str, landscape: bool) -> None:
    layout = Layout(paper, landscape)
    for tune in demo_tunes:
        plan = plan_lines(tune, range(1, len(tune.parts) + 1), layout)
        room = layout.music_mm / plan.staff_mm * 8
        assert max(line_widths(tune.parts, plan.starts)) <= 1.041 * room


def test_phrases_of_two_bars_are_not_cut_by_lines_of_three(demo_tunes: tuple[Tune, ...]) -> None:
    for tune in demo_tunes:
        if all(part.n_bars == 8 for part in tune.parts):
            plan = plan_lines(tune, range(1, len(tune.parts) + 1), Layout("pocket"))
            assert len(plan.starts[0]) in (2, 4, 8)


def test_an_asked_staff_height_is_kept_by_giving_lines_fewer_bars(demo_tunes: tuple[Tune, ...]) -> None:
    tune = next(tune for tune in demo_tunes if tune.rhythm == "strathspey")
    plan = plan_lines(tune, range(1, len(tune.parts) + 1), Layout(staff_mm=9.0))
    assert plan.staff_mm == 9.0
    assert len(plan.starts[0]) > 2


def test_a_lonely_bar_is_left_ragged_and_full_lines_are_not() -> None:
    tune = tune_of(part_of(*range(1, 9)), part_of(1))
    plan = plan_lines(tune, (1, 2), Layout(bars_a_line=8))
    assert plan.ragged == (False, True)


def test_short_bars_are_put_more_to_a_line_than_four() -> None:
    assert plan_lines(tune_of(part_of(*range(1, 9))), (1,), Layout()).starts == ((0,),)


def natural_widths(verovio_reader: Any, tune: Tune) -> list[float]:
    """Return each bar's width in half spaces when Verovio sets a tune on one endless line."""
    verovio_reader.setOptions({**VEROVIO_OPTIONS, "noJustification": True, "pageWidth": 100000})
    verovio_reader.loadData(mei_of(tune, heading=False, lines=[[0]] * len(tune.parts)))
    page = verovio_reader.renderToSVG(1)
    staves = re.findall(r'class="staff"><path d="M(-?\d+) -?\d+ L(-?\d+)', page)
    return [(int(right) - int(left)) / 90 for left, right in staves]


def test_bar_widths_agree_with_verovio(demo_tunes: tuple[Tune, ...], verovio_reader: Any) -> None:
    """Bars that carry no clef, signature or repeat sign, against what Verovio takes for them."""
    errors = []
    for tune in demo_tunes:
        bars = [bar for part in tune.parts for bar in part.bars]
        for before, bar, width in zip(bars, bars[1:], natural_widths(verovio_reader, tune)[1:], strict=False):
            plain = not (bar.repeat_start or bar.repeat_end or bar.number == 0 or bar.metre != before.metre)
            if plain and bar is not bars[-1] and "=" not in bar.text:
                errors.append(bar_width(bar) / width - 1)
    assert len(errors) > 300
    assert max(map(abs, errors)) < 0.12
    assert (sum(error**2 for error in errors) / len(errors)) ** 0.5 < 0.03


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"paper": "napkin"}, "There is no paper called 'napkin'; choose one of A4, Letter, pocket, screen"),
        ({"staff_mm": 1.0}, "A staff of 1 mm cannot be read or set; choose 2.5 to 12 mm"),
        ({"bars_a_line": 0}, "A line cannot hold 0 bars; choose from 1 to 16"),
    ],
)
def test_a_layout_that_cannot_be_is_refused(asked: dict[str, Any], says: str) -> None:
    with pytest.raises(SheetError, match=re.escape(says)):
        Layout(**asked)
