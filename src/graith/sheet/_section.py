"""The bars of a tune as MEI measures: their lines, repeats, endings, signatures and what hangs on them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from graith.music.model import Bar, Note, Tempo
from graith.sheet._beams import fills_its_metre, grouping_of
from graith.sheet._marks import marks_of
from graith.sheet._notes import Spelling, note_tag, span_tags
from graith.sheet._odd_lengths import notated
from graith.sheet._signs import (
    RIGHT_LINES,
    key_attributes,
    metre_attributes,
    odd_signature,
    tempo_mark,
    tempo_of_field,
)
from graith.sheet._text import xml_text


@dataclass(frozen=True, slots=True)
class Place:
    """One bar to engrave: where it stands and the id it gets. ``label`` names a part, at its first bar."""

    bar: Bar
    bar_id: str
    starts_line: bool
    ends_part: bool
    label: str = ""


class Section:
    """A tune's bars, written one after the other; holds what the notation carries from one bar to the next."""

    def __init__(self, places: Sequence[Place], tempo: Tempo | None, *, music_font: bool) -> None:
        self._places = places
        self._tempo = tempo
        self._music_font = music_font
        self._metre = places[0].bar.metre
        self._key = places[0].bar.key
        self._ties, self._slurs = ties_and_slurs(places)

    def written(self) -> Iterator[str]:
        """Return the content of the MEI ``section``, piece by piece."""
        ending_stop = -1
        unclosed = _repeats_without_start(self._places)
        for index, place in enumerate(self._places):
            if index and place.starts_line:
                yield "<sb/>"
            if place.bar.ending:
                ending_stop = _ending_stop(self._places, index)
                yield _ending_tag(place.bar.ending, self._places[ending_stop].bar)
            yield self._changes(place.bar)
            yield self._measure(place, index, place.bar.repeat_start or index in unclosed)
            if index == ending_stop:
                yield "</ending>"

    def _changes(self, bar: Bar) -> str:
        """Return a new metre or key signature, empty when both go on."""
        attributes = signature = ""
        if bar.metre != self._metre:
            attributes += metre_attributes(bar.metre)
        if bar.key != self._key:
            attributes += key_attributes(bar.key)
            signature = odd_signature(bar.key)
        self._metre, self._key = bar.metre, bar.key
        if signature:
            group = f'<staffGrp><staffDef n="1" lines="5">{signature}</staffDef></staffGrp>'
            return f"<scoreDef{attributes}>{group}</scoreDef>"
        return f"<scoreDef{attributes}/>" if attributes else ""

    def _measure(self, place: Place, index: int, starts_repeat: bool) -> str:
        bar = place.bar
        notes, events = self._layer(place)
        events[:0] = self._first_signs(place, index)
        if bar.repeat_end > 1 and bar.notes:
            at = f'startid="#{place.bar_id}-n{len(bar.notes)}"'
            events.append(f'<dir staff="1" place="above" {at}>{bar.repeat_end + 1} times</dir>')
        attributes = f'xml:id="{place.bar_id}" n="{bar.number}"'
        if starts_repeat:
            attributes += ' left="rptstart"'
        attributes += f' right="{_right_line(place, last=index + 1 == len(self._places))}"'
        if not fills_its_metre(bar):
            attributes += ' metcon="false"'
        return f'<measure {attributes}><staff n="1"><layer n="1">{notes}</layer></staff>{"".join(events)}</measure>'

    def _first_signs(self, place: Place, index: int) -> Iterator[str]:
        """Return what stands over a bar's beginning: the tempo, a part's letter."""
        if index == 0 and self._tempo is not None:
            yield tempo_mark(self._tempo, music_font=self._music_font)
        for letter, text in place.bar.changes:
            tempo = tempo_of_field(text) if letter == "Q" and index else None
            if tempo is not None:
                yield tempo_mark(tempo, music_font=self._music_font)
        if place.label:
            yield f'<reh staff="1" place="above" tstamp="0">{xml_text(place.label)}</reh>'

    def _layer(self, place: Place) -> tuple[str, list[str]]:
        """Return a bar's notes, and the control events that point to them."""
        bar = place.bar
        if len(bar.notes) == 1 and bar.notes[0].is_rest and fills_its_metre(bar):
            name = "mSpace" if bar.notes[0].invisible else "mRest"
            return f'<{name} xml:id="{place.bar_id}-n1"/>', marks_of(bar.notes[0], f"{place.bar_id}-n1")
        notes = notated(bar.notes)
        opened, closed = span_tags(grouping_of(bar, notes), notes)
        spelling = Spelling(bar.key)
        written: list[str] = []
        events: list[str] = []
        for index, note in enumerate(notes):
            note_id = f"{place.bar_id}-n{index + 1}"
            if note.graces:
                written.append(spelling.graces(note, note_id))
            tag = note_tag(note, note_id, spelling, self._ties.get(note_id, ""))
            written += (opened.get(index, ""), tag, closed.get(index, ""))
            if note.decorations or note.texts:
                events.extend(marks_of(note, note_id))
            if note_id in self._slurs:
                events.extend(f'<slur startid="#{note_id}" endid="#{stop}"/>' for stop in self._slurs[note_id])
        return "".join(written), events


