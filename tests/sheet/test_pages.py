"""PDF pages, read back by pypdf: sizes, words, contents, bookmarks, links; and the same bytes every time."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from graith.errors import FileError, SheetError
from graith.files.pages import pdf_of, png_pages_of, write_pdf
from graith.music.model import Metre, Part, Tune
from graith.music.read_abc import read_tune
from graith.music.tune_types import tune_type_named
from graith.sets.model import Ending, Link, Opening, PlannedSet, PlannedTune
from graith.sheet.lay_pages import book_pages, once_through, set_pages, tune_pages
from graith.sheet.model import Layout, Pages
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import TuneSpan

MADE = datetime(2026, 5, 2, 12, 0, tzinfo=UTC)
POINTS_PER_MM = 72 / 25.4


def read(pages: Pages) -> PdfReader:
    return PdfReader(io.BytesIO(pdf_of(pages, made=MADE)))


def words(reader: PdfReader, number: int) -> str:
    return " ".join(reader.pages[number - 1].extract_text().split())


def printed(title: str) -> str:
    return title.replace("'", "’")


def bookmarks(reader: PdfReader) -> list[tuple[str, int]]:
    flat: list[tuple[str, int]] = []

    def walk(items: list[Any]) -> None:
        for item in items:
            if isinstance(item, list):
                walk(item)
            else:
                flat.append((item.title, reader.get_destination_page_number(item) + 1))

    walk(reader.outline)
    return flat


@pytest.fixture
def planned(demo_tunes: tuple[Tune, ...]) -> PlannedSet:
    by_rhythm = {tune.rhythm: tune for tune in demo_tunes}
    strathspey, reel = by_rhythm["strathspey"], by_rhythm["reel"]
    march = next(t for t in demo_tunes if t.rhythm == "march" and t.metre == Metre(2, 4) and len(t.parts) > 3)
    return PlannedSet(
        "A Day's Set",
        (
            PlannedTune(march, tune_type_named("2/4 march"), 74, 78, parts=(1, 2)),
            PlannedTune(strathspey, tune_type_named("strathspey"), 120, 120, repeats=False),
            PlannedTune(reel, tune_type_named("reel"), 84, 84),
        ),
        (Link(hold_beats=Fraction(1)), Link(ease_beats=Fraction(4), ease_to_bpm=100)),
        Opening(),
        Ending(hold_beats=Fraction(2)),
    )


def laid(planned: PlannedSet, layout: Layout | None = None, **more: Any) -> Pages:
    timeline = timeline_of(planned)
    return set_pages(planned, timeline.tunes, layout or Layout(), first_note_s=timeline.first_note_s, **more)


@pytest.mark.parametrize(
    ("layout", "width_mm", "height_mm"),
    [
        (Layout("A4"), 210, 297),
        (Layout("A4", landscape=True), 297, 210),
        (Layout("Letter"), 215.9, 279.4),
        (Layout("Letter", landscape=True), 279.4, 215.9),
        (Layout("pocket"), 74, 105),
        (Layout("pocket", landscape=True), 105, 74),
    ],
)
def test_every_paper_has_its_size_and_the_tunes_words(
    march: Tune, layout: Layout, width_mm: float, height_mm: float
) -> None:
    reader = read(tune_pages(march, layout))
    for page in reader.pages:
        assert float(page.mediabox.width) == pytest.approx(width_mm * POINTS_PER_MM, abs=0.02)
        assert float(page.mediabox.height) == pytest.approx(height_mm * POINTS_PER_MM, abs=0.02)
    assert all(word in words(reader, 1) for word in ("Eight Bars & a Pick-up", "2/4 March", "A. Piper", "= 78"))


def test_a_tune_tells_its_title_composer_and_date(march: Tune) -> None:
    reader = read(tune_pages(march, Layout()))
    assert reader.metadata is not None
    assert reader.metadata.title == "Eight Bars & a Pick-up"
    assert reader.metadata.author == "A. Piper"
    assert reader.metadata.creation_date == MADE
    assert bookmarks(reader) == [("Eight Bars & a Pick-up", 1)]


def test_the_same_pages_give_the_same_bytes_and_another_date_others(march: Tune) -> None:
    one, two = (pdf_of(tune_pages(march, Layout()), made=MADE) for _ in range(2))
    assert one == two
    assert one != pdf_of(tune_pages(march, Layout()), made=MADE.replace(day=3))


def test_a_book_has_title_page_contents_with_right_numbers_and_bookmarks(demo_tunes: tuple[Tune, ...]) -> None:
    tunes = demo_tunes[::2]
    reader = read(book_pages(tunes, Layout(), title="Our Book", subtitles=("The band",)))
    pages = [words(reader, number + 1) for number in range(len(reader.pages))]
    assert pages[0] == "Our Book The band"
    marks = bookmarks(reader)
    assert marks[0] == ("Contents", 2)
    assert [title for title, _ in marks[1:]] == [printed(tune.title) for tune in tunes]
    for title, number in marks[1:]:
        assert title in pages[number - 1]
        leader = re.search(r"\.\s+(\d+)\b", pages[1].partition(title)[2])
        assert leader is not None
        assert int(leader[1]) == number
    for number, page in enumerate(pages[1:], start=2):
        assert f"{number} Our Book" in page


def test_contents_name_the_types_and_link_to_the_tunes(demo_tunes: tuple[Tune, ...]) -> None:
    reader = read(book_pages(demo_tunes[:6], Layout(), title="Our Book"))
    assert "Slow air" in words(reader, 2)
    assert sum(annotation.get_object()["/Subtype"] == "/Link" for annotation in reader.pages[1]["/Annots"]) >= 6


def test_short_tunes_share_a_page_and_no_tune_is_torn_when_it_fits_one(demo_tunes: tuple[Tune, ...]) -> None:
    pages = [number for _, number in bookmarks(read(book_pages(demo_tunes, Layout(), title="B")))[1:]]
    assert pages == sorted(pages)
    assert len(set(pages)) <= len(pages) * 2 / 3


def test_a_heading_never_stands_without_its_music(demo_tunes: tuple[Tune, ...]) -> None:
    long_words = replace(demo_tunes[0], composers=("A Composer of a Very Long Name, Set for the Chanter by the Band",))
    for tune in (long_words, replace(long_words, titles=("A Title That Fills Two Lines of a Pocket Page and More",))):
        for layout in (Layout("pocket"), Layout("pocket", landscape=True)):
            drawn = read(tune_pages(tune, layout)).pages[0].get_contents()
            assert drawn is not None
            assert len(drawn.get_data()) > 15_000, "words alone take a tenth of that, a line of music as much again"


def test_a_pocket_book_keeps_every_tune_in_its_contents(demo_tunes: tuple[Tune, ...]) -> None:
    reader = read(book_pages(demo_tunes[:8], Layout("pocket"), title="Our Book"))
    marks = bookmarks(reader)
    assert len(marks) == 9
    assert all(title in words(reader, number) for title, number in marks[1:])


def test_a_set_sheet_tells_times_tempi_links_and_parts(planned: PlannedSet) -> None:
    reader = read(laid(planned, event="grade four medley"))
    text = " ".join(words(reader, number + 1) for number in range(len(reader.pages)))
    timeline = timeline_of(planned)
    total = round(timeline.cut_off_s)
    for wanted in (
        "A Day’s Set",
        "Grade four medley",
        f"{total // 60}:{total % 60:02d} in all from the first roll",
        "Roll-off of 8 beats",
        "drones in on 5",
        "strike-in on E on 7",
        "tune on 9",
        "2/4 March, parts 1, 2",
        "= 74 → 78",
        "hold 1 beat longer",
        "Strathspey, no repeats",
        "over the last 4 beats to",
        "hold 2 beats longer",
        "cut-off at",
    ):
        assert wanted in text, wanted
    assert [title for title, _ in bookmarks(reader)][1:] == [printed(tune.tune.title) for tune in planned.tunes]


def test_a_set_sheet_shows_only_the_parts_played(planned: PlannedSet) -> None:
    names = [name for name, _ in laid(planned).images if name.startswith("t1-")]
    svgs = dict(laid(planned).images)
    ids = re.findall(r'class="measure"|id="t1-p(\d+)-b\d+" class="measure"', "".join(svgs[name] for name in names))
    assert set(ids) == {"1", "2"}


def test_a_set_that_starts_without_a_roll_says_so(planned: PlannedSet) -> None:
    text = words(read(laid(replace(planned, opening=Opening(roll_beats=0)))), 1)
    assert "No roll: straight into the tune" in text
    assert "from the first roll" not in text


def test_once_through_leaves_no_repeat_and_only_last_endings(march: Tune) -> None:
    bars = [bar for part in once_through(march).parts for bar in part.bars]
    assert not any(bar.repeat_start or bar.repeat_end or bar.ending for bar in bars)
    assert [bar.number for bar in bars] == [0, 1, 2, 3, 4, 5, 6, 7, 9, 1, 2, 3, 4, 5, 6, 7, 8]


def test_progress_is_told_tune_by_tune(demo_tunes: tuple[Tune, ...], planned: PlannedSet) -> None:
    steps: list[tuple[int, int]] = []
    book_pages(demo_tunes[:3], Layout(), title="B", on_step=lambda done, total: steps.append((done, total)))
    assert steps == [(1, 3), (2, 3), (3, 3)]
    steps.clear()
    laid(planned, on_step=lambda done, total: steps.append((done, total)))
    assert steps == [(1, 3), (2, 3), (3, 3)]


@pytest.mark.parametrize("title", ['#panic("x") $x$ *a* [b] @c <d> \\ "', "A" * 300, "…", "   "])
def test_a_title_is_never_read_as_typst(march: Tune, title: str) -> None:
    reader = read(tune_pages(replace(march, titles=(title,)), Layout("pocket")))
    squeezed = "".join("".join(page.extract_text() for page in reader.pages).split())
    assert "".join(title.split()) in squeezed


def test_lines_carry_words_for_those_who_listen(march: Tune) -> None:
    assert "Part 2, bars 5 to 8" in tune_pages(march, Layout()).data


def test_pictures_of_pages_come_one_a_page(march: Tune) -> None:
    pictures = png_pages_of(tune_pages(march, Layout("pocket")), dots_per_inch=40)
    assert len(pictures) == len(read(tune_pages(march, Layout("pocket"))).pages)
    assert all(picture.startswith(b"\x89PNG") for picture in pictures)


def test_a_file_is_written_whole_or_not_at_all(march: Tune, tmp_path: Path) -> None:
    pages = tune_pages(march, Layout())
    write_pdf(pages, tmp_path / "march.pdf", made=MADE)
    assert [path.name for path in tmp_path.iterdir()] == ["march.pdf"]
    assert (tmp_path / "march.pdf").read_bytes() == pdf_of(pages, made=MADE)
    with pytest.raises(FileError, match=re.escape("march.pdf")):
        write_pdf(pages, tmp_path / "nowhere" / "march.pdf", made=MADE)


def test_a_screen_has_no_pages_to_print(march: Tune) -> None:
    with pytest.raises(SheetError, match="A screen has no pages to print"):
        tune_pages(march, Layout("screen"))


def test_what_cannot_be_laid_out_is_refused(march: Tune, planned: PlannedSet) -> None:
    with pytest.raises(SheetError, match="The book Empty has no tunes"):
        book_pages([], Layout(), title="Empty")
    with pytest.raises(SheetError, match="Silence has no bars"):
        book_pages([march, Tune(2, ("Silence",), (Part(()),), None)], Layout(), title="B")
    with pytest.raises(SheetError, match="A Day's Set has 3 tunes and 1 times; give one time for each"):
        set_pages(planned, [TuneSpan("x", "reel", 0.0, 1.0, Fraction(1), 60.0, 60.0)], Layout())


def test_pages_that_typst_refuses_are_told_in_a_sentence() -> None:
    with pytest.raises(SheetError, match="The pages of Broken cannot be set:"):
        pdf_of(Pages("#let x = ", "{}", (), "Broken"), made=MADE)


def test_a_part_longer_than_a_page_goes_on_overleaf() -> None:
    long_part = "{g}A>{GdGe}A {gef}e>{A}d {gcd}c<{e}A {gAGAG}A>d|" * 40
    tune = read_tune(f"X:1\nT:Long\nM:4/4\nL:1/8\nK:HP\n{long_part[:-1]}|]")
    reader = read(tune_pages(tune, Layout("pocket", landscape=True)))
    assert len(reader.pages) >= 4
    assert [words(reader, number)[0] for number in range(2, 4)] == ["2", "3"]
