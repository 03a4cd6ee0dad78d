"""A tune as MusicXML 3.1, for notation programs in general.

What the file says about pipe music: under ``K:HP`` the key has two sharps and is not printed, stems of notes go down
and of gracenotes up, and the part is marked as sounding a semitone higher than written (the nominal B flat of the
instrument; its true pitch is higher still). Parts are marked by bookmarks, which print nothing.

A length that no single note can hold (five quavers) is written as tied notes.

References
----------
MusicXML 3.1 (W3C Music Notation Community Group, 2017).
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from xml.etree.ElementTree import Element, SubElement

from graith.music._musicxml_words import (
    ARTICULATIONS,
    BAR_STYLES,
    FERMATAS,
    ORNAMENTS,
    mode_of_key,
    signature_fifths,
    tied_lengths,
    type_and_dots,
)
from graith.music.model import Bar, BarLine, Grace, Key, Metre, Note, Pitch, Tempo, Tune

_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 3.1 Partwise//EN" '
    '"http://www.musicxml.org/dtds/partwise.dtd">\n'
)
_MARK_PLACEMENTS = {"^": "above", "_": "below"}
_SHORTEST_UNBEAMED = Fraction(1, 4)
_MOST_SLURS = 6


def write_musicxml(tune: Tune) -> str:
    """Return a tune as the text of a MusicXML file (score-partwise, one part).

    Examples
    --------
    >>> bar = Bar((Note((Pitch(33),), Fraction(1, 2)),), Metre(2, 4), 1)
    >>> from graith.music.model import Part
    >>> "<step>A</step>" in write_musicxml(Tune(1, ("Air",), (Part((bar,)),), Metre(2, 4)))
    True
    """
    score = Element("score-partwise", version="3.1")
    _write_header(score, tune)
    writer = _PartWriter(tune, SubElement(score, "part", id="P1"))
    writer.write()
    ET.indent(score)
    return _HEAD + ET.tostring(score, encoding="unicode") + "\n"


def _text(parent: Element, tag: str, text: object, **attributes: str) -> Element:
    element = SubElement(parent, tag, attributes)
    element.text = _xml_text(str(text))
    return element


def _xml_text(text: str) -> str:
    """Return text without the control characters that XML 1.0 cannot hold."""
    return "".join(character for character in text if character in "\t\n" or character >= " ")


def _write_header(score: Element, tune: Tune) -> None:
    work = SubElement(score, "work")
    _text(work, "work-number", tune.number)
    _text(work, "work-title", tune.titles[0] if tune.titles else "")
    identification = SubElement(score, "identification")
    for composer in tune.composers:
        _text(identification, "creator", composer, type="composer")
    _text(SubElement(identification, "encoding"), "software", "Graith")
    if tune.source:
        _text(identification, "source", tune.source)
    fields = [("rhythm", tune.rhythm), ("part-order", tune.part_order), ("key", tune.key.text)]
    fields += [("unit", str(tune.unit))]
    fields += [("title", title) for title in tune.titles[1:]] + [("note", note) for note in tune.notes]
    miscellaneous = SubElement(identification, "miscellaneous")
    for name, value in fields:
        if value:
            _text(miscellaneous, "miscellaneous-field", value, name=name)
    _write_part_list(score, is_pipes=tune.key.is_pipes)


def _write_part_list(score: Element, *, is_pipes: bool) -> None:
    part = SubElement(SubElement(score, "part-list"), "score-part", id="P1")
    _text(part, "part-name", "Bagpipe" if is_pipes else "Melody")
    if is_pipes:
        instrument = SubElement(part, "score-instrument", id="P1-I1")
        _text(instrument, "instrument-name", "Highland bagpipe")
        _text(instrument, "instrument-sound", "wind.pipes.bagpipes")
        midi = SubElement(part, "midi-instrument", id="P1-I1")
        _text(midi, "midi-channel", 1)
        _text(midi, "midi-program", 110)


@dataclass(slots=True)
class _PartWriter:
    """Writes the bars one after another and remembers what is in force."""

    tune: Tune
    element: Element
    divisions: int = 1
    metre: Metre | None = None
    key: Key | None = None
    n_numbered: int = 0
    n_unnumbered: int = 0
    open_slurs: list[int] = field(default_factory=list)
    tie_open: bool = False
    ending: str = ""

    def write(self) -> None:
        bars = [(part_index, bar) for part_index, part in enumerate(self.tune.parts) for bar in part.bars]
        self.divisions = _divisions([bar for _, bar in bars])
        for index, (part_index, bar) in enumerate(bars):
            starts_part = index == 0 or bars[index - 1][0] != part_index
            measure = SubElement(self.element, "measure", number=self._number(bar))
            if bar.number == 0:
                measure.set("implicit", "yes")
            if index and bars[index - 1][1].line_end:
                SubElement(measure, "print", {"new-system": "yes"})
            self._write_attributes(measure, bar, is_first=index == 0)
            self._write_left_barline(measure, bar)
            if starts_part:
                self._write_part_start(measure, part_index)
            if index == 0 and self.tune.tempo is not None:
                _write_tempo(measure, self.tune.tempo)
            self._write_notes(measure, bar)
            following = bars[index + 1][1] if index + 1 < len(bars) else None
            self._write_right_barline(measure, bar, following)

    def _number(self, bar: Bar) -> str:
        if bar.number > 0:
            self.n_numbered += 1
            return str(self.n_numbered)
        self.n_unnumbered += 1
        return "0" if self.n_numbered == 0 and self.n_unnumbered == 1 else f"X{self.n_unnumbered}"

    def _write_attributes(self, measure: Element, bar: Bar, *, is_first: bool) -> None:
        attributes = Element("attributes")
        if is_first:
            _text(attributes, "divisions", self.divisions)
        if is_first or bar.key != self.key:
            _write_key(attributes, bar.key)
        if is_first or bar.metre != self.metre:
            _write_metre(attributes, bar.metre)
        if is_first:
            clef = SubElement(attributes, "clef")
            _text(clef, "sign", "G")
            _text(clef, "line", 2)
            if bar.key.is_pipes:
                transpose = SubElement(attributes, "transpose")
                _text(transpose, "diatonic", 1)
                _text(transpose, "chromatic", 1)
        self.key, self.metre = bar.key, bar.metre
        if len(attributes):
            measure.append(attributes)

    def _write_part_start(self, measure: Element, part_index: int) -> None:
        label = self.tune.parts[part_index].label
        SubElement(measure, "bookmark", id=f"part-{part_index + 1}", name="part")
        if label:
            direction = SubElement(measure, "direction", placement="above")
            _text(SubElement(direction, "direction-type"), "rehearsal", label)

    def _write_left_barline(self, measure: Element, bar: Bar) -> None:
        if not (bar.ending or bar.repeat_start):
            return
        barline = SubElement(measure, "barline", location="left")
        if bar.repeat_start:
            _text(barline, "bar-style", "heavy-light")
        if bar.ending:
            self.ending = ",".join(str(number) for number in bar.ending)
            SubElement(barline, "ending", number=self.ending, type="start")
        if bar.repeat_start:
            SubElement(barline, "repeat", direction="forward")

    def _write_right_barline(self, measure: Element, bar: Bar, following: Bar | None) -> None:
        ends = bool(self.ending) and (bar.ending_closed or following is None or bool(following.ending))
        if bar.closing is BarLine.SINGLE and not (ends or bar.repeat_end):
            return
        barline = SubElement(measure, "barline", location="right")
        repeat_style = "light-heavy" if bar.closing is BarLine.SINGLE and bar.repeat_end else BAR_STYLES[bar.closing]
        _text(barline, "bar-style", repeat_style)
        if ends:
            kind = "stop" if bar.ending_closed else "discontinue"
            SubElement(barline, "ending", number=self.ending, type=kind)
            self.ending = ""
        if bar.repeat_end:
            repeat = SubElement(barline, "repeat", direction="backward")
            if bar.repeat_end > 1:
                repeat.set("times", str(bar.repeat_end + 1))

    def _write_notes(self, measure: Element, bar: Bar) -> None:
        beams = _beams(bar.notes)
        for note, note_beams in zip(bar.notes, beams, strict=True):
            self._write_note(measure, note, note_beams)

    def _write_note(self, measure: Element, note: Note, beams: tuple[str, ...]) -> None:
        for text in note.texts:
            _write_words(measure, text)
        stems = self.key is not None and self.key.is_pipes
        own_slurs = min(note.slurs_opened, max(0, note.slurs_closed - len(self.open_slurs))) if note.graces else 0
        for index, grace in enumerate(note.graces):
            element = _write_grace(measure, grace, index, note, stems=stems)
            if own_slurs and index == 0:
                self._write_slur_starts(SubElement(element, "notations"), own_slurs)
        pieces = tied_lengths(note.written) or (note.written,)
        for index, written in enumerate(pieces):
            is_last = index == len(pieces) - 1
            piece = _Piece(
                note, written, index == 0, is_last, self.tie_open or index > 0, note.tied or not is_last, own_slurs
            )
            self._write_piece(measure, piece, beams if len(pieces) == 1 else ())
        self.tie_open = note.tied and not note.is_rest

    def _write_piece(self, measure: Element, piece: _Piece, beams: tuple[str, ...]) -> None:
        note = piece.note
        pitches: Sequence[Pitch | None] = note.pitches or (None,)
        for index, pitch in enumerate(pitches):
            element = SubElement(measure, "note")
            if note.invisible:
                element.set("print-object", "no")
            if index:
                SubElement(element, "chord")
            if pitch is None:
                SubElement(element, "rest")
            else:
                _write_pitch(element, pitch)
            _text(element, "duration", self._duration(piece))
            if pitch is not None:
                _write_ties(element, "tie", piece)
            _text(element, "voice", 1)
            _write_type(element, piece.written)
            if note.tuplet is not None:
                change = SubElement(element, "time-modification")
                _text(change, "actual-notes", note.tuplet.actual)
                _text(change, "normal-notes", note.tuplet.normal)
            if pitch is not None and self.key is not None and self.key.is_pipes:
                _text(element, "stem", "down")
            if index == 0:
                for number, beam in enumerate(beams, start=1):
                    _text(element, "beam", beam, number=str(number))
            self._write_notations(element, piece, is_first_pitch=index == 0)

    def _duration(self, piece: _Piece) -> int:
        tuplet = piece.note.tuplet
        length = piece.written if tuplet is None else piece.written * tuplet.normal / tuplet.actual
        return int(length * 4 * self.divisions)

    def _write_notations(self, element: Element, piece: _Piece, *, is_first_pitch: bool) -> None:
        notations = Element("notations")
        if not piece.note.is_rest:
            _write_ties(notations, "tied", piece)
        if is_first_pitch:
            if piece.is_last:
                self._write_slur_ends(notations, piece.note.slurs_closed)
            if piece.is_first:
                self._write_slur_starts(notations, piece.note.slurs_opened - piece.slurs_from_graces)
                _write_marks(notations, piece.note)
            _write_tuplet(notations, piece)
        if len(notations):
            element.append(notations)

    def _write_slur_starts(self, notations: Element, n_slurs: int) -> None:
        for _ in range(n_slurs):
            free = next((number for number in range(1, _MOST_SLURS + 1) if number not in self.open_slurs), None)
            if free is None:
                return
            self.open_slurs.append(free)
            SubElement(notations, "slur", number=str(free), type="start")

    def _write_slur_ends(self, notations: Element, n_slurs: int) -> None:
        for _ in range(min(n_slurs, len(self.open_slurs))):
            SubElement(notations, "slur", number=str(self.open_slurs.pop()), type="stop")


@dataclass(frozen=True, slots=True)
class _Piece:
    """One written note of a melody note's length, which may need several tied ones."""

    note: Note
    written: Fraction
    is_first: bool
    is_last: bool
    tied_from: bool
    tied_on: bool
    slurs_from_graces: int = 0


