"""Notes, lengths, gracenotes and tuplets as ABC 2.1 defines them; each test names its section.

Source: the abc music standard 2.1 (December 2011). Expected values are the standard's own examples or worked by hand.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from graith.music._bar_text import BarText, Memories, Setting
from graith.music._run import Carry, Run
from graith.music.keys import key_named
from graith.music.model import ChanterNote, Metre, Note
from graith.music.read_abc import Book, read_book


def _book(music: str, metre: str = "4/4", unit: str = "1/8", key: str = "HP") -> Book:
    return read_book(f"X:1\nT:Test\nM:{metre}\nL:{unit}\nK:{key}\n{music}\n", "test.abc")


def _notes(music: str, metre: str = "4/4", unit: str = "1/8", key: str = "HP") -> list[Note]:
    book = _book(music, metre, unit, key)
    assert not book.problems
    return [note for part in book.tunes[0].parts for bar in part.bars for note in bar.notes]


def _lengths(music: str, metre: str = "4/4", unit: str = "1/8") -> list[str]:
    return [str(note.length) for note in _notes(music, metre, unit)]


def _midi(music: str, key: str) -> list[int]:
    return [note.pitch.midi for note in _notes(music, key=key)]


def _says(music: str, metre: str = "4/4") -> list[str]:
    return [problem.says for problem in _book(music, metre).problems]


# -- pitch, §3.1.14 and §4.1 -----------------------------------------------------------------------------------


def test_both_pipe_keys_sound_the_nine_notes_of_the_chanter() -> None:
    """§3.1.14: under HP and Hp the scale G A B ^c d e ^f g a sounds from the bare letters."""
    for key in ("HP", "Hp"):
        assert [note.chanter_note for note in _notes("GABcdefg a8", key=key)] == list(ChanterNote)


def test_only_the_small_p_prints_a_signature() -> None:
    """§3.1.14: HP puts no signature on the staff, Hp marks F and C sharp and G natural."""
    assert (key_named("HP").printed, key_named("Hp").printed) == (False, True)


def test_octaves_are_marked_by_commas_and_apostrophes_in_any_mixture() -> None:
    """§4.1: C,', means the same as C, and C' the same as c."""
    assert _midi("C, C,', C C' c c'", "C") == [48, 48, 60, 72, 72, 84]


def test_an_accidental_holds_to_the_end_of_the_bar_in_every_octave() -> None:
    """§4.2, and §11.3: the default of propagate-accidentals is pitch."""
    assert _midi("^F F f | F", "C") == [66, 66, 78, 65]


def test_accidentals_can_be_told_to_stay_in_their_octave_or_on_their_note() -> None:
    """§11.3: I:propagate-accidentals octave, and not."""
    for how, expected in (("octave", [66, 66, 77]), ("not", [66, 65, 77])):
        book = read_book(f"X:1\nT:T\nM:4/4\nL:1/8\n%%propagate-accidentals {how}\nK:C\n^F F f|\n")
        assert [note.pitch.midi for note in book.tunes[0].parts[0].bars[0].notes] == expected


def test_a_tie_carries_an_accidental_over_the_bar_line_to_its_note_alone() -> None:
    """Common practice of notation, no source in the standard."""
    assert _midi("^F8-|F4F4", "C") == [66, 66, 65]


@pytest.mark.parametrize(
    ("key", "sharps"),
    [("G", "F"), ("Amix", "FC"), ("D", "FC"), ("E Minor", "F"), ("Bmin", "FC"), ("Ador", "F"), ("A", "FCG"),
     ("F#m", "FCG")],
)  # fmt: skip
def test_modes_take_the_signature_of_their_relative_major(key: str, sharps: str) -> None:
    """§3.1.14, the table of keys and modes."""
    assert {"CDEFGAB"[step] for step, alter in enumerate(key_named(key).alters) if alter == 1} == set(sharps)


def test_explicit_accidentals_change_or_replace_a_signature() -> None:
    """§3.1.14: K:D Phr ^f modifies; K:D exp _b _e ^f writes the whole signature."""
    assert key_named("D Phr ^f").alters == (0, 0, -1, 1, 0, 0, -1)
    assert key_named("D exp _b _e ^f").alters == (0, 0, -1, 1, 0, 0, -1)


# -- lengths and broken rhythm, §4.3 and §4.4 --------------------------------------------------------------------


def test_lengths_are_multiples_and_divisions_of_the_unit() -> None:
    """§4.3: A, A2, A3, A/2 and A/, A3/2, A//."""
    assert _lengths("A A2 A3 A/2 A/ A3/2 A//") == ["1/8", "1/4", "3/8", "1/16", "1/16", "3/16", "1/32"]


