"""The shape of a listening's JSON as JSON Schema, for programs that read it."""

from __future__ import annotations

from typing import Any

from graith.listen.findings import FINDING_KINDS
from graith.music.model import ChanterNote

Schema = dict[str, Any]

_NUMBER: Schema = {"type": "number"}
_MAYBE: Schema = {"type": ["number", "null"]}
_TEXT: Schema = {"type": "string"}
_MAYBE_TEXT: Schema = {"type": ["string", "null"]}
_INDEX: Schema = {"type": "integer", "minimum": -1}
_COUNT: Schema = {"type": "integer", "minimum": 0}
_MAYBE_COUNT: Schema = {"type": ["integer", "null"], "minimum": 0}
_FROM_0: Schema = {"type": "number", "minimum": 0}
_MAYBE_FROM_0: Schema = {"type": ["number", "null"], "minimum": 0}
_NOTES = [note.label for note in ChanterNote]


def listening_schema() -> Schema:
    """Return the JSON Schema of what ``graith listen --json`` writes.

    References
    ----------
    JSON Schema, draft 2020-12.

    Examples
    --------
    >>> listening_schema()["required"][:2]
    ['trusted', 'reason']
    """
    properties = {
        "trusted": _told({"type": "boolean"}, "Whether the measures can be relied on; when not, none are given."),
        "reason": _told(_MAYBE_TEXT, "Why not: a sentence."),
        "recording": _recording(),
        "set": _told(_TEXT, "Name of the set that was listened for."),
        "n_players": _told({"type": ["integer", "null"], "minimum": 1}, "As told, or one when one was heard."),
        "stands_out_db": _told(
            _MAYBE, "How far the notes stand out of what sounds besides them; below 16.5 dB it is noisy or far away."
        ),
        "speed": _told(_MAYBE, "How many times too fast the recording runs; null when right or not known."),
        **_pitches(),
        **_edges(),
        "fit": _told(_MAYBE_FROM_0, "Share of sounding moments in which the note expected is the one heard."),
        "passages": _list(
            {"first_note": _COUNT, "last_note": _COUNT, "start_s": _NUMBER, "stop_s": _NUMBER},
            "Stretches of the set played without a jump, in the recording's order; notes are indices in `notes`.",
        ),
        "tempo": _list(
            {**_bar(), "time_s": _NUMBER, "bpm": _NUMBER, "uncertainty_bpm": _FROM_0, "planned_bpm": _NUMBER},
            "Tempo of each bar that was heard.",
        ),
        "beats": _list({"beat": _COUNT, "time_s": _NUMBER, "bpm": _NUMBER}, "Each beat that was heard."),
        "togetherness": _list(
            {**_bar(), "spread_ms": _FROM_0, "uncertainty_ms": _FROM_0, "n_changes": _COUNT},
            "How far apart the players start the notes of each bar: standard deviation.",
        ),
        "notes": _notes(),
        "wrong_notes": _list(
            {"note": _COUNT, "heard": {"enum": _NOTES}, "share": _FROM_0},
            "Melody notes in whose place another was played: index in `notes`, what was heard, in what share of it.",
        ),
        "figures": _figures(),
        "pointing": _list(_POINTING, "Long to short in one player's dotted pairs, by bar; `bar` -1 is all of them."),
        "findings": _findings(),
        "n_more_findings": _told(_COUNT, "Findings too light to be listed."),
    }
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "A Graith listening"}
    return {**head, **_object(properties), "$comment": _COMMENT}


_COMMENT = (
    "Times are seconds from the recording's first sample. Deviations are positive when sharp or late. Every "
    "uncertainty is half the width of a 90 % interval. What was not heard is null or left out. `bar` counts from 0 "
    "over the bars as played, repeats unfolded, and is -1 for every pick-up; `played_bar` counts pick-ups too, and is "
    "-1 for the strike-in note. In findings, `bar` is the printed one, from 1 within its part (0 is a pick-up)."
)


def _told(shape: Schema, says: str) -> Schema:
    return {**shape, "description": says}


def _object(properties: dict[str, Schema]) -> Schema:
    return {"type": "object", "properties": properties, "required": list(properties), "additionalProperties": False}


def _list(properties: dict[str, Schema], says: str) -> Schema:
    return {"type": "array", "items": _object(properties), "description": says}


def _bar() -> dict[str, Schema]:
    return {"bar": _INDEX, "played_bar": _COUNT}


def _by_note(says: str) -> Schema:
    return _told(_object(dict.fromkeys(_NOTES, _MAYBE)), says)


def _recording() -> Schema:
    properties = {
        "label": _TEXT,
        "length_s": _FROM_0,
        "begins_s": _told(_FROM_0, "Where the stretch listened to begins in the file."),
        "rate_hz": _COUNT,
        "n_channels": _COUNT,
        "peak": _told(_FROM_0, "Highest absolute sample; 1 is full scale."),
        "rms": _FROM_0,
        "n_clipped": _COUNT,
        "n_not_finite": _COUNT,
        "notes": {"type": "array", "items": _TEXT},
    }
    return _told(_object(properties), "The recording itself.")


def _pitches() -> dict[str, Schema]:
    return {
        "low_a_hz": _told(_MAYBE, "The chanters' low A; from the drones where it was not heard."),
        "low_a_uncertainty_cents": _MAYBE_FROM_0,
        "drones": _drones(),
        "scale": _told(_TEXT, "Name of the scale that cents are measured from."),
        "scale_hz": _by_note("Mean pitch of each note."),
        "scale_cents": _by_note("How far each note lies from the scale on the drones."),
        "scale_uncertainty_cents": _by_note("Of `scale_cents`."),
        "scale_spread_cents": _by_note("Standard deviation over the players."),
        "scale_spread_uncertainty_cents": _by_note("Of `scale_spread_cents`."),
        "scale_drift_cents": _by_note("Standard deviation over time of the players' mean."),
    }


