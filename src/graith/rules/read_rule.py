"""One rule of a rulebook file: from a table with a ``kind`` to its frozen dataclass."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TypedDict

from graith.music.tune_types import TUNE_TYPES
from graith.rules.rulebook import (
    ANY_MARCH,
    ANY_TYPE,
    ClockStart,
    DressTerm,
    DurationRule,
    Instrument,
    JudgesTerm,
    MetreRule,
    NoteTerm,
    PartTotalRule,
    PlacingTerm,
    PlayersRule,
    Rule,
    ShapeRule,
    StandingsTerm,
    StartTerm,
    TuneCountRule,
    TunePartsRule,
    TypesRule,
    VarietyRule,
)
from graith.rules.toml_table import TomlTable, nearest

MOST_COUNT = 999
MOST_PARTS = 99
MOST_SECONDS = 7200.0
TYPE_WORDS = (*(tune_type.name for tune_type in TUNE_TYPES), ANY_MARCH, ANY_TYPE)
METRE_PATTERN = "[1-9][0-9]?/(?:1|2|4|8|16|32)"

SHARED_KEYS = ("kind", "source", "text")
KEYS_BY_KIND: dict[str, tuple[str, ...]] = {
    "shape": ("patterns",),
    "types": ("allowed",),
    "tunes": ("min", "max"),
    "parts": ("min", "max"),
    "parts of a tune": ("tune_type", "allowed"),
    "metre": ("tune_type", "allowed"),
    "duration": ("min_s", "max_s", "clock_from", "clock_to"),
    "variety": ("min",),
    "players": ("instrument", "min", "max"),
    "start": ("manners",),
    "judges": ("panel",),
    "placing": ("method", "tie_break"),
    "standings": ("method",),
    "dress": ("items",),
    "note": (),
}
"""The keys of each kind of rule, beside ``SHARED_KEYS``."""

CLOCK_STARTS = {start.value: start for start in ClockStart}
CLOCK_ENDS = {"cut-off": "cut-off"}
INSTRUMENTS = {instrument.value: instrument for instrument in Instrument}


class _Shared(TypedDict):
    name: str
    source: str
    text: str


def read_rule(name: str, table: TomlTable) -> Rule | None:
    """Return the rule that a table describes, or None when it is too wrong to be one; problems go to the table."""
    kind = table.choice("kind", {word: word for word in KEYS_BY_KIND}, "", required=True)
    if not kind:
        return None
    table.refuse_unknown((*SHARED_KEYS, *KEYS_BY_KIND[kind]))
    shared = _Shared(name=name, source=table.text("source", required=True), text=table.text("text"))
    before = len(table.problems)
    rule = _READ_BY_KIND[kind](table, shared)
    return rule if len(table.problems) == before else None


def _shape(table: TomlTable, shared: _Shared) -> Rule:
    patterns = table.text_lists("patterns") or ()
    for pattern in patterns:
        _refuse_unknown_types(table, "patterns", pattern)
    return ShapeRule(**shared, patterns=patterns)


def _types(table: TomlTable, shared: _Shared) -> Rule:
    allowed = table.texts("allowed", required=True) or ()
    _refuse_unknown_types(table, "allowed", allowed)
    return TypesRule(**shared, allowed=allowed)


def _refuse_unknown_types(table: TomlTable, key: str, words: tuple[str, ...]) -> None:
    for word in words:
        if word not in TYPE_WORDS:
            table.refuse(key, f'{table.what} names the tune type "{word}"', nearest(word, TYPE_WORDS), "unknown word")


def _tune_count(table: TomlTable, shared: _Shared) -> Rule:
    least, most = _count_limits(table)
    return TuneCountRule(**shared, least=least, most=most)


def _part_total(table: TomlTable, shared: _Shared) -> Rule:
    least, most = _count_limits(table)
    return PartTotalRule(**shared, least=least, most=most)


def _players(table: TomlTable, shared: _Shared) -> Rule:
    least, most = _count_limits(table)
    instrument = table.choice("instrument", INSTRUMENTS, Instrument.PIPERS, required=True)
    return PlayersRule(**shared, instrument=instrument, least=least, most=most)


def _count_limits(table: TomlTable) -> tuple[int | None, int | None]:
    least = table.whole("min", least=0, most=MOST_COUNT)
    most = table.whole("max", least=0, most=MOST_COUNT)
    _refuse_bad_limits(table, "min", "max", least, most)
    return least, most


def _refuse_bad_limits(
    table: TomlTable, least_key: str, most_key: str, least: float | None, most: float | None
) -> None:
    if least_key not in table and most_key not in table:
        says = f"{table.what} has neither {least_key} nor {most_key}"
        table.refuse(least_key, says, "Write one of them, or both.", "missing key")
    if least is not None and most is not None and least > most:
        says = f"{table.what} asks for at least {least:g} and at most {most:g}"
        table.refuse(least_key, says, f"Let {least_key} be no more than {most_key}.")


def _tune_parts(table: TomlTable, shared: _Shared) -> Rule:
    allowed = table.wholes("allowed", least=1, most=MOST_PARTS)
    if "allowed" not in table:
        table.refuse("allowed", f'{table.what} has no "allowed"', "Write allowed = [4], for example.", "missing key")
    return TunePartsRule(**shared, tune_type=_tune_type(table), allowed=allowed or (1,))


def _metre(table: TomlTable, shared: _Shared) -> Rule:
    allowed = table.texts("allowed", required=True) or ()
    for metre in allowed:
        if not re.fullmatch(METRE_PATTERN, metre):
            table.refuse("allowed", f'{table.what} names the metre "{metre}"', 'Write it like "6/8".', "unknown word")
    return MetreRule(**shared, tune_type=_tune_type(table), allowed=allowed)


def _tune_type(table: TomlTable) -> str:
    return table.choice("tune_type", {word: word for word in TYPE_WORDS}, ANY_TYPE, required=True)


def _duration(table: TomlTable, shared: _Shared) -> Rule:
    min_s = table.number("min_s", least=0, most=MOST_SECONDS, unit="seconds")
    max_s = table.number("max_s", least=0, most=MOST_SECONDS, unit="seconds")
    _refuse_bad_limits(table, "min_s", "max_s", min_s, max_s)
    clock_from = table.choice("clock_from", CLOCK_STARTS, ClockStart.FIRST_ROLL, required=True)
    table.choice("clock_to", CLOCK_ENDS, "cut-off")
    return DurationRule(**shared, min_s=min_s, max_s=max_s, clock_from=clock_from)


def _variety(table: TomlTable, shared: _Shared) -> Rule:
    return VarietyRule(**shared, least_types=table.whole("min", least=1, most=MOST_COUNT, required=True) or 1)


def _start(table: TomlTable, shared: _Shared) -> Rule:
    return StartTerm(**shared, manners=table.texts("manners", required=True) or ())


def _judges(table: TomlTable, shared: _Shared) -> Rule:
    panel = table.table("panel", f"the panel of {table.what}")
    if panel is None:
        table.refuse("panel", f'{table.what} has no "panel"', "Write panel = { piping = 2 }.", "missing key")
        return JudgesTerm(**shared, panel=())
    if not panel.names():
        table.refuse("panel", f"the panel of {table.what} is empty", "Write panel = { piping = 2 }.", "empty")
    counts = ((word, panel.whole(word, least=1, most=MOST_COUNT)) for word in panel.names())
    return JudgesTerm(**shared, panel=tuple((word, count) for word, count in counts if count is not None))


def _placing(table: TomlTable, shared: _Shared) -> Rule:
    method = table.text("method", required=True)
    return PlacingTerm(**shared, method=method, tie_break=table.texts("tie_break") or ())


def _standings(table: TomlTable, shared: _Shared) -> Rule:
    return StandingsTerm(**shared, method=table.text("method", required=True))


def _dress(table: TomlTable, shared: _Shared) -> Rule:
    return DressTerm(**shared, items=table.texts("items", required=True) or ())


def _note(table: TomlTable, shared: _Shared) -> Rule:
    table.text("text", required=True)
    return NoteTerm(**shared)


_READ_BY_KIND: dict[str, Callable[[TomlTable, _Shared], Rule]] = {
    "shape": _shape,
    "types": _types,
    "tunes": _tune_count,
    "parts": _part_total,
    "parts of a tune": _tune_parts,
    "metre": _metre,
    "duration": _duration,
    "variety": _variety,
    "players": _players,
    "start": _start,
    "judges": _judges,
    "placing": _placing,
    "standings": _standings,
    "dress": _dress,
    "note": _note,
}
