"""ABC text to tunes: our own reader of ABC 2.1, for what pipe tunes use and what general tune books hold.

Nothing in a text stops the reader. What it cannot use becomes a :class:`~graith.errors.Problem` with its place, and
a wrong tune does not stop the others of its book.

Sources: the abc music standard 2.1 (December 2011); sections are cited where a rule is applied.
"""

from __future__ import annotations

import gc
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from graith.errors import MusicError, Place, Problem, Severity
from graith.music._bar_text import Memories
from graith.music._header import Header
from graith.music._text import without_comment
from graith.music._tune_reader import FIELD, TuneReader
from graith.music.model import Tune

_LOOKS_LIKE_MUSIC = re.compile(r"(?:[A-Ga-gz][,']*\d*/*\d*[ <>]?){3,}")


@dataclass(frozen=True, slots=True)
class Book:
    """What a text held: its tunes, in order, and everything that is wrong with them.

    Attributes
    ----------
    tunes : tuple of Tune
    problems : tuple of Problem
        In the order of their lines.
    """

    tunes: tuple[Tune, ...]
    problems: tuple[Problem, ...]


def read_book(text: str, source: str = "<text>") -> Book:
    r"""Return every tune of an ABC text, with all its problems.

    Parameters
    ----------
    text : str
        ABC 2.1, one tune or many; free text between tunes is passed over.
    source : str
        Label of the text's origin, usually a file name; it is put into the places of problems and never opened.

    Returns
    -------
    Book

    References
    ----------
    ABC 2.1 (December 2011), §2.2 for how a file is built.

    Examples
    --------
    >>> book = read_book("X:1\nT:Scale\nM:2/4\nL:1/8\nK:HP\n{g}A>B {gcd}ce | {g}f2 {g}a2 |]")
    >>> [str(note.written) for note in book.tunes[0].parts[0].bars[0].notes]
    ['3/16', '1/16', '1/8', '1/8']
    """
    reader = _BookReader(source)
    with _collector_resting():
        reader.read(text)
    problems = sorted(reader.problems, key=lambda problem: (problem.place.line or 0, problem.place.column or 0))
    return Book(tuple(reader.tunes), tuple(problems))


def read_tune(text: str, source: str = "<text>") -> Tune:
    r"""Return the first tune of an ABC text.

    Raises
    ------
    MusicError
        If the text holds no tune, or its music has errors; ``problems`` then holds them all.

    Examples
    --------
    >>> read_tune("X:1\nT:Scale\nM:2/4\nL:1/8\nK:HP\nAB ce|f4|]").title
    'Scale'
    """
    book = read_book(text, source)
    errors = [problem for problem in book.problems if problem.severity is Severity.ERROR]
    if errors:
        raise MusicError(str(errors[0]), book.problems)
    if not book.tunes:
        raise MusicError(f"{source}: there is no tune here. A tune begins with X:1, then T: and K:.", book.problems)
    return book.tunes[0]


@contextmanager
def _collector_resting() -> Iterator[None]:
    """Keep Python's collector of reference cycles from running.

    A book becomes some hundred thousand objects that all stay and form no cycle; the collector would look at them
    again and again, for a third of the whole time. At the end it is told to count them among the old ones, which it
    seldom looks at; where somebody has set objects aside for good (``gc.freeze``), they are left so and it looks once.
    """
    was_running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_running:
            if not gc.get_freeze_count():
                gc.freeze()
                gc.unfreeze()
            gc.enable()


@dataclass
class _BookReader:
    """Splits a text into tunes and reads each; remembers what bars mean from one tune to the next."""

    source: str
    tunes: list[Tune] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    memories: Memories = field(default_factory=Memories)
    defaults: list[tuple[str, str]] = field(default_factory=list)

    def read(self, text: str) -> None:
        lines = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
        for first, block in _blocks(lines):
            if _is_tune(block):
                self.read_tune(first, block)
            elif first == _first_filled(lines) and _is_file_header(block):
                self.read_file_header(first, block)
            else:
                self.look_for_lost_music(first, block)

    def read_tune(self, first: int, lines: Sequence[str]) -> None:
        reader = TuneReader(self.source, self.memories, first, lines, self.defaults)
        self.tunes.append(reader.read())
        self.problems += reader.problems

    def read_file_header(self, first: int, lines: Sequence[str]) -> None:
        """Keep the fields that hold for every tune of the text (ABC 2.1 §2.2.2)."""
        header = Header()
        for number, line in enumerate(lines, start=first):
            if line.startswith("%%"):
                self.defaults.append(("%%", line[2:].strip()))
            elif (found := FIELD.match(without_comment(line))) and found[1] not in "XTKP+":
                letter, value = found[1], found[2].strip()
                try:
                    header.take(letter, value)
                except MusicError as error:
                    place = Place(self.source, number, 1)
                    self.problems.append(Problem(place, "field", str(error).rstrip("."), "", line))
                else:
                    self.defaults.append((letter, value))

    def look_for_lost_music(self, first: int, lines: Sequence[str]) -> None:
        if not self.tunes:
            return
        for number, line in enumerate(lines, start=first):
            if "|" in line and _LOOKS_LIKE_MUSIC.search(line):
                place = Place(self.source, number, 1, self.tunes[-1].title)
                self.problems.append(Problem(
                    place, "lost music", "this looks like music, but an empty line ended the tune above it",
                    "Take the empty line out, or begin a new tune with X:.", line, Severity.WARNING,
                ))  # fmt: skip
                return


def _blocks(lines: Sequence[str]) -> Iterator[tuple[int, list[str]]]:
    """Yield each run of filled lines with its first line's number; an ``X:`` begins a new one (ABC 2.1 §2.2)."""
    block: list[str] = []
    first = 1
    for number, line in enumerate(lines, start=1):
        if not line or line.isspace():
            if block:
                yield first, block
            block = []
        else:
            if line.startswith("X:") and block and any(above.startswith(("X:", "K:")) for above in block):
                yield first, block
                block = []
            if not block:
                first = number
            block.append(line)
    if block:
        yield first, block


def _first_filled(lines: Sequence[str]) -> int:
    return next((number for number, line in enumerate(lines, start=1) if line and not line.isspace()), 0)


def _is_tune(block: Sequence[str]) -> bool:
    starts = [line[:2] for line in block]
    return "X:" in starts or ("T:" in starts and "K:" in starts)


def _is_file_header(block: Sequence[str]) -> bool:
    return all(line.startswith("%") or FIELD.match(line) for line in block)
