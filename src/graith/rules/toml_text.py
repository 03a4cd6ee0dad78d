"""A TOML text in which every key knows its line.

Rulebooks and set files are both TOML and both written by people, so both need the line of what is wrong. The standard
library's ``tomllib`` reads the values; a second, shallow pass over the same text (which is valid by then) notes where
each key stands.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from graith.errors import GraithError, Place, Problem

Path = tuple[str | int, ...]
"""Where a value stands: keys, and indices from 0 in arrays."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BASIC_STRING = re.compile(r'"(?:[^"\\]|\\.)*"')
_LITERAL_STRING = re.compile(r"'[^']*'")
_LONG_BASIC_STRING = re.compile(r'"""(?:[^"\\]|\\.|"(?!""))*"""(?:""(?!")|"(?!"))?', re.DOTALL)
_LONG_LITERAL_STRING = re.compile(r"'''.*?'''(?:''(?!')|'(?!'))?", re.DOTALL)
_PLAIN_VALUE = re.compile(r"[^,\]}#\n]+")
_BLANK = re.compile(r"(?:[ \t\n,]|#[^\n]*)*")
_SAME_LINE_BLANK = re.compile(r"[ \t]*")
_STATED_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


@dataclass(frozen=True, slots=True)
class TomlText:
    """A TOML text as values and as the line of each.

    Attributes
    ----------
    source : str
        Label of the text's origin.
    values : mapping
        What ``tomllib`` reads.
    lines : mapping of path to int
        The line, from 1, on which each key or array element begins.
    """

    source: str
    values: Mapping[str, Any]
    lines: Mapping[Path, int]

    def place(self, path: Path) -> Place:
        """Return where a value stands, or the nearest thing around it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return Place(self.source, self.lines[path[:length]])
        return Place(self.source)


def located_toml(text: str, source: str, error: type[GraithError]) -> TomlText:
    """Return a TOML text's values with the line of every key.

    Parameters
    ----------
    text, source : str
        The text, and a label of its origin for messages.
    error : type of GraithError
        What to raise when the text is no TOML.

    Raises
    ------
    GraithError
        Of the kind asked for, with line and column, if the text is no TOML.

    References
    ----------
    TOML 1.0.0, https://toml.io/en/v1.0.0.

    Examples
    --------
    >>> from graith.errors import SetError
    >>> located_toml('name = "Opener"', "opener.toml", SetError).values["name"]
    'Opener'
    """
    normal = text.replace("\r\n", "\n")
    try:
        values = tomllib.loads(normal)
        lines = _LineFinder(normal).lines_of_keys()
    except (ValueError, RecursionError) as trouble:
        problem = _syntax_problem(normal, source, trouble)
        raise error(str(problem), [problem]) from None
    return TomlText(source, values, lines)


def _syntax_problem(text: str, source: str, trouble: Exception) -> Problem:
    says = str(trouble) if isinstance(trouble, tomllib.TOMLDecodeError) else "a number is too long or nested too deep"
    stated = _STATED_PLACE.search(says)
    line: int | None = None
    column: int | None = None
    if stated and stated[1]:
        line, column = int(stated[1]), int(stated[2])
    elif stated:
        rows = text.split("\n")
        line, column = len(rows), len(rows[-1]) + 1
    says = _STATED_PLACE.sub("", says)
    return Problem(
        Place(source, line, column), "syntax", f"this is not TOML: {says[:1].lower()}{says[1:]}",
        "Write a table as [name], a key as name = value, and words in \"quotation marks\".",
    )  # fmt: skip


class _LineFinder:
    """One pass over a valid TOML text that notes the line on which each key begins."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._newlines = [index for index, character in enumerate(text) if character == "\n"]
        self._lines: dict[Path, int] = {}
        self._n_elements: dict[Path, int] = {}

    def lines_of_keys(self) -> dict[Path, int]:
        table: Path = ()
        while self._skip(_BLANK) and self._at < len(self._text):
            line = self._line()
            if self._text.startswith("[", self._at):
                table = self._header(line)
            else:
                self._pair(table)
        return self._lines

    def _line(self) -> int:
        return bisect_right(self._newlines, self._at - 1) + 1

    def _skip(self, pattern: re.Pattern[str]) -> bool:
        found = pattern.match(self._text, self._at)
        if found:
            self._at = found.end()
        return found is not None

    def _header(self, line: int) -> Path:
        is_array = self._text.startswith("[[", self._at)
        self._at += 2 if is_array else 1
        path: Path = ()
        keys = self._dotted_key()
        for key in keys[:-1]:
            path = self._latest((*path, key))
            self._lines.setdefault(path, line)
        path = (*path, keys[-1])
        if is_array:
            self._lines.setdefault(path, line)
            self._n_elements[path] = self._n_elements.get(path, 0) + 1
        path = self._latest(path)
        self._lines[path] = line
        self._at += 2 if is_array else 1
        return path

    def _latest(self, path: Path) -> Path:
        count = self._n_elements.get(path)
        return path if count is None else (*path, count - 1)

    def _dotted_key(self) -> list[str]:
        keys = [self._key()]
        while self._text.startswith(".", self._at):
            self._at += 1
            keys.append(self._key())
        return keys

    def _key(self) -> str:
        self._skip(_SAME_LINE_BLANK)
        start = self._at
        if self._skip(_BARE_KEY):
            key = self._text[start : self._at]
        elif self._skip(_LITERAL_STRING):
            key = self._text[start + 1 : self._at - 1]
        else:
            self._skip(_BASIC_STRING)
            key = tomllib.loads(f"key = {self._text[start : self._at]}")["key"]
        self._skip(_SAME_LINE_BLANK)
        return key

    def _pair(self, table: Path) -> None:
        line = self._line()
        path = table
        for key in self._dotted_key():
            path = (*path, key)
            self._lines.setdefault(path, line)
        self._at += 1  # the equals sign
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip(_SAME_LINE_BLANK)
        if self._text.startswith("[", self._at):
            self._array(path)
        elif self._text.startswith("{", self._at):
            self._inline_table(path)
        else:
            strings = (_LONG_BASIC_STRING, _LONG_LITERAL_STRING, _BASIC_STRING, _LITERAL_STRING)
            if not any(self._skip(pattern) for pattern in strings):
                self._skip(_PLAIN_VALUE)

    def _array(self, path: Path) -> None:
        self._at += 1
        index = 0
        while self._skip(_BLANK) and not self._text.startswith("]", self._at):
            self._lines[(*path, index)] = self._line()
            self._value((*path, index))
            index += 1
        self._at += 1

    def _inline_table(self, path: Path) -> None:
        self._at += 1
        while self._skip(_BLANK) and not self._text.startswith("}", self._at):
            self._pair(path)
        self._at += 1
