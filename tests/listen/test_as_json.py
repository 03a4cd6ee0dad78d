"""A listening as JSON: the published shape, every key that was promised, no NaN, and what was not heard as null."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np

from graith.listen.as_json import as_json
from graith.listen.findings import with_findings
from graith.listen.heard import Heard
from graith.listen.listening_schema import listening_schema
from graith.timeline.make_timeline import timeline_of
from heard_by_hand import BEGINS_S, heard_as_planned, medley, one_tune, tuning

DOCS = Path(__file__).parents[2] / "docs"
VALIDATOR = jsonschema.Draft202012Validator(listening_schema())
MEDLEY = timeline_of(medley())


def written(heard: Heard) -> Any:
    """What a reader of the file gets."""
    answer = as_json(with_findings(heard, MEDLEY), MEDLEY)
    VALIDATOR.validate(answer)
    return json.loads(json.dumps(answer, allow_nan=False))


def test_the_published_schema_is_current() -> None:
    assert json.loads((DOCS / "schema" / "listening.schema.json").read_text("utf-8")) == listening_schema()


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(listening_schema())


def test_the_keys_that_were_promised_are_there() -> None:
    answer = written(heard_as_planned(MEDLEY, tuning=tuning({0: 14.0})))
    assert set(answer) >= {
        "trusted", "reason", "low_a_hz", "drones", "scale_hz", "scale_cents", "scale_spread_cents", "start_s",
        "start_spread_ms", "stop_s", "stop_spread_ms", "tempo", "togetherness", "notes", "findings",
    }  # fmt: skip
    assert set(answer["drones"]) >= {"tenor_hz", "bass_hz"}
    assert set(answer["tempo"][0]) >= {"bar", "time_s", "bpm"}
    assert set(answer["togetherness"][0]) >= {"bar", "spread_ms"}
    assert set(answer["notes"][0]) >= {"beat", "pitch", "onset_s", "played", "uncertainty_ms"}
    assert set(answer["findings"][0]) >= {"kind", "tune", "part", "bar", "size", "unit", "uncertainty", "says"}


def test_notes_come_by_their_names_with_pitch_and_cents() -> None:
    answer = written(heard_as_planned(MEDLEY, tuning=tuning({0: 14.0})))
    assert answer["scale_cents"]["low G"] == 14.0
    assert abs(answer["scale_hz"]["E"] - 720.0) < 1e-9
    assert answer["drones"]["tenor_hz"] == [239.95, 240.05]


def test_there_is_one_note_for_each_melody_note_of_the_timeline_in_playing_order() -> None:
    notes = written(heard_as_planned(MEDLEY))["notes"]
    assert len(notes) == MEDLEY.notes.size
    onsets_s = [note["onset_s"] for note in notes]
    assert onsets_s == sorted(onsets_s)
    assert onsets_s[0] == BEGINS_S + MEDLEY.strike_in_s
    assert (notes[0]["pitch"], notes[0]["played_bar"]) == ("E", -1)


def test_bars_count_from_zero_over_the_bars_as_played_and_a_pick_up_is_minus_one() -> None:
    bars = [row["bar"] for row in written(heard_as_planned(MEDLEY))["tempo"]]
    full = [bar for bar in bars if bar >= 0]
    assert full == list(range(len(full)))
    assert [bar < 0 for bar in bars] == (MEDLEY.bars["number"] == 0).tolist()


def test_what_was_not_heard_is_null_or_left_out() -> None:
    heard = heard_as_planned(MEDLEY)
    assert heard.tempo is not None
    assert heard.alignment is not None
    assert heard.tuning is not None
    heard.tempo.bars["heard"][7] = False
    heard.alignment.steps["heard"][5] = False
    heard.tuning.notes["heard"][7] = False
    answer = written(heard)
    assert len(answer["tempo"]) == MEDLEY.bars.size - 1
    assert 7 not in [row["played_bar"] for row in answer["tempo"]]
    assert (answer["notes"][5]["played"], answer["notes"][5]["onset_s"]) == (False, None)
    assert answer["scale_hz"]["high G"] is None


def test_a_number_that_is_none_is_null() -> None:
    measured = replace(tuning(), low_a_hz=float("nan"))
    measured.notes["drift_cents"][2] = np.inf
    answer = written(heard_as_planned(MEDLEY, tuning=measured))
    assert answer["low_a_hz"] is None
    assert answer["scale_drift_cents"]["B"] is None


def test_a_recording_that_cannot_be_trusted_has_the_same_keys_and_says_why() -> None:
    full = written(heard_as_planned(MEDLEY))
    bare = Heard(False, "It is another tune.", heard_as_planned(MEDLEY).recording)
    answer = written(bare)
    assert set(answer) == set(full)
    assert set(answer["drones"]) == set(full["drones"])
    assert (answer["trusted"], answer["reason"]) == (False, "It is another tune.")
    assert answer["notes"] == answer["tempo"] == []


def test_one_player_has_no_spread_in_the_file() -> None:
    answer = written(heard_as_planned(MEDLEY, n_players=1))
    assert set(answer["scale_spread_cents"].values()) == {None}
    assert answer["start_spread_ms"] is answer["stop_spread_ms"] is None


def test_every_bar_of_a_tune_without_a_pick_up_counts() -> None:
    timeline = timeline_of(one_tune("reels", 4))
    answer = as_json(heard_as_planned(timeline), timeline)
    assert [row["bar"] for row in answer["tempo"]] == [row["played_bar"] for row in answer["tempo"]]
