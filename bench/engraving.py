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


def bare_s(toolkit: Any, width: int, mei: str) -> float:
    """Return the seconds Verovio alone takes to load and render one tune."""
    start = time.perf_counter()
    toolkit.setOptions({"pageWidth": width})
    toolkit.loadData(mei)
    toolkit.renderToSVG(1)
    return time.perf_counter() - start


def ours_s(tune: Tune) -> float:
    """Return the seconds we take from a tune to its finished SVG: lines planned, MEI, Verovio, tidying, heading."""
    start = time.perf_counter()
    svg_pages(tune, SCREEN)
    return time.perf_counter() - start


def run(quick: bool = False) -> list[dict[str, Any]]:
    """Return one row: the demo book to SVG. Both take each tune in turn, several times; each tune's best counts."""
    tunes = demo_tunes()[:: 4 if quick else 1]
    toolkit = verovio.toolkit()
    toolkit.setOptions(VEROVIO_OPTIONS)
    svg_pages(tunes[0], SCREEN)
    bare = ours = 0.0
    for tune in tunes:
        width, mei = prepared(tune)
        turns = [(bare_s(toolkit, width, mei), ours_s(tune)) for _ in range(3 if quick else 9)]
        bare += min(turn[0] for turn in turns)
        ours += min(turn[1] for turn in turns)
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
