"""A book's check: whose problem is whose, and what only the whole book can tell."""

from graith.errors import Severity
from graith.music.read_abc import read_book
from graith.services.check_music import check_book, check_tune, tune_checks

HEAD = "X:{0}\nT:{1}\nR:march\nM:2/4\nL:1/8\nK:HP\n"


def test_a_problem_belongs_to_the_tune_in_which_it_stands() -> None:
    book = read_book(HEAD.format(1, "Good") + "{g}A4 |]\n\n" + HEAD.format(2, "Bad") + "{g}A4 & {g}c4 |]\n", "book.abc")
    check = check_book(book, "book.abc")
    assert book.problems
    assert [len(one.problems) > 0 for one in check.tunes] == [False, True]
    assert check.problems == ()


def test_tunes_of_one_title_do_not_share_their_problems() -> None:
    book = read_book(
        HEAD.format(1, "Twin") + "{g}A4 & {g}c4 |]\n\n" + HEAD.format(2, "Twin") + "{g}A4 |]\n", "book.abc"
    )
    bad, good = tune_checks(book.tunes, (book,))
    assert bad.errors
    assert good.problems == ()


def test_a_number_given_twice_is_a_warning_on_the_second_tune() -> None:
    book = read_book("\n".join(HEAD.format(1, title) + "{g}A4 |]\n" for title in ("First", "Second")), "book.abc")
    first, second = check_book(book, "book.abc").tunes
    assert first.problems == ()
    (problem,) = second.problems
    assert problem.severity is Severity.WARNING
    assert "'First' in line 1" in problem.says


def test_a_book_without_a_tune_is_an_error_of_its_own() -> None:
    check = check_book(read_book("% nothing yet\n", "book.abc"), "book.abc")
    assert check.n_errors == 1
    assert str(check.problems[0]).startswith("book.abc: there is no tune in it.")


def test_each_tune_of_a_book_is_told_as_it_is_done() -> None:
    book = read_book("\n".join(HEAD.format(number, "Tune") + "{g}A4 |]\n" for number in (1, 2, 3)), "book.abc")
    steps: list[tuple[int, int]] = []
    check_book(book, "book.abc", on_step=lambda done, total: steps.append((done, total)))
    assert steps == [(1, 3), (2, 3), (3, 3)]


def test_a_tune_off_the_chanter_has_no_difficulty() -> None:
    low, good = read_book(HEAD.format(1, "Low") + "{g}D4 |]\n\n" + HEAD.format(2, "Good") + "{g}A4 |]\n", "b.abc").tunes
    assert check_tune(low).difficulty() is None
    assert check_tune(good).difficulty() is not None
