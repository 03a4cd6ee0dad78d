"""Figures: the table against a second copy set out by hand, and what can and cannot be heard."""

from __future__ import annotations

import re
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from graith.errors import MusicError, Severity
from graith.music.figures import (
    FIGURE_NAMES,
    FIGURES,
    expand_figure,
    figure_of,
    figure_problems,
    figures_in,
    silent_graces,
)
from graith.music.model import ChanterNote
from graith.music.read_abc import read_book, read_tune

_ORACLE = Path(__file__).parent.parent / "oracles" / "figures.toml"
_NOTE = {note.abc: note for note in ChanterNote}
_NOTES = st.sampled_from(ChanterNote)


def _notes(letters: str) -> tuple[ChanterNote, ...]:
    return tuple(_NOTE[letter] for letter in letters)


def _oracle_rows():
    for figure in tomllib.loads(_ORACLE.read_text(encoding="utf-8"))["figure"]:
        for graces, note in re.findall(r"\{(\w+)\}(\w)", figure["shapes"]):
            after = figure.get("after")
            before = None if after is None else _NOTE[note if after == "the same note" else after]
            yield (
                figure["name"],
                _notes(graces),
                _NOTE[note],
                before,
                figure["source"],
                not figure.get("uncertain", False),
            )


ORACLE_ROWS = list(_oracle_rows())


def _row_name(row) -> str:
    name, graces, note, before, *_ = row
    return f"{name}-{''.join(grace.abc for grace in graces)}-{note.abc}" + (f"-after-{before.abc}" if before else "")


def _tune(music: str, metre: str = "none"):
    return read_book(f"X:1\nT:Test\nM:{metre}\nL:1/8\nK:HP\n{music}\n", "test.abc").tunes[0]


@pytest.mark.parametrize("row", ORACLE_ROWS, ids=_row_name)
def test_every_figure_is_recognised_by_its_gracenotes(row):
    name, graces, note, before, source, certain = row
    figure = figure_of(graces, note, before)
    assert (figure.name, figure.source, figure.certain) == (name, source, certain)


@pytest.mark.parametrize("row", ORACLE_ROWS, ids=_row_name)
def test_every_figure_expands_from_its_name(row):
    name, graces, note, before, *_ = row
    assert expand_figure(name, note, before) == graces


@pytest.mark.parametrize("row", ORACLE_ROWS, ids=_row_name)
def test_every_figure_can_be_heard(row):
    _, graces, note, before, *_ = row
    assert silent_graces(graces, note, before) == ()


def test_the_table_has_no_figure_that_the_hand_copy_lacks():
    by_hand = {(name, graces, note, before) for name, graces, note, before, *_ in ORACLE_ROWS}
    named = {(row.name, row.graces, row.note, row.after) for row in FIGURES}
    rare = {row for row in named - by_hand if len(row[1]) == 1}
    assert named - by_hand == rare
    assert by_hand <= named


def test_no_two_rows_share_gracenotes_note_and_note_before():
    shapes = [(row.graces, row.note, row.after) for row in FIGURES]
    assert len(shapes) == len(set(shapes))


def test_no_two_rows_share_a_name_on_one_note_after_one_note():
    names = [(row.name, row.note, row.after) for row in FIGURES if row.by_name]
    assert len(names) == len(set(names))


def test_every_single_gracenote_that_can_be_heard_has_a_name():
    for grace in ChanterNote:
        for note in ChanterNote:
            assert (figure_of((grace,), note) is None) == (grace is note)


def test_whatever_is_asked_for_by_name_can_be_heard_after_every_note():
    for name in FIGURE_NAMES:
        for note in ChanterNote:
            for before in (None, *ChanterNote):
                try:
                    graces = expand_figure(name, note, before)
                except MusicError:
                    continue
                assert graces
                assert silent_graces(graces, note, before) == ()


def test_every_name_expands_somewhere_without_knowing_the_note_before():
    for name in FIGURE_NAMES:
        played = [note for note in ChanterNote if _expands(name, note)]
        assert played, name


def _expands(name: str, note: ChanterNote) -> bool:
    try:
        return bool(expand_figure(name, note))
    except MusicError:
        return False


