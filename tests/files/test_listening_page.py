"""The pages of one listening: every finding in words, and the passage it is about engraved as it is written."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from pypdf import PdfReader

from graith.errors import SheetError
from graith.files.listening_page import MOST_PASSAGES, listening_pages, passage_of
from graith.files.pages import pdf_of
from graith.listen.findings import with_findings
from graith.listen.model import Finding
from graith.services.listen_to_recording import Listening
from graith.sheet.model import Layout
from graith.timeline.make_timeline import timeline_of
from heard_by_hand import heard_as_planned, medley, recording_of, tuning

PLANNED = medley()
MEDLEY = timeline_of(PLANNED)
SAMPLES = recording_of(MEDLEY).samples
MADE = datetime(2026, 5, 1, tzinfo=UTC)


def listening(*loose_bars: int) -> Listening:
    heard = heard_as_planned(MEDLEY, tuning=tuning({0: 14.0, 7: -9.0}))
    assert heard.togetherness is not None
    heard.togetherness["spread_ms"][list(loose_bars)] = 70.0
    return Listening(with_findings(heard, MEDLEY), PLANNED, MEDLEY)


def text_of(told: Listening) -> str:
    pdf = PdfReader(io.BytesIO(pdf_of(listening_pages(told, SAMPLES), made=MADE)))
    return " ".join(" ".join(page.extract_text() for page in pdf.pages).split())


def at_bar(bar: int) -> Finding:
    return Finding("loose bars", 70.0, "ms", 4.0, "x.", played_bar=bar)


def test_every_finding_and_every_measure_of_the_whole_stands_on_the_pages() -> None:
    told = listening(40)
    text = text_of(told)
    assert "Auchterwhin medley" in text
    assert "Low A is 480" in text
    for finding in told.heard.findings:
        assert finding.says[:60] in text


def test_a_finding_of_a_bar_has_its_passage_engraved_and_one_of_a_note_has_none() -> None:
    names = [name for name, _ in listening_pages(listening(40), SAMPLES).images]
    assert [name for name in names if name.startswith("passage")] == ["passage1-line1"]


def test_no_more_passages_are_engraved_than_are_read() -> None:
    heard = listening(*range(4, 80, 4)).heard
    assert heard.tempo is not None
    heard.tempo.bars["bpm"] *= np.exp(np.random.default_rng(2).normal(0.0, 0.08, MEDLEY.bars.size))
    told = Listening(with_findings(heard, MEDLEY), PLANNED, MEDLEY)
    names = [name for name, _ in listening_pages(told, SAMPLES).images]
    assert len({name.split("-")[0] for name in names if name.startswith("passage")}) == MOST_PASSAGES


@pytest.mark.parametrize("bar", [0, 1, 8, 40, MEDLEY.bars.size - 1])
def test_a_passage_holds_the_bar_that_is_meant_marked_and_as_it_is_written(bar: int) -> None:
    passage = passage_of(listening(), at_bar(bar))
    row = MEDLEY.bars[bar]
    written = PLANNED.tunes[int(row["tune"])].tune.parts[int(row["part"]) - 1].bars[int(row["bar_in_part"])]
    (part,) = passage.parts
    marked = [one for one in part.bars if one.notes and one.notes[0].texts]
    assert len(marked) == 1
    assert [note.pitches for note in marked[0].notes] == [note.pitches for note in written.notes]
    assert not any(one.repeat_end or one.repeat_start or one.ending for one in part.bars)
    assert len(part.bars) <= 4


def test_when_nothing_is_worth_saying_the_page_says_so() -> None:
    told = Listening(heard_as_planned(MEDLEY), PLANNED, MEDLEY)
    assert "Nothing stands out" in text_of(told)


def test_what_a_title_holds_is_never_read_as_markup() -> None:
    told = listening()
    odd = replace(told, timeline=replace(MEDLEY, name='#panic("x") & <b>'))
    assert '#panic("x") & <b>' in text_of(odd)


def test_a_screen_has_no_pages() -> None:
    with pytest.raises(SheetError, match="A screen has no pages"):
        listening_pages(listening(), SAMPLES, Layout("screen"))