def ties_and_slurs(places: Sequence[Place]) -> tuple[dict[str, str], dict[str, list[str]]]:
    """Return which notes are tied (i begins, m goes through, t ends) and where each slur that begins there ends.

    A tie that meets no note of its pitch next, as at the end of a first ending, is not printed.
    """
    ties: dict[str, str] = {}
    slurs: dict[str, list[str]] = {}
    open_slurs: list[str] = []
    before: tuple[str, Note] | None = None
    for place in places:
        for index, note in enumerate(place.bar.notes):
            if before is None and not (note.tied or note.slurs_opened):
                continue
            note_id = f"{place.bar_id}-n{index + 1}"
            if before is not None and before[1].tied and set(before[1].pitches) & set(note.pitches):
                ties[before[0]] = "m" if ties.get(before[0]) else "i"
                ties[note_id] = "t"
            for _ in range(min(note.slurs_closed, len(open_slurs))):
                begun = open_slurs.pop()
                if begun != note_id and not note.is_rest:
                    slurs.setdefault(begun, []).append(note_id)
            if not note.is_rest:
                open_slurs.extend([note_id] * note.slurs_opened)
            before = (note_id, note)
        if place.bar.repeat_end:
            before = None
    return ties, slurs


def _ending_stop(places: Sequence[Place], start: int) -> int:
    """Return the index of the last bar under an ending's bracket."""
    index = start
    while not (
        places[index].bar.ending_closed
        or places[index].ends_part
        or index + 1 == len(places)
        or places[index + 1].bar.ending
    ):
        index += 1
    return index


def _ending_tag(passes: tuple[int, ...], last: Bar) -> str:
    label = ", ".join(map(str, passes))
    close = "angledown" if last.ending_closed or last.repeat_end else "none"
    return f'<ending n="{passes[0]}" label="{label}" lendsym="{close}">'


def _repeats_without_start(places: Sequence[Place]) -> frozenset[int]:
    """Return the indices of bars that begin a repeated part whose source leaves the start sign out.

    ABC allows it (2.1 §4.9); a printed pipe part has both signs.
    """
    found = set()
    begins: int | None = 0
    for index, place in enumerate(places):
        if place.bar.repeat_start:
            begins = None
        if place.bar.repeat_end:
            if begins is not None:
                found.add(begins)
            begins = None
        if place.ends_part:
            begins = index + 1
    return frozenset(found)


def _right_line(place: Place, *, last: bool) -> str:
    """Return a bar's closing line; a part never ends with a thin line, a tune always with a heavy one."""
    if place.bar.repeat_end:
        return "rptend"
    if last:
        return "end"
    line = RIGHT_LINES[place.bar.closing]
    return "dbl" if place.ends_part and line in ("single", "invis") else line
