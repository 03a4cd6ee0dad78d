"""Read tune books, set files and rulebooks from the disk: text in, one clear sentence when it cannot be had."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator
from importlib import resources
from pathlib import Path
from typing import TypeVar

from graith.errors import FileError, GraithError
from graith.music.read_abc import Book, read_book
from graith.rules.rulebook import Rulebook
from graith.sets.model import PlannedSet, Set

_Read = TypeVar("_Read")
MUSIC_SUFFIXES = (".abc", ".musicxml", ".xml", ".mxl")
LARGEST_TEXT_BYTES = 64 * 1024 * 1024

_CONTROLS = re.compile("[\x01-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")


def read_text(path: Path) -> str:
    """Return a file's text, UTF-8 (a byte order mark is dropped) or, failing that, Windows-1252 as old ABC files are.

    Control characters other than tabs and line ends become U+FFFD, so that no text can steer a terminal.

    Raises
    ------
    FileError
        If the file is not there, is a folder, is too large, or holds NUL bytes and so is no text.
    """
    data = read_bytes(path)
    if b"\0" in data:
        raise FileError(f"{path}: this is not a text file. Give an .abc, .musicxml or .toml file.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    return _CONTROLS.sub("\ufffd", text)


def read_bytes(path: Path) -> bytes:
    """Return a file's bytes.

    Raises
    ------
    FileError
        If it is not there, is a folder, cannot be read, or is larger than ``LARGEST_TEXT_BYTES``.
    """
    try:
        if path.is_dir():
            raise FileError(f"{path}: this is a folder. Name a file in it.")
        with path.open("rb") as file:
            data = file.read(LARGEST_TEXT_BYTES + 1)
    except FileNotFoundError:
        raise FileError(f"{path}: there is no such file. Check the name and the folder.") from None
    except OSError as error:
        raise FileError(f"{path}: the file cannot be read ({error.strerror}). Check its permissions.") from None
    if len(data) > LARGEST_TEXT_BYTES:
        raise FileError(f"{path}: the file is larger than 64 MiB, more than any tune book. Give a smaller file.")
    return data


def music_files(paths: Iterable[Path]) -> tuple[Path, ...]:
    """Return the music files among paths and, for folders, below them, in order of name.

    Hidden files and folders, whose names begin with a dot, are passed over, and so are links to folders.

    Raises
    ------
    FileError
        If a path is not there, a folder may not be looked into, or nothing was found.
    """
    found: list[Path] = []
    asked = list(paths)
    for path in asked:
        try:
            if not path.exists():
                raise FileError(f"{path}: there is no such file or folder. Check the name.")
            found.extend(_music_below(path) if path.is_dir() else [path])
        except OSError as error:
            raise FileError(f"{error.filename or path}: cannot be read ({error.strerror}). Check it.") from None
    if not found:
        raise FileError(f"{', '.join(map(str, asked))}: no tune book here. Put .abc or .musicxml files in the folder.")
    return tuple(dict.fromkeys(found))


def _music_below(folder: Path) -> list[Path]:
    def refused(error: OSError) -> None:
        raise error

    found: list[Path] = []
    for at, folders, names in os.walk(folder, onerror=refused):
        folders[:] = [name for name in folders if not name.startswith(".")]
        here = (Path(at) / name for name in names if not name.startswith("."))
        found += [one for one in here if one.suffix.lower() in MUSIC_SUFFIXES and one.is_file()]
    return sorted(found)


def load_book(path: Path, label: str | None = None) -> Book:
    """Return the book in one file, ABC or MusicXML by its ending; what is wrong in it is in its problems.

    Raises
    ------
    FileError
        If the file cannot be read at all.
    """
    source = label or path.name
    if path.suffix.lower() in (".musicxml", ".xml", ".mxl"):
        from graith.music.read_musicxml import read_musicxml_bytes

        data = read_bytes(path)
        return _read_as_file(lambda: read_musicxml_bytes(data, source))
    return read_book(read_text(path), source)


def load_books(
    paths: Iterable[Path], *, on_unreadable: Callable[[FileError], object] | None = None
) -> Iterator[tuple[Path, Book]]:
    """Yield each file of :func:`music_files` with its book, labelled by its path.

    Parameters
    ----------
    paths : iterable of Path
    on_unreadable : callable, optional
        Given the error of each file that cannot be read, which is then passed over; without it the first is raised.

    Raises
    ------
    FileError
        As :func:`music_files`; without ``on_unreadable`` also as :func:`load_book`.
    """
    for path in music_files(paths):
        try:
            book = load_book(path, path.as_posix())
        except FileError as error:
            if on_unreadable is None:
                raise
            on_unreadable(error)
            continue
        yield path, book


def load_set(path: Path) -> Set:
    """Return the set that a file writes.

    Raises
    ------
    FileError
        If the file cannot be read, or is not a set file; the message names the line.
    """
    from graith.sets.read_set import read_set

    return _read_as_file(lambda: read_set(read_text(path), path.name))


def load_planned_set(path: Path) -> tuple[Set, PlannedSet]:
    """Return a set and its plan: the first two of :func:`load_set_with_books`."""
    wanted, planned, _ = load_set_with_books(path)
    return wanted, planned


def load_set_with_books(path: Path) -> tuple[Set, PlannedSet, dict[str, Book]]:
    """Return a set, its plan, and the books that its file names, in which its tunes were found.

    Raises
    ------
    FileError
        If the set file or one of its books cannot be read.
    SetError
        If a book does not hold the tune, or the tune does not hold the part.
    """
    from graith.sets.plan_set import plan_set

    wanted = load_set(path)
    names = dict.fromkeys(one.file for one in wanted.tunes)
    books = {name: load_book(path.parent / name, name) for name in names}
    return wanted, plan_set(wanted, books, path.name), books


def shipped_rulebooks() -> dict[str, str]:
    """Return the text of each rulebook that comes with Graith, by its name."""
    folder = resources.files("graith.rules") / "books"
    return {
        one.name.removesuffix(".toml"): one.read_text("utf-8")
        for one in sorted(folder.iterdir(), key=lambda item: item.name)
        if one.name.endswith(".toml")
    }


def load_rulebook(name: str, beside: Path | None = None) -> Rulebook:
    """Return a rulebook by the name of a shipped one, or by the path of a TOML file.

    Parameters
    ----------
    name : str
        ``"common-practice"``, or a path, relative to ``beside`` when given.
    beside : Path, optional
        Folder of the set file that names it.

    Raises
    ------
    FileError
        If there is neither, or it cannot be read.
    """
    from graith.rules.read_rulebook import read_rulebook

    known = shipped_rulebooks()
    if name in known:
        return _read_as_file(lambda: read_rulebook(known[name], f"{name}.toml", known))
    path = (beside or Path()) / name
    if not _is_there(path):
        raise FileError(
            f"{name}: there is no rulebook of that name and no such file. Shipped rulebooks: {', '.join(known)}."
        )
    text = read_text(path)
    neighbours = _readable_texts(one for one in sorted(path.parent.glob("*.toml")) if one != path)
    return _read_as_file(lambda: read_rulebook(text, path.name, {**neighbours, **known}))


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:  # a name that no file can have, or a folder that may not be looked into
        return False


def _readable_texts(paths: Iterable[Path]) -> dict[str, str]:
    texts: dict[str, str] = {}
    for path in paths:
        try:
            texts[path.stem] = read_text(path)
        except FileError:
            continue  # a file that happens to lie there; a rulebook that names it is told that it is not known
    return texts


def load_readiness(path: Path) -> dict[str, float]:
    """Return how ready each tune is, by title or by book and number, from a TOML file of one line a tune.

    Raises
    ------
    FileError
        If the file cannot be read, or a value is no number from 0 to 1.
    """
    from graith.rules.toml_text import located_toml

    table = located_toml(read_text(path), path.name, FileError)
    for title, value in table.values.items():
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.0 <= value <= 1.0:
            raise FileError(
                f"{table.place((title,))}: {title!r} has no number from 0 to 1. Write one line a tune, the title in "
                'quotation marks: "The Cane Reed" = 0.8.'
            )
    return {title: float(value) for title, value in table.values.items()}


def _read_as_file(read: Callable[[], _Read]) -> _Read:
    try:
        return read()
    except GraithError as error:
        raise FileError(str(error), error.problems) from error
