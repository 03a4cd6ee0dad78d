"""Check a book: what is wrong with its text, its bars, its range and its figures, all of it and tune by tune."""

from __future__ import annotations

from dataclasses import dataclass

from graith.errors import Problem, Severity
from graith.music.check_bars import bar_problems
from graith.music.check_range import range_problems
from graith.music.difficulty import Difficulty, tune_difficulty
from graith.music.figures import figure_problems
from graith.music.model import Tune
from graith.music.read_abc import Book
from graith.music.tune_types import TuneType, tune_type_of


@dataclass(frozen=True, slots=True)
class TuneCheck:
    """One tune and everything that is wrong with it; ``difficulty`` is None when the chanter cannot play it."""

    tune: Tune
    tune_type: TuneType | None
    problems: tuple[Problem, ...]
    difficulty: Difficulty | None

    @property
    def n_errors(self) -> int:
        """Problems that are errors, not only worth a look."""
        return sum(1 for problem in self.problems if problem.severity is Severity.ERROR)


@dataclass(frozen=True, slots=True)
class BookCheck:
    """Every tune's check, and the problems that belong to no tune."""

    source: str
    tunes: tuple[TuneCheck, ...]
    problems: tuple[Problem, ...]

    @property
    def n_errors(self) -> int:
        """Errors of the whole book."""
        loose = sum(1 for problem in self.problems if problem.severity is Severity.ERROR)
        return loose + sum(check.n_errors for check in self.tunes)


def check_book(book: Book, source: str) -> BookCheck:
    """Return the check of a book that was read.

    Parameters
    ----------
    book : Book
        As read; its own reading problems are shared out to their tunes by line.
    source : str
        Label of the book's text.
    """
    starts = [tune.place.line or 1 for tune in book.tunes]
    of_tune: list[list[Problem]] = [[] for _ in book.tunes]
    loose: list[Problem] = []
    for problem in book.problems:
        owner = _last_at_or_before(starts, problem.place.line)
        (loose if owner is None else of_tune[owner]).append(problem)
    checks = tuple(check_tune(tune, reading) for tune, reading in zip(book.tunes, of_tune, strict=True))
    return BookCheck(source, checks, tuple(loose))


def _last_at_or_before(starts: list[int], line: int | None) -> int | None:
    owner = None
    for index, start in enumerate(starts):
        if line is not None and start <= line:
            owner = index
    return owner


def check_tune(tune: Tune, reading: list[Problem] | None = None) -> TuneCheck:
    """Return the check of one tune: reading problems first, then bars, range and figures, in order of line."""
    in_range = range_problems(tune)
    found = [*(reading or []), *bar_problems(tune), *in_range, *figure_problems(tune)]
    found.sort(key=lambda problem: (problem.place.line or 0, problem.place.column or 0))
    playable = not any(problem.severity is Severity.ERROR for problem in in_range)
    difficulty = tune_difficulty(tune) if playable else None
    return TuneCheck(tune, tune_type_of(tune), tuple(dict.fromkeys(found)), difficulty)