def _divisions(bars: Sequence[Bar]) -> int:
    """Return the divisions of a crotchet that make every length whole."""
    denominators = {1}
    for bar in bars:
        for note in bar.notes:
            for written in tied_lengths(note.written):
                tuplet = note.tuplet
                length = 4 * (written if tuplet is None else written * tuplet.normal / tuplet.actual)
                denominators.add(length.denominator)
    return math.lcm(*denominators)


def _write_key(attributes: Element, key: Key) -> None:
    element = SubElement(attributes, "key")
    if not key.printed:
        element.set("print-object", "no")
    fifths = signature_fifths(key.alters)
    if fifths is not None:
        _text(element, "fifths", fifths)
        mode = None if key.is_pipes else mode_of_key(key.text)
        if mode is not None:
            _text(element, "mode", mode)
        return
    for step, alter in zip("CDEFGAB", key.alters, strict=True):
        if alter:
            _text(element, "key-step", step)
            _text(element, "key-alter", alter)


def _write_metre(attributes: Element, metre: Metre | None) -> None:
    time = SubElement(attributes, "time")
    if metre is None:
        SubElement(time, "senza-misura")
        return
    symbol = {"C": "common", "C|": "cut"}.get(metre.text)
    if symbol:
        time.set("symbol", symbol)
    _text(time, "beats", metre.beats)
    _text(time, "beat-type", metre.unit)