def test_without_a_unit_the_metre_decides_it() -> None:
    """§3.1.7: below 0.75 the unit is a semiquaver, else a quaver; in free metre a quaver."""
    units = [
        read_book(f"X:1\nT:T\nM:{metre}\nK:HP\nA|\n").tunes[0].unit for metre in ("2/4", "6/8", "3/4", "C|", "none")
    ]
    assert units == [Fraction(1, 16), Fraction(1, 8), Fraction(1, 8), Fraction(1, 8), Fraction(1, 8)]


def test_three_ways_to_write_a_broken_rhythm_mean_the_same() -> None:
    """§4.4: the standard's own three lines."""
    semiquavers = _lengths("a3b cd3 a2b2c2d2", unit="1/16")
    assert semiquavers == _lengths("a3/2b/2 c/2d3/2 abcd") == _lengths("a>b c<d abcd")


@pytest.mark.parametrize(
    ("music", "first", "second"),
    [("A>B", "3/16", "1/16"), ("A>>B", "7/32", "1/32"), ("A>>>B", "15/64", "1/64"), ("A<<B", "1/32", "7/32")],
)
def test_each_sign_dots_the_long_note_once_more(music: str, first: str, second: str) -> None:
    """§4.4: double and triple dots."""
    assert _lengths(music) == [first, second]


def test_gracenotes_are_transparent_to_broken_rhythm() -> None:
    """§4.12: A<{g}A and A{g}<A are legal and equal A/2{g}A3/2."""
    assert _notes("A<{g}A") == _notes("A{g}<A") == _notes("A/2{g}A3/2")


def test_a_note_may_be_broken_on_both_sides() -> None:
    """§4.4 applied twice: the middle note is halved, then dotted."""
    assert _lengths("A>B>c") == ["3/16", "3/32", "1/16"]


def test_a_broken_rhythm_reaches_over_a_space_and_a_chord_symbol() -> None:
    assert _lengths('A > "Am"B') == ["3/16", "1/16"]


# -- rests, chords -----------------------------------------------------------------------------------------------


def test_a_rest_of_whole_bars_is_as_many_bars_of_rest() -> None:
    """§4.5: Z4|CD EF|GA Bc equals z4|z4|z4|z4|CD EF|GA Bc."""
    short = _book("Z4|CD EF|GA Bc", "2/4").tunes[0]
    long = _book("z4|z4|z4|z4|CD EF|GA Bc", "2/4").tunes[0]
    assert short == long


def test_a_chord_is_one_note_with_several_pitches() -> None:
    """§4.17: [C2E2G2]3 is C6, E6 and G6 together."""
    (chord,) = _notes("[C2E2G2]3", metre="6/8", key="C")
    assert ([pitch.midi for pitch in chord.pitches], chord.written) == ([60, 64, 67], Fraction(6, 8))


# -- gracenotes, §4.12 -------------------------------------------------------------------------------------------


def test_gracenotes_lead_into_the_note_behind_them_and_take_no_time() -> None:
    (note,) = _notes("{GdGe}A8")
    assert [str(grace.pitch) for grace in note.graces] == ["G4", "D5", "G4", "E5"]
    assert note.length == 1


