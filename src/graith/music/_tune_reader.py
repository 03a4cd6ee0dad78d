"""One tune of a book, line by line: its header, its fields among the music, its music."""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction

from graith.errors import MusicError, Place, Problem, Severity
from graith.music._asked_figures import put_in_figures
from graith.music._bar_text import Memories, Setting
from graith.music._body import Body
from graith.music._fields import metre_named, names_key, tempo_named, unit_named, user_symbol
from graith.music._header import Header
from graith.music._part_order import parts_in_order
from graith.music._parts import RawPart, part_of, raw_parts
from graith.music._run import Slip
from graith.music._text import plain_text, without_comment
from graith.music.keys import key_named
from graith.music.model import Bar, BarLine, Key, Part, Tune

FIELD = re.compile(r"([A-Za-z+]):[ \t]*(.*)")
_NOT_CONTINUED = "XMKLQUV"


class TuneReader:
    """Reads one tune; ``first`` is the number of its first line in the text, ``defaults`` what the file header says."""

    def __init__(
        self,
        source: str,
        memories: Memories,
        first: int,
        lines: Sequence[str],
        defaults: Sequence[tuple[str, str]] = (),
    ) -> None:
        self.source = source
        self.first = first
        self.lines = lines
        self.header = Header()
        for letter, value in defaults:
            self.header.take_default(letter, value)
        self.problems: list[Problem] = []
        self.body = Body(memories, Setting(Fraction(1, 8), None, self.header.key), self.take_body_field)
        self.in_body = False
        self.in_typeset_text = False
        self.has_key = any(line.startswith("K:") for line in lines)
        self.voice: str | None = None
        self.said: set[str] = set()
        self.last_field: tuple[str, str] | None = None

    def read(self) -> Tune:
        """Return the tune; ``problems`` then holds what is wrong with it."""
        for number, line in enumerate(self.lines, start=self.first):
            self.take_line(line, number)
        return self.finished()

    # -- lines -----------------------------------------------------------------------------------------------

    def take_line(self, line: str, number: int) -> None:
        """Take one line, whatever it is."""
        if line[0] == "%":
            if line[:2] == "%%":
                self.direct(line[2:].strip(), number)
        elif self.in_typeset_text:
            self.direct(line.strip(), number)
        elif line[1:2] == ":" and (found := FIELD.match(line)) and not self.is_music(line):
            self.take_field(found[1], without_comment(found[2]).strip(), number, line)
        elif self.in_body:
            self.body.take_line(without_comment(line), number)
        else:
            self.take_header_text(line, number)

    def is_music(self, line: str) -> bool:
        """Whether a line that looks like a field is music: ``e:|2 ...``."""
        return self.in_body and line[2:3] in ("|", ":") and line[0] in "ABCDEFGabcdefgzx"

    def direct(self, text: str, number: int) -> None:
        """Keep a ``%%`` line; between ``%%begintext`` and ``%%endtext`` every line is one."""
        word = text.split(" ", 1)[0]
        if word.startswith("begin"):
            stop = "%%end" + word[5:]
            self.in_typeset_text = any(line.strip() == stop for line in self.lines[max(number - self.first, 0) :])
        elif word.startswith("end"):
            self.in_typeset_text = False
        if self.in_body:
            self.body.change("%%", text)
        else:
            self.header.direct(text)

    def take_header_text(self, line: str, number: int) -> None:
        """Take a line without a field before the ``K:`` field has come."""
        text = without_comment(line).strip()
        if not text:
            return
        if self.last_field is not None and self.last_field[0] == "H":
            self.header.take("H", text)
        elif self.has_key:
            remedy = "Begin it with the field's letter and a colon, or with % if it is a comment."
            self.complain(number, 1, "header", "this line of the header is no field and is left out", remedy, line)
        else:
            self.complain(number, 1, "header", "the music begins before a K: field has ended the header",
                          "Write K:HP as the header's last line.", line)  # fmt: skip
            self.begin_body()
            self.body.take_line(without_comment(line), number)

    # -- fields ----------------------------------------------------------------------------------------------

    def take_field(self, letter: str, value: str, number: int, line: str) -> None:
        """Take a field on a line of its own."""
        if letter == "+":
            self.continue_field(value, number, line)
            return
        self.last_field = (letter, value)
        if self.in_body:
            self.take_body_field(letter, value, number, 1, line)
        else:
            self.take_header_field(letter, value, number, line)

    def continue_field(self, value: str, number: int, line: str) -> None:
        """Add to the field before (ABC 2.1 §3.3)."""
        if self.last_field is None or self.last_field[0] in _NOT_CONTINUED:
            self.complain(number, 1, "field", "+: continues no field of text", "Put it right after such a field.", line)
            return
        letter, before = self.last_field
        whole = f"{before} {value}".strip()
        self.last_field = (letter, whole)
        if not self.in_body or letter == "W":
            self.header.lengthen(letter, before, whole)
        elif self.body.changes and self.body.changes[-1] == (letter, plain_text(before)):
            self.body.changes[-1] = (letter, plain_text(whole))

    def take_header_field(self, letter: str, value: str, number: int, line: str) -> None:
        """Take a field of the header; ``K:`` ends it."""
        try:
            self.header.take(letter, value)
        except MusicError as error:
            self.complain(number, 1, "field", str(error).rstrip("."), "", line)
        if letter == "K":
            self.begin_body()

    def begin_body(self) -> None:
        """Go on to the music."""
        self.in_body = True
        header = self.header
        header.settle()
        symbols = tuple(sorted(header.symbols.items()))
        self.body.use(Setting(header.unit, header.metre, header.key, header.spread, symbols))

    def take_body_field(self, letter: str, value: str, number: int, column: int, line: str) -> None:
        """Take a field among the music, on its own line or in brackets."""
        body = self.body
        if letter == "V":
            self.choose_voice(value, number, line)
        elif body.muted and not line.startswith("P:"):
            return
        elif letter in "ws":
            what = "words under the music (w:) are" if letter == "w" else "symbol lines (s:) are"
            self.say_once(letter, number, column, f"{what} left out", "Nothing needs doing for pipes.", line)
        elif letter == "W":
            if value:
                self.header.fields.append((letter, plain_text(value)))
        elif letter == "P":
            body.close(BarLine.NONE, 0, number)
            body.label = plain_text(value)
        elif letter == "X":
            self.complain(number, column, "field", "X: stands among the music", "Put an empty line before it.", line)
        else:
            try:
                self.take_change(letter, value, number)
            except MusicError as error:
                self.complain(number, column, "field", str(error).rstrip("."), "", line)

    def take_change(self, letter: str, value: str, number: int) -> None:
        """Take a field that changes what follows, or that says something about it."""
        body = self.body
        setting = body.setting
        changed = setting
        if letter == "M":
            changed = setting._replace(metre=metre_named(value))
        elif letter == "K":
            changed = setting._replace(key=self.changed_key(value))
        elif letter == "L":
            changed = setting._replace(unit=unit_named(value))
        elif letter == "Q":
            tempo_named(value, setting.unit)
        elif letter == "U" and (symbol := user_symbol(value)):
            changed = setting._replace(symbols=tuple(sorted({**dict(setting.symbols), symbol[0]: symbol[1]}.items())))
        if letter in "MKQ":
            body.close(BarLine.NONE, 0, number)
        body.change(letter, value if letter in "MKLQU" else plain_text(value))
        if changed is not setting:
            body.use(changed)

    def changed_key(self, value: str) -> Key:
        """Return the key of a ``K:`` in the body; clef words alone change no key."""
        key = key_named(value)
        return key if names_key(value) else self.body.setting.key

    def choose_voice(self, value: str, number: int, line: str) -> None:
        """Keep to the first voice (ABC 2.1 §7); the others are passed over."""
        name = value.split(" ")[0]
        self.voice = self.voice if self.voice is not None else name
        self.body.muted = name != self.voice
        if self.body.muted:
            self.say_once("V", number, 1, f"the tune has a second voice ({name}), which is not read",
                          "Keep the pipe's own line as the first voice.", line)  # fmt: skip

    # -- the end ---------------------------------------------------------------------------------------------

    def finished(self) -> Tune:
        """Return the tune, its parts made and everything placed."""
        if not self.in_body:
            self.complain(self.first, 1, "header", "the tune has no K: field and no music", "Write K:HP and the music.")
            self.begin_body()
        bars = self.body.finished()
        self.body.forget_reader()
        if any(bar.decorated for bar in bars):
            put_in_figures(bars)
        raws = raw_parts(bars)
        title = self.title
        parts = tuple([part_of(raw, number, self.source, title) for number, raw in enumerate(raws, start=1)])
        self.tell_slips(raws, parts)
        if not bars:
            for number, slip in self.body.slips:
                self.complain(number, slip.offset + 1, slip.kind, slip.says, slip.remedy, "", slip.severity)
            self.complain(self.first, 1, "music", "the tune has no note", "Write its music under the K: field.")
        self.check_part_order(parts)
        header = self.header
        return Tune(
            header.number,
            tuple(header.titles),
            parts,
            header.metre,
            header.unit,
            header.key,
            header.tempo,
            header.rhythm,
            tuple(header.composers),
            header.source,
            tuple(header.notes),
            header.part_order,
            tuple(header.fields),
            tuple(header.directives),
            Place(self.source, self.first, 1, title),
        )

    def check_part_order(self, parts: Sequence[Part]) -> None:
        """Tell of a ``P:`` order that cannot be played."""
        if self.header.part_order:
            try:
                parts_in_order(self.header.part_order, [part.label for part in parts])
            except MusicError as error:
                line = next((index for index, line in enumerate(self.lines) if line.startswith("P:")), 0)
                self.complain(self.first + line, 1, "part order", str(error).rstrip("."), "", self.lines[line])

    def tell_slips(self, raws: Sequence[RawPart], parts: Sequence[Part]) -> None:
        """Tell of everything wrong in bars, now that their parts and numbers are known."""
        for raw, part in zip(raws, parts, strict=True):
            if not any(bar.slips for bar in raw.bars):
                continue
            for raw_bar, bar in zip(raw.bars, part.bars, strict=True):
                if raw_bar.slips:
                    self.problems += [_problem_of(slip, number, bar) for number, slip in raw_bar.slips]

    @property
    def title(self) -> str:
        """The tune's title as problems name it."""
        return self.header.titles[0] if self.header.titles else f"Tune {self.header.number}"

    def say_once(self, about: str, number: int, column: int, says: str, remedy: str, text: str) -> None:
        """Warn of something only where it first happens in the tune."""
        if about not in self.said:
            self.said.add(about)
            self.complain(number, column, "voice" if about == "V" else "field", says, remedy, text, Severity.WARNING)

    def complain(
        self, number: int, column: int, kind: str, says: str, remedy: str, text: str = "",
        severity: Severity = Severity.ERROR,
    ) -> None:  # fmt: skip
        """Tell of a problem that stands outside any bar."""
        place = Place(self.source, number, column, self.title)
        self.problems.append(Problem(place, kind, says, remedy, text.strip(), severity))


def _problem_of(slip: Slip, line: int, bar: Bar) -> Problem:
    place = bar.place
    return Problem(
        Place(place.source, line, slip.offset + 1, place.tune, place.part, place.bar),
        slip.kind,
        slip.says,
        slip.remedy,
        bar.text,
        slip.severity,
    )
