"""The shape of a set file as JSON Schema, for editors that complete and check TOML while it is typed.

The schema says what can be said of one value at a time. Only the reader knows that a link must stand between two tunes,
that two links cannot stand at one place, and that the drones come in no later than the strike-in note.
"""

from __future__ import annotations

from typing import Any

from graith.music.model import ChanterNote
from graith.sets.read_set import FASTEST_BPM, MOST_BEATS, MOST_PARTS, MOST_TUNE_NUMBER, SLOWEST_BPM

_NAME = {"type": "string", "pattern": r"\S"}
_BPM = {"type": "number", "minimum": SLOWEST_BPM, "maximum": FASTEST_BPM}
_BEATS = {
    "oneOf": [
        {"type": "number", "minimum": 0, "maximum": MOST_BEATS},
        {"type": "string", "pattern": r"^\s*[0-9]{1,6}\s*/\s*(?!0+\s*$)[0-9]{1,6}\s*$"},
    ]
}


def set_schema() -> dict[str, Any]:
    """Return the JSON Schema of a set file.

    References
    ----------
    JSON Schema, draft 2020-12.

    Examples
    --------
    >>> set_schema()["required"]
    ['name', 'tunes']
    """
    properties = {
        "name": {**_NAME, "description": "The set's name."},
        "rulebook": {"type": "string", "description": "Name of a rulebook, or a file beside the set file."},
        "grade": {"type": "string", "description": "Name of a grade in the rulebook."},
        "event": {"type": "string", "description": "Name of an event of that grade."},
        "notes": {"type": "string", "description": "Anything the band should remember."},
        "tunes": {"type": "array", "minItems": 1, "items": _tune(), "description": "The tunes in playing order."},
        "links": {"type": "array", "items": _link(), "description": "Passages that are more than a plain change."},
        "opening": _opening(),
        "ending": _ending(),
    }
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "A Graith set file"}
    return {**head, **_object(properties, ["name", "tunes"])}


def _object(properties: dict[str, Any], required: list[str]) -> dict[str, Any]:
    shape: dict[str, Any] = {"type": "object", "properties": properties, "additionalProperties": False}
    return {**shape, "required": required} if required else shape


def _tune() -> dict[str, Any]:
    part = {"type": "integer", "minimum": 1, "maximum": MOST_PARTS}
    properties = {
        "file": {**_NAME, "description": "The tune book, relative to the set file."},
        "index": {
            "type": "integer",
            "minimum": 0,
            "maximum": MOST_TUNE_NUMBER,
            "description": "The tune's X: number in that book.",
        },
        "parts": {
            "type": "array",
            "minItems": 1,
            "items": part,
            "description": "Parts to play, in order; without it the tune as written.",
        },
        "repeats": {"type": "boolean", "default": True, "description": "Whether each part's own repeats are taken."},
        "tempo_bpm": {**_BPM, "description": "Beats a minute of the tune type's beat."},
        "tempo_ramp_bpm": {
            "type": "array",
            "items": _BPM,
            "minItems": 2,
            "maxItems": 2,
            "description": "Tempo on the first and on the last beat; a straight line over the beats between.",
        },
    }
    both = {"required": ["tempo_bpm", "tempo_ramp_bpm"]}
    return {**_object(properties, ["file", "index"]), "not": both}


def _link() -> dict[str, Any]:
    properties = {
        "after": {"type": "integer", "minimum": 1, "description": "The tune that ends, from 1."},
        "hold_beats": {**_BEATS, "description": "Extra beats for which that tune's last note is held."},
        "ease_beats": {**_BEATS, "description": "Last beats over which the tempo moves."},
        "ease_to_bpm": {**_BPM, "description": "Where it moves to; without it the next tune's tempo."},
    }
    return {**_object(properties, ["after"]), "dependentRequired": {"ease_to_bpm": ["ease_beats"]}}


def _opening() -> dict[str, Any]:
    beat = {"type": "integer", "minimum": 1, "maximum": MOST_BEATS}
    properties = {
        "roll_beats": {
            "type": "integer",
            "minimum": 0,
            "maximum": MOST_BEATS,
            "default": 8,
            "description": "Beats from the first roll to the tune; 0 starts on the tune.",
        },
        "drones_in_beat": {**beat, "description": "Beat on which the drones come in."},
        "strike_in_beat": {**beat, "description": "Beat on which the strike-in note comes in."},
        "strike_in_note": {"enum": [note.label for note in ChanterNote], "default": "E"},
        "tempo_bpm": {**_BPM, "description": "Without it the first tune's tempo."},
    }
    no_roll = {"properties": {"roll_beats": {"const": 0}}, "required": ["roll_beats"]}
    no_beats = {"properties": {"drones_in_beat": False, "strike_in_beat": False}}
    return {**_object(properties, []), "if": no_roll, "then": no_beats}


def _ending() -> dict[str, Any]:
    properties = {
        "hold_beats": {**_BEATS, "description": "Beats for which the last note is held past its written length."},
        "slow_beats": {**_BEATS, "description": "Last beats over which the tempo slows."},
        "slow_to_bpm": {**_BPM, "description": "Tempo on the last beat."},
    }
    both = {"slow_beats": ["slow_to_bpm"], "slow_to_bpm": ["slow_beats"]}
    return {**_object(properties, []), "dependentRequired": both}
