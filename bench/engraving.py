"""Engraving a tune book, beside Verovio's bare load and render of the same MEI with the same options, in one run."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import verovio

import graith.demo
from graith.music.model import Tune
from graith.music.read_abc import read_book
from graith.sheet.break_lines import plan_lines
from graith.sheet.draw_svg import svg_pages
from graith.sheet.engrave import VEROVIO_OPTIONS, page_width
from graith.sheet.model import Layout
from graith.sheet.write_mei import chosen_parts, mei_of

TUNES = Path(graith.demo.__path__[0]) / "tunes"
SCREEN = Layout("screen")
ALLOWED = 1.3


def demo_tunes() -> list[Tune]:
    """Return every tune of the demo book."""
    files = sorted(TUNES.glob("*.abc"))
    return [tune for file in files for tune in read_book(file.read_text("utf-8"), file.name).tunes]


def prepared(tune: Tune) -> tuple[int, str]:
    """Return a tune's page width and its MEI, exactly as our engraving hands them to Verovio."""
    chosen = chosen_parts(tune, None)
    plan = plan_lines(tune, chosen, SCREEN)
    return page_width(SCREEN, plan), mei_of(tune, parts=chosen, lines=plan.starts, heading=False)


def bare_s(toolkit: Any, pages: list[tuple[int, str]]) -> float:
    """Return the seconds Verovio alone takes to load and render all pages."""
    start = time.perf_counter()
    for width, mei in pages:
        toolkit.setOptions({"pageWidth": width})
        toolkit.loadData(mei)
        toolkit.renderToSVG(1)
    return time.perf_counter() - start


def ours_s(tunes: list[Tune]) -> float:
    """Return the seconds we take from tunes to finished SVG pages: lines planned, MEI, Verovio, tidying, heading."""
    start = time.perf_counter()
    for tune in tunes:
        svg_pages(tune, SCREEN)
    return time.perf_counter() - start


def run(quick: bool = False) -> list[dict[str, Any]]:
    """Return one row: the demo book to SVG, the best of several turns each, taken in turn."""
    tunes = demo_tunes()[:: 4 if quick else 1]
    pages = [prepared(tune) for tune in tunes]
    toolkit = verovio.toolkit()
    toolkit.setOptions(VEROVIO_OPTIONS)
    svg_pages(tunes[0], SCREEN)
    turns = [(bare_s(toolkit, pages), ours_s(tunes)) for _ in range(2 if quick else 7)]
    bare, ours = min(turn[0] for turn in turns), min(turn[1] for turn in turns)
    return [
        {
            "what": f"engraving {len(tunes)} tunes to SVG",
            "ours": f"{ours / len(tunes) * 1000:.1f} ms a tune",
            "peer": f"Verovio {toolkit.getVersion().split('-')[0]} alone, same MEI: {bare / len(tunes) * 1000:.1f} ms",
            "ratio": bare / ours,
            "wanted": f"at most {ALLOWED} times its time",
            "met": ours <= ALLOWED * bare,
        }
    ]


def main() -> None:
    """Print the rows."""
    for row in run():
        print(f"{row['what']}: {row['ours']}; {row['peer']}; {1 / row['ratio']:.2f} times ({row['wanted']})")


if __name__ == "__main__":
    main()
