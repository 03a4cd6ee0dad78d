"""Tunes to ABC text: reading what was written gives an equal tune.

The text is plain ABC 2.1: lengths as short as they go, ``>`` and ``<`` where two joined notes make a broken pair,
an accidental only where the key and the bar do not already say it, one line of text for one line of music.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from graith.errors import MusicError
from graith.music._fields import metre_named, names_key, tempo_named, unit_named, user_symbol
from graith.music._header import spread_of
from graith.music._sounds import takes_three, usual_tuplet_normal
from graith.music._text import escaped_text
from graith.music.keys import grace_unit, key_named
from graith.music.model import Bar, BarLine, Grace, Key, Metre, Note, Part, Pitch, Tempo, Tune

_SIGN_OF_ALTER = {2: "^^", 1: "^", 0: "=", -1: "_", -2: "__"}
_SHORT_DECORATIONS = frozenset(".~HLMOPSTuv")
_INLINE_LETTERS = frozenset("IKLMNQRUr")
_RAW_LETTERS = frozenset("MKLQU")
_OCTAVE_OF_CAPITALS = 4
_DEEPEST_DOTTING = 4


def write_book(tunes: Iterable[Tune]) -> str:
    r"""Return tunes as one ABC text, an empty line between them.

    Examples
    --------
    >>> from graith.music.read_abc import read_book
    >>> text = "X:1\nT:A\nM:2/4\nL:1/8\nK:HP\ne4 |]\n\nX:2\nT:B\nM:2/4\nL:1/8\nK:HP\nf4 |]\n"
    >>> write_book(read_book(text).tunes) == text
    True
    """
    return "\n".join(write_abc(tune) for tune in tunes)


def write_abc(tune: Tune) -> str:
    r"""Return a tune as ABC 2.1 text, ending with a line break.

    Parameters
    ----------
    tune : Tune
        As :func:`~graith.music.read_abc.read_tune` gives it. A tune built by hand must keep the reader's ways: a part
        must end where the reader would end it (see docs/music.md), texts hold no line breaks.

    Examples
    --------
    >>> from graith.music.read_abc import read_tune
    >>> print(write_abc(read_tune("X:1\nT:Scale\nM:2/4\nL:1/8\nK:HP\n{g}A3/2B/2{gcd}ce|f4|]")), end="")
    X:1
    T:Scale
    M:2/4
    L:1/8
    K:HP
    {g}A>B{gcd}ce | f4 |]
    """
    lines = _header_lines(tune)
    return "\n".join(lines) + "\n" + _body(tune)


def _header_lines(tune: Tune) -> list[str]:
    lines = [f"X:{tune.number}"]
    lines += [f"T:{escaped_text(title)}" for title in tune.titles]
    lines += [f"C:{escaped_text(composer)}" for composer in tune.composers]
    if tune.rhythm:
        lines.append(f"R:{escaped_text(tune.rhythm)}")
    if tune.source:
        lines.append(f"S:{escaped_text(tune.source)}")
    lines += [f"N:{escaped_text(note)}" for note in tune.notes]
    lines += [f"{letter}:{escaped_text(value)}" for letter, value in tune.fields if letter not in "QW"]
    lines += [f"%%{directive}" for directive in tune.directives]
    if tune.part_order:
        lines.append(f"P:{tune.part_order}")
    lines.append(f"M:{_metre_text(tune.metre)}")
    lines.append(f"L:{tune.unit.numerator}/{tune.unit.denominator}" if tune.unit.denominator > 1 else f"L:{tune.unit}")
    if tune.tempo is not None:
        lines.append(f"Q:{_tempo_text(tune.tempo, tune.unit)}")
    lines += [f"Q:{value}" for letter, value in tune.fields if letter == "Q"]
    lines += [f"W:{escaped_text(value)}" for letter, value in tune.fields if letter == "W"]
    lines.append(f"K:{tune.key.text}")
    return lines


def _metre_text(metre: Metre | None) -> str:
    if metre is None:
        return "none"
    return metre.text if metre.text and metre_named(metre.text) == metre else str(metre)


def _tempo_text(tempo: Tempo, unit: Fraction) -> str:
    if tempo.text:
        try:
            if tempo_named(tempo.text, unit) == tempo:
                return tempo.text
        except MusicError:
            pass
    bpm = int(tempo.bpm) if tempo.bpm == int(tempo.bpm) else tempo.bpm
    return f"{tempo.beat_length.numerator}/{tempo.beat_length.denominator}={bpm}"


def _body(tune: Tune) -> str:
    page = _Page(tune.unit, tune.metre, tune.key, spread_of(tune.directives, tune.fields))
    for letter, value in tune.fields:
        if letter == "U":
            page.redefine(value)
    for part in tune.parts:
        page.write_part(part)
    return page.text()


@dataclass
class _Page:
    """The body as it is written; remembers what is in force, as the reader does."""

    unit: Fraction
    metre: Metre | None
    key: Key
    spread: str
    lines: list[str] = field(default_factory=list)
    line: str = ""
    line_closed: bool = True
    alterations: dict[int, int] = field(default_factory=dict)
    tie: Pitch | None = None
    redefined: set[str] = field(default_factory=set)

    def redefine(self, value: str) -> None:
        """Remember that a letter no longer stands for its usual decoration."""
        if symbol := user_symbol(value):
            self.redefined.add(symbol[0])

    def text(self) -> str:
        self.end_line()
        return "".join(line + "\n" for line in self.lines)

    def end_line(self) -> None:
        if self.line:
            self.lines.append(self.line.rstrip())
            self.line = ""

    def own_line(self, text: str) -> None:
        """Write a field on a line of its own, without breaking the line of music around it."""
        if self.line and not self.line_closed:
            self.line = self.line.rstrip() + " \\"
        self.end_line()
        self.lines.append(text)

    def put(self, text: str) -> None:
        if self.line and not self.line.endswith(" "):
            self.line += " "
        self.line += text
        self.line_closed = False

    def write_part(self, part: Part) -> None:
        if part.label:
            self.own_line(f"P:{escaped_text(part.label)}")
        for bar in part.bars:
            self.write_bar(bar)

    def write_bar(self, bar: Bar) -> None:
        if bar.repeat_start:
            self.put_repeat_start()
        if bar.ending:
            self.put_ending(_passes_text(bar.ending))
        for letter, value in bar.changes:
            self.write_change(letter, value)
        self.put(self.notes_text(bar.notes))
        if bar.closing is not BarLine.NONE:
            self.put(":" * bar.repeat_end + bar.closing.value)
            self.alterations.clear()
        if bar.line_end:
            self.line_closed = True
            self.end_line()

    def put_repeat_start(self) -> None:
        """Write ``|:``, drawn together with a bar line on the same spot: ``::`` (ABC 2.1 §4.8)."""
        if self.line.endswith(" :|"):
            self.line = self.line[:-1] + ":"
        elif self.line.endswith(" |"):
            self.line += ":"
        else:
            self.put("|:")

    def put_ending(self, passes: str) -> None:
        """Write an ending, drawn together with a bar line on the same spot: ``|1`` (ABC 2.1 §4.9)."""
        if self.line.endswith((" |", " :|")):
            self.line += passes
        else:
            self.put("[" + passes)

    def write_change(self, letter: str, value: str) -> None:
        text = value if letter in _RAW_LETTERS else escaped_text(value)
        if letter == "%%":
            self.own_line(f"%%{value}")
        elif letter in _INLINE_LETTERS and "]" not in text:
            self.put(f"[{letter}:{text}]")
        else:
            self.own_line(f"{letter}:{text}")
        if letter == "U":
            self.redefine(value)
        elif letter == "M":
            self.metre = metre_named(value)
        elif letter == "L":
            self.unit = unit_named(value)
        elif letter == "K" and names_key(value):
            self.key = key_named(value)

    # -- notes -----------------------------------------------------------------------------------------------

    def notes_text(self, notes: Sequence[Note]) -> str:
        pieces: list[str] = []
        broken: Fraction | None = None
        for index, note in enumerate(notes):
            written, mark = note.written, ""
            if broken is not None:
                written, broken = broken, None
            elif index + 1 < len(notes) and note.joined:
                written, broken, mark = _broken_pair(note, notes[index + 1])
            pieces.append(self.lead_text(note) + self.sound_text(note, written))
            pieces.append("-" * note.tied + mark + ")" * note.slurs_closed)
            if not note.joined and index + 1 < len(notes):
                pieces.append(" ")
            self.tie = None
        self.keep_tie(notes)
        return "".join(pieces)

    def keep_tie(self, notes: Sequence[Note]) -> None:
        """Remember an altered note tied over the bar line: it needs no second sign."""
        last = notes[-1]
        if last.tied and last.pitches and last.pitches[0].alter != self.key.alters[last.pitches[0].diatonic % 7]:
            self.tie = last.pitches[0]

    def lead_text(self, note: Note) -> str:
        text = "(" * note.slurs_opened
        if note.tuplet is not None and note.tuplet.index == 0:
            text += self.tuplet_text(note)
        if note.graces and note.figure is None:
            text += self.graces_text(note.graces, note.slashed_graces)
        text += "".join(f'"{_quoted(words)}"' for words in note.texts)
        return text + "".join(self.decoration(name) for name in note.decorations) + _figure(note)

    def decoration(self, name: str) -> str:
        return name if name in _SHORT_DECORATIONS and name not in self.redefined else f"!{name}!"

    def tuplet_text(self, note: Note) -> str:
        tuplet = note.tuplet
        assert tuplet is not None
        usual = tuplet.normal == usual_tuplet_normal(tuplet.actual, takes_three(self.metre)) and 2 <= tuplet.actual <= 9
        if tuplet.count != tuplet.actual:
            return f"({tuplet.actual}:{'' if usual else tuplet.normal}:{tuplet.count}"
        return f"({tuplet.actual}" if usual else f"({tuplet.actual}:{tuplet.normal}"

    def graces_text(self, graces: Sequence[Grace], slashed: bool) -> str:
        unit = grace_unit(self.key)
        notes = "".join(self.pitch_text(grace.pitch, None) + _length_text(grace.length / unit) for grace in graces)
        return "{" + "/" * slashed + notes + "}"

    def sound_text(self, note: Note, written: Fraction) -> str:
        length = _length_text(written / self.unit)
        if not note.pitches:
            return ("x" if note.invisible else "z") + length
        if len(note.pitches) == 1:
            return self.pitch_text(note.pitches[0], self.tie) + length
        return "[" + "".join(self.pitch_text(pitch, self.tie) for pitch in note.pitches) + "]" + length

    def pitch_text(self, pitch: Pitch, tie: Pitch | None) -> str:
        return self.accidental(pitch, tie) + _letter(pitch)

    def accidental(self, pitch: Pitch, tie: Pitch | None) -> str:
        """Return the sign a pitch needs here; remember it for the rest of the bar."""
        place = pitch.diatonic % 7 if self.spread == "pitch" else pitch.diatonic
        if tie is not None and tie.diatonic == pitch.diatonic:
            if tie.alter == pitch.alter:
                return ""
        elif self.alterations.get(place, self.key.alters[pitch.diatonic % 7]) == pitch.alter:
            return ""
        if self.spread != "not":
            self.alterations[place] = pitch.alter
        return _SIGN_OF_ALTER[pitch.alter]


def _letter(pitch: Pitch) -> str:
    octave = pitch.octave
    if octave <= _OCTAVE_OF_CAPITALS:
        return pitch.letter + "," * (_OCTAVE_OF_CAPITALS - octave)
    return pitch.letter.lower() + "'" * (octave - _OCTAVE_OF_CAPITALS - 1)


def _length_text(factor: Fraction) -> str:
    """Return a length in units: nothing for one, ``3``, ``/``, ``3/2`` (ABC 2.1 §4.3)."""
    count = "" if factor.numerator == 1 else str(factor.numerator)
    if factor.denominator == 1:
        return count
    return f"{count}/" if factor.denominator == 2 and not count else f"{count}/{factor.denominator}"


def _broken_pair(first: Note, second: Note) -> tuple[Fraction, Fraction | None, str]:
    """Return how to write two joined notes as a broken pair, or the first as it is when they make none."""
    if first.tuplet is not None or second.tuplet is not None or first.is_rest or second.is_rest:
        return first.written, None, ""
    half = (first.written + second.written) / 2
    for depth in range(1, _DEEPEST_DOTTING):
        short = half / 2**depth
        if second.written == short:
            return half, half, ">" * depth
        if first.written == short:
            return half, half, "<" * depth
    return first.written, None, ""


def _figure(note: Note) -> str:
    return "" if note.figure is None or note.figure in note.decorations else f"!{note.figure}!"


def _quoted(words: str) -> str:
    return escaped_text(words).replace('"', "&quot;")


def _passes_text(passes: Sequence[int]) -> str:
    return ",".join(str(number) for number in passes)
