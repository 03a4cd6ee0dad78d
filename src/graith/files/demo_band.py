"""Lay out the invented demo band's books and sets in a folder, as a band would keep its own."""

from __future__ import annotations

from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from graith.errors import FileError
from graith.files.write import write_bytes

_LEFT_OUT = (".py", ".pyc")


def copy_demo_band(folder: Path) -> tuple[Path, ...]:
    """Write the demo band's files below a folder, made if need be; return what was written.

    What stands there already is kept as it is, for it may have been changed.

    Raises
    ------
    FileError
        If the folder cannot be made or written to.
    """
    return tuple(_copied(resources.files("graith.demo"), folder))


def _copied(source: Traversable, folder: Path) -> list[Path]:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"{folder}: the folder cannot be made ({error.strerror}). Choose another.") from None
    written: list[Path] = []
    for item in sorted(source.iterdir(), key=lambda one: one.name):
        if item.is_dir() and not item.name.startswith("_"):
            written += _copied(item, folder / item.name)
        elif item.is_file() and not item.name.endswith(_LEFT_OUT) and not (folder / item.name).exists():
            write_bytes(folder / item.name, item.read_bytes())
            written.append(folder / item.name)
    return written