def _write_tempo(measure: Element, tempo: Tempo) -> None:
    direction = SubElement(measure, "direction", placement="above")
    kind = type_and_dots(tempo.beat_length)
    metronome = SubElement(SubElement(direction, "direction-type"), "metronome")
    crotchets_a_minute = tempo.bpm * float(tempo.beat_length) * 4
    name, n_dots = kind if kind is not None else ("quarter", 0)
    _text(metronome, "beat-unit", name)
    for _ in range(n_dots):
        SubElement(metronome, "beat-unit-dot")
    _text(metronome, "per-minute", f"{tempo.bpm if kind is not None else crotchets_a_minute:.12g}")
    SubElement(direction, "sound", tempo=f"{crotchets_a_minute:.12g}")


def _write_words(measure: Element, text: str) -> None:
    direction = SubElement(measure, "direction")
    placement = _MARK_PLACEMENTS.get(text[:1])
    if placement is not None:
        direction.set("placement", placement)
        text = text[1:]
    _text(SubElement(direction, "direction-type"), "words", text)


def _write_pitch(element: Element, pitch: Pitch) -> None:
    written = SubElement(element, "pitch")
    _text(written, "step", pitch.letter)
    if pitch.alter:
        _text(written, "alter", pitch.alter)
    _text(written, "octave", pitch.octave)