@pytest.mark.parametrize(
    ("name", "note", "before", "graces"),
    [
        ("doubling", "c", "g", "acd"),
        ("doubling", "c", "a", "cd"),
        ("doubling", "g", "g", "agf"),
        ("doubling", "a", "a", "g"),
        ("throw", "d", "G", "dc"),
        ("heavy-throw", "d", "G", "dGc"),
        ("grip", "B", "G", "dG"),
        ("grip", "B", "d", "GBG"),
        ("taorluath", "A", "d", "GBGe"),
        ("taorluath", "A", "G", "dGe"),
        ("crunluath", "e", "G", "dGeAfA"),
        ("birl", "A", "A", "GAG"),
        ("g-birl", "A", "g", "aAGAG"),
        ("g-birl", "A", "a", "AGAG"),
        ("shake", "e", "g", "aefeA"),
        ("g-gracenote", "d", "g", "a"),
        ("tachum", "c", "e", "g"),
        ("tachum", "A", "c", "d"),
    ],
)
def test_the_note_before_decides_the_shape(name, note, before, graces):
    assert expand_figure(name, _NOTE[note], _NOTE[before]) == _notes(graces)


def test_a_figure_that_is_not_played_on_a_note_says_on_which_it_is():
    with pytest.raises(MusicError, match=r"throw is not played on B\. It is played on D\."):
        expand_figure("throw", ChanterNote.B)


def test_a_figure_that_belongs_after_one_note_says_after_which():
    with pytest.raises(MusicError, match=r"half-grip on B is played after low G only, not after C"):
        expand_figure("half-grip", ChanterNote.B, ChanterNote.C)


def test_a_figure_that_cannot_be_heard_says_why():
    with pytest.raises(MusicError, match=r"thumb-gracenote on F cannot be heard after high A"):
        expand_figure("thumb-gracenote", ChanterNote.F, ChanterNote.HIGH_A)


def test_a_name_that_no_figure_has_lists_the_names():
    with pytest.raises(MusicError, match=r"no figure called 'dubling'\. Use one of: .*doubling"):
        expand_figure("dubling", ChanterNote.C)


def test_names_do_not_collide_with_decorations_of_the_abc_standard():
    # ABC 2.1 §4.14, the names that are plain words.
    standard = (
        *("trill", "lowermordent", "uppermordent", "mordent", "pralltriller", "roll", "turn", "turnx", "invertedturn"),
        *("invertedturnx", "arpeggio", "accent", "emphasis", "fermata", "invertedfermata", "tenuto", "plus", "snap"),
        *("slide", "wedge", "upbow", "downbow", "open", "thumb", "breath", "segno", "coda", "dacoda", "dacapo", "fine"),
        *("shortphrase", "mediumphrase", "longphrase", "crescendo", "diminuendo"),
    )
    assert FIGURE_NAMES.isdisjoint(standard)


def test_a_shape_that_belongs_after_another_note_is_uncertain():
    assert figure_of(_notes("GBG"), ChanterNote.LOW_A, ChanterNote.D).certain
    assert not figure_of(_notes("GBG"), ChanterNote.LOW_A, ChanterNote.E).certain


def test_the_note_before_tells_a_grip_from_a_double_strike():
    assert figure_of(_notes("GBG"), ChanterNote.B, ChanterNote.D).name == "grip"
    assert figure_of(_notes("GBG"), ChanterNote.B, ChanterNote.B).name == "double-strike"


@given(st.lists(_NOTES, max_size=8), _NOTES, st.none() | _NOTES)
def test_any_gracenotes_have_a_name_or_none(graces, note, before):
    figure = figure_of(tuple(graces), note, before)
    assert figure is None or figure.name


@given(st.lists(_NOTES, min_size=1, max_size=8), _NOTES, st.none() | _NOTES)
def test_a_group_is_wholly_heard_only_if_all_neighbours_differ(graces, note, before):
    sounding = [before, *graces, note]
    differ = all(first is not second for first, second in pairwise(sounding))
    assert (silent_graces(tuple(graces), note, before) == ()) == differ


def test_figures_are_found_with_their_places():
    tune = _tune("{g}A2{d}A2 {gcd}c2{GdG}e2|{GdGe}A4 {gAGAG}A4|")
    found = [(one.figure.name, one.bar_index, one.note_index, one.place.column) for one in figures_in(tune)]
    assert found == [
        ("g-gracenote", 0, 0, 4),
        ("d-gracenote", 0, 1, 9),
        ("doubling", 0, 2, 17),
        ("grip", 0, 3, 24),
        ("taorluath", 1, 0, 33),
        ("g-birl", 1, 1, 43),
    ]


