"""``graith book``: a whole tune book on paper."""

from __future__ import annotations

from pathlib import Path

import click

from graith.cli.main import FINE
from graith.cli.options import layout_options, music_argument, out_option


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def book() -> None:
    """Engrave a whole tune book."""


@book.command()
@music_argument(nargs=-1)
@out_option("The pages to write: .pdf.")
@click.option("--title", default="Tune book", show_default=True, help="Title on the first page.")
@click.option("--subtitle", default="", help="A line under the title, such as the band and the season.")
@layout_options
def sheet(music: tuple[Path, ...], out: Path, title: str, subtitle: str, **layout: object) -> int:
    """Engrave all tunes in MUSIC as one book: title, contents with page numbers, the tunes."""
    from graith.cli.write_sheets import write_book_sheet

    write_book_sheet(music, out, title=title, subtitle=subtitle, layout=layout)
    click.echo(f"Wrote {out}")
    return FINE
