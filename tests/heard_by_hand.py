"""A listening made by hand: everything exactly on the plan, for tests to put faults into. No sound is heard here."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

import graith.demo
from graith.files.read_files import load_book, load_planned_set
from graith.listen.heard import Heard, RecordingFacts
from graith.listen.model import (
    BAR_TEMPO_DTYPE,
    BAR_TOGETHER_DTYPE,
    BEAT_TIME_DTYPE,
    NOTE_TUNING_DTYPE,
    PASSAGE_DTYPE,
    STEP_DTYPE,
    WORKING_RATE_HZ,
    Alignment,
    DroneHeard,
    Drones,
    Edge,
    Levels,
    Recording,
    StartStop,
    Tempo,
    Tuning,
)
from graith.services.lay_music import planned_tune_alone
from graith.sets.model import PlannedSet
from graith.sound.scale import HARMONIC
from graith.timeline.model import StructuredArray, Timeline

DEMO = Path(graith.demo.__path__[0])
BEGINS_S = 12.0
LOW_A_HZ = 480.0


def medley() -> PlannedSet:
    """The demo band's medley: six tunes of five types after two rolls."""
    return load_planned_set(DEMO / "sets" / "medley.toml")[1]


def one_tune(book: str = "marches", index: int = 1, parts: tuple[int, ...] | None = None) -> PlannedSet:
    """One tune of the demo band, or some parts of it, without rolls."""
    tunes = load_book(DEMO / "tunes" / f"{book}.abc").tunes
    return planned_tune_alone(next(tune for tune in tunes if tune.number == index), parts=parts)


def heard_as_planned(timeline: Timeline, **more: Any) -> Heard:
    """Return a listening in which six players did exactly what the timeline says, 12 s into the recording."""
    heard = Heard(
        trusted=True,
        reason=None,
        recording=RecordingFacts(
            "night.m4a", timeline.cut_off_s + 2 * BEGINS_S, 44_100, 1, Levels(0.7, 0.1, 44_100 * 300, 0, 0)
        ),
        scale_name=HARMONIC.name,
        alignment=_alignment(timeline),
        drones=_drones(timeline),
        tuning=tuning(),
        tempo=Tempo(_bars(timeline), _beats(timeline)),
        start_stop=StartStop(
            Edge(BEGINS_S + float(timeline.notes["onset_s"][0]), 5.0, 12.0, 5.0),
            Edge(BEGINS_S + timeline.cut_off_s, 8.0, 12.0, 6.0),
            drones_after_s=0.1,
        ),
        togetherness=_togetherness(timeline),
        n_players=6,
    )
    return replace(heard, **more)


def tuning(cents: dict[int, float] | None = None, spreads: dict[int, float] | None = None) -> Tuning:
    """Return the nine notes on the harmonic scale, but for those given, with half a cent of uncertainty."""
    notes = np.zeros(9, dtype=NOTE_TUNING_DTYPE)
    notes["heard"] = True
    for note, off_cents in (cents or {}).items():
        notes["cents"][note] = off_cents
    notes["hz"] = HARMONIC.note_hz(LOW_A_HZ) * np.exp2(notes["cents"] / 1200.0)
    notes["uncertainty_cents"] = 0.5
    notes["spread_cents"] = 2.0
    for note, spread_cents in (spreads or {}).items():
        notes["spread_cents"][note] = spread_cents
    notes["spread_uncertainty_cents"] = 1.0
    notes["drift_cents"] = 1.0
    notes["sounding_s"] = 10.0
    return Tuning(notes, float(notes["hz"][1]), 0.5)


def recording_of(timeline: Timeline) -> Recording:
    """Return a recording as long as the listening's, a hum between the set's start and stop."""
    samples = np.zeros(int((timeline.cut_off_s + 2 * BEGINS_S) * WORKING_RATE_HZ), dtype=np.float32)
    start, stop = (int((BEGINS_S + at_s) * WORKING_RATE_HZ) for at_s in (0.0, timeline.cut_off_s))
    samples[start:stop] = 0.3 * np.sin(np.arange(stop - start, dtype=np.float32))
    return Recording(samples, "night.m4a", 44_100, 1, Levels(0.3, 0.1, samples.size, 0, 0))


def passages(*stretches: tuple[int, int], timeline: Timeline) -> StructuredArray:
    """Return passages of the notes given, each at its planned time."""
    rows = np.zeros(len(stretches), dtype=PASSAGE_DTYPE)
    for row, (first, last) in zip(rows, stretches, strict=True):
        row["first_note"], row["last_note"] = first, last
        row["start_s"] = BEGINS_S + timeline.notes["onset_s"][first]
        row["stop_s"] = BEGINS_S + timeline.notes["stop_s"][last]
    return rows


def _alignment(timeline: Timeline) -> Alignment:
    notes = timeline.notes
    steps = np.zeros(notes.size, dtype=STEP_DTYPE)
    steps["note"] = np.arange(notes.size)
    steps["grace"] = -1
    steps["chanter_note"] = notes["chanter_note"]
    steps["expected_s"] = notes["stop_s"] - notes["onset_s"]
    steps["start_s"], steps["stop_s"] = BEGINS_S + notes["onset_s"], BEGINS_S + notes["stop_s"]
    steps["heard"] = True
    steps["uncertainty_ms"] = 6.0
    return Alignment(steps, passages((0, notes.size - 1), timeline=timeline), 0.95)


def _drones(timeline: Timeline) -> Drones:
    times_s = BEGINS_S + np.linspace(2.0, timeline.cut_off_s - 2.0, 30)
    heard = (
        DroneHeard(True, LOW_A_HZ / 4, 0.3, 1.0),
        DroneHeard(False, LOW_A_HZ / 2 - 0.05, 0.3, 1.0),
        DroneHeard(False, LOW_A_HZ / 2 + 0.05, 0.3, 0.9),
    )
    return Drones(
        heard, LOW_A_HZ / 2, LOW_A_HZ / 4, 0.3, 0.3, 0.1, 0.4, times_s, 0.3 * np.sin(times_s),
        BEGINS_S + timeline.drones_in_s, BEGINS_S + timeline.cut_off_s + 0.1, 0.05, 0.05,
    )  # fmt: skip


def _bars(timeline: Timeline) -> StructuredArray:
    bars = np.zeros(timeline.bars.size, dtype=BAR_TEMPO_DTYPE)
    bars["bar"] = np.arange(bars.size)
    bars["time_s"] = BEGINS_S + timeline.bars["start_s"]
    bars["bpm"] = bars["planned_bpm"] = timeline.bars["tempo_bpm"]
    bars["uncertainty_bpm"] = 0.005 * bars["bpm"]
    bars["heard"] = True
    return bars


def _beats(timeline: Timeline) -> StructuredArray:
    at = np.flatnonzero(timeline.beats["tune"] >= 0)
    beats = np.zeros(at.size, dtype=BEAT_TIME_DTYPE)
    beats["beat"] = at
    beats["time_s"] = BEGINS_S + timeline.beats["time_s"][at]
    beats["bpm"] = timeline.beats["tempo_bpm"][at]
    beats["heard"] = True
    return beats


def _togetherness(timeline: Timeline) -> StructuredArray:
    bars = np.zeros(timeline.bars.size, dtype=BAR_TOGETHER_DTYPE)
    bars["bar"] = np.arange(bars.size)
    bars["spread_ms"] = 14.0
    bars["uncertainty_ms"] = 4.0
    bars["n_changes"] = 6
    bars["heard"] = True
    return bars
