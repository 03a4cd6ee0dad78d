"""The demo band's books: real music, in range, every figure known, every bar full, in the order it is played."""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest

import graith
from graith.music.check_bars import bar_problems
from graith.music.check_range import range_problems
from graith.music.figures import FIGURE_NAMES, figure_problems, figures_in, silent_graces
from graith.music.model import Note, Tune, chanter_note
from graith.music.read_abc import Book, read_book
from graith.music.tune_types import TUNE_TYPES, tune_type_of
from graith.music.unfold import played_bars

DEMO = Path(graith.__file__).parent / "demo"
LEAST_TUNES_OF_TYPE = {  # what the demo promises, by hand
    "2/4 march": 4,
    "3/4 march": 2,
    "4/4 march": 2,
    "6/8 march": 3,
    "9/8 march": 1,
    "strathspey": 4,
    "reel": 4,
    "jig": 2,
    "slip jig": 1,
    "hornpipe": 2,
    "slow air": 2,
}


def _books() -> dict[str, Book]:
    files = sorted((DEMO / "tunes").glob("*.abc"))
    return {file.name: read_book(file.read_text("utf-8"), file.name) for file in files}


BOOKS = _books()
TUNES = [tune for book in BOOKS.values() for tune in book.tunes]
every_tune = pytest.mark.parametrize("tune", TUNES, ids=[tune.title for tune in TUNES])


def _played_notes(tune: Tune) -> Iterator[Note]:
    for played in played_bars(tune):
        yield from played.bar.notes


def _placed(tune: Tune, index: int) -> str:
    return f"{tune.title}, played note {index + 1}"


@pytest.mark.parametrize("name", BOOKS)
def test_a_book_reads_without_a_problem(name: str) -> None:
    assert BOOKS[name].problems == ()


@pytest.mark.parametrize("name", BOOKS)
def test_numbers_are_unique_in_a_book(name: str) -> None:
    numbers = [tune.number for tune in BOOKS[name].tunes]
    assert len(set(numbers)) == len(numbers)


def test_no_title_comes_twice() -> None:
    titles = [tune.title for tune in TUNES]
    assert len(set(titles)) == len(titles) >= 24


@every_tune
def test_every_bar_fills_its_metre(tune: Tune) -> None:
    assert bar_problems(tune) == ()


@every_tune
def test_no_note_or_gracenote_leaves_the_chanter(tune: Tune) -> None:
    assert range_problems(tune) == ()
    sounding = [note for part in tune.parts for bar in part.bars for note in bar.notes]
    assert all(note.chanter_note is not None for note in sounding)
    assert all(chanter_note(grace.pitch) is not None for note in sounding for grace in note.graces)


@every_tune
def test_every_group_of_gracenotes_is_a_known_figure(tune: Tune) -> None:
    assert figure_problems(tune) == ()


@every_tune
def test_every_figure_is_one_the_trade_agrees_on(tune: Tune) -> None:
    in_doubt = [placed for placed in figures_in(tune) if not placed.figure.certain]
    shapes = [placed for placed in in_doubt if placed.figure.name not in ("G-D-E", "tachum")]
    assert shapes == []


@every_tune
def test_no_note_sounds_twice_without_a_gracenote_between(tune: Tune) -> None:
    notes = list(_played_notes(tune))
    run_together = [
        _placed(tune, index + 1)
        for index, (before, note) in enumerate(pairwise(notes))
        if before.chanter_note == note.chanter_note and not note.graces and not before.tied
    ]
    assert run_together == []


@every_tune
def test_every_gracenote_can_be_heard_as_the_tune_is_played(tune: Tune) -> None:
    notes = list(_played_notes(tune))
    silent = []
    for index, (before, note) in enumerate(pairwise(notes)):
        graces = tuple(played for grace in note.graces if (played := chanter_note(grace.pitch)) is not None)
        if silent_graces(graces, note.chanter_note, before.chanter_note):
            silent.append(_placed(tune, index + 1))
    assert silent == []


@every_tune
def test_a_tie_joins_two_notes_of_one_pitch(tune: Tune) -> None:
    for before, note in pairwise(_played_notes(tune)):
        if before.tied:
            assert before.pitches == note.pitches
            assert note.graces == ()


