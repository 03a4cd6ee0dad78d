"""Bars made fast: a book has a hundred thousand, and their making is the largest single cost of reading it.

A frozen dataclass sets each field through ``object.__setattr__``, three times slower than a plain assignment. So a
bar and its place are first made as open objects of the same layout and then given their true, frozen class; what
comes out cannot be told from a bar made by ``Bar(...)``.
"""

from __future__ import annotations

from graith.errors import Place
from graith.music.model import Bar, BarLine, Key, Metre, Note


class _OpenPlace:
    __slots__ = ("bar", "column", "line", "part", "source", "tune")

    def __init__(self, source: str, line: int, column: int, tune: str, part: int, bar: int) -> None:
        self.source = source
        self.line = line
        self.column = column
        self.tune = tune
        self.part = part
        self.bar = bar


class _OpenBar:
    __slots__ = (
        "changes", "closing", "columns", "ending", "ending_closed", "key", "line_end", "metre", "notes", "number",
        "place", "repeat_end", "repeat_start", "text",
    )  # fmt: skip

    def __init__(
        self, notes: tuple[Note, ...], metre: Metre | None, number: int, closing: BarLine, repeat_start: bool,
        repeat_end: int, ending: tuple[int, ...], ending_closed: bool, line_end: bool,
        changes: tuple[tuple[str, str], ...], key: Key, text: str, place: object, columns: tuple[int, ...],
    ) -> None:  # fmt: skip
        self.notes = notes
        self.metre = metre
        self.number = number
        self.closing = closing
        self.repeat_start = repeat_start
        self.repeat_end = repeat_end
        self.ending = ending
        self.ending_closed = ending_closed
        self.line_end = line_end
        self.changes = changes
        self.key = key
        self.text = text
        self.place = place
        self.columns = columns


def placed_bar(
    notes: tuple[Note, ...], metre: Metre | None, number: int, closing: BarLine, repeat_start: bool, repeat_end: int,
    ending: tuple[int, ...], ending_closed: bool, line_end: bool, changes: tuple[tuple[str, str], ...], key: Key,
    text: str, columns: tuple[int, ...], source: str, line: int, column: int, tune: str, part: int,
) -> Bar:  # fmt: skip
    """Return a bar in its place; the parameters are the fields of :class:`Bar` and :class:`Place`.

    Examples
    --------
    >>> end, key = BarLine.END, Key("D")
    >>> bar = placed_bar((), None, 1, end, False, 0, (), False, True, (), key, "", (), "a.abc", 7, 1, "A", 2)
    >>> type(bar) is Bar, str(bar.place), bar.notes
    (True, 'a.abc:7:1, part 2, bar 1', ())
    """
    place = _OpenPlace(source, line, column, tune, part, number)
    place.__class__ = Place  # type: ignore[assignment]
    bar = _OpenBar(
        notes, metre, number, closing, repeat_start, repeat_end, ending, ending_closed, line_end, changes, key, text,
        place, columns,
    )  # fmt: skip
    bar.__class__ = Bar  # type: ignore[assignment]
    return bar  # type: ignore[return-value]
