"""Read tune books, set files and rulebooks from the disk: text in, one clear sentence when it cannot be had."""

from __future__ import annotations

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


def read_text(path: Path) -> str:
    """Return a file's text, UTF-8 (a byte order mark is dropped) or, failing that, Latin-1 as old ABC files are.

    Raises
    ------
    FileError
        If the file is not there, is a folder, is too large, or holds NUL bytes and so is no text.
    """
    data = read_bytes(path)
    if b"\0" in data:
        raise FileError(f"{path}: this is not a text file. Give an .abc, .musicxml or .toml file.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


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
        if path.stat().st_size > LARGEST_TEXT_BYTES:
            raise FileError(f"{path}: the file is larger than 64 MiB, more than any tune book. Give a smaller file.")
        return path.read_bytes()
    except FileNotFoundError:
        raise FileError(f"{path}: there is no such file. Check the name and the folder.") from None
    except OSError as error:
        raise FileError(f"{path}: the file cannot be read ({error.strerror}). Check its permissions.") from None


def music_files(paths: Iterable[Path]) -> tuple[Path, ...]:
    """Return the music files among paths and, for folders, below them, in order of name.

    Raises
    ------
    FileError
        If a path is not there, or nothing was found.
    """
    found: list[Path] = []
    asked = list(paths)
    for path in asked:
        if path.is_dir():
            below = (one for one in path.rglob("*") if one.suffix.lower() in MUSIC_SUFFIXES and one.is_file())
            found.extend(sorted(below))
        elif path.exists():
            found.append(path)
        else:
            raise FileError(f"{path}: there is no such file or folder. Check the name.")
    if not found:
        raise FileError(f"{', '.join(map(str, asked))}: no tune book here. Put .abc or .musicxml files in the folder.")
    return tuple(dict.fromkeys(found))


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

        return read_musicxml_bytes(read_bytes(path), source)
    return read_book(read_text(path), source)


def load_books(paths: Iterable[Path]) -> Iterator[tuple[Path, Book]]:
    """Yield each file of :func:`music_files` with its book."""
    for path in music_files(paths):
        yield path, load_book(path)


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
    """Return a set and its plan, its tunes found in the books that its file names.

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
    return wanted, plan_set(wanted, books, path.name)


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
    if not path.exists():
        raise FileError(
            f"{name}: there is no rulebook of that name and no such file. Shipped rulebooks: {', '.join(known)}."
        )
    text = read_text(path)
    neighbours = {one.stem: read_text(one) for one in sorted(path.parent.glob("*.toml")) if one != path}
    return _read_as_file(lambda: read_rulebook(text, path.name, {**neighbours, **known}))


def _read_as_file(read: Callable[[], _Read]) -> _Read:
    try:
        return read()
    except GraithError as error:
        raise FileError(str(error), error.problems) from error
