"""The tables of a TOML text, read key by key: every problem is collected, with its line and the nearest right key."""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any, TypeVar

from graith.errors import GraithError, Problem
from graith.rules.toml_text import Path, TomlText

_Choice = TypeVar("_Choice")

_FRACTION = re.compile(r"\s*([0-9]{1,6})\s*/\s*([0-9]{1,6})\s*")


def raise_first(error: type[GraithError], problems: Sequence[Problem]) -> None:
    """Raise the first problem as an error that carries them all; do nothing when there is none.

    Raises
    ------
    GraithError
        Of the kind asked for; its message is the first problem and how many more there are.
    """
    if not problems:
        return
    ordered = sorted(problems, key=lambda problem: problem.place.line or 0)
    more = len(ordered) - 1
    tail = "" if more == 0 else " (and 1 more problem)" if more == 1 else f" (and {more} more problems)"
    raise error(f"{ordered[0]}{tail}", ordered)


def nearest(word: str, known: Iterable[str]) -> str:
    """Return the sentence that helps with a word nobody knows: the nearest known one, and all of them.

    Examples
    --------
    >>> nearest("tunse", ["name", "tunes"])
    'Did you mean "tunes"? Known are: name, tunes.'
    >>> nearest("reel", [])
    'There is none at all.'
    """
    names = list(known)
    if not names:
        return "There is none at all."
    guess = _closest(word, names)
    question = f'Did you mean "{guess}"? ' if guess else ""
    return f"{question}Known are: {', '.join(names)}."


def _closest(word: str, names: Sequence[str]) -> str | None:
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.5)
    return close[0] if close else None