@every_tune
def test_the_last_bar_and_the_pick_up_make_one_bar(tune: Tune) -> None:
    played = played_bars(tune)
    pick_up = played[0].bar.length if played[0].bar.number == 0 else Fraction(0)
    assert tune.metre is not None
    assert played[-1].bar.length + pick_up == tune.metre.length


@every_tune
def test_a_tune_names_its_type_and_a_tempo_within_it(tune: Tune) -> None:
    tune_type = tune_type_of(tune)
    assert tune_type is not None
    assert tune.tempo is not None
    assert tune.tempo.beat_length == tune_type.beat_length
    assert tune_type.slow_bpm <= tune.tempo.bpm <= tune_type.fast_bpm


@every_tune
def test_a_part_is_eight_bars_or_a_repeated_four(tune: Tune) -> None:
    for number in range(1, len(tune.parts) + 1):
        played = [one for one in played_bars(tune, parts=(number,)) if one.bar.number > 0]
        assert len(played) in (8, 16)


@every_tune
def test_a_tune_says_where_it_comes_from(tune: Tune) -> None:
    (maker,) = tune.composers
    assert maker == "Graith demo" or maker.endswith(", our setting")
    assert tune.key.text == "HP"


def test_every_tune_type_is_there_often_enough() -> None:
    found = [tune_type.name for tune in TUNES if (tune_type := tune_type_of(tune)) is not None]
    assert set(LEAST_TUNES_OF_TYPE) == {tune_type.name for tune_type in TUNE_TYPES}
    assert {name: found.count(name) >= least for name, least in LEAST_TUNES_OF_TYPE.items()} == dict.fromkeys(
        LEAST_TUNES_OF_TYPE, True
    )


@pytest.mark.parametrize(("name", "n_parts", "least"), [("2/4 march", 4, 2), ("strathspey", 4, 1), ("strathspey", 2, 1),
                                                        ("reel", 4, 1), ("reel", 2, 1)])  # fmt: skip
def test_competition_tunes_have_two_parts_and_four(name: str, n_parts: int, least: int) -> None:
    tunes = [tune for tune in TUNES if (found := tune_type_of(tune)) is not None and found.name == name]
    assert sum(len(tune.parts) == n_parts for tune in tunes) >= least


def test_the_books_use_every_common_family_of_figures() -> None:
    families = {placed.figure.family for tune in TUNES for placed in figures_in(tune)}
    common = {"doubling", "throw", "grip", "taorluath", "birl", "strike", "gracenote", "tachum", "G-D-E", "edre"}
    assert common <= families


def test_some_tunes_ask_for_their_figures_by_name() -> None:
    named = {note.figure for tune in TUNES for note in _played_notes(tune) if note.figure is not None}
    assert {"doubling", "throw", "taorluath"} <= named <= FIGURE_NAMES


def test_the_books_show_endings_and_an_order_of_parts() -> None:
    with_endings = [tune for tune in TUNES if any(bar.ending for part in tune.parts for bar in part.bars)]
    assert len(with_endings) >= 3
    assert sorted(tune.part_order for tune in TUNES if tune.part_order) == ["AABB", "ABA"]


def test_a_march_of_four_repeated_parts_plays_sixty_four_bars() -> None:
    (march,) = (tune for tune in TUNES if tune.title == "The Auchterwhin Games")
    full = [one for one in played_bars(march) if one.bar.number > 0]
    assert len(full) == 4 * 8 * 2
    assert sum((one.bar.length for one in played_bars(march)), Fraction(0)) == 64 * Fraction(2, 4)


def test_the_boat_song_comes_back_to_its_refrain() -> None:
    (air,) = (tune for tune in TUNES if tune.title == "The Skye Boat Song")
    assert [one.part for one in played_bars(air) if one.bar.number == 1] == [1, 2, 2, 1]


def test_the_books_hold_only_plain_letters() -> None:
    for file in (DEMO / "tunes").glob("*.abc"):
        assert re.search(r"[^\n -~]", file.read_text("utf-8")) is None, file.name
