"""Pages compiled to PDF and written to disk.

The compiler is Typst, in this process: it uses its own bundled fonts, no packages and no network.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from graith.errors import SheetError
from graith.files.write import write_bytes
from graith.sheet.model import Pages


def pdf_of(pages: Pages, *, made: datetime) -> bytes:
    """Return pages as a PDF: tagged, with bookmarks, and the same bytes for the same pages and time.

    Parameters
    ----------
    pages : Pages
    made : datetime
        The date the PDF tells as its own; with a time zone.

    Raises
    ------
    SheetError
        If Typst cannot set the pages.
    """
    compiled = _compiled(pages, format="pdf", timestamp=int(made.astimezone(UTC).timestamp()))
    assert isinstance(compiled, bytes)
    return compiled


def png_pages_of(pages: Pages, *, dots_per_inch: float = 150) -> tuple[bytes, ...]:
    """Return each page as a PNG picture.

    Raises
    ------
    SheetError
        If Typst cannot set the pages.
    """
    compiled = _compiled(pages, format="png", ppi=dots_per_inch)
    return tuple(compiled) if isinstance(compiled, list) else (compiled,)


def write_pdf(pages: Pages, path: Path, *, made: datetime) -> None:
    """Write pages as a PDF file, whole or not at all.

    Raises
    ------
    SheetError
        If Typst cannot set the pages.
    FileError
        As :func:`graith.files.write.written_whole`.
    """
    write_bytes(path, pdf_of(pages, made=made))


def _compiled(pages: Pages, **how: Any) -> Any:
    import typst

    try:
        return typst.compile(pages.source.encode(), sys_inputs=pages.inputs, ignore_system_fonts=True, **how)
    except typst.TypstError as error:
        raise SheetError(f"The pages of {pages.title} cannot be set: {error.message}.") from error
