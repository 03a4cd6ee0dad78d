"""The shape of a rulebook file as JSON Schema, for editors that complete and check TOML while it is typed.

The schema says what can be said of one table at a time. Only the reader knows whether the book that is extended is
there, whether a rule that is removed was ever there, and whether ``min`` is above ``max``.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from graith.rules.read_rule import (
    CLOCK_ENDS,
    CLOCK_STARTS,
    INSTRUMENTS,
    KEYS_BY_KIND,
    METRE_PATTERN,
    MOST_COUNT,
    MOST_PARTS,
    MOST_SECONDS,
    TYPE_WORDS,
)

_WORDS = {"type": "string", "pattern": r"\S"}
_TEXT = {"type": "string"}
_LIST_OF_WORDS = {"type": "array", "minItems": 1, "items": _WORDS}
_TYPE_WORD = {"enum": list(TYPE_WORDS)}
_TYPE_WORDS = {"type": "array", "minItems": 1, "items": _TYPE_WORD}
_COUNT = {"type": "integer", "minimum": 0, "maximum": MOST_COUNT}
_COUNT_FROM_1 = {**_COUNT, "minimum": 1}
_SECONDS = {"type": "number", "minimum": 0, "maximum": MOST_SECONDS}
_PART_COUNTS = {"type": "array", "minItems": 1, "items": {"type": "integer", "minimum": 1, "maximum": MOST_PARTS}}
_METRES = {"type": "array", "minItems": 1, "items": {"type": "string", "pattern": f"^{METRE_PATTERN}$"}}
_PANEL = {"type": "object", "minProperties": 1, "additionalProperties": _COUNT_FROM_1}
_LIMITS = [{"required": ["min"]}, {"required": ["max"]}]
_LIMITS_S = [{"required": ["min_s"]}, {"required": ["max_s"]}]

_VALUES: dict[str, dict[str, Any]] = {
    "shape": {"patterns": {"type": "array", "minItems": 1, "items": _TYPE_WORDS}},
    "types": {"allowed": _TYPE_WORDS},
    "tunes": {"min": _COUNT, "max": _COUNT},
    "parts": {"min": _COUNT, "max": _COUNT},
    "parts of a tune": {"tune_type": _TYPE_WORD, "allowed": _PART_COUNTS},
    "metre": {"tune_type": _TYPE_WORD, "allowed": _METRES},
    "duration": {
        "min_s": _SECONDS,
        "max_s": _SECONDS,
        "clock_from": {"enum": list(CLOCK_STARTS)},
        "clock_to": {"enum": list(CLOCK_ENDS)},
    },
    "variety": {"min": _COUNT_FROM_1},
    "players": {"instrument": {"enum": list(INSTRUMENTS)}, "min": _COUNT, "max": _COUNT},
    "start": {"manners": _LIST_OF_WORDS},
    "judges": {"panel": _PANEL},
    "placing": {"method": _WORDS, "tie_break": _LIST_OF_WORDS},
    "standings": {"method": _WORDS},
    "dress": {"items": _LIST_OF_WORDS},
    "note": {},
}
_OPTIONAL = {"min", "max", "min_s", "max_s", "clock_to", "tie_break"}
_LIMITED = {"tunes": _LIMITS, "parts": _LIMITS, "players": _LIMITS, "duration": _LIMITS_S}


def rulebook_schema() -> dict[str, Any]:
    """Return the JSON Schema of a rulebook file.

    References
    ----------
    JSON Schema, draft 2020-12.

    Examples
    --------
    >>> "duration" in rulebook_schema()["$defs"]
    True
    """
    properties = {
        "name": {**_WORDS, "description": "The association, or whatever the book is called."},
        "extends": {**_TEXT, "description": "Name of the book that this one is laid over."},
        "season": _TEXT,
        "valid_from": {"description": "First day on which the book holds, a TOML date."},
        "valid_to": {"description": "Last day on which it holds, a TOML date."},
        "text": {**_TEXT, "description": "What the book says of itself."},
        "rules": {"$ref": "#/$defs/rules"},
        "grades": {"type": "object", "additionalProperties": _or_removal("grade")},
    }
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "A Graith rulebook"}
    shape = {"type": "object", "properties": properties, "additionalProperties": False, "required": ["name"]}
    return {**head, **shape, "$defs": _definitions()}


def _definitions() -> dict[str, Any]:
    rules = {"$ref": "#/$defs/rules"}
    any_kind = [{"$ref": f"#/$defs/{quote(kind)}"} for kind in KEYS_BY_KIND]
    removal = {"remove": {"const": True}}
    return {
        "removal": {"type": "object", "properties": removal, "additionalProperties": False, "required": ["remove"]},
        "rules": {"type": "object", "additionalProperties": {"oneOf": [{"$ref": "#/$defs/removal"}, *any_kind]}},
        "grade": _place(
            {
                "like": {**_TEXT, "description": "A grade of the extended book, or one above, to begin as a copy of."},
                "text": _TEXT,
                "rules": rules,
                "events": {"type": "object", "additionalProperties": _or_removal("event")},
            }
        ),
        "event": _place({"text": _TEXT, "rules": rules}),
        **{kind: _rule(kind) for kind in KEYS_BY_KIND},
    }


def _or_removal(place: str) -> dict[str, Any]:
    return {"oneOf": [{"$ref": "#/$defs/removal"}, {"$ref": f"#/$defs/{place}"}]}


def _place(properties: dict[str, Any]) -> dict[str, Any]:
    kept = {"remove": {"const": False}}
    return {"type": "object", "properties": {**properties, **kept}, "additionalProperties": False}


def _rule(kind: str) -> dict[str, Any]:
    own = {key: _VALUES[kind][key] for key in KEYS_BY_KIND[kind]}
    text = _WORDS if kind == "note" else _TEXT
    shape: dict[str, Any] = {
        "type": "object",
        "properties": {"kind": {"const": kind}, "source": _WORDS, "text": text, **own},
        "additionalProperties": False,
        "required": ["kind", "source", *(key for key in own if key not in _OPTIONAL)],
    }
    if kind == "note":
        shape["required"].append("text")
    if kind == "variety":
        shape["required"].append("min")
    return {**shape, "anyOf": _LIMITED[kind]} if kind in _LIMITED else shape
