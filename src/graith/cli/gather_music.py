"""Every tune and every set of a book, laid on the clock, for a recording of which nobody said what was played."""

from __future__ import annotations

from collections.abc import Container, Iterator
from pathlib import Path

from graith.errors import FileError, GraithError, SetError, TimelineError
from graith.files.read_files import load_books, load_planned_set
from graith.services.lay_music import planned_tune_alone
from graith.sets.model import PlannedSet
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline


def timelines_of_book(book: Path) -> tuple[dict[str, Timeline], tuple[GraithError, ...]]:
    """Return the timelines of a book's sets and tunes by their names, and what could not be laid on the clock.

    A folder gives the set files (``.toml``) and the tunes below it; TOML files that write no set are passed over.

    Raises
    ------
    FileError
        If nothing can be read there, or the book holds neither tune nor set.
    """
    music, errors = music_of_book(book)
    return {name: timeline for name, (_, timeline) in music.items()}, errors


def music_of_book(book: Path) -> tuple[dict[str, tuple[PlannedSet, Timeline]], tuple[GraithError, ...]]:
    """Return a book's sets and tunes by their names, each with its timeline, and what could not be laid on the clock.

    Raises
    ------
    FileError
        As :func:`timelines_of_book`.
    """
    music: dict[str, tuple[PlannedSet, Timeline]] = {}
    errors: list[GraithError] = []
    for name, planned in (*_sets(book), *_tunes(book, errors)):
        try:
            music[_free_name(name, music)] = planned, timeline_of(planned)
        except TimelineError as error:
            errors.append(error)
    if not music:
        raise FileError(f"{book}: there is no tune and no set in it that can be laid on a clock. Name another.")
    return music, tuple(errors)


def _free_name(name: str, taken: Container[str]) -> str:
    """Return a name that is not taken, with a count when it is."""
    count = 1
    while (free := name if count == 1 else f"{name}, {count}") in taken:
        count += 1
    return free


def _sets(book: Path) -> Iterator[tuple[str, PlannedSet]]:
    if book.is_dir():
        paths = sorted(path for path in book.rglob("*.toml") if path.is_file())
    else:
        paths = [book] if book.suffix.lower() == ".toml" else []
    for path in paths:
        try:
            wanted, planned = load_planned_set(path)
        except (FileError, SetError):
            if path == book:
                raise
            continue
        yield f"{wanted.name}, set ({path.name})", planned


def _tunes(book: Path, errors: list[GraithError]) -> Iterator[tuple[str, PlannedSet]]:
    if book.suffix.lower() == ".toml" and not book.is_dir():
        return
    for path, read in load_books([book], on_unreadable=errors.append):
        for tune in read.tunes:
            if any(part.bars for part in tune.parts):
                try:
                    yield f"{tune.title} ({path.name}, {tune.number})", planned_tune_alone(tune)
                except SetError as error:
                    errors.append(error)
