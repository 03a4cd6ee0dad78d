"""What is written as a set file is read back as the same set."""

from __future__ import annotations

import json
import tomllib
from fractions import Fraction

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from graith.errors import SetError
from graith.music.model import ChanterNote
from graith.sets.model import Ending, Link, Opening, Set, SetTune
from graith.sets.read_set import read_set, usual_opening
from graith.sets.set_schema import set_schema
from graith.sets.write_set import write_set

_words = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
_names = _words.filter(lambda text: bool(text.strip()))
_tempi = st.floats(20, 300) | st.integers(20, 300).map(float)
_beats = st.integers(0, 64).map(Fraction) | st.fractions(0, 64, max_denominator=48)


@st.composite
def _openings(draw: st.DrawFn) -> Opening:
    roll_beats = draw(st.integers(0, 64))
    tempo_bpm = draw(st.none() | _tempi)
    note = draw(st.sampled_from(list(ChanterNote)))
    if roll_beats == 0:
        usual = usual_opening(0)
        return Opening(0, usual.drones_in_beat, usual.strike_in_beat, note, tempo_bpm)
    strike_in = draw(st.integers(1, roll_beats))
    return Opening(roll_beats, draw(st.integers(1, strike_in)), strike_in, note, tempo_bpm)


@st.composite
def _tunes(draw: st.DrawFn) -> SetTune:
    tempo_bpm = draw(st.none() | _tempi)
    return SetTune(
        file=draw(_names),
        index=draw(st.integers(0, 9999)),
        parts=draw(st.none() | st.lists(st.integers(1, 99), min_size=1, max_size=6).map(tuple)),
        repeats=draw(st.booleans()),
        tempo_bpm=tempo_bpm,
        tempo_end_bpm=None if tempo_bpm is None else draw(st.none() | _tempi),
    )


@st.composite
def _links(draw: st.DrawFn) -> Link:
    ease_to_bpm = draw(st.none() | _tempi)
    return Link(draw(_beats), draw(_beats), ease_to_bpm)


@st.composite
def _endings(draw: st.DrawFn) -> Ending:
    if draw(st.booleans()):
        return Ending(draw(_beats))
    return Ending(draw(_beats), draw(_beats), draw(_tempi))


@st.composite
def _sets(draw: st.DrawFn) -> Set:
    tunes = draw(st.lists(_tunes(), min_size=1, max_size=4))
    return Set(
        name=draw(_names),
        tunes=tuple(tunes),
        links=tuple(draw(_links()) for _ in tunes[1:]),
        rulebook=draw(_words),
        grade=draw(_words),
        event=draw(_words),
        opening=draw(_openings()),
        ending=draw(_endings()),
        notes=draw(_words | st.lists(_words).map("\n".join)),
    )


@given(_sets())
def test_a_set_written_and_read_is_the_same_set(wanted: Set) -> None:
    assert read_set(write_set(wanted), "written.toml") == wanted


@given(_sets())
def test_what_is_written_is_toml_that_fits_the_published_schema(wanted: Set) -> None:
    jsonschema.Draft202012Validator(set_schema()).validate(tomllib.loads(write_set(wanted)))


def test_a_set_without_links_is_written_as_plain_changes() -> None:
    two = Set("Two", (SetTune("a.abc", 1), SetTune("a.abc", 2)))
    assert read_set(write_set(two), "two.toml").links == (Link(),)


def test_notes_of_several_lines_stay_readable() -> None:
    text = write_set(Set("One", (SetTune("a.abc", 1),), notes='First "line".\nSecond.'))
    assert 'First \\"line\\".\nSecond.' in text


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        (Set("None", ()), "no tunes"),
        (Set("Fast", (SetTune("a.abc", 1, tempo_bpm=1000.0),)), "outside 20 to 300"),
        (Set("Late", (SetTune("a.abc", 1, tempo_end_bpm=90.0),)), "none at its start"),
        (Set("Long", (SetTune("a.abc", 1),), (Link(),)), "give one fewer"),
        (Set("Drones", (SetTune("a.abc", 1),), opening=Opening(8, 7, 5)), "after the strike-in note"),
    ],
)
def test_a_set_that_no_file_can_describe_is_not_written(wrong: Set, told: str) -> None:
    with pytest.raises(SetError, match=told):
        write_set(wrong)


def test_numbers_are_written_as_people_write_them() -> None:
    text = write_set(Set("One", (SetTune("a.abc", 1, tempo_bpm=80.0),), ending=Ending(Fraction(1, 3))))
    assert "tempo_bpm = 80\n" in text
    assert 'hold_beats = "1/3"\n' in text
    assert json.dumps(tomllib.loads(text)["ending"]) == '{"hold_beats": "1/3"}'
