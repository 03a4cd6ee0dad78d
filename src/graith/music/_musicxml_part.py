"""The measures of one MusicXML part become bars.

Source: the MusicXML 4.0 specification (W3C Music Notation Community Group, 2021), its part, measure, attributes,
note, barline and direction elements.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from xml.etree.ElementTree import Element

from graith.errors import MusicError, Place, Problem, Severity
from graith.music._fields import passes_named
from graith.music._musicxml_words import (
    DECORATION_OF_ELEMENT,
    LINES_OF_STYLE,
    TYPE_LENGTHS,
    Alters,
    abc_key,
    signature_alters,
)
from graith.music._parts import RawBar
from graith.music.keys import grace_unit, key_named
from graith.music.model import HIGHLAND_PIPES, Bar, BarLine, Grace, Key, Metre, Note, Pitch, Tempo, Tuplet

_STEPS = "CDEFGAB"
_NUMBER = re.compile(r"-?\d{1,9}(?:\.\d{1,9})?")
_JUMPS = ("dacapo", "dalsegno", "tocoda", "fine")
_SIGN_OF_ALTER = {-2: "__", -1: "_", 0: "=", 1: "^", 2: "^^"}


@dataclass(slots=True)
class ReadBar:
    """A bar as read: the raw bar, and what the parts' rules cannot tell from it."""

    raw: RawBar
    number: str
    implicit: bool = False
    ending_stops: bool = False

    def finished(self, bar: Bar, place: Place) -> Bar:
        """Return the bar with what only this file says of it."""
        return replace(bar, ending_closed=bar.ending_closed or self.ending_stops, place=place)


@dataclass(slots=True)
class _TimeChange:
    """A note's membership in a tuplet as the file tells it."""

    actual: int
    normal: int
    starts: bool
    stops: bool


