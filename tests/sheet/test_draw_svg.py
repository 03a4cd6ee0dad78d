"""SVG pages: well formed, complete in themselves, the same every time, and with nothing that touches."""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree

import pytest
from hypothesis import HealthCheck, given, settings

from graith.errors import SheetError
from graith.music.model import Metre, Part, Tune
from graith.music.read_abc import read_tune
from graith.sheet.draw_svg import line_boxes, svg_pages
from graith.sheet.engrave import engraved
from graith.sheet.model import Layout
from graith.sheet.write_mei import bar_ids
from strategies import tunes

SVG = "{http://www.w3.org/2000/svg}"
HREF = "{http://www.w3.org/1999/xlink}href"
SCREEN = Layout("screen")
STRIKES = "X:1\nT:Strikes\nM:2/4\nL:1/8\nK:HP\n{g}e>{A}f {g}d>{G}e|{g}f<{G}e {ag}a>{GdG}e|(3e{A}e{A}e {g}f2|]"


def parsed(page: str) -> ElementTree.Element:
    return ElementTree.fromstring(page)


def of_class(root: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    return [element for element in root.iter() if element.get("class") == name]


def points(polygon: ElementTree.Element) -> list[tuple[int, int]]:
    return [(int(x), int(y)) for x, y in (pair.split(",") for pair in polygon.get("points", "").split())]


def moved_to(element: ElementTree.Element) -> tuple[int, int]:
    found = re.match(r"translate\((-?\d+), (-?\d+)\)", element.get("transform", ""))
    assert found is not None
    return int(found[1]), int(found[2])


def test_a_page_needs_nothing_from_outside(march: Tune) -> None:
    page = svg_pages(march, SCREEN)[0]
    root = parsed(page)
    assert all(element.get(HREF, "#").startswith("#") for element in root.iter())
    assert not [element for element in root.iter() if element.tag in (SVG + "script", SVG + "image", SVG + "a")]
    assert not re.search(r"url\(|@import|@font-face|javascript:|\bon\w+=", page)


def test_every_glyph_drawn_is_in_the_page(march: Tune) -> None:
    root = parsed(svg_pages(march, SCREEN, id_prefix="t3-")[0])
    ids = {element.get("id") for element in root.iter()}
    assert {use.get(HREF, "")[1:] for use in root.iter(SVG + "use")} <= ids


def test_the_same_tune_gives_the_same_bytes(march: Tune) -> None:
    pages = {svg_pages(march, SCREEN) for _ in range(20)}
    assert len(pages) == 1


def test_bars_and_notes_keep_their_ids_and_all_others_go(march: Tune) -> None:
    root = parsed(svg_pages(march, SCREEN, id_prefix="t3-")[0])
    measures = [measure.get("id") for measure in of_class(root, "measure")]
    assert measures == [one for part in bar_ids(march, id_prefix="t3-") for one in part]
    ids = [element.get("id", "") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    assert all(re.match(r"t3-p\d+-b\d|E\w{3}-t3-g", one) for one in ids)


def test_the_heading_shows_title_type_composer_and_tempo(march: Tune) -> None:
    words = ["".join(text.itertext()) for text in parsed(svg_pages(march, SCREEN)[0]).iter(SVG + "text")]
    assert words[:4] == ["Eight Bars & a Pick-up", "2/4 March", "A. Piper", "= 78"]


@pytest.mark.parametrize(
    ("layout", "size"),
    [
        (Layout("A4"), "0 0 210 297"),
        (Layout("A4", landscape=True), "0 0 297 210"),
        (Layout("Letter"), "0 0 215.9 279.4"),
        (Layout("pocket"), "0 0 74 105"),
        (Layout("pocket", landscape=True), "0 0 105 74"),
    ],
)
def test_a_page_has_the_size_of_its_paper(march: Tune, layout: Layout, size: str) -> None:
    assert all(parsed(page).get("viewBox") == size for page in svg_pages(march, layout))


@pytest.mark.parametrize("layout", [Layout("A4"), Layout("Letter", landscape=True), Layout("pocket")])
def test_no_line_leaves_the_page_nor_meets_another(demo_tunes: tuple[Tune, ...], layout: Layout) -> None:
    for tune in demo_tunes[::5]:
        music = engraved(tune, layout)
        boxes = line_boxes(music)
        assert all(box.above >= line.ink.above for line, box in zip(music.lines, boxes, strict=True))
        for page in svg_pages(tune, layout):
            lowest = max(moved_to(line)[1] for line in of_class(parsed(page), "engraved")[0][-1])
            assert lowest * music.unit_mm < layout.height_mm


def test_the_pocket_takes_more_pages_and_keeps_every_bar(march: Tune) -> None:
    pages = svg_pages(march, Layout("pocket"))
    assert len(pages) > 1
    assert sum(len(of_class(parsed(page), "measure")) for page in pages) == 18


def test_every_melody_beam_is_clear_of_gracenotes_and_stems_end_in_it() -> None:
    """Gracenotes' heads are 0.7 of a head, so about 126 units high; a staff is 720."""
    root = parsed(svg_pages(read_tune(STRIKES), SCREEN)[0])
    n_held = 0
    for beam in of_class(root, "beam"):
        edges = [points(child) for child in beam if child.tag == SVG + "polygon"]
        if edges[0][0][1] < edges[0][2][1]:
            continue
        for use in beam.iter(SVG + "use"):
            x, y = moved_to(use)
            if "scale(0.50" in use.get("transform", "") and "#E0A4" in use.get(HREF, ""):
                over = [edge[2][1] for edge in edges if edge[0][0] < x + 215 and x < edge[1][0]]
                assert all(y + 63 < top for top in over)
                n_held += 1
        ends = [
            stem[0].get("d", "").split()[-1]
            for note in beam
            if note.get("class") == "note"
            for stem in of_class(note, "stem")
        ]
        melody_ends = [int(end) for end in ends if int(end) > edges[0][2][1]]
        assert set(melody_ends) == {edges[0][0][1] - 18}
    assert n_held >= 6


def test_stems_of_melody_go_down_and_of_gracenotes_up_in_the_drawing(march: Tune) -> None:
    for note in of_class(parsed(svg_pages(march, SCREEN)[0]), "note"):
        path = next(stem[0] for stem in note if stem.get("class") == "stem").get("d", "")
        start, end = (int(part.split()[1]) for part in path[1:].split("L"))
        assert (start > end) == ("-g" in note.get("id", ""))


def test_bar_numbers_appear_when_asked_for_and_inside_the_page(march: Tune) -> None:
    assert not of_class(parsed(svg_pages(march, SCREEN)[0]), "mNum autogenerated")
    numbers = of_class(parsed(svg_pages(march, Layout("screen", bar_numbers=True))[0]), "mNum autogenerated")
    assert ["".join(number.itertext()) for number in numbers] == ["5", "5"]
    assert all(int(number[0].get("x", "-1")) >= 0 for number in numbers)


def test_verovio_finds_no_line_too_full(
    demo_tunes: tuple[Tune, ...], verovio_reader: Any, capfd: pytest.CaptureFixture[str]
) -> None:
    """Verovio warns on standard error when a line must be squeezed below 0.8 of its natural width."""
    del verovio_reader  # it is here for the log that it turns on
    svg_pages(demo_tunes[0], SCREEN)
    import verovio

    verovio.enableLog(verovio.LOG_WARNING)
    capfd.readouterr()
    for layout in (Layout("A4"), Layout("Letter", landscape=True), Layout("pocket")):
        for tune in demo_tunes[::2]:
            svg_pages(tune, layout)
    assert capfd.readouterr() == ("", "")


def test_engraving_says_nothing_even_when_verovio_would(capfd: pytest.CaptureFixture[str]) -> None:
    crowded = read_tune("X:1\nT:T\nM:4/4\nL:1/32\nK:HP\n" + "{gef}e{gcd}c" * 16 + "|]")
    svg_pages(crowded, Layout("pocket", staff_mm=12.0))
    assert capfd.readouterr() == ("", "")


def test_a_tune_without_bars_is_refused() -> None:
    with pytest.raises(SheetError, match="Silence has no bars to engrave"):
        svg_pages(Tune(1, ("Silence",), (Part(()),), Metre(2, 4)), SCREEN)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(tunes())
def test_any_tune_is_drawn_with_every_bar(tune: Tune) -> None:
    for layout in (Layout("A4", bar_numbers=True), Layout("pocket")):
        drawn = [of_class(parsed(page), "measure") for page in svg_pages(tune, layout)]
        assert sum(map(len, drawn)) == sum(len(part.bars) for part in tune.parts)
