"""Sets from the demo band's books: what the builder promises is what the timeline and the rulebook say."""

from pathlib import Path

import pytest

import graith.demo
from graith.errors import BuilderError
from graith.files.read_files import load_books, load_rulebook
from graith.music.read_abc import Book, read_book
from graith.rules.hold import is_legal, rulings_on_set
from graith.rules.model import Verdict
from graith.services.build_set import TuneChoice, Wishes, ask_for_sets, set_from, tune_choice
from graith.services.time_set import time_set
from graith.sets.plan_set import plan_set
from graith.sets.read_set import read_set
from graith.sets.write_set import write_set

TUNES = Path(graith.demo.__path__[0]) / "tunes"
RULEBOOK = load_rulebook("dalmorrow-league")


@pytest.fixture(scope="module")
def books() -> dict[str, Book]:
    return {path.name: book for path, book in load_books([TUNES])}


@pytest.fixture(scope="module")
def choice(books: dict[str, Book]) -> TuneChoice:
    return tune_choice(books, {})


@pytest.mark.parametrize(
    ("grade", "event"),
    [(grade.name, event.name) for grade in RULEBOOK.grades for event in grade.events],
)
def test_every_built_set_is_legal_and_lasts_what_was_promised(
    books: dict[str, Book], choice: TuneChoice, grade: str, event: str
) -> None:
    answer = ask_for_sets(choice, RULEBOOK, grade, event, Wishes(n_tunes=(1, 6)), n_best=5)
    assert answer.is_proven
    assert answer.sets
    for built in answer.sets:
        text = write_set(set_from(built, name="built", grade=grade, event=event))
        timing = time_set(plan_set(read_set(text, "built.toml"), books, "built.toml"))
        assert timing.timeline.playing_s == pytest.approx(built.roll_to_cut_off_s, abs=2e-5)
        assert timing.timeline.music_s == pytest.approx(built.first_note_to_cut_off_s, abs=2e-5)
        assert is_legal(rulings_on_set(RULEBOOK, grade, event, timing.facts)) is Verdict.HOLDS


def test_a_tune_nobody_has_ready_gives_way(books: dict[str, Book], choice: TuneChoice) -> None:
    usual = ask_for_sets(choice, RULEBOOK, "Grade 4", "medley", Wishes(n_tunes=(4, 5)), n_best=1)
    first = usual.sets[0].tunes[0].candidate
    without = tune_choice(books, {first.title: 0.0})
    answer = ask_for_sets(without, RULEBOOK, "Grade 4", "medley", Wishes(n_tunes=(4, 5)), n_best=1)
    assert first.key not in answer.sets[0].keys


def test_wishes_are_kept(choice: TuneChoice) -> None:
    wishes = Wishes(n_tunes=(4, 6), open_with="the waxed thread", must_have=("jigs.abc:2",), banned=("Amazing Grace",))
    answer = ask_for_sets(choice, RULEBOOK, "Grade 4", "medley", wishes, n_best=3)
    for built in answer.sets:
        assert built.keys[0] == "hornpipes.abc:1"
        assert "jigs.abc:2" in built.keys
        assert "airs.abc:1" not in built.keys


def test_a_tune_with_an_error_is_left_out_with_the_reason(books: dict[str, Book]) -> None:
    faulty = {path.name: book for path, book in load_books([TUNES.parent / "faulty"])}
    mixed = tune_choice({**books, **faulty}, {})
    assert len(mixed.candidates) == sum(len(book.tunes) for book in books.values()) + 1
    assert any("5/8" in one.why for one in mixed.left_out)


@pytest.mark.parametrize(
    ("readiness", "sentence"),
    [({"The Cane Reed": 1.5}, "from 0 to 1"), ({"The Cane Read": 0.5}, "The Cane Reed")],
)
def test_a_readiness_that_cannot_be_is_refused(
    books: dict[str, Book], readiness: dict[str, float], sentence: str
) -> None:
    with pytest.raises(BuilderError, match=sentence):
        tune_choice(books, readiness)


def test_a_tune_may_be_named_by_the_end_of_its_books_path(books: dict[str, Book]) -> None:
    inside = tune_choice({f"mytunes/{name}": book for name, book in books.items()}, {"reels.abc:2": 0.5})
    assert inside.key_of("reels.abc:2") == "mytunes/reels.abc:2"
    assert next(one.readiness for one in inside.candidates if one.key == "mytunes/reels.abc:2") == 0.5


def test_a_wish_for_a_tune_that_was_left_out_is_told_why() -> None:
    faulty = tune_choice({path.name: book for path, book in load_books([TUNES.parent / "faulty"])}, {})
    with pytest.raises(BuilderError, match=r"was left out: .*5/8"):
        faulty.key_of("One Quaver Too Many")


def test_readiness_of_a_tune_that_was_left_out_does_no_harm(books: dict[str, Book]) -> None:
    faulty = {path.name: book for path, book in load_books([TUNES.parent / "faulty"])}
    assert tune_choice({**books, **faulty}, {"One Quaver Too Many": 1.0}).candidates


@pytest.mark.parametrize(
    ("more", "why"),
    [("Q:1/4=5000\n", "20 to 300"), ("P:A99999999\n", "part order"), ("M:7/8\n", "no tune type")],
)
def test_one_tune_that_no_set_can_hold_does_not_stop_the_building(more: str, why: str) -> None:
    head = "X:{0}\nT:{1}\nM:2/4\nL:1/8\nR:march\n{2}K:HP\n{{g}}A4 | {{g}}B4 |]\n\n"
    choice = tune_choice({"b.abc": read_book(head.format(1, "Bad", more) + head.format(2, "Good", ""), "b.abc")}, {})
    assert [one.title for one in choice.candidates] == ["Good"]
    assert why in choice.left_out[0].why


def test_the_second_of_two_tunes_with_one_number_is_left_out() -> None:
    text = "\n".join(f"X:1\nT:{title}\nM:2/4\nL:1/8\nR:march\nK:HP\n{{g}}A4 |]\n" for title in ("First", "Second"))
    choice = tune_choice({"b.abc": read_book(text, "b.abc")}, {})
    assert [one.title for one in choice.candidates] == ["First"]
    assert [one.title for one in choice.left_out] == ["Second"]


def test_nothing_to_build_from_is_one_sentence() -> None:
    with pytest.raises(BuilderError, match="No tune of these books can be used"):
        ask_for_sets(TuneChoice((), ()), RULEBOOK, "Grade 4", "medley", Wishes())
