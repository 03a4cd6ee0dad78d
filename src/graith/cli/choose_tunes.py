"""Which tunes of a book a command is about, each with its check, and what is told of their errors."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from graith.cli.main import FINE, HAS_PROBLEM
from graith.cli.show import MARKS, counted, say, tell_errors
from graith.errors import MusicError, Problem, Severity
from graith.files.read_files import load_book
from graith.music.model import Tune
from graith.music.read_abc import Book
from graith.services.check_music import OFF_THE_CHANTER, TuneCheck, tune_checks
from graith.sets.model import PlannedSet

_MOST_LISTED = 12


def chosen_checks(path: Path, index: int | None) -> tuple[TuneCheck, ...]:
    """Return the checks of a book's tunes, or of the one of that number.

    Raises
    ------
    FileError
        If the book cannot be read.
    MusicError
        If there is no tune in it, or none of that number.
    """
    book, tunes = _chosen(path, index)
    return tune_checks(tunes, (book,))


def one_check(path: Path, index: int | None) -> TuneCheck:
    """Return the check of the tune of that number, or of a book's only one.

    Raises
    ------
    FileError
        If the book cannot be read.
    MusicError
        If there is none of that number, or there are several and none was named.
    """
    book, tunes = _chosen(path, index)
    if len(tunes) > 1:
        listed = _listed([f"{one.number} ({one.title})" for one in tunes])
        raise MusicError(f"{path} holds {len(tunes)} tunes. Name one with --index: {listed}.")
    return tune_checks(tunes, (book,))[0]


def text_errors(checks: Iterable[TuneCheck]) -> tuple[Problem, ...]:
    """Return what is wrong with the tunes as they are written, whoever plays them."""
    return tuple(one for check in checks for one in check.errors if one.kind != OFF_THE_CHANTER)


def told(*checks: TuneCheck) -> int:
    """Print the errors of tunes that were written all the same; return the exit status."""
    errors = text_errors(checks)
    tell_errors(errors)
    return HAS_PROBLEM if errors else FINE


def told_of_set(planned: PlannedSet, books: Iterable[Book]) -> int:
    """Print the errors of a set's tunes; return the exit status."""
    return told(*tune_checks((one.tune for one in planned.tunes), books))


def told_of_books(books: Sequence[Book]) -> int:
    """Print how many tunes of books that were written all the same have errors; return the exit status."""
    checks = [check for book in books for check in tune_checks(book.tunes, (book,))]
    faulty = [check for check in checks if text_errors([check])]
    if not faulty:
        return FINE
    titles = _listed([check.tune.title for check in faulty])
    say(f"{MARKS[Severity.ERROR]} {len(faulty)} of {counted(len(checks), 'tune')} with errors: {titles}. "
        "See them with graith tune check.", err=True)  # fmt: skip
    return HAS_PROBLEM


def _chosen(path: Path, index: int | None) -> tuple[Book, tuple[Tune, ...]]:
    book = load_book(path, path.as_posix())
    if not book.tunes:
        raise MusicError(f"{path}: there is no tune in it. A tune starts with an X: line and has a K: line.")
    if index is None:
        return book, tuple(book.tunes)
    for one in book.tunes:
        if one.number == index:
            return book, (one,)
    numbers = _listed([str(one.number) for one in book.tunes])
    raise MusicError(f"{path} has no tune numbered {index}. Its numbers: {numbers}.")


def _listed(names: list[str]) -> str:
    more = len(names) - _MOST_LISTED
    return ", ".join(names[:_MOST_LISTED]) + (f" and {more} more" if more > 0 else "")
