"""Pictures: whole SVG, read by anyone at a phone's width, every bar and note where it was heard."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest

from graith.listen.findings import with_findings
from graith.listen.heard import Heard
from graith.listen.in_file_time import in_file_time
from graith.listen.model import WORKING_RATE_HZ
from graith.listen.pictures.all_pictures import pictures_of
from graith.listen.pictures.drawing import ACCENT, PAGE_WIDTH, PHONE_WIDTH, Axis, Picture
from graith.listen.pictures.togetherness_strip import togetherness_picture
from graith.listen.pictures.tuning_chart import tuning_picture
from graith.listen.pictures.waveform import loudness_columns
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline
from heard_by_hand import heard_as_planned, medley, recording_of, tuning

MEDLEY = timeline_of(medley())
SAMPLES = recording_of(MEDLEY).samples
SVG = "{http://www.w3.org/2000/svg}"
LEAST_WORDS = 11.0


def faulty() -> Heard:
    heard = heard_as_planned(MEDLEY, tuning=tuning({0: 14.0}, {0: 11.0}))
    assert heard.tempo is not None
    assert heard.togetherness is not None
    heard.tempo.bars["bpm"][100:104] *= 1.06
    heard.togetherness["spread_ms"][40:42] = 70.0
    return with_findings(heard, MEDLEY)


def drawn(width: int = PHONE_WIDTH, heard: Heard | None = None, timeline: Timeline = MEDLEY) -> dict[str, Picture]:
    return {one.name: one for one in pictures_of(heard or faulty(), timeline, SAMPLES, width=width)}


def test_a_stretch_of_an_evening_is_drawn_at_the_files_own_times() -> None:
    begins_s = 5_000.0
    planned = heard_as_planned(MEDLEY)
    stretch = replace(planned, recording=replace(planned.recording, start_s=begins_s))
    here, there = (drawn(heard=one)["waveform"].svg for one in (planned, in_file_time(stretch)))
    assert len(lines_of(here)) > MEDLEY.bars.size
    assert lines_of(here) == pytest.approx(lines_of(there), abs=0.05)
    assert ">84:00<" in there


def lines_of(svg: str) -> list[float]:
    """Return everything upright that is drawn under the wave and over the clock: bars, the start and the stop."""
    rows = [one.attrib for one in ElementTree.fromstring(svg).iter(f"{SVG}line")]
    return [float(row["x1"]) for row in rows if row["x1"] == row["x2"] and float(row["y2"]) - float(row["y1"]) != 4.0]


@pytest.mark.parametrize("width", [PHONE_WIDTH, PAGE_WIDTH])
def test_every_picture_is_whole_and_told_in_words(width: int) -> None:
    pictures = drawn(width)
    assert set(pictures) == {"waveform", "tempo", "tuning", "togetherness"}
    for picture in pictures.values():
        root = ElementTree.fromstring(picture.svg)
        assert root.find(f"{SVG}title") is not None
        assert root.findtext(f"{SVG}desc") == picture.alt
        assert picture.alt.endswith(".")


@pytest.mark.parametrize("width", [PHONE_WIDTH, PAGE_WIDTH])
def test_words_are_large_enough_and_nothing_is_drawn_outside(width: int) -> None:
    for picture in drawn(width).values():
        root = ElementTree.fromstring(picture.svg)
        sizes = [float(one.attrib["font-size"]) for one in root.iter(f"{SVG}text")]
        assert min(sizes) >= LEAST_WORDS
        numbers = re.findall(r' (x|x1|x2|cx|y|y1|y2|cy)="([-0-9.]+)"', picture.svg)
        assert all(0 <= float(value) <= picture.width for name, value in numbers if "x" in name)
        assert all(0 <= float(value) <= picture.height for name, value in numbers if "y" in name)
        assert "nan" not in picture.svg


def test_nothing_is_fetched_from_outside() -> None:
    for picture in drawn().values():
        assert "href" not in picture.svg
        assert re.findall(r"https?://[^\"]+", picture.svg) == ["http://www.w3.org/2000/svg"]


def test_the_same_listening_gives_the_same_picture() -> None:
    assert drawn() == drawn()


def test_every_bar_heard_has_a_tick_where_it_was_heard() -> None:
    heard = faulty()
    assert heard.tempo is not None
    heard.tempo.bars["heard"][10] = False
    picture = drawn(PAGE_WIDTH, heard)["waveform"]
    foot = 24 + 44 + 44 + 4 + 3
    ticks = re.findall(rf'<line x1="([0-9.]+)" y1="{foot:.1f}" x2="\1"', picture.svg)
    times_s = heard.tempo.bars["time_s"][heard.tempo.bars["heard"]]
    expected = 14 + times_s / (SAMPLES.size / WORKING_RATE_HZ) * (PAGE_WIDTH - 28)
    assert np.allclose([float(x) for x in ticks], expected, atol=0.06)


def test_a_note_that_is_a_finding_has_another_shape_than_the_rest() -> None:
    svg = drawn()["tuning"].svg
    assert svg.count("<circle") == 8
    assert svg.count(f'fill="{ACCENT}"') == svg.count("<polygon") == 1


def test_a_surge_and_a_loose_bar_are_marked_by_a_triangle() -> None:
    pictures = drawn()
    for name in ("tempo", "togetherness"):
        marks = re.findall(rf'<polygon points="[-0-9., ]+" fill="{ACCENT}"/>', pictures[name].svg)
        assert len(marks) == 1


def test_a_note_that_was_not_heard_is_written_so() -> None:
    heard = faulty()
    assert heard.tuning is not None
    heard.tuning.notes["heard"][7] = False
    picture = tuning_picture(heard)
    assert picture is not None
    assert "not heard" in picture.svg
    assert "high G not heard" in picture.alt


def test_what_was_not_measured_has_no_picture() -> None:
    heard = heard_as_planned(MEDLEY, tuning=None, tempo=None, togetherness=None, start_stop=None, drones=None)
    assert set(drawn(heard=heard)) == {"waveform"}
    assert togetherness_picture(heard_as_planned(MEDLEY, n_players=1), MEDLEY) is None


def test_a_title_cannot_break_the_picture() -> None:
    title = 'Rob & "Roy" <script>\x07'
    timeline = replace(MEDLEY, tunes=(replace(MEDLEY.tunes[0], title=title), *MEDLEY.tunes[1:]))
    for picture in drawn(PAGE_WIDTH, timeline=timeline).values():
        root = ElementTree.fromstring(picture.svg)
        assert not list(root.iter("script"))


def test_a_column_is_as_high_as_the_loudest_sample_in_it() -> None:
    samples = np.array([0.1, -0.5, 0.2, 0.25, 0.0, 1.0], dtype=np.float32)
    assert loudness_columns(samples, 3).tolist() == pytest.approx([0.5, 0.25, 1.0])


@pytest.mark.parametrize(("low", "high", "most"), [(0, 63, 5), (-15, 15, 8), (61.3, 121.9, 5), (0, 0.4, 4)])
def test_ticks_are_round_within_the_axis_and_not_too_many(low: float, high: float, most: int) -> None:
    ticks = Axis(low, high, 0, 100).ticks(most)
    assert 2 <= len(ticks) <= most
    assert low <= ticks[0]
    assert ticks[-1] <= high + 1e-9
