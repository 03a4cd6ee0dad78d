"""Make the pictures that the README and the docs show, from the demo band: ``make pictures``."""

from __future__ import annotations

from pathlib import Path

import graith.demo
from graith.files.pages import png_pages_of
from graith.files.read_files import load_book, load_planned_set
from graith.files.write import write_bytes, write_text
from graith.sheet.draw_svg import svg_pages
from graith.sheet.lay_pages import set_pages
from graith.sheet.model import Layout
from graith.timeline.make_timeline import timeline_of

DEMO = Path(graith.demo.__path__[0])
IMAGES = Path(__file__).parents[1] / "docs" / "img"


def main() -> None:
    """Write every picture."""
    IMAGES.mkdir(exist_ok=True)
    wanted, planned = load_planned_set(DEMO / "sets" / "medley.toml")
    timeline = timeline_of(planned)
    pages = set_pages(planned, timeline.tunes, Layout(), event=f"{wanted.grade}, {wanted.event}")
    write_bytes(IMAGES / "set-sheet.png", png_pages_of(pages, dots_per_inch=100)[0])
    strathspey = load_book(DEMO / "tunes" / "strathspeys.abc").tunes[0]
    write_text(IMAGES / "strathspey.svg", svg_pages(strathspey, Layout(paper="screen"))[0])


if __name__ == "__main__":
    main()
