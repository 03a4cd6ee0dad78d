"""Files written whole or not at all: under a temporary name in the same folder, then renamed.

A reader of the file sees the old content or the new, never half of it; when writing fails or is stopped (Ctrl-C
included) the temporary file goes and the old file stays.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from graith.errors import FileError


def writable_target(path: Path) -> Path:
    """Return where a file of that path would stand, links followed; asked before long work, it fails early.

    Raises
    ------
    FileError
        If the folder does not exist or may not be written to, or the path is a folder, a device, or no path at all.
    """
    try:
        target = path.resolve() if path.is_symlink() else path
        if target.is_dir():
            raise FileError(f"{path}: this is a folder. Give the name of a file.")
        if target.exists() and not target.is_file():
            raise FileError(f"{path}: this is a device or a pipe. Give the name of a file.")
        if not target.parent.is_dir():
            raise FileError(f"{path}: the folder {target.parent} does not exist. Make it first, or choose another.")
    except (OSError, RuntimeError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(f"{path}: cannot be written ({reason}). Choose another name.") from None
    if not os.access(target.parent, os.W_OK):
        raise FileError(f"{path}: the folder {target.parent} may not be written to. Choose another.")
    return target


def _temporary_beside(target: Path) -> Path:
    """Return an unused name in the target's folder with the target's own suffix, which some writers look at.

    The stem is cut so that the name stays within what file systems take even when the target's name is at its limit.
    """
    return target.with_name(f".{target.stem[:20]}.{secrets.token_hex(6)}{target.suffix[:12]}")


@contextmanager
def written_whole(path: Path | str) -> Iterator[Path]:
    """Give a temporary path to write to; move it to ``path`` when the block ends well, remove it when not.

    Parameters
    ----------
    path : Path or str
        Where the file shall stand; its folder must exist. A symbolic link is followed.

    Yields
    ------
    Path
        A path in the same folder, with the same suffix, where nothing stands yet. Write and close it in the block.

    Raises
    ------
    FileError
        As :func:`writable_target`, or if the system refuses (no room, no right); the old file stays.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     wanted = Path(folder) / "set.txt"
    ...     with written_whole(wanted) as temporary:
    ...         _ = temporary.write_text("march", encoding="utf-8")
    ...     wanted.read_text(encoding="utf-8")
    'march'
    """
    target = writable_target(Path(path))
    temporary = _temporary_beside(target)
    try:
        yield temporary
        if target.exists():
            shutil.copymode(target, temporary)
        temporary.replace(target)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        reason = error.strerror or str(error)
        raise FileError(f"{path}: cannot be written ({reason}). Nothing was changed.") from error
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_text(path: Path | str, text: str) -> None:
    """Write a text as UTF-8, its line ends as given, whole or not at all.

    Raises
    ------
    FileError
        As :func:`written_whole`.
    """
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path | str, content: bytes) -> None:
    """Write bytes to a file, whole or not at all.

    Raises
    ------
    FileError
        As :func:`written_whole`.
    """
    with written_whole(path) as temporary:
        temporary.write_bytes(content)