def _write_type(element: Element, written: Fraction) -> None:
    kind = type_and_dots(written)
    if kind is None:
        return
    _text(element, "type", kind[0])
    for _ in range(kind[1]):
        SubElement(element, "dot")


def _write_grace(measure: Element, grace: Grace, index: int, note: Note, *, stems: bool) -> Element:
    element = SubElement(measure, "note")
    mark = SubElement(element, "grace")
    if note.slashed_graces:
        mark.set("slash", "yes")
    _write_pitch(element, grace.pitch)
    _text(element, "voice", 1)
    _write_type(element, grace.length)
    if stems:
        _text(element, "stem", "up")
    n_graces = len(note.graces)
    if n_graces > 1:
        place = "begin" if index == 0 else "end" if index == n_graces - 1 else "continue"
        fewest = min(_n_flags(other.length) for other in note.graces)
        for number in range(1, fewest + 1):
            _text(element, "beam", place, number=str(number))
    return element


def _write_ties(parent: Element, tag: str, piece: _Piece) -> None:
    if piece.tied_from:
        SubElement(parent, tag, type="stop")
    if piece.tied_on:
        SubElement(parent, tag, type="start")


def _write_tuplet(notations: Element, piece: _Piece) -> None:
    tuplet = piece.note.tuplet
    if tuplet is None:
        return
    if tuplet.index == 0 and piece.is_first:
        SubElement(notations, "tuplet", type="start", bracket="no")
    if tuplet.index == tuplet.count - 1 and piece.is_last:
        SubElement(notations, "tuplet", type="stop")


def _write_marks(notations: Element, note: Note) -> None:
    ornaments, articulations = Element("ornaments"), Element("articulations")
    for name in note.decorations:
        if name in ORNAMENTS:
            SubElement(ornaments, ORNAMENTS[name])
        elif name in ARTICULATIONS:
            SubElement(articulations, ARTICULATIONS[name])
        elif name not in FERMATAS:
            _text(articulations, "other-articulation", name)
    notations.extend(group for group in (ornaments, articulations) if len(group))
    if any(name in FERMATAS for name in note.decorations):
        SubElement(notations, "fermata")
    if note.figure is not None:
        _text(notations, "other-notation", note.figure, type="single", **{"print-object": "no"})


@lru_cache(maxsize=256)
def _n_flags(written: Fraction) -> int:
    """Return the flags of a note: one for a quaver, dotted or not, two for a semiquaver ..."""
    flags = 0
    while written < _SHORTEST_UNBEAMED / 2**flags and flags < 8:
        flags += 1
    return flags


def _beams(notes: tuple[Note, ...]) -> list[tuple[str, ...]]:
    """Return what each beam of each note does, the outermost beam first, for notes that are joined in the source."""
    flags = [0 if note.is_rest else _n_flags(note.written) for note in notes]
    joined = [
        note.joined and index + 1 < len(notes) and flags[index] > 0 and flags[index + 1] > 0
        for index, note in enumerate(notes)
    ]
    found = []
    for index, n_flags in enumerate(flags):
        before = flags[index - 1] if index and joined[index - 1] else 0
        after = flags[index + 1] if joined[index] else 0
        found.append(tuple(_beam(level, before, after) for level in range(1, n_flags + 1)) if before or after else ())
    return found


def _beam(level: int, flags_before: int, flags_after: int) -> str:
    if flags_before >= level and flags_after >= level:
        return "continue"
    if flags_after >= level:
        return "begin"
    if flags_before >= level:
        return "end"
    return "backward hook" if flags_before else "forward hook"