@dataclass
class PartReader:
    """Reads measures one after another and remembers what is in force."""

    source: str
    title: str
    first_key: str = ""
    bars: list[ReadBar] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    tempo: Tempo | None = None
    divisions: Fraction = Fraction(1)
    metre: Metre | None = None
    key: Key | None = None
    voice: str | None = None
    current: ReadBar | None = None
    n_measures: int = 0
    said: set[str] = field(default_factory=set)
    # What waits for its note, or for its bar.
    graces: list[Grace] = field(default_factory=list)
    slashed: bool = False
    slurs_from_graces: int = 0
    texts: list[str] = field(default_factory=list)
    signs: list[str] = field(default_factory=list)
    changes: list[tuple[str, str]] = field(default_factory=list)
    label: str | None = None
    ending: tuple[int, ...] = ()
    repeat_start: bool = False
    # Where the part stands within its measure, in divisions, and where its next note is due.
    position: Fraction = Fraction(0)
    due: Fraction = Fraction(0)
    notes: list[tuple[Note, _TimeChange | None]] = field(default_factory=list)

    def read(self, measures: Iterable[Element], *, rehearsal_marks_begin_parts: bool) -> None:
        """Read all measures; the bars then stand in ``bars``."""
        for measure in measures:
            self._read_measure(measure, rehearsal_marks_begin_parts=rehearsal_marks_begin_parts)
        if self.graces:
            self._warn("gracenotes", "gracenotes stand after the last note and are left out", "Put them before a note.")
        if self.bars:
            self.bars[-1].raw.line_end = True
        self._continue_split_bars()

    # -- measures --------------------------------------------------------------------------------------------

    def _read_measure(self, measure: Element, *, rehearsal_marks_begin_parts: bool) -> None:
        self.n_measures += 1
        number = measure.get("number", str(self.n_measures))
        self.position = self.due = Fraction(0)
        self._open(number, implicit=measure.get("implicit") == "yes")
        for element in measure:
            tag = element.tag
            if tag == "note":
                self._read_note(element)
            elif tag == "attributes":
                self._read_attributes(element)
            elif tag == "barline":
                self._read_barline(element)
            elif tag == "direction":
                self._read_direction(element, rehearsal_marks_begin_parts=rehearsal_marks_begin_parts)
            elif tag == "sound":
                self._read_sound(element)
            elif tag == "bookmark" and element.get("name") == "part":
                self.label = self.label or ""
            elif tag == "print" and "yes" in (element.get("new-system"), element.get("new-page")) and self.bars:
                self.bars[-1].raw.line_end = True
            elif tag == "backup":
                self.position -= self._number_in(element, "duration")
            elif tag == "forward":
                self.position += self._number_in(element, "duration")
        self._close(BarLine.SINGLE)

    def _open(self, number: str, *, implicit: bool) -> None:
        raw = RawBar((), 0, 1, None, HIGHLAND_PIPES, "", self.n_measures, 1, ())
        self.current = ReadBar(raw, number, implicit)

    def _close(self, closing: BarLine, repeat_end: int = 0) -> None:
        """End the bar under way; a bar without notes hands what it holds to the next."""
        current = self.current
        if current is None:
            return
        raw = current.raw
        if raw.closing is BarLine.NONE:
            raw.closing = closing
        raw.repeat_end = max(raw.repeat_end, repeat_end)
        if not self.notes:
            self._hand_over_empty(current)
            return
        raw.notes = tuple(_with_tuplets(self.notes))
        length = sum((note.length for note in raw.notes), Fraction(0))
        raw.numerator, raw.denominator = length.numerator, length.denominator
        raw.metre, raw.key = self.metre, self.key or key_named("C")
        raw.changes, self.changes = tuple(self.changes), []
        raw.repeat_start, self.repeat_start = self.repeat_start, False
        raw.ending, self.ending = self.ending, ()
        raw.label, self.label = self.label, None
        self.notes = []
        self.bars.append(current)
        self.current = None

    def _hand_over_empty(self, current: ReadBar) -> None:
        if self.bars:
            before = self.bars[-1]
            before.raw.close(current.raw.closing, current.raw.repeat_end)
            before.ending_stops = before.ending_stops or current.ending_stops
        self.current = None

    def _continue_split_bars(self) -> None:
        # A bar without a visible line, before an unnumbered one, is the first piece of a bar.
        for bar, following in zip(self.bars, self.bars[1:], strict=False):
            if bar.raw.closing is BarLine.INVISIBLE and following.implicit:
                bar.raw.closing = BarLine.NONE

    # -- attributes ------------------------------------------------------------------------------------------

    def _read_attributes(self, element: Element) -> None:
        divisions = self._number_in(element, "divisions")
        if divisions > 0:
            self.divisions = divisions
        key, time = element.find("key"), element.find("time")
        if key is not None:
            self._read_key(key)
        if time is not None:
            self._read_metre(time)

    def _read_key(self, element: Element) -> None:
        found = self._key_of(element)
        if self.key is not None and found != self.key:
            self.changes.append(("K", found.text))
        self.key = found

    def _key_of(self, element: Element) -> Key:
        alters = self._alters_of(element)
        if alters == HIGHLAND_PIPES.alters and element.get("print-object") == "no":
            return HIGHLAND_PIPES
        if self.key is None and self.first_key:
            try:
                named = key_named(self.first_key)
            except MusicError:
                pass
            else:
                if named.alters == alters:
                    return named
        if element.find("fifths") is not None:
            fifths = max(-7, min(7, int(self._number_in(element, "fifths"))))
            return key_named(abc_key(fifths, element.findtext("mode", "major").strip()))
        signs = [f"{_SIGN_OF_ALTER[alter]}{step.lower()}" for step, alter in zip(_STEPS, alters, strict=True) if alter]
        return key_named(" ".join(["C", "exp", *signs]))

    def _alters_of(self, element: Element) -> Alters:
        if element.find("fifths") is not None:
            return signature_alters(max(-7, min(7, int(self._number_in(element, "fifths")))))
        alters = dict.fromkeys(_STEPS, 0)
        for step, alter in zip(element.findall("key-step"), element.findall("key-alter"), strict=False):
            letter = (step.text or "").strip()
            if letter in alters:
                alters[letter] = max(-2, min(2, round(self._number_of(alter))))
        c, d, e, f, g, a, b = alters.values()
        return (c, d, e, f, g, a, b)

    def _read_metre(self, element: Element) -> None:
        found: Metre | None = None
        if element.find("senza-misura") is None:
            found = self._metre_of(element)
        if self.bars and found != self.metre:
            text = "none" if found is None else found.text or str(found)
            self.changes.append(("M", text))
        self.metre = found

    def _metre_of(self, element: Element) -> Metre | None:
        pairs: list[tuple[int, int]] = []
        for counted, by in zip(element.findall("beats"), element.findall("beat-type"), strict=False):
            counts = [int(count) for count in re.findall(r"\d{1,3}", counted.text or "")]
            pairs.append((sum(counts), int(self._number_of(by))))
        if not pairs or any(unit < 1 or unit & (unit - 1) or beats < 1 for beats, unit in pairs):
            self._warn("metre", "the time signature cannot be read; the metre is taken as free", "Write it as 6/8.")
            return None
        unit = max(unit for _, unit in pairs)
        beats = sum(beats * unit // own for beats, own in pairs)
        symbol = {"common": "C", "cut": "C|"}.get(element.get("symbol", ""))
        return Metre(beats, unit, symbol or f"{beats}/{unit}")

    # -- bar lines -------------------------------------------------------------------------------------------

    def _read_barline(self, element: Element) -> None:
        location = element.get("location", "right")
        self._read_ending(element.find("ending"))
        repeat = element.find("repeat")
        direction = repeat.get("direction") if repeat is not None else None
        times = repeat.get("times", "2") if repeat is not None else "2"
        repeat_end = max(1, int(times) - 1 if times.isdigit() else 1) if direction == "backward" else 0
        look = LINES_OF_STYLE.get(element.findtext("bar-style", "regular").strip(), BarLine.SINGLE)
        if repeat_end and look is BarLine.END:
            look = BarLine.SINGLE  # every repeat sign is light-heavy
        if location == "middle":
            self._split_bar(look, repeat_end)
        elif location == "right" and self.current is not None:
            raw = self.current.raw
            raw.closing, raw.repeat_end = look, repeat_end
        if direction == "forward":
            self.repeat_start = True

    def _split_bar(self, look: BarLine, repeat_end: int) -> None:
        number = self.current.number if self.current is not None else ""
        self._close(look, repeat_end)
        self._open(number, implicit=True)

    def _read_ending(self, element: Element | None) -> None:
        if element is None:
            return
        if element.get("type") == "start":
            try:
                self.ending = passes_named(element.get("number", "").replace(" ", ""))
            except MusicError as error:
                self._warn("ending", str(error).rstrip("."), "Number it 1, 2 or 1,2.")
        elif self.current is not None:
            self.current.ending_stops = True

    # -- directions ------------------------------------------------------------------------------------------

    def _read_direction(self, element: Element, *, rehearsal_marks_begin_parts: bool) -> None:
        mark = {"above": "^", "below": "_"}.get(element.get("placement", ""), "")
        for kind in element.iterfind("direction-type/*"):
            text = (kind.text or "").strip()
            if kind.tag == "words" and text:
                self.texts.append(mark + text)
            elif kind.tag == "rehearsal" and text:
                if rehearsal_marks_begin_parts or self.label is not None:
                    self.label = text
                else:
                    self.texts.append("^" + text)
            elif kind.tag in ("segno", "coda"):
                self.signs.append(kind.tag)
            elif kind.tag == "metronome":
                self._read_metronome(kind)
        sound = element.find("sound")
        if sound is not None:
            self._read_sound(sound)

    def _read_metronome(self, element: Element) -> None:
        plain = TYPE_LENGTHS.get(element.findtext("beat-unit", "").strip())
        found = _NUMBER.search(element.findtext("per-minute", ""))
        if plain is None or found is None or float(found[0]) <= 0:
            return
        n_dots = len(element.findall("beat-unit-dot"))
        self._take_tempo(Tempo(float(found[0]), plain * (2 - Fraction(1, 2**n_dots)), ""))

    def _read_sound(self, element: Element) -> None:
        tempo = _NUMBER.fullmatch(element.get("tempo", "").strip())
        if tempo is not None and float(tempo[0]) > 0 and self.tempo is None:
            self._take_tempo(Tempo(float(tempo[0]), Fraction(1, 4), ""))
        jumps = [name for name in _JUMPS if element.get(name)]
        if jumps:
            self._warn(
                "jump", f"a jump ({jumps[0]}) is not followed", "Write the bars out in the order they are played."
            )

    def _take_tempo(self, tempo: Tempo) -> None:
        text = f"{tempo.beat_length}={tempo.bpm:g}"
        if self.tempo is None and not self.bars:
            self.tempo = replace(tempo, text=text)
        else:
            self.changes.append(("Q", text))

    # -- notes -----------------------------------------------------------------------------------------------

    def _read_note(self, element: Element) -> None:
        is_grace = element.find("grace") is not None
        duration = Fraction(0) if is_grace else self._number_in(element, "duration")
        in_chord = element.find("chord") is not None
        start = self.position
        if not in_chord:
            self.position += duration
        if not self._is_read(element):
            return
        if is_grace:
            self._take_grace(element, in_chord=in_chord)
        elif in_chord:
            self._add_to_chord(element)
        else:
            if start > self.due:
                self._add_rest(start - self.due)
            self._add_note(element, duration)
            self.due = start + duration

    def _is_read(self, element: Element) -> bool:
        """Whether a note belongs to the first voice of the first staff."""
        if element.find("cue") is not None or element.find("unpitched") is not None:
            return False
        staff, voice = element.findtext("staff", "1").strip(), element.findtext("voice", "").strip()
        if self.voice is None and staff == "1":
            self.voice = voice
        if staff == "1" and voice == self.voice:
            return True
        if "voice" not in self.said:
            self.said.add("voice")
            self._warn("voice", "the part has more than one voice; only the first is read", "Keep the pipe's own line.")
        return False

    def _take_grace(self, element: Element, *, in_chord: bool) -> None:
        pitch = self._pitch_of(element)
        if pitch is None or in_chord:
            return
        mark = element.find("grace")
        if mark is not None and mark.get("slash") == "yes":
            self.slashed = True
        self.slurs_from_graces += sum(slur.get("type") == "start" for slur in element.iterfind("notations/slur"))
        length = _typed_length(element)
        self.graces.append(Grace(pitch, grace_unit(self.key or HIGHLAND_PIPES) if length is None else length))

    def _add_to_chord(self, element: Element) -> None:
        pitch = self._pitch_of(element)
        if pitch is not None and self.notes:
            note, change = self.notes[-1]
            self.notes[-1] = (replace(note, pitches=(*note.pitches, pitch)), change)

    def _add_rest(self, duration: Fraction) -> None:
        self.notes.append((Note((), duration / self.divisions / 4, invisible=True), None))

    def _add_note(self, element: Element, duration: Fraction) -> None:
        if duration <= 0:
            self._warn("note", "a note has no duration and is left out", "Give it one.")
            return
        pitch = self._pitch_of(element)
        change = _time_change(element)
        notations = [found for group in element.iterfind("notations") for found in group]
        slurs = [found.get("type") for found in notations if found.tag == "slur"]
        note = Note(
            () if pitch is None else (pitch,),
            self._written_length(element, duration, change),
            tuple(self.graces),
            tied=any(tie.get("type") == "start" for tie in element.iterfind("tie")),
            joined=any(
                beam.get("number", "1") == "1" and beam.text in ("begin", "continue")
                for beam in element.iterfind("beam")
            ),
            decorations=(*self.signs, *_decorations(notations)),
            figure=_figure(notations),
            texts=tuple(self.texts),
            slurs_opened=slurs.count("start") + self.slurs_from_graces,
            slurs_closed=slurs.count("stop"),
            slashed_graces=self.slashed and bool(self.graces),
            invisible=pitch is None and element.get("print-object") == "no",
        )
        self.notes.append((note, change))
        self.graces, self.slashed, self.slurs_from_graces = [], False, 0
        self.texts, self.signs = [], []

    def _written_length(self, element: Element, duration: Fraction, change: _TimeChange | None) -> Fraction:
        """Return the written length: the note's type where it agrees with the duration to half a division.

        Programs round the durations of odd tuplets to whole divisions; the type is then the truer of the two.
        """
        factor = Fraction(change.actual, change.normal) if change is not None else Fraction(1)
        typed = _typed_length(element)
        if typed is not None and abs(typed / factor * 4 * self.divisions - duration) <= Fraction(1, 2):
            return typed
        return duration / self.divisions / 4 * factor

    def _pitch_of(self, element: Element) -> Pitch | None:
        pitch = element.find("pitch")
        if pitch is None:
            return None
        step = _STEPS.find(pitch.findtext("step", "").strip() or "?")
        octave = self._number_in(pitch, "octave")
        if step < 0:
            self._warn("note", "a note has no step", "Give it one of A to G.")
            return None
        return Pitch(7 * int(octave) + step, round(self._number_in(pitch, "alter")))

    # -- small things ----------------------------------------------------------------------------------------

    def _number_in(self, element: Element, tag: str) -> Fraction:
        found = element.find(tag)
        return Fraction(0) if found is None else self._number_of(found)

    def _number_of(self, element: Element) -> Fraction:
        text = (element.text or "").strip()
        if _NUMBER.fullmatch(text):
            return Fraction(text)
        self._warn("number", f"{text[:20]!r} in <{element.tag}> is no number; 0 is taken", "Correct it.")
        return Fraction(0)

    def _warn(self, kind: str, says: str, remedy: str) -> None:
        where = f"measure {self.current.number}: " if self.current is not None else ""
        place = Place(self.source, tune=self.title)
        self.problems.append(Problem(place, kind, where + says, remedy, severity=Severity.WARNING))


def _typed_length(element: Element) -> Fraction | None:
    plain = TYPE_LENGTHS.get(element.findtext("type", "").strip())
    if plain is None:
        return None
    return plain * (2 - Fraction(1, 2 ** len(element.findall("dot"))))


def _time_change(element: Element) -> _TimeChange | None:
    change = element.find("time-modification")
    if change is None:
        return None
    actual, normal = (change.findtext(tag, "").strip() for tag in ("actual-notes", "normal-notes"))
    if not (actual.isdigit() and normal.isdigit() and int(actual) and int(normal)):
        return None
    kinds = [found.get("type") for found in element.iterfind("notations/tuplet")]
    return _TimeChange(int(actual), int(normal), "start" in kinds, "stop" in kinds)


def _decorations(notations: list[Element]) -> Iterator[str]:
    for notation in notations:
        if notation.tag == "fermata":
            yield "fermata"
        elif notation.tag in ("ornaments", "articulations"):
            for mark in notation:
                if mark.tag == "other-articulation" and mark.text:
                    yield mark.text.strip()
                elif mark.tag in DECORATION_OF_ELEMENT:
                    yield DECORATION_OF_ELEMENT[mark.tag]


def _figure(notations: list[Element]) -> str | None:
    names = [found.text.strip() for found in notations if found.tag == "other-notation" and found.text]
    return names[0] if names else None


def _with_tuplets(notes: list[tuple[Note, _TimeChange | None]]) -> Iterator[Note]:
    """Yield a bar's notes, those of a tuplet counted: from its start to its stop, or until it is full."""
    index = 0
    while index < len(notes):
        note, change = notes[index]
        if change is None:
            yield note
            index += 1
            continue
        size = _tuplet_size(notes[index:], change)
        for position in range(size):
            yield replace(notes[index + position][0], tuplet=Tuplet(change.actual, change.normal, size, position))
        index += size


def _tuplet_size(notes: list[tuple[Note, _TimeChange | None]], first: _TimeChange) -> int:
    marked = any(change is not None and change.stops for _, change in notes)
    full = notes[0][0].written * first.actual
    filled = Fraction(0)
    for size, (note, change) in enumerate(notes):
        if change is None or (change.actual, change.normal) != (first.actual, first.normal) or (size and change.starts):
            return size
        filled += note.written
        if change.stops or (not marked and filled >= full):
            return size + 1
    return len(notes)
