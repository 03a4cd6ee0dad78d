"""Check a book: what is wrong with its text, its bars, its range and its figures, all of it and tune by tune."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from graith.errors import Place, Problem, Severity
from graith.music.check_bars import bar_problems
from graith.music.check_range import range_problems
from graith.music.difficulty import Difficulty, tune_difficulty
from graith.music.figures import figure_problems
from graith.music.model import Tune
from graith.music.read_abc import Book
from graith.music.tune_types import TuneType, tune_type_of

OFF_THE_CHANTER = "range"
"""The kind of a problem that only a chanter has: a note it lacks."""


@dataclass(frozen=True, slots=True)
class TuneCheck:
    """One tune and everything that is wrong with it."""

    tune: Tune
    tune_type: TuneType | None
    problems: tuple[Problem, ...]

    @property
    def errors(self) -> tuple[Problem, ...]:
        """The problems that are errors, not only worth a look."""
        return tuple(problem for problem in self.problems if problem.severity is Severity.ERROR)

    @property
    def n_errors(self) -> int:
        """How many of the problems are errors."""
        return len(self.errors)

    def difficulty(self) -> Difficulty | None:
        """Return the tune's difficulty, worked out anew; None when the chanter cannot play it."""
        off_the_chanter = any(problem.kind == OFF_THE_CHANTER for problem in self.errors)
        return None if off_the_chanter else tune_difficulty(self.tune)


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


def check_book(book: Book, source: str, *, on_step: Callable[[int, int], None] | None = None) -> BookCheck:
    """Return the check of a book that was read.

    Parameters
    ----------
    book : Book
        As read; its own reading problems are shared out to their tunes by line.
    source : str
        Label of the book's text.
    on_step : callable, optional
        Called with the number of tunes done and their total.
    """
    of_tunes, loose = _shared_out(book)
    checks: list[TuneCheck] = []
    for tune, reading in zip(book.tunes, of_tunes, strict=True):
        checks.append(check_tune(tune, reading))
        if on_step is not None:
            on_step(len(checks), len(book.tunes))
    if not book.tunes:
        remedy = "A tune starts with an X: line and has a K: line."
        loose.append(Problem(Place(source), "no tune", "there is no tune in it", remedy))
    return BookCheck(source, tuple(checks), tuple(loose))


def tune_checks(tunes: Iterable[Tune], books: Iterable[Book]) -> tuple[TuneCheck, ...]:
    """Return the checks of some tunes, each once, with what their books' readers had to say of them."""
    reading = {id(tune): said for book in books for tune, said in zip(book.tunes, _shared_out(book)[0], strict=True)}
    chosen = {id(tune): tune for tune in tunes}
    return tuple(check_tune(tune, reading.get(key, [])) for key, tune in chosen.items())


def _shared_out(book: Book) -> tuple[list[list[Problem]], list[Problem]]:
    """Return the book's own problems tune by tune, and those that stand before the first tune."""
    starts = [tune.place.line or 1 for tune in book.tunes]
    of_tunes: list[list[Problem]] = [[] for _ in book.tunes]
    loose: list[Problem] = []
    for problem in book.problems:
        owner = bisect_right(starts, problem.place.line or 0) - 1
        (of_tunes[owner] if owner >= 0 else loose).append(problem)
    for owner, problem in _numbers_twice(book.tunes):
        of_tunes[owner].append(problem)
    return of_tunes, loose


def _numbers_twice(tunes: Sequence[Tune]) -> Iterator[tuple[int, Problem]]:
    first: dict[int, Tune] = {}
    for index, tune in enumerate(tunes):
        known = first.setdefault(tune.number, tune)
        if known is not tune:
            says = f"X:{tune.number} is also the number of {known.title!r} in line {known.place.line}"
            remedy = "Give each tune a number of its own; a set that names the number gets the first."
            yield index, Problem(tune.place, "number", says, remedy, severity=Severity.WARNING)


def check_tune(tune: Tune, reading: Iterable[Problem] = ()) -> TuneCheck:
    """Return the check of one tune: reading problems, bars, range and figures, in order of line."""
    found = [*reading, *bar_problems(tune), *range_problems(tune), *figure_problems(tune)]
    found.sort(key=lambda problem: (problem.place.line or 0, problem.place.column or 0))
    return TuneCheck(tune, tune_type_of(tune), tuple(dict.fromkeys(found)))
