"""Pages of one listening: what was measured, pictures, and the findings with their passages engraved.

A value for :func:`graith.files.pages.write_pdf`; nothing is read or written here.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from graith.errors import SheetError
from graith.listen.heard import Heard
from graith.listen.model import Finding, Singles
from graith.listen.pictures.all_pictures import pictures_of
from graith.listen.summary import summary_of
from graith.music.model import Bar, Part, Tune
from graith.services.listen_to_recording import Listening
from graith.sheet.draw_svg import line_boxes, line_picture
from graith.sheet.engrave import engraved
from graith.sheet.model import Layout, Pages

MOST_PASSAGES = 8
_BARS = 4
_MARGIN_MM, _TEXT_PT = 14.0, 10.0
_PASSAGE_KINDS = (
    "loose bars", "surge", "left out", "repeated", "missing notes", "wrong note", "figure missing", "figure crushed",
    "figure late",
)  # fmt: skip


def listening_pages(listening: Listening, samples: Singles, layout: Layout | None = None) -> Pages:
    """Return the pages of one listening.

    Parameters
    ----------
    listening : Listening
    samples : float32 array, shape (samples,)
        The sound listened to.
    layout : Layout, optional
        Default A4, upright.

    Raises
    ------
    SheetError
        If the layout is a screen's.
    """
    chosen = layout or Layout()
    if not chosen.height_mm:
        raise SheetError("A screen has no pages to print; choose A4, Letter or pocket.")
    heard = listening.heard
    pictures = pictures_of(heard, listening.timeline, samples)
    images = {picture.name: picture.svg for picture in pictures}
    findings = list(_findings(listening, chosen, images))
    title = listening.timeline.name
    data = {
        "title": title,
        "paper": {"width": chosen.width_mm, "height": chosen.height_mm, "margin": _MARGIN_MM, "text": _TEXT_PT},
        "subtitle": f"As heard in {heard.recording.label}",
        "summary": list(summary_of(heard)),
        "pictures": [{"image": one.name, "alt": one.alt, "share": min(1.0, one.width / 720.0)} for one in pictures],
        "findings": findings,
        "more": heard.n_more_findings,
        "none": _none_words(heard),
    }
    return Pages(_TEMPLATE, json.dumps(data, ensure_ascii=False), tuple(images.items()), title)


def _none_words(heard: Heard) -> str:
    if heard.findings:
        return ""
    return heard.reason or "Nothing stands out above what an ear can tell."


def _findings(listening: Listening, layout: Layout, images: dict[str, str]) -> Iterator[dict[str, Any]]:
    """Yield each finding's words, the first ones with the passage they are about; its pictures are put by."""
    n_engraved = 0
    for finding in listening.heard.findings:
        lines: list[dict[str, str]] = []
        if finding.kind in _PASSAGE_KINDS and finding.played_bar is not None and n_engraved < MOST_PASSAGES:
            n_engraved += 1
            lines = _engraved_lines(listening, finding, layout, f"passage{n_engraved}", images)
        yield {"says": finding.says, "lines": lines}


def _engraved_lines(
    listening: Listening, finding: Finding, layout: Layout, name: str, images: dict[str, str]
) -> list[dict[str, str]]:
    music = engraved(passage_of(listening, finding), replace(layout, bars_a_line=_BARS), id_prefix=f"{name}-")
    lines = []
    for index, (line, box) in enumerate(zip(music.lines, line_boxes(music), strict=True)):
        image = f"{name}-line{index + 1}"
        images[image] = line_picture(music, line, box)
        alt = f"{finding.tune}, part {finding.part}, bars {line.first_bar} to {line.last_bar}, engraved"
        lines.append({"image": image, "alt": alt})
    return lines


def passage_of(listening: Listening, finding: Finding) -> Tune:
    """Return the bars around a finding as a tune of its own: the bar before, the bar named, and two after it.

    Parameters
    ----------
    listening : Listening
    finding : Finding
        With a ``played_bar``.
    """
    assert finding.played_bar is not None
    row = listening.timeline.bars[finding.played_bar]
    tune = listening.planned.tunes[int(row["tune"])].tune
    bars = tune.parts[int(row["part"]) - 1].bars
    at = int(row["bar_in_part"])
    first = max(0, min(at - 1, len(bars) - _BARS))
    chosen = bars[first : first + _BARS]
    plain = tuple(_plain(bar, is_meant=index == at) for index, bar in enumerate(chosen, first))
    return replace(tune, parts=(Part(plain),), part_order="")


def _plain(bar: Bar, *, is_meant: bool) -> Bar:
    """Return a bar without repeats and endings; the one meant has its number over its first note."""
    notes = bar.notes
    if is_meant and notes:
        words = "the pick-up" if bar.number == 0 else f"bar {bar.number}"
        notes = (replace(notes[0], texts=(f"^{words}",)), *notes[1:])
    return replace(bar, notes=notes, repeat_start=False, repeat_end=0, ending=(), ending_closed=False)


_TEMPLATE = r"""
#let data = json(bytes(sys.inputs.data))
#let paper = data.paper
#set document(title: data.title, description: data.subtitle, date: auto)
#set page(
  width: paper.width * 1mm,
  height: paper.height * 1mm,
  margin: paper.margin * 1mm,
  footer: context {
    set text(0.85em)
    let last = counter(page).final().first()
    if last > 1 { align(center, str(counter(page).get().first())) }
  },
)
#set text(font: "Libertinus Serif", size: paper.text * 1pt, lang: "en", hyphenate: false)
#set par(leading: 0.6em)
#let picture(name, ..how) = image(bytes(sys.inputs.at(name)), format: "svg", ..how)
#show heading: it => text(weight: "regular", it.body)

#text(1.7em, heading(level: 1, data.title))
#v(-0.7em)
#emph(data.subtitle)
#v(0.4em)
#for it in data.summary [#it \ ]
#v(0.2em)
#for it in data.pictures {
  block(breakable: false, below: 0.7em, picture(it.image, width: it.share * 100%, alt: it.alt))
}
#if data.findings.len() > 0 {
  block(sticky: true, above: 1.6em, below: 1em, {
    text(1.3em, heading(level: 2, [What is worth your time, the heaviest first]))
  })
}
#for (number, it) in data.findings.enumerate(start: 1) {
  block(breakable: false, below: 0.9em, grid(
    columns: (1.8em, 1fr),
    align: (right, left),
    column-gutter: 0.6em,
    [#number.],
    {
      it.says
      for line in it.lines { block(above: 0.5em, picture(line.image, width: 100%, alt: line.alt)) }
    },
  ))
}
#if data.more > 0 [And #data.more lighter #if data.more == 1 [finding] else [findings] more.]
#data.none
"""