class TomlTable:
    """One table of a TOML text, read key by key. Whatever is wrong is noted and a harmless value comes back.

    Attributes
    ----------
    path : tuple
        Where the table stands.
    what : str
        The table in words, for messages: ``"a set file"``, ``"tune 2"``.
    problems : list of Problem
        Shared by all tables of a text.
    """

    def __init__(self, toml: TomlText, problems: list[Problem], what: str, path: Path = ()) -> None:
        self._toml = toml
        self.problems = problems
        self.what = what
        self.path = path
        value: Any = toml.values
        for key in path:
            value = value[key]
        self._misspelt: set[str] = set()
        self._values: Mapping[str, Any] = {}
        if isinstance(value, Mapping):
            self._values = value
        else:
            says = f"{what} must be a table but is {_kind(value)}"
            self._note(path, "wrong kind", says, "Write its keys below a [header].")

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def names(self) -> tuple[str, ...]:
        """Return the table's own keys in the order of the text."""
        return tuple(self._values)

    def refuse_unknown(self, known: Sequence[str]) -> None:
        """Note every key that is not one of the known ones, with the nearest that is.

        A key that is likely meant by an unknown one is not called missing afterwards.
        """
        for key in self._values:
            if key not in known:
                self._misspelt.add(_closest(key, [name for name in known if name not in self._values]) or "")
                self._note((*self.path, key), "unknown key", f'{self.what} has no key "{key}"', nearest(key, known))

    def refuse(self, key: str, says: str, remedy: str, kind: str = "conflict") -> None:
        """Note something wrong with a key that only the caller can see."""
        self._note((*self.path, key), kind, says, remedy)

    def text(self, key: str, default: str = "", *, required: bool = False) -> str:
        """Return words; a required one may be neither missing nor blank."""
        value: str = self._of_kind(key, str, "words in quotation marks", default, required)
        if required and key in self._values and not value.strip():
            self._note((*self.path, key), "empty", f'{self.what} has an empty "{key}"', "Give it a name.")
        return value

    def truth(self, key: str, default: bool) -> bool:
        """Return true or false."""
        value: bool = self._of_kind(key, bool, "true or false", default, False)
        return value

    def date(self, key: str) -> dt.date | None:
        """Return a day, or None when the key is not there."""
        value = self._values.get(key)
        if value is None or (isinstance(value, dt.date) and not isinstance(value, dt.datetime)):
            return value
        self._wrong_kind((*self.path, key), value, "a day such as 2031-04-01, without quotation marks")
        return None

    def choice(self, key: str, choices: Mapping[str, _Choice], default: _Choice, *, required: bool = False) -> _Choice:
        """Return what one of a few words stands for."""
        word = self._of_kind(key, str, "words in quotation marks", "", required)
        if not word and key not in self._values:
            return default
        found = choices.get(word)
        if found is None and isinstance(self._values.get(key), str):
            says = f'{self.what} has {key} = "{word}", which is not one of the words it can be'
            self._note((*self.path, key), "unknown word", says, nearest(word, choices))
        return default if found is None else found

    def whole(
        self, key: str, default: int | None = None, *, least: int, most: int, required: bool = False
    ) -> int | None:
        """Return a whole number within its limits."""
        return self._whole((*self.path, key), self._values.get(key), default, least, most, required)

    def number(self, key: str, default: float | None = None, *, least: float, most: float, unit: str) -> float | None:
        """Return a number within its limits."""
        return self._number((*self.path, key), self._values.get(key), default, least, most, unit)

    def numbers(self, key: str, n_numbers: int, *, least: float, most: float, unit: str) -> tuple[float, ...] | None:
        """Return a fixed number of numbers, or None when the key is not there or wrong."""
        values = self._list(key, n_numbers)
        if values is None:
            return None
        path = (*self.path, key)
        found = [self._number((*path, index), value, None, least, most, unit) for index, value in enumerate(values)]
        return tuple(number for number in found if number is not None) if None not in found else None

    def wholes(self, key: str, *, least: int, most: int) -> tuple[int, ...] | None:
        """Return one or more whole numbers, or None when the key is not there or wrong."""
        values = self._list(key)
        if values is None:
            return None
        path = (*self.path, key)
        found = [self._whole((*path, index), value, None, least, most, False) for index, value in enumerate(values)]
        return tuple(number for number in found if number is not None) if None not in found else None

    def texts(self, key: str, *, required: bool = False) -> tuple[str, ...] | None:
        """Return one or more words or sentences, or None when the key is not there or wrong."""
        if required and key not in self._values:
            self._missing(key)
        values = self._list(key)
        if values is None:
            return None
        for index, value in enumerate(values):
            if not isinstance(value, str) or not value.strip():
                self._wrong_kind((*self.path, key, index), value, "words in quotation marks")
                return None
        return tuple(values)

    def text_lists(self, key: str) -> tuple[tuple[str, ...], ...] | None:
        """Return one or more lists of words, or None when the key is missing or wrong."""
        if key not in self._values:
            self._missing(key)
        values = self._list(key)
        if values is None:
            return None
        for index, value in enumerate(values):
            is_words = isinstance(value, list) and value and all(isinstance(word, str) for word in value)
            if not is_words:
                self._wrong_kind((*self.path, key, index), value, 'a list of words such as ["march", "reel"]')
                return None
        return tuple(tuple(value) for value in values)

    def beats(self, key: str, default: Fraction, *, most: int) -> Fraction:
        """Return a number of beats, exact: a number, or a fraction in quotation marks such as ``"1/2"``."""
        value = self._values.get(key)
        path = (*self.path, key)
        if value is None:
            return default
        beats = _exact(value)
        if beats is None:
            self._wrong_kind(path, value, 'a number of beats such as 2, 0.5 or "1/2"')
            return default
        if not 0 <= beats <= most:
            self._out_of_range(path, value, 0, most, "beats")
            return default
        return beats

    def table(self, key: str, what: str) -> TomlTable | None:
        """Return the table below a key, or None when it is not there."""
        if key not in self._values:
            return None
        return TomlTable(self._toml, self.problems, what, (*self.path, key))

    def named_tables(self, key: str, what: str) -> list[tuple[str, TomlTable]]:
        """Return the tables ``[key."name"]`` with their names, each called ``what`` and its name."""
        around = self.table(key, f"{key} of {self.what}")
        if around is None:
            return []
        return [
            (name, TomlTable(self._toml, self.problems, f'{what} "{name}"', (*around.path, name)))
            for name in around.names()
        ]

    def tables(self, key: str, what: str) -> list[TomlTable]:
        """Return the tables of ``[[key]]``, each called ``what`` and its number from 1."""
        values = self._values.get(key)
        if values is None:
            return []
        if not isinstance(values, list):
            self._wrong_kind((*self.path, key), values, f"a list of tables, each below its own [[{key}]]")
            return []
        return [
            TomlTable(self._toml, self.problems, f"{what} {index + 1}", (*self.path, key, index))
            for index in range(len(values))
        ]

    def _note(self, path: Path, kind: str, says: str, remedy: str) -> None:
        self.problems.append(Problem(self._toml.place(path), kind, _one_line(says), _one_line(remedy)))

    def _missing(self, key: str) -> None:
        if key not in self._misspelt:
            self._note(self.path, "missing key", f'{self.what} has no "{key}"', f"Write a line {key} = … there.")

    def _wrong_kind(self, path: Path, value: Any, wanted: str) -> None:
        self._note(path, "wrong kind", f"{self.what} has {_shown(path, value)}", f"Write {wanted}.")

    def _out_of_range(self, path: Path, value: Any, least: float, most: float, unit: str) -> None:
        says = f"{self.what} has {_shown(path, value)}, outside {least:.9g} to {most:.9g}{unit and ' '}{unit}"
        self._note(path, "range", says, "Write a number within those limits.")

    def _of_kind(self, key: str, kind: type[Any], wanted: str, default: Any, required: bool) -> Any:
        if key not in self._values:
            if required:
                self._missing(key)
            return default
        value = self._values[key]
        if isinstance(value, kind):
            return value
        self._wrong_kind((*self.path, key), value, wanted)
        return default

    def _list(self, key: str, n_wanted: int | None = None) -> list[Any] | None:
        if key not in self._values:
            return None
        value = self._values[key]
        fits = isinstance(value, list) and value and n_wanted in (None, len(value))
        if not fits:
            wanted = "a list that is not empty" if n_wanted is None else f"a list of {n_wanted} numbers"
            self._wrong_kind((*self.path, key), value, f"{wanted}, in square brackets")
            return None
        return list(value)

    def _whole(self, path: Path, value: Any, default: int | None, least: int, most: int, required: bool) -> int | None:
        if value is None:
            if required:
                self._missing(str(path[-1]))
            return default
        if not isinstance(value, int) or isinstance(value, bool):
            self._wrong_kind(path, value, "a whole number, without quotation marks")
            return default
        if not least <= value <= most:
            self._out_of_range(path, value, least, most, "")
            return default
        return value

    def _number(
        self, path: Path, value: Any, default: float | None, least: float, most: float, unit: str
    ) -> float | None:
        if value is None:
            return default
        if not isinstance(value, (int, float)) or isinstance(value, bool) or math.isnan(value):
            self._wrong_kind(path, value, "a number, without quotation marks")
            return default
        if not least <= value <= most:
            self._out_of_range(path, value, least, most, unit)
            return default
        return float(value)


