"""Engrave tunes, sets and books and write the pages."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from graith.cli.options import as_wrong_usage
from graith.cli.show import counted, progress
from graith.errors import SheetError
from graith.music.model import Tune
from graith.music.read_abc import Book
from graith.sets.model import PlannedSet, Set
from graith.sheet.model import Layout

if TYPE_CHECKING:
    from graith.sheet.model import Pages


def page_layout(options: Mapping[str, Any]) -> Layout:
    """Return the layout that the command's options ask for; an option that is not given is the usual."""
    with as_wrong_usage():
        return Layout(
            paper=options.get("paper", "a4"),
            landscape=options.get("landscape", False),
            bar_numbers=options.get("bar_numbers", False),
            bars_a_line=options.get("bars_a_line"),
            staff_mm=options.get("staff_mm"),
        )


def write_tune_sheet(tune: Tune, out: Path, *, parts: tuple[int, ...] | None, layout: Mapping[str, Any]) -> str:
    """Write one tune's page, PDF or its first page as SVG; return the sentence that tells it."""
    from graith.files.write import write_text
    from graith.sheet.draw_svg import svg_pages
    from graith.sheet.lay_pages import tune_pages

    suffix = out.suffix.lower()
    if suffix == ".svg":
        pages = svg_pages(tune, page_layout(layout), parts=parts)
        write_text(out, pages[0])
        return f"Wrote {out}" + (f", page 1 of {len(pages)}; a .pdf holds them all" if len(pages) > 1 else "")
    if suffix != ".pdf":
        raise click.UsageError(f"{out.name}: do not know this ending. Write .pdf or .svg.")
    _write(tune_pages(tune, page_layout(layout), parts=parts), out)
    return f"Wrote {out}"


def write_set_sheet(wanted: Set, planned: PlannedSet, out: Path, *, layout: Mapping[str, Any]) -> None:
    """Write a set's pages."""
    from graith.sheet.lay_pages import set_pages
    from graith.timeline.make_timeline import timeline_of

    _only_pdf(out)
    chosen = page_layout(layout)
    timeline = timeline_of(planned)
    event = ", ".join(word for word in (wanted.grade, wanted.event) if word)
    with progress(f"Engraving {wanted.name}") as on_step:
        pages = set_pages(
            planned, timeline.tunes, chosen, event=event, first_note_s=timeline.first_note_s, on_step=on_step
        )
        _write(pages, out)


def write_book_sheet(books: Sequence[Book], out: Path, *, title: str, subtitle: str, layout: Mapping[str, Any]) -> int:
    """Write all pages of some books as one; return how many tunes they have."""
    from graith.sheet.lay_pages import book_pages

    _only_pdf(out)
    chosen = page_layout(layout)
    tunes = [tune for book in books for tune in book.tunes if any(part.bars for part in tune.parts)]
    if not tunes:
        raise SheetError("There are no tunes to engrave. Name ABC or MusicXML files that hold some.")
    with progress(f"Engraving {counted(len(tunes), 'tune')}") as on_step:
        pages = book_pages(tunes, chosen, title=title, subtitles=[subtitle] if subtitle else [], on_step=on_step)
        _write(pages, out)
    return len(tunes)


def _only_pdf(out: Path) -> None:
    if out.suffix.lower() != ".pdf":
        raise click.UsageError(f"{out.name}: do not know this ending. Write .pdf.")


def _write(pages: Pages, out: Path) -> None:
    from graith.files.pages import write_pdf

    write_pdf(pages, out, made=page_date())


def page_date() -> datetime:
    """Return the time for a page's own date: ``SOURCE_DATE_EPOCH`` when set (reproducible builds), else the clock."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH", "")
    return datetime.fromtimestamp(int(fixed), UTC) if fixed.isdecimal() else datetime.now(UTC)
