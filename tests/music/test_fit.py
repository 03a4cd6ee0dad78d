"""Fitting general tunes to the chanter: which moves, in which order, and what does not fit."""

from __future__ import annotations

import functools
import importlib.util
import re
import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from graith.errors import MusicError
from graith.music.fit import KeyMove, fits, fitted, misfits
from graith.music.model import HIGHLAND_PIPES, Bar, ChanterNote, Note, Part, Pitch, Tune, chanter_note
from graith.music.read_abc import read_book

# G4 A4 B4 C#5 D5 E5 F#5 G5 A5 as MIDI keys: the pitches that K:HP names (ABC 2.1 §3.1.14).
_NINE = {67, 69, 71, 73, 74, 76, 78, 79, 81}


def _tune(music: str, key: str = "HP") -> Tune:
    return read_book(f"X:1\nT:Test\nM:none\nL:1/8\nK:{key}\n{music}\n", "test.abc").tunes[0]


def _moves(tune: Tune) -> list[int]:
    return [move.semitones for move in fits(tune)]


def _pitches(tune: Tune) -> list[Pitch]:
    return [pitch for part in tune.parts for bar in part.bars for note in bar.notes for pitch in note.pitches]


def _of_midis(midis: list[int]) -> Tune:
    """A tune of these MIDI keys, spelt with sharps."""
    spelt = [Pitch(7 * (midi // 12 - 1) + step, alter) for midi in midis for step, alter in [_SHARP[midi % 12]]]
    bar = Bar(tuple(Note((pitch,), Fraction(1, 8)) for pitch in spelt), None, 1)
    return Tune(1, ("Drawn",), (Part((bar,)),), None)


_SHARP = ((0, 0), (0, 1), (1, 0), (1, 1), (2, 0), (3, 0), (3, 1), (4, 0), (4, 1), (5, 0), (5, 1), (6, 0))
_KEYS = st.lists(st.integers(48, 96), min_size=1, max_size=12)


def test_a_pipe_tune_fits_as_it_stands_first_of_all():
    assert _moves(_tune("GABcdefga")) == [0]
    assert _moves(_tune("ABce"))[0] == 0


def test_a_tune_in_d_stays_in_d():
    (move,) = fits(_tune("A2 d2 e2 f2 g2 a2 B2 c2", "D"))
    assert (move.semitones, move.centre) == (0, "D")
    assert (move.lowest, move.highest) == (ChanterNote.LOW_A, ChanterNote.HIGH_A)


def test_a_tune_in_g_mixolydian_goes_up_a_tone():
    # The scale G A B c d e f on G is the chanter's scale on A a tone lower.
    moves = fits(_tune("FGABcdefg", "Gmix"))
    assert [(move.semitones, move.centre) for move in moves] == [(2, "A")]
    assert str(moves[0]) == "up 2 semitones, tonal centre on A, low G to high A"


def test_an_octave_is_a_move_of_its_own():
    assert _moves(_tune("G,A,B,CDEFGA")) == [12]
    assert set(_moves(_tune("g'a'b'"))) == {-24, -22, -17}


def test_the_centre_on_a_comes_before_d_before_b_before_g():
    moves = fits(_tune("D2E2", "D"))
    centres = [move.centre for move in moves]
    assert centres == sorted(centres, key="ADBGEFC".index)
    assert centres[0] == "A"


def test_fewer_crossings_come_before_a_smaller_move():
    # D to E and A to B as the same step on another place: A to B lifts one finger, D to E crosses.
    moves = [move for move in fits(_tune("d2e2d2", "none")) if not move.centre or move.centre in "ABDEG"]
    by_centre = {move.centre: move.crossings for move in moves}
    assert by_centre["A"] == 0
    assert by_centre["D"] == 4


def test_a_gracenote_off_the_chanter_keeps_a_move_from_fitting():
    assert 0 in _moves(_tune("{g}A2"))
    assert 0 not in _moves(_tune("{b}A2"))


def test_a_chord_fits_nowhere_and_is_named():
    tune = _tune("[Ac]2 e2")
    assert fits(tune) == ()
    (nearest, *_) = misfits(tune)
    assert [(str(note.pitch), note.why, note.n_times) for note in nearest.notes] == [("C♯5", "in a chord", 1)]
    with pytest.raises(MusicError, match="C♯5 is in a chord"):
        fitted(tune, nearest.move)


def test_what_does_not_fit_is_told_with_its_place_and_number():
    tune = _tune("GABcdefga ^d2 | ^d2 e2 | b2", "HP")
    assert fits(tune) == ()
    nearest = misfits(tune, 1)[0]
    assert nearest.move.semitones == 0
    assert nearest.n_times == 3
    assert [(str(note.pitch), note.why, note.n_times, note.place.bar) for note in nearest.notes] == [
        ("D♯5", "not in the scale", 2, 1),
        ("B5", "too high", 1, 3),
    ]


def test_the_nearest_moves_come_first():
    found = misfits(_tune("A,2 A2 c2 e2 a2 c'2"), 5)
    assert [one.n_times for one in found] == sorted(one.n_times for one in found)
    assert len(found) == 5


def test_a_fitted_tune_is_pipe_music():
    tune = _tune('"G"G2"^slow"A2 {f}B2|[K:C]=F2|', "Gmix")
    moved = fitted(tune, fits(tune)[0])
    notes = [note for part in moved.parts for bar in part.bars for note in bar.notes]
    assert moved.key == HIGHLAND_PIPES
    assert [note.chanter_note.abc for note in notes] == ["A", "B", "c", "G"]
    assert [note.texts for note in notes[:2]] == [(), ("^slow",)]
    assert [bar.key for part in moved.parts for bar in part.bars] == [HIGHLAND_PIPES] * 2
    assert all(not bar.changes for part in moved.parts for bar in part.bars)


def test_a_move_that_does_not_fit_is_refused_with_the_note():
    with pytest.raises(
        MusicError, match=r"Test does not fit the chanter as it stands: C5 is not in the scale \(1 note"
    ):
        fitted(_tune("A2=c2"), KeyMove(0, "A", None, None, 0))


def test_a_tune_without_notes_fits_nowhere():
    empty = Tune(1, ("Empty",), (), None)
    assert (fits(empty), misfits(empty)) == ((), ())


@given(_KEYS)
def test_every_move_that_fits_is_found_and_no_other(midis):
    tune = _of_midis(midis)
    by_trial = {move for move in range(-60, 61) if all(midi + move in _NINE for midi in midis)}
    assert set(_moves(tune)) == by_trial


@given(_KEYS, st.integers(-12, 12))
def test_moving_a_tune_first_only_shifts_its_moves(midis, shift):
    first, second = _of_midis(midis), _of_midis([midi + shift for midi in midis])
    assert set(_moves(first)) == {move + shift for move in _moves(second)}


@given(_KEYS)
def test_a_fitted_tune_is_playable_and_keeps_its_intervals(midis):
    tune = _of_midis(midis)
    for move in fits(tune):
        moved = fitted(tune, move)
        assert all(chanter_note(pitch) is not None for pitch in _pitches(moved))
        assert [pitch.midi - move.semitones for pitch in _pitches(moved)] == midis
        assert 0 in _moves(moved)


@given(_KEYS)
def test_a_tune_either_fits_or_is_told_why_not(midis):
    tune = _of_midis(midis)
    assert bool(fits(tune)) or bool(misfits(tune))
    assert all(one.notes for one in misfits(tune))


def test_a_key_without_a_tonic_takes_the_last_note_for_its_centre():
    tune = replace(_of_midis([74, 76, 69]), key=_tune("A", "none").key)
    assert {move.semitones: move.centre for move in fits(tune)}[0] == "A"


# -- open corpora -----------------------------------------------------------------------------------------------

_ORACLE = tomllib.loads((Path(__file__).parent.parent / "oracles" / "fit.toml").read_text(encoding="utf-8"))


def _fits_note_by_note(midis: set[int]) -> bool:
    moves = range(67 - max(midis), 82 - min(midis)) if midis else ()
    return any(all(midi + move in _NINE for midi in midis) for move in moves)


@functools.cache
def _corpus_tunes(name: str) -> dict[str, tuple[str, Tune]]:
    """Return each tune of a corpus under its name, with its own ABC text."""
    origin = importlib.util.find_spec("music21")
    assert origin is not None
    assert origin.origin is not None
    found = {}
    for path in sorted((Path(origin.origin).parent / "corpus" / name).glob("**/*.abc")):
        text = path.read_text(encoding="utf-8", errors="replace")
        blocks = [block for block in re.split(r"(?m)^(?=X:)", text) if block.startswith("X:")]
        for block, tune in zip(blocks, read_book(text, path.name).tunes, strict=True):
            key = f"{name} {path.stem} {tune.number}"
            found[key if key not in found else f"{key} again at line {tune.place.line}"] = (block, tune)
    return found


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("name", _ORACLE["corpus"])
def test_as_many_tunes_of_an_open_corpus_fit_as_music21_says_but_for_those_explained(name):
    import music21

    expected = _ORACLE["corpus"][name]
    explained = {one["tune"]: one["fits"] for one in _ORACLE["difference"] if one["tune"].startswith(name)}
    tunes = _corpus_tunes(name)
    assert len(tunes) == expected["n_tunes"]
    ours = {key for key, (_, tune) in tunes.items() if _fits_note_by_note({pitch.midi for pitch in _pitches(tune)})}
    assert len(ours) == expected["fitting"]
    by_music21 = set()
    for key in ours | set(explained):
        score = music21.converter.parse(tunes[key][0], format="abc", forceSource=True)
        notes = [note for note in score.recurse().notes if not note.duration.isGrace]
        if _fits_note_by_note({pitch.midi for note in notes for pitch in note.pitches}):
            by_music21.add(key)
    assert len(by_music21) == expected["by_music21"]
    assert {key: key in ours for key in ours ^ by_music21} == explained


@pytest.mark.parametrize("name", _ORACLE["corpus"])
def test_a_corpus_tune_fits_if_its_notes_and_gracenotes_do_and_it_has_no_chord(name):
    for _, tune in _corpus_tunes(name).values():
        notes = [note for part in tune.parts for bar in part.bars for note in bar.notes]
        midis = {pitch.midi for note in notes for pitch in note.pitches}
        midis |= {grace.pitch.midi for note in notes for grace in note.graces}
        single = all(len(note.pitches) <= 1 for note in notes)
        assert bool(fits(tune)) == (single and _fits_note_by_note(midis))
