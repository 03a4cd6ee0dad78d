"""``graith book``: a whole tune book on paper."""

from __future__ import annotations

from pathlib import Path

import click

from graith.cli.main import HAS_PROBLEM
from graith.cli.options import check_out, layout_options, music_argument, out_option


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def book() -> None:
    """Engrave a whole tune book."""


@book.command(short_help="Engrave tunes as one book.")
@music_argument(nargs=-1)
@out_option("The pages to write: .pdf.")
@click.option("--title", default="Tune book", show_default=True, help="Title on the first page.")
@click.option("--subtitle", default="", help="A line under the title, such as the band and the season.")
@layout_options
def sheet(music: tuple[Path, ...], out: Path, title: str, subtitle: str, **layout: object) -> int:
    """Engrave all tunes in MUSIC as one book: title, contents with page numbers, the tunes."""
    from graith.cli.choose_tunes import told_of_books
    from graith.cli.show import counted, say
    from graith.cli.write_sheets import write_book_sheet
    from graith.errors import FileError
    from graith.files.read_files import load_books

    check_out(out, reads=music)
    unreadable: list[FileError] = []
    books = [book for _, book in load_books(music, on_unreadable=unreadable.append)]
    for error in unreadable:
        say(str(error), err=True)
    n_tunes = write_book_sheet(books, out, title=title, subtitle=subtitle, layout=layout)
    click.echo(f"Wrote {out} ({counted(n_tunes, 'tune')})")
    status = told_of_books(books)
    return HAS_PROBLEM if unreadable else status