def _one_line(text: str) -> str:
    """Return words from a file as they may be shown: on one line, without control characters."""
    return "".join(character if character.isprintable() else " " for character in text)


def _exact(value: Any) -> Fraction | None:
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return Fraction(value)
    if isinstance(value, float) and math.isfinite(value):
        return Fraction(str(value))
    found = _FRACTION.fullmatch(value) if isinstance(value, str) else None
    if found is None or int(found[2]) == 0:
        return None
    return Fraction(int(found[1]), int(found[2]))


def _kind(value: Any) -> str:
    if isinstance(value, str):
        return "words"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, (int, float)):
        return "a number"
    if isinstance(value, list):
        return "a list"
    return "a table" if isinstance(value, Mapping) else "a date or time"


def _shown(path: Path, value: Any) -> str:
    key = next((str(step) for step in reversed(path) if isinstance(step, str)), "value")
    position = f" number {path[-1] + 1}" if isinstance(path[-1], int) else ""
    if isinstance(value, bool):
        shown = "true" if value else "false"
    elif isinstance(value, str):
        shown = f'"{value}"'
    elif isinstance(value, int) and value.bit_length() > 64:
        shown = "a very long number"
    elif isinstance(value, (int, float)):
        shown = str(value)
    else:
        return f'{_kind(value)} at "{key}"{position}'
    return f"{key}{position} = {shown if len(shown) <= 60 else shown[:57] + '…'}"
