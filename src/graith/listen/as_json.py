"""What was heard as plain data for JSON: numbers, texts and lists, ``None`` for what was not heard, never NaN.

The shape is published: :mod:`graith.listen.listening_schema`.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from graith.listen.heard import Heard
from graith.listen.model import Drones, Edge, Finding, StartStop
from graith.listen.places import Integers, counted_bars
from graith.music.model import ChanterNote
from graith.timeline.model import StructuredArray, Timeline

Json = dict[str, Any]

_LABELS = tuple(note.label for note in ChanterNote)
_DRONES = ("tenor_hz", "bass_hz", "tenor_mean_hz", "tenor_uncertainty_cents", "bass_uncertainty_cents", "beating_hz",
           "spread_cents", "each", "drift", "in_s", "in_uncertainty_s", "out_s", "out_uncertainty_s")  # fmt: skip


def as_json(heard: Heard, timeline: Timeline) -> Json:
    """Return what was heard as one JSON object.

    Parameters
    ----------
    heard : Heard
    timeline : Timeline
        Of the set that was listened for.

    Notes
    -----
    Times are seconds from the recording's first sample. A ``bar`` in ``tempo`` and ``togetherness`` counts from 0 over
    the bars as played, repeats unfolded, and is -1 for every pick-up; ``played_bar`` counts pick-ups too and is the
    index in the timeline's bars. In ``findings`` a ``bar`` is the printed one, from 1 within its part.
    """
    counts = counted_bars(timeline)
    answer: Json = {
        "trusted": heard.trusted,
        "reason": heard.reason,
        "recording": _recording(heard),
        "set": timeline.name,
        "n_players": heard.n_players,
        "stands_out_db": heard.stands_out_db,
        "speed": heard.speed,
        **_pitches(heard),
        **_edges(heard.start_stop, has_spread=heard.n_players != 1),
        "fit": None if heard.alignment is None else heard.alignment.fit,
        "passages": [] if heard.alignment is None else _rows(heard.alignment.passages),
        "tempo": [] if heard.tempo is None else list(_tempo_bars(heard.tempo.bars, counts)),
        "beats": [] if heard.tempo is None else _heard_rows(heard.tempo.beats),
        "togetherness": [] if heard.togetherness is None else list(_together(heard.togetherness, counts)),
        "notes": _notes(heard, timeline),
        "wrong_notes": [] if heard.wrong_notes is None else list(_wrong_notes(heard.wrong_notes)),
        "figures": _plain(heard.figures),
        "pointing": [] if heard.pointing is None else _rows(heard.pointing),
        "findings": [finding_json(finding) for finding in heard.findings],
        "n_more_findings": heard.n_more_findings,
    }
    plain: Json = _plain(answer)
    return plain


def finding_json(finding: Finding) -> Json:
    """Return one finding as plain data."""
    told: Json = _plain(dataclasses.asdict(finding))
    return told


def _recording(heard: Heard) -> Json:
    facts = heard.recording
    return {
        "label": facts.label,
        "length_s": facts.length_s,
        "begins_s": facts.start_s,
        "rate_hz": facts.rate_hz,
        "n_channels": facts.n_channels,
        "peak": facts.levels.peak,
        "rms": facts.levels.rms,
        "n_clipped": facts.levels.n_clipped,
        "n_not_finite": facts.levels.n_not_finite,
        "notes": list(facts.notes),
    }


def _pitches(heard: Heard) -> Json:
    tuning = heard.tuning
    notes = None if tuning is None else tuning.notes
    spreads = None if heard.n_players == 1 else notes
    return {
        "low_a_hz": None if tuning is None else tuning.low_a_hz,
        "low_a_uncertainty_cents": None if tuning is None else tuning.low_a_uncertainty_cents,
        "drones": _drones(heard.drones),
        "scale": heard.scale_name,
        "scale_hz": _by_note(notes, "hz"),
        "scale_cents": _by_note(notes, "cents"),
        "scale_uncertainty_cents": _by_note(notes, "uncertainty_cents"),
        "scale_spread_cents": _by_note(spreads, "spread_cents"),
        "scale_spread_uncertainty_cents": _by_note(spreads, "spread_uncertainty_cents"),
        "scale_drift_cents": _by_note(notes, "drift_cents"),
    }


def _by_note(notes: StructuredArray | None, field: str) -> dict[str, float | None]:
    """Return one field of the nine notes by the trade's names; None for a note that was not heard."""
    if notes is None:
        return dict.fromkeys(_LABELS)
    return {label: float(row[field]) if row["heard"] else None for label, row in zip(_LABELS, notes, strict=True)}


