"""Make the pictures that the README and the docs show, from the demo band: ``make pictures``."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import graith.demo
from graith.cli.demo_listening import N_PLAYERS, recorded, rehearsal
from graith.cli.run_demo import REHEARSED_SET
from graith.files.audio import write_audio
from graith.files.listening_page import listening_pages
from graith.files.pages import png_pages_of
from graith.files.read_files import load_book, load_planned_set
from graith.files.read_sound import working_blocks
from graith.files.write import write_bytes, write_text
from graith.services.listen_to_recording import listen_to_set
from graith.services.take_recording import taken
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
    _listening()
    strathspey = load_book(DEMO / "tunes" / "strathspeys.abc").tunes[0]
    write_text(IMAGES / "strathspey.svg", svg_pages(strathspey, Layout(paper="screen"))[0])


def _listening() -> None:
    """Draw what is heard in the demo's rehearsal."""
    _, planned = load_planned_set(DEMO / "sets" / REHEARSED_SET)
    played, _ = rehearsal(timeline_of(planned))
    with TemporaryDirectory() as folder:
        path = Path(folder) / "rehearsal.m4a"
        write_audio(path, recorded(played), 44_100)
        listening = listen_to_set(taken(partial(working_blocks, path)), planned, n_players=N_PLAYERS)
    pages = listening_pages(listening, listening.samples)
    write_bytes(IMAGES / "listening.png", png_pages_of(pages, dots_per_inch=100)[0])


if __name__ == "__main__":
    main()
