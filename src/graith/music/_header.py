"""A tune's header: the fields before its music, gathered one by one."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from graith.errors import MusicError
from graith.music._fields import metre_named, tempo_named, unit_named, user_symbol, usual_unit
from graith.music._text import plain_text
from graith.music.keys import key_named
from graith.music.model import HIGHLAND_PIPES, Key, Metre, Tempo

SPREADS = ("pitch", "octave", "not")
_PROPAGATE = "propagate-accidentals"
_MOST_DIGITS = 9


@dataclass(slots=True)
class Header:
    """What a header says. :meth:`take` reads one field and raises MusicError when its value cannot be."""

    number: int = 0
    titles: list[str] = field(default_factory=list)
    composers: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    rhythm: str = ""
    source: str = ""
    part_order: str = ""
    metre: Metre | None = None
    has_metre: bool = False
    given_unit: Fraction | None = None
    key: Key = HIGHLAND_PIPES
    tempo_text: str = ""
    tempo: Tempo | None = None
    spread: str = "pitch"
    symbols: dict[str, str] = field(default_factory=dict)
    fields: list[tuple[str, str]] = field(default_factory=list)
    directives: list[str] = field(default_factory=list)
    usual: dict[str, str] = field(default_factory=dict)

    @property
    def unit(self) -> Fraction:
        """The unit length in force: ``L:``, or what the metre implies."""
        return self.given_unit if self.given_unit is not None else usual_unit(self.metre)

    def take(self, letter: str, value: str) -> None:
        """Read one field of the header.

        Raises
        ------
        MusicError
            If the value cannot be; the field is then left out.
        """
        if letter in "TCN":
            if value:
                {"T": self.titles, "C": self.composers, "N": self.notes}[letter].append(plain_text(value))
        elif letter == "X":
            self.number = _number(value)
        elif letter == "M":
            self.metre, self.has_metre = metre_named(value), True
        elif letter == "L":
            self.given_unit = unit_named(value)
        elif letter == "K":
            self.key = key_named(value)
        elif letter == "Q":
            tempo_named(value, Fraction(1, 8))
            self.tempo_text = value
        elif letter == "P":
            self.part_order = value
        elif letter == "R" and not self.rhythm:
            self.rhythm = plain_text(value)
        elif letter == "S" and not self.source:
            self.source = plain_text(value)
        elif value:
            self._keep(letter, value)

    def take_default(self, letter: str, value: str) -> None:
        """Read one line of the file header, which holds for every tune unless the tune says otherwise."""
        if letter == "%%":
            self.direct(value)
        elif letter in "RS":
            self.usual[letter] = plain_text(value)
        else:
            self.take(letter, value)

    def direct(self, text: str) -> None:
        """Read one ``%%`` line, without its ``%%``."""
        self.directives.append(text)
        self._obey(text)

    def settle(self) -> None:
        """Work out what depends on several fields, once the header is complete."""
        self.rhythm = self.rhythm or self.usual.get("R", "")
        self.source = self.source or self.usual.get("S", "")
        if self.tempo_text:
            self.tempo = tempo_named(self.tempo_text, self.unit)
            if self.tempo is None:
                self.fields.append(("Q", self.tempo_text))

    def lengthen(self, letter: str, before: str, whole: str) -> None:
        """Replace the field taken last by itself with its continuation (ABC 2.1 §3.3)."""
        plain_before, plain_whole = plain_text(before), plain_text(whole)
        rows = {"T": self.titles, "C": self.composers, "N": self.notes}
        if letter in rows:
            if rows[letter] and rows[letter][-1] == plain_before:
                rows[letter][-1] = plain_whole
            elif not before:
                rows[letter].append(plain_whole)
        elif letter == "R" and self.rhythm == plain_before:
            self.rhythm = plain_whole
        elif letter == "S" and self.source == plain_before:
            self.source = plain_whole
        elif letter == "P":
            self.part_order = whole
        elif self.fields and self.fields[-1] == (letter, plain_before):
            self.fields[-1] = (letter, plain_whole)

    def _keep(self, letter: str, value: str) -> None:
        self.fields.append((letter, plain_text(value)))
        if letter == "U" and (symbol := user_symbol(value)):
            self.symbols[symbol[0]] = symbol[1]
        elif letter == "I":
            self._obey(value)

    def _obey(self, text: str) -> None:
        words = text.split()
        if len(words) == 2 and words[0] == _PROPAGATE and words[1] in SPREADS:
            self.spread = words[1]


def _number(value: str) -> int:
    if not value:
        return 0
    if value.isascii() and value.isdigit() and len(value) <= _MOST_DIGITS:
        return int(value)
    raise MusicError(f"The tune's number {value[:20]!r} is no whole number. Write it as X:1.")


def spread_of(directives: tuple[str, ...], fields: tuple[tuple[str, str], ...]) -> str:
    """Return how far accidentals reach in a tune, from its directives (ABC 2.1 §11.3)."""
    header = Header()
    for text in directives:
        header.direct(text)
    for letter, value in fields:
        if letter == "I":
            header._obey(value)
    return header.spread
