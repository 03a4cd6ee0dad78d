"""A tune's music: lines of ABC to a row of bars, with what stands between them."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from fractions import Fraction
from functools import lru_cache

from graith.errors import MusicError, Severity
from graith.music._bar_lines import STRETCH, sign_of
from graith.music._bar_text import BarText, Memories, Setting
from graith.music._fields import passes_named
from graith.music._parts import RawBar
from graith.music._run import Reading, Slip
from graith.music.model import BarLine, Note

_INLINE = re.compile(r'"[^"]*"|\[([A-Za-z]):[ \t]*([^\]]*)\]')
_WHOLE_BARS = re.compile(r"([ZX])(\d{0,3})[ \t]*")
_MOST_REST_BARS = 500
_STRAY = {
    "[": ("a bracket [ is never closed", "Close it or take it out.", Severity.ERROR),
    '"': ("a quotation mark is never closed", "Close it or take it out.", Severity.ERROR),
    "!": ("a single ! was once a line break and is passed over", "Take it out.", Severity.WARNING),
    ":": ("a colon stands alone", "Make it a repeat sign, as :|, or take it out.", Severity.ERROR),
}

FieldTaker = Callable[[str, str, int, int, str], None]
"""Takes an inline field: its letter, value, line, column, and the text around it."""


class Body:
    """Gathers bars. What is met before a bar's first note waits for that bar."""

    def __init__(self, memories: Memories, setting: Setting, take_field: FieldTaker) -> None:
        self.memories = memories
        self.setting = setting
        self.bar_text = BarText(memories.of(setting))
        self.take_field = take_field
        self.muted = False
        self.bars: list[RawBar] = []
        self.current: RawBar | None = None
        self.alterations: dict[int, int] = {}
        self.breaks_inside = False
        self.repeat_start = False
        self.ending: tuple[int, ...] = ()
        self.changes: list[tuple[str, str]] = []
        self.label: str | None = None
        self.slips: list[tuple[int, Slip]] = []

    def use(self, setting: Setting) -> None:
        """Read on under another setting."""
        self.setting = setting
        self.bar_text = BarText(self.memories.of(setting), self.bar_text.carry)

    def take_line(self, line: str, number: int) -> None:
        """Take a line of music, its comment already gone."""
        line = line.rstrip()
        continues = line.endswith("\\")
        if continues:
            line = line[:-1]
        for found in STRETCH.finditer(line):
            text, sign, passes, alone, stray = found.groups()
            if text:
                if sign == "|" and text[-1] == ".":
                    text, sign = text[:-1], ".|"
                if text:
                    self.take_stretch(text, found.start(1), number)
            if sign == "|":
                self.close(BarLine.SINGLE, 0, number)
            elif sign:
                self.take_sign(sign, number)
            if passes or alone:
                self.begin_ending(passes or alone, number, found.start("passes" if passes else "alone"))
            elif stray:
                self.keep_slips([Slip(found.start("stray"), "character", *_STRAY[stray])], number)
        if not continues:
            self.break_line()

    def break_line(self) -> None:
        """End the line of music after the bar under way, or after the last one."""
        if self.current is not None:
            self.breaks_inside = True
        elif self.bars:
            self.bars[-1].line_end = True

    # -- stretches of text -----------------------------------------------------------------------------------

    def take_stretch(self, text: str, start: int, number: int) -> None:
        """Take what stands before a bar line."""
        if "[" in text and any(found[1] for found in _INLINE.finditer(text)):
            self.take_stretch_with_fields(text, start, number)
            return
        if self.muted:
            return
        if text[0] in "ZX" and self.current is None and (found := _WHOLE_BARS.fullmatch(text)):
            self.take_rest_bars(found, start, number)
            return
        text = text.rstrip()
        reading = self.bar_text.read(text, self.alterations)
        if reading.notes:
            self.add(reading, text, start + 1, number)
        if reading.alterations:
            self.alterations = dict(reading.alterations)
        if reading.slips:
            self.keep_slips([slip._replace(offset=slip.offset + start) for slip in reading.slips], number)

    def take_stretch_with_fields(self, text: str, start: int, number: int) -> None:
        at = 0
        for found in _INLINE.finditer(text):
            if not found[1]:
                continue
            self.take_piece(text, at, found.start(), start, number)
            self.take_field(found[1], found[2].strip(), number, start + found.start() + 1, text)
            at = found.end()
        self.take_piece(text, at, len(text), start, number)

    def take_piece(self, text: str, begin: int, end: int, start: int, number: int) -> None:
        piece = text[begin:end]
        if bare := piece.strip():
            self.take_stretch(bare, start + begin + piece.index(bare[0]), number)

    def take_rest_bars(self, found: re.Match[str], start: int, number: int) -> None:
        """Take a rest of several bars as so many bars (ABC 2.1 §4.5)."""
        count = int(found[2] or 1)
        slips = []
        if not 1 <= count <= _MOST_REST_BARS:
            slips.append(Slip(start, "rest", f"a rest of {count} bars cannot be", "Write Z4 or so."))
            count = 1
        if self.setting.metre is None:
            says = "a rest of whole bars has no length in free metre; it is read as a semibreve"
            slips.append(Slip(start, "rest", says, "Write its length, as z8.", Severity.WARNING))
        length = self.setting.metre.length if self.setting.metre is not None else Fraction(1)
        rest = Reading(
            (Note((), length, invisible=found[1] == "X"),),
            (start + 1,),
            length.numerator,
            length.denominator,
            {},
            (),
            False,
        )
        for index in range(count):
            if index:
                self.close(BarLine.SINGLE, 0, number)
            self.add(rest, found[0].strip(), start + 1, number)
        self.keep_slips(slips, number)

    # -- bars ------------------------------------------------------------------------------------------------

    def add(self, reading: Reading, text: str, column: int, number: int) -> None:
        """Add notes to the bar under way, or begin one with them."""
        columns = _moved(reading.offsets, column)
        current = self.current
        if current is not None:
            current.notes += reading.notes
            current.lengthen(reading.numerator, reading.denominator)
            current.text += " " + text
            current.columns += columns
            current.decorated = current.decorated or reading.decorated
            return
        setting = self.setting
        current = self.current = RawBar(
            reading.notes, reading.numerator, reading.denominator, setting.metre, setting.key, text, number, column,
            columns,
        )  # fmt: skip
        if reading.decorated:
            current.decorated = True
        if self.repeat_start:
            current.repeat_start, self.repeat_start = True, False
        if self.ending:
            current.ending, self.ending = self.ending, ()
        if self.changes:
            current.changes, self.changes = tuple(self.changes), []
        if self.label is not None:
            current.label, self.label = self.label, None
        if self.slips:
            current.slips, self.slips = self.slips, []

    def close(self, look: BarLine, repeat_end: int, number: int) -> None:
        """Close the bar under way, or thicken the line of the bar before when none is."""
        current = self.current
        if self.alterations and look:
            self.alterations = {}
        if current is None:
            if self.bars and self.label is None and look and not self.muted:
                self.bars[-1].close(look, repeat_end)
            return
        if self.muted:
            return
        if self.bar_text.carry is not None and look:
            self.keep_slips(self.bar_text.end_bar(), number)
        current.closing = look
        current.repeat_end = repeat_end
        if self.breaks_inside:
            current.line_end, self.breaks_inside = True, False
        self.bars.append(current)
        self.current = None

    def take_sign(self, text: str, number: int) -> None:
        """Take a bar line other than the plain one (ABC 2.1 §4.8)."""
        look, repeat_end, repeat_start = sign_of(text)
        self.close(look, repeat_end, number)
        if repeat_start and not self.muted:
            self.repeat_start = True

    def begin_ending(self, text: str, number: int, start: int) -> None:
        """Begin an ending, in mid-bar if need be (ABC 2.1 §4.9, §4.10)."""
        if self.muted:
            return
        try:
            passes = passes_named(text)
        except MusicError as error:
            self.keep_slips([Slip(start, "ending", str(error).rstrip("."))], number)
        else:
            self.close(BarLine.NONE, 0, number)
            self.ending = passes

    def change(self, letter: str, value: str) -> None:
        """Keep a field with the bar it stands in."""
        if self.current is not None:
            self.current.changes += ((letter, value),)
        else:
            self.changes.append((letter, value))

    def keep_slips(self, slips: Sequence[Slip], number: int) -> None:
        """Keep what is wrong until its part and bar are known."""
        if self.muted or not slips:
            return
        placed = [(number, slip) for slip in slips]
        if self.current is None:
            self.slips += placed
        else:
            self.current.slips = [*self.current.slips, *placed]

    def forget_reader(self) -> None:
        """Let go of the tune's reader, so that the two do not keep each other alive."""
        self.take_field = _pass_over

    def finished(self) -> list[RawBar]:
        """Return all bars; what still waits is told on the last one."""
        self.muted = False
        self.close(BarLine.NONE, 0, 0)
        if self.bars:
            last = self.bars[-1]
            last.line_end = True
            late = [(last.line, slip._replace(offset=last.column - 1)) for slip in self.bar_text.end_tune()]
            last.slips = [*last.slips, *self.slips, *late]
        return self.bars


@lru_cache(maxsize=65536)
def _moved(offsets: tuple[int, ...], by: int) -> tuple[int, ...]:
    """Return offsets moved to the right; most bars share theirs with others."""
    return tuple([by + offset for offset in offsets])


def _pass_over(_letter: str, _value: str, _number: int, _column: int, _text: str) -> None:
    """Take no field any more."""