def _drones(drones: Drones | None) -> Json:
    if drones is None:
        empty: Json = {"tenor_hz": [], "bass_hz": None, "each": [], "drift": []}
        return {**dict.fromkeys(_DRONES), **empty}
    return {
        "tenor_hz": [one.hz for one in drones.heard if not one.is_bass],
        "bass_hz": drones.bass_hz,
        "tenor_mean_hz": drones.tenor_hz,
        "tenor_uncertainty_cents": drones.tenor_uncertainty_cents,
        "bass_uncertainty_cents": drones.bass_uncertainty_cents,
        "beating_hz": drones.beating_hz,
        "spread_cents": drones.spread_cents,
        "each": [dataclasses.asdict(one) for one in drones.heard],
        "drift": [
            {"time_s": time_s, "cents": cents}
            for time_s, cents in zip(drones.drift_s.tolist(), drones.drift_cents.tolist(), strict=True)
        ],
        "in_s": drones.in_s,
        "in_uncertainty_s": drones.in_uncertainty_s,
        "out_s": drones.out_s,
        "out_uncertainty_s": drones.out_uncertainty_s,
    }


def _edges(edges: StartStop | None, *, has_spread: bool) -> Json:
    return {
        **_edge("start", None if edges is None else edges.start, has_spread=has_spread),
        **_edge("stop", None if edges is None else edges.stop, has_spread=has_spread),
        "lone": [] if edges is None else [dataclasses.asdict(one) for one in edges.lone],
        "drones_after_s": None if edges is None else edges.drones_after_s,
    }


def _edge(name: str, edge: Edge | None, *, has_spread: bool) -> Json:
    spread = edge if has_spread else None
    return {
        f"{name}_s": None if edge is None else edge.time_s,
        f"{name}_uncertainty_ms": None if edge is None else edge.uncertainty_ms,
        f"{name}_spread_ms": None if spread is None else spread.spread_ms,
        f"{name}_spread_uncertainty_ms": None if spread is None else spread.spread_uncertainty_ms,
    }


def _tempo_bars(bars: StructuredArray, counts: Integers) -> Iterable[Json]:
    for row in bars[bars["heard"]]:
        yield {
            "bar": int(counts[row["bar"]]),
            "played_bar": int(row["bar"]),
            "time_s": float(row["time_s"]),
            "bpm": float(row["bpm"]),
            "uncertainty_bpm": float(row["uncertainty_bpm"]),
            "planned_bpm": float(row["planned_bpm"]),
        }


def _together(bars: StructuredArray, counts: Integers) -> Iterable[Json]:
    for row in bars[bars["heard"]]:
        yield {
            "bar": int(counts[row["bar"]]),
            "played_bar": int(row["bar"]),
            "spread_ms": float(row["spread_ms"]),
            "uncertainty_ms": float(row["uncertainty_ms"]),
            "n_changes": int(row["n_changes"]),
        }


def _notes(heard: Heard, timeline: Timeline) -> list[Json]:
    """Return one object for each melody note of the timeline, in playing order."""
    if heard.alignment is None:
        return []
    steps = heard.alignment.notes
    planned = timeline.notes[steps["note"]]
    columns = zip(
        (planned["start_num"] / planned["start_den"]).tolist(),
        planned["chanter_note"].tolist(),
        planned["bar"].tolist(),
        *(steps[name].tolist() for name in ("start_s", "stop_s", "heard", "uncertainty_ms")),
        strict=True,
    )
    return [
        {
            "beat": beat,
            "pitch": None if pitch < 0 else _LABELS[pitch],
            "onset_s": onset_s if played else None,
            "stop_s": stop_s if played else None,
            "played": played,
            "uncertainty_ms": uncertainty_ms if played else None,
            "played_bar": bar,
        }
        for beat, pitch, bar, onset_s, stop_s, played, uncertainty_ms in columns
    ]


def _wrong_notes(wrong: StructuredArray) -> Iterable[Json]:
    for note, heard_note, share, _ in wrong.tolist():
        yield {"note": note, "heard": _LABELS[heard_note], "share": share}


def _rows(array: StructuredArray) -> list[Json]:
    names = array.dtype.names or ()
    return [dict(zip(names, row, strict=True)) for row in array.tolist()]


def _heard_rows(array: StructuredArray) -> list[Json]:
    return [{name: value for name, value in row.items() if name != "heard"} for row in _rows(array[array["heard"]])]


def _plain(value: Any) -> Any:
    """Return dataclasses, arrays, numbers and lists as what JSON knows; a number that is none becomes ``None``."""
    if value is None or type(value) in (str, int, bool):
        return value
    if type(value) is float:
        return value if math.isfinite(value) else None
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, np.ndarray):
        return _plain(_rows(value) if value.dtype.names else value.tolist())
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    return value