def test_gracenotes_count_from_a_demisemiquaver_in_pipe_music() -> None:
    """§4.12: 1/32 for Highland pipe music, which lets {ge4d} code a cadence."""
    (note,) = _notes("{ge4d}A8")
    assert [grace.length for grace in note.graces] == [Fraction(1, 32), Fraction(1, 8), Fraction(1, 32)]


def test_a_gracenote_group_may_be_broken_and_slashed() -> None:
    """§4.12: {a>b} is legal; {/g} is an acciaccatura."""
    broken, slashed = _notes("{a>g}A4{/g}B4")
    assert [grace.length for grace in broken.graces] == [Fraction(3, 64), Fraction(1, 64)]
    assert (broken.slashed_graces, slashed.slashed_graces) == (False, True)


def test_gracenotes_before_a_bar_line_belong_to_the_note_behind_it() -> None:
    first, second = _notes("A8{gef}|e8")
    assert (len(first.graces), len(second.graces)) == (0, 3)


# -- tuplets, §4.13 ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "in_simple", "in_compound"),
    [(2, "3/16", "3/16"), (3, "1/12", "1/12"), (4, "3/32", "3/32"), (5, "1/20", "3/40"), (6, "1/24", "1/24"),
     (7, "1/28", "3/56"), (8, "3/64", "3/64"), (9, "1/36", "1/24")],
)  # fmt: skip
def test_each_tuplet_takes_the_time_the_standard_gives_it(count: int, in_simple: str, in_compound: str) -> None:
    """§4.13, the whole table: n is three in 6/8, 9/8 and 12/8, else two."""
    music = f"({count}{'A' * count}"
    assert _lengths(music, "4/4") == [in_simple] * count
    for metre in ("6/8", "9/8", "12/8"):
        assert _lengths(music, metre) == [in_compound] * count


def test_the_short_forms_of_a_tuplet_equal_its_full_form() -> None:
    """§4.13: (3 equals (3:: and (3:2 and (3:2:3, whereas (3::2 equals (3:2:2."""
    assert _notes("(3ABc") == _notes("(3::ABc") == _notes("(3:2ABc") == _notes("(3:2:3ABc")
    assert _notes("(3::2ABc") == _notes("(3:2:2ABc")


def test_a_tuplet_may_hold_notes_of_different_lengths() -> None:
    """§4.13: (3:2:2 G4c2 and (3:2:4 G2A2Bc; spaces behind the figures are ignored."""
    assert _lengths("(3:2:2 G4c2") == ["1/3", "1/6"]
    assert _lengths("(3:2:4 G2A2Bc") == ["1/6", "1/6", "1/12", "1/12"]


def test_gracenotes_and_broken_rhythm_stand_inside_a_tuplet() -> None:
    assert _lengths("(3A>{g}Bc") == ["1/8", "1/24", "1/12"]


# -- what stands around notes ------------------------------------------------------------------------------------


def test_a_tie_touches_its_first_note() -> None:
    """§4.11: abc-|cba is legal, c4 -c4 is not."""
    assert [note.tied for note in _notes("abc-|cba")] == [False, False, True, False, False, False]
    assert _says("c4 -c4") == ["the tie does not touch its first note"]


def test_slurs_nest_and_may_open_and_close_on_one_note() -> None:
    """§4.11: (c (d e f) g a) and (c d (e) f g a)."""
    notes = _notes("(c (d e) (f))")
    assert [(note.slurs_opened, note.slurs_closed) for note in notes] == [(1, 0), (1, 0), (0, 1), (1, 2)]


def test_notes_without_a_space_between_are_joined() -> None:
    """§4.7: no space beams; a back quote is no space."""
    assert [note.joined for note in _notes("A``B c{g}d e|f")] == [True, False, True, False, False, False]


def test_decorations_and_texts_stay_with_their_note() -> None:
    """§4.14, §4.18, §4.19."""
    (note,) = _notes('"Am""^slow".!trill!A8')
    assert (note.texts, note.decorations) == (("Am", "^slow"), (".", "trill"))