def test_a_tachum_is_one_figure_over_two_notes():
    (tachum,) = figures_in(_tune("{g}c/2{d}A3/2|"))
    assert (tachum.figure.name, tachum.figure.certain) == ("tachum", True)
    assert tachum.notes == _notes("cA")
    assert tachum.graces == _notes("gd")


def test_even_notes_with_g_and_d_gracenotes_are_no_tachum():
    assert [one.figure.name for one in figures_in(_tune("{g}c{d}A|"))] == ["g-gracenote", "d-gracenote"]


def test_g_d_and_e_gracenotes_in_a_row_are_one_figure():
    (sequence,) = figures_in(_tune("(3{g}A{d}A{e}A|"))
    assert (sequence.figure.name, sequence.figure.variant, sequence.figure.certain) == ("G-D-E", "on one note", True)
    (moving,) = figures_in(_tune("(3{g}c{d}B{e}A|"))
    assert (moving.figure.variant, moving.figure.certain) == ("on moving notes", False)


def test_a_figure_does_not_span_a_bar_line():
    assert [one.figure.name for one in figures_in(_tune("{g}c/2|{d}A3/2|"))] == ["g-gracenote", "d-gracenote"]


def test_the_note_before_is_found_across_the_bar_line():
    (birl,) = figures_in(_tune("A4|{GAG}A4|"))
    assert (birl.figure.name, birl.figure.certain) == ("birl", True)


def test_unknown_gracenotes_are_a_warning_and_stay():
    tune = _tune("A4 {GcAf}d4|")
    (problem,) = figure_problems(tune)
    assert problem.severity is Severity.WARNING
    assert problem.kind == "unknown figure"
    assert str(problem).startswith("test.abc:6:10, part 1, bar 1: the 4 gracenotes {GcAf} before D make no figure")
    assert len(tune.parts[0].bars[0].notes[1].graces) == 4


def test_a_gracenote_equal_to_the_note_before_is_a_warning():
    problems = figure_problems(_tune("g4 {gcd}c4|"))
    assert [(one.kind, one.severity) for one in problems] == [("silent gracenote", Severity.WARNING)]
    assert "gracenote 1 of {gcd}, high G, follows the same note and cannot be heard" in problems[0].says


def test_a_gracenote_equal_to_its_own_note_is_a_warning():
    kinds = [one.kind for one in figure_problems(_tune("A4 {c}c4|"))]
    assert kinds == ["silent gracenote"]


def test_well_formed_music_has_no_figure_problems():
    assert figure_problems(_tune("{g}A2{GdG}B2|{gcd}c2{Gdc}d2|{gef}e2{gfg}f2|{GdGe}A4|")) == ()


def test_a_figure_by_name_is_the_figure_written_out():
    by_name = _tune("A2!doubling!c2|")
    written = _tune("A2{gcd}c2|")
    assert figures_in(by_name)[0].figure == figures_in(written)[0].figure


def test_a_tachum_is_asked_for_on_both_of_its_notes():
    (tachum,) = figures_in(_tune("!tachum!c/2!tachum!A3/2|"))
    assert (tachum.figure.name, tachum.graces) == ("tachum", _notes("gd"))


def test_a_doubling_that_opens_a_second_ending_is_judged_after_the_bar_played_before_it() -> None:
    text = "X:1\nT:Endings\nM:2/4\nL:1/8\nK:HP\n|: {g}A2 {gef}e2 | {g}A2 g2 |1 {ag}a4 :|2 {gef}e4 |]\n"
    problems = figure_problems(read_tune(text, "endings.abc"))
    assert [(problem.kind, problem.place.bar) for problem in problems] == [("silent gracenote", 4)]


def test_a_part_is_judged_after_its_own_last_bar_when_it_is_repeated() -> None:
    text = "X:1\nT:Round\nM:2/4\nL:1/8\nK:HP\n|: {gef}e2 A2 | {g}A2 g2 :|\n"
    problems = figure_problems(read_tune(text, "round.abc"))
    assert [(problem.kind, problem.place.bar) for problem in problems] == [("silent gracenote", 1)]