def _drones() -> Schema:
    each = {"is_bass": {"type": "boolean"}, "hz": _NUMBER, "uncertainty_cents": _FROM_0, "share": _FROM_0}
    properties = {
        "tenor_hz": _told({"type": "array", "items": _NUMBER}, "The tenors that can be told apart, flattest first."),
        "bass_hz": _MAYBE,
        "tenor_mean_hz": _MAYBE,
        "tenor_uncertainty_cents": _MAYBE_FROM_0,
        "bass_uncertainty_cents": _MAYBE_FROM_0,
        "beating_hz": _told(_MAYBE_FROM_0, "Between the tenors."),
        "spread_cents": _MAYBE_FROM_0,
        "each": _list(each, "Every drone that can be told apart."),
        "drift": _list({"time_s": _NUMBER, "cents": _NUMBER}, "The tenors' pitch from their mean."),
        "in_s": _told(_MAYBE, "When they came in."),
        "in_uncertainty_s": _MAYBE_FROM_0,
        "out_s": _told(_MAYBE, "When they stopped."),
        "out_uncertainty_s": _MAYBE_FROM_0,
    }
    return _told(_object(properties), "The drones over the performance.")


def _edges() -> dict[str, Schema]:
    lone = {"is_early": {"type": "boolean"}, "time_s": _NUMBER, "by_ms": _FROM_0, "uncertainty_ms": _FROM_0}
    edges: dict[str, Schema] = {}
    for name, what in (("start", "first note"), ("stop", "cut-off")):
        edges[f"{name}_s"] = _told(_MAYBE, f"The chanters' {what}, players alone left out.")
        edges[f"{name}_uncertainty_ms"] = _MAYBE_FROM_0
        edges[f"{name}_spread_ms"] = _told(_MAYBE_FROM_0, "Standard deviation over the players.")
        edges[f"{name}_spread_uncertainty_ms"] = _MAYBE_FROM_0
    edges["lone"] = _list(lone, "Chanters heard alone before the start (early) or after the stop (stragglers).")
    edges["drones_after_s"] = _told(_MAYBE, "How long drones sounded after the cut-off.")
    return edges


def _notes() -> Schema:
    properties = {
        "beat": _told(_NUMBER, "Where the note is written, in beats from the timeline's beginning."),
        "pitch": {"enum": [*_NOTES, None]},
        "onset_s": _told(_MAYBE, "Start of its own pitch, after its gracenotes."),
        "stop_s": _MAYBE,
        "played": {"type": "boolean"},
        "uncertainty_ms": _told(_MAYBE_FROM_0, "Of `onset_s`."),
        "played_bar": _INDEX,
    }
    return _list(properties, "One for each melody note of the set, repeats unfolded, in playing order.")


def _figures() -> Schema:
    figure = {
        "note": _COUNT,
        "bar": _INDEX,
        "first_grace": _COUNT,
        "n_graces": _COUNT,
        "n_heard": _COUNT,
        "name": _TEXT,
        "verdict": {"enum": ["played", "gracenotes missing", "crushed", "late", "cannot tell"]},
        "confidence": _MAYBE,
        "onset_s": _MAYBE,
        "note_s": _MAYBE,
        "note_uncertainty_ms": _MAYBE,
        "length_ms": _MAYBE,
        "length_uncertainty_ms": _MAYBE,
        "expected_ms": _MAYBE,
        "late_known": {"type": "boolean"},
        "late_ms": _MAYBE,
        "late_uncertainty_ms": _MAYBE,
    }
    grace = {
        "grace": _COUNT,
        "note": _COUNT,
        "chanter_note": _INDEX,
        "heard": {"type": "boolean"},
        "can_tell": {"type": "boolean"},
        "confidence": _MAYBE,
        "onset_s": _MAYBE,
        "onset_uncertainty_ms": _MAYBE,
        "duration_ms": _MAYBE,
        "uncertainty_ms": _MAYBE,
        "expected_ms": _MAYBE,
    }
    habit = {"grace_s": _NUMBER, "largest_share": _NUMBER, "before": {"type": "boolean"}}
    properties = {
        "figures": _list(figure, "Each figure; `note` is an index in `notes`, `bar` one in the bars as played."),
        "graces": _list(grace, "Each gracenote."),
        "habit": _told(_object(habit), "How long this player's gracenotes usually are."),
        "habit_learnt": {"type": "boolean"},
        "beat_spread_ms": _MAYBE,
    }
    says = "One player's gracenotes; null for several players."
    return {**_object(properties), "type": ["object", "null"], "description": says}


_POINTING: dict[str, Schema] = {
    "bar": _INDEX,
    "long_first": {"type": "boolean"},
    "written": _NUMBER,
    "n_pairs": _COUNT,
    "ratio": _MAYBE,
    "uncertainty": _MAYBE,
    "model": _MAYBE,
}


def _findings() -> Schema:
    properties = {
        "kind": {"enum": list(FINDING_KINDS)},
        "size": _NUMBER,
        "unit": _TEXT,
        "uncertainty": _FROM_0,
        "says": _told(_TEXT, "A whole sentence."),
        "weight": _told(_FROM_0, "How many times what an ear can tell its certain part is."),
        "tune": _MAYBE_TEXT,
        "part": _MAYBE_COUNT,
        "bar": _told(_MAYBE_COUNT, "As printed."),
        "beat": _MAYBE_COUNT,
        "played_bar": _MAYBE_COUNT,
        "time_s": _MAYBE,
    }
    return _list(properties, "What is worth saying, the heaviest first.")