def test_a_letter_can_be_given_another_decoration() -> None:
    """§4.16: U: T = !fermata!"""
    book = read_book("X:1\nT:T\nM:4/4\nL:1/8\nU: T = !fermata!\nK:HP\nTA8|\n")
    assert book.tunes[0].parts[0].bars[0].notes[0].decorations == ("fermata",)


# -- figures asked for by name ------------------------------------------------------------------------------------


def test_a_figure_asked_for_by_name_becomes_its_gracenotes() -> None:
    """facts of the trade: the doubling on E is g e f (the standard's own pipe sample, §14.2)."""
    (note,) = _notes("!doubling!e8")
    assert (note.figure, note.decorations) == ("doubling", ())
    assert [grace.pitch for grace in note.graces] == [
        ChanterNote.HIGH_G.pitch,
        ChanterNote.E.pitch,
        ChanterNote.F.pitch,
    ]


def test_the_note_before_a_figure_counts_over_the_bar_line() -> None:
    """After D a grip has B in its middle (from memory)."""
    _, note = _notes("d8|!grip!A8")
    assert [str(grace.pitch) for grace in note.graces] == ["G4", "B4", "G4"]


def test_a_figure_that_cannot_be_played_is_told_and_kept() -> None:
    book = _book("A4 !birl!c4|")
    assert [problem.kind for problem in book.problems] == ["figure"]
    assert book.problems[0].place.column == 10
    assert book.tunes[0].parts[0].bars[0].notes[1].decorations == ("birl",)


# -- what is wrong ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("music", "says"),
    [
        ("A4 B> | c8", "a broken rhythm has no second note in the bar"),
        ("A8 & c8", "a second voice laid over the bar with & is not read"),
        ("^^^A8", "'^^^' is no accidental in '^^^A8'; use ^ ^^ = _ or __"),
        ("A0 B8", "0 is no length; write a number, a slash, or a fraction such as 3/2"),
        ("(3AB", "a tuplet of 3 notes has only 2"),
        ("A8 {gef}", "gracenotes stand after the last note"),
        ('A4 "text', "a quotation mark is never closed"),
        ("A4 [CE", "a bracket [ is never closed"),
        ("A4 Q4", "'4' means nothing here"),
    ],
)
def test_what_is_wrong_in_a_bar_is_told(music: str, says: str) -> None:
    assert says in _says(music)


def test_a_problem_names_file_line_column_part_and_bar_and_shows_the_bar() -> None:
    book = _book("A8 | B4 ?c4 |")
    assert str(book.problems[0]).startswith("test.abc:6:9, part 1, bar 2: '?' means nothing in music.")
    assert book.problems[0].text == "B4 ?c4"


def test_every_note_has_its_column() -> None:
    bars = _book("{g}A2 B2 | c>{d}e").tunes[0].parts[0].bars
    assert [bar.columns for bar in bars] == [(4, 7), (12, 17)]


_PIECES = [
    "A", "b2", "^c/", "c", "=c", "d3/2", "{gef}", "{^g}", "(3", "(3:2:2", "(", ")", "-", ">", "<<", "z", ".", "~", "`",
    '"x"', "!trill!", "[ce]", "y", "u", "(5", "g,", " ", "  ",
]  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from(_PIECES), max_size=14))
def test_remembered_groups_mean_what_a_fresh_reading_of_the_whole_bar_means(pieces: list[str]) -> None:
    """The quick way through groups met before, and the plain way token by token, agree."""
    text = "".join(pieces)
    memory = Memories().of(Setting(Fraction(1, 8), Metre(2, 4), key_named("HP")))
    run = Run(memory, {}, Carry())
    plain = run.read(text)
    for _ in range(2):
        bar_text = BarText(memory)
        quick = bar_text.read(text)
        assert (quick.notes, quick.offsets, quick.slips) == (plain.notes, plain.offsets, plain.slips)
        assert Fraction(quick.numerator, quick.denominator) == Fraction(plain.numerator, plain.denominator)
        assert dict(quick.alterations) == dict(plain.alterations)
        assert (bar_text.carry or Carry()) == run.carry
