"""One player's figures against performances whose gracenotes are known, because they were planted."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files

import numpy as np
import numpy.typing as npt
import pytest

from graith.errors import ListenError
from graith.listen.model import PASSAGE_DTYPE, STEP_DTYPE, WORKING_RATE_HZ, Alignment
from graith.listen.player_figures import (
    CANNOT_TELL,
    CRUSHED,
    LATE,
    MISSING,
    PLAYED,
    FigureLimits,
    learnt_graces,
    learnt_pointing,
    player_figures,
    pointing,
)
from graith.music.read_abc import read_book
from graith.music.tune_types import tune_type_named
from graith.sets.model import Opening, PlannedSet, PlannedTune
from graith.sound.model import Band, Drones, Performance, PlayerPart, Room, Wander
from graith.sound.perform import performance
from graith.sound.render import sound_blocks
from graith.sound.scale import HARMONIC
from graith.timeline.graces import GraceModel
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import StructuredArray, Timeline

NOTE_HZ = HARMONIC.note_hz(480.0)
ALONE = Band(drones=None, drums=None, room=None)
STRATHSPEY = ("strathspeys.abc", "strathspey", 116.0)
REEL = ("reels.abc", "reel", 84.0)
MARCH = ("marches.abc", "2/4 march", 66.0)
JIG = ("jigs.abc", "jig", 116.0)


def line_of(book: str, type_name: str, bpm: float, *, index: int = 0, graces: GraceModel | None = None) -> Timeline:
    text = (files("graith") / "demo" / "tunes" / book).read_text(encoding="utf-8")
    tune = PlannedTune(read_book(text, book).tunes[index], tune_type_named(type_name), bpm, bpm)
    return timeline_of(PlannedSet("a set", (tune,), (), opening=Opening(roll_beats=8)), graces=graces)


def played_otherwise(whole: Performance, rows: StructuredArray) -> Performance:
    rows = rows[np.argsort(rows["onset_s"], kind="stable")]
    rows["stop_s"][:-1] = rows["onset_s"][1:]
    part: PlayerPart = replace(whole.players[0], played=rows)
    return replace(whole, players=(part,))


def planted(timeline: Timeline, band: Band, seed: int) -> tuple[Performance, npt.NDArray[np.str_]]:
    """Leave out, crush and delay some figures; return the performance and each note's true verdict."""
    whole = performance(timeline, band)
    draws = np.random.default_rng(seed)
    rows = whole.players[0].played.copy()
    truth = np.full(timeline.notes.size, PLAYED, dtype="U20")
    keep = np.ones(rows.size, dtype=bool)
    for note in np.flatnonzero(timeline.notes["n_graces"] > 0)[1:]:
        own = np.flatnonzero(rows["note"] == note)
        graces, melody, start_s = own[:-1], own[-1], float(rows["onset_s"][own[0]])
        fate = draws.random()
        if fate < 0.12:
            gone = draws.choice(graces, size=draws.integers(1, graces.size + 1), replace=False)
            keep[gone] = False
            truth[note] = MISSING
            if draws.random() < 0.5 and gone.size == graces.size:
                rows["onset_s"][melody] = start_s  # the melody note takes their time; else the note before does
        elif fate < 0.20:
            lengths_s = draws.uniform(0.0125, 0.016, size=graces.size)
            rows["onset_s"][own] = start_s + np.concatenate([[0.0], np.cumsum(lengths_s)])
            truth[note] = CRUSHED
        elif fate < 0.25 and rows["stop_s"][melody] - rows["onset_s"][melody] > 0.12:
            rows["onset_s"][own] += draws.uniform(0.055, 0.07)
            truth[note] = LATE
    return played_otherwise(whole, rows[keep]), truth


def aligned(timeline: Timeline, played: Performance, *, error_ms: float = 3.0, seed: int = 5) -> Alignment:
    """What an aligner says that has the melody notes right to some ms and believes in every gracenote."""
    draws = np.random.default_rng(seed)
    script = performance(timeline, ALONE).players[0].played
    rows = played.players[0].played
    melody = rows[rows["grace"] < 0]
    starts_s = np.zeros(timeline.notes.size)
    starts_s[melody["note"]] = melody["onset_s"] + draws.normal(size=melody.size) * error_ms / 1000.0
    steps = np.zeros(script.size, dtype=STEP_DTYPE)
    for name in ("note", "grace", "chanter_note"):
        steps[name] = script[name]
    steps["expected_s"] = script["stop_s"] - script["onset_s"]
    before_s = script["onset_s"] - timeline.notes["onset_s"][script["note"]]
    steps["start_s"] = np.maximum.accumulate(starts_s[script["note"]] + before_s)
    steps["stop_s"] = np.append(steps["start_s"][1:], rows["stop_s"][-1])
    steps["heard"] = True
    steps["uncertainty_ms"] = 1.645 * error_ms
    passage = np.array([(0, timeline.notes.size - 1, starts_s[0], rows["stop_s"][-1])], dtype=PASSAGE_DTYPE)
    return Alignment(steps, passage, 1.0)


def sound_of(played: Performance, noise_db: float | None = None) -> npt.NDArray[np.float32]:
    samples = np.concatenate(list(sound_blocks(played, rate_hz=WORKING_RATE_HZ)))
    if noise_db is None:
        return samples
    hiss = np.random.default_rng(1).normal(size=samples.size).astype(np.float32)
    return samples + hiss * np.float32(np.sqrt(np.mean(samples**2)) * 10.0 ** (-noise_db / 20.0))


def f1(found: npt.NDArray[np.bool_], true: npt.NDArray[np.bool_]) -> float:
    """Harmonic mean of precision and recall (van Rijsbergen, Information Retrieval, 1979)."""
    return 2.0 * np.sum(found & true) / max(1, np.sum(found) + np.sum(true))


def verdicts(pieces: list[tuple[str, str, float]], band: Band, noise_db: float | None) -> dict[str, float]:
    found, true = [], []
    for place, piece in enumerate(pieces):
        timeline = line_of(*piece)
        played, truth = planted(timeline, band, 11 + place)
        figures = player_figures(
            sound_of(played, noise_db),
            timeline,
            aligned(timeline, played),
            note_hz=NOTE_HZ,
            has_drones=band.drones is not None,
        ).figures
        found.append(figures["verdict"])
        true.append(truth[figures["note"]])
    said, meant = np.concatenate(found), np.concatenate(true)
    return {name: f1(said == name, meant == name) for name in (MISSING, CRUSHED, LATE)}


def test_planted_faults_are_found_in_a_practice_chanter_alone() -> None:
    scores = verdicts([STRATHSPEY, REEL, MARCH], ALONE, None)
    assert scores[MISSING] > 0.95
    assert scores[CRUSHED] > 0.9
    assert scores[LATE] > 0.85


@pytest.mark.parametrize(
    ("drones", "room", "noise_db"),
    [(Drones(), None, None), (Drones(level_db=-3.0), Room(), 25.0), (Drones(), Room(1.2, -4.0), 20.0)],
    ids=["drones", "loud drones, room and noise", "far away in a hall"],
)
def test_planted_faults_are_found_over_drones(drones: Drones, room: Room | None, noise_db: float | None) -> None:
    band = Band(drones=drones, drums=None, room=room, wander=Wander(2.0))
    scores = verdicts([STRATHSPEY, JIG], band, noise_db)
    assert scores[MISSING] > 0.9
    assert scores[CRUSHED] > 0.85
    assert scores[LATE] > 0.85


@pytest.mark.parametrize("bpm", [70.0, 104.0])
def test_missing_gracenotes_are_found_in_a_slow_and_in_a_fast_reel(bpm: float) -> None:
    assert verdicts([("reels.abc", "reel", bpm)], ALONE, 30.0)[MISSING] > 0.95


def test_a_tune_played_as_planned_yields_no_fault() -> None:
    timeline = line_of(*STRATHSPEY)
    played = performance(timeline, replace(ALONE, drones=Drones()))
    figures = player_figures(
        sound_of(played), timeline, aligned(timeline, played), note_hz=NOTE_HZ, has_drones=True
    ).figures
    assert np.mean(figures["verdict"] == PLAYED) > 0.99
    assert not np.any(figures["verdict"] == MISSING)


def test_measured_lengths_hold_the_truth_as_often_as_they_claim() -> None:
    errors, claims = [], []
    for place, piece in enumerate((STRATHSPEY, MARCH, REEL)):
        timeline = line_of(*piece, graces=GraceModel(0.030 + 0.010 * place))
        played, _ = planted(timeline, replace(ALONE, drones=Drones(), room=Room()), 3 + place)
        graces = player_figures(
            sound_of(played, 25.0), timeline, aligned(timeline, played), note_hz=NOTE_HZ, has_drones=True
        ).graces
        rows = played.players[0].played
        rows = rows[rows["grace"] >= 0]
        lengths_ms = np.full(graces.size, np.nan)
        lengths_ms[rows["grace"]] = 1000.0 * (rows["stop_s"] - rows["onset_s"])
        both = graces["heard"] & np.isfinite(lengths_ms)
        errors.append(np.abs(graces["duration_ms"] - lengths_ms)[both])
        claims.append(graces["uncertainty_ms"][both])
    error_ms, claim_ms = np.concatenate(errors), np.concatenate(claims)
    assert np.median(error_ms) < 2.0
    assert np.mean(error_ms <= claim_ms) >= 0.85
    assert np.mean(claim_ms) < 8.0


def test_onsets_are_right_to_a_few_milliseconds_although_the_aligner_guesses() -> None:
    timeline = line_of(*REEL)
    played, _ = planted(timeline, ALONE, 4)
    graces = player_figures(
        sound_of(played), timeline, aligned(timeline, played, error_ms=8.0), note_hz=NOTE_HZ, has_drones=False
    ).graces
    rows = played.players[0].played
    rows = rows[rows["grace"] >= 0]
    heard = graces["heard"][rows["grace"]]
    error_ms = 1000.0 * np.abs(graces["onset_s"][rows["grace"]] - rows["onset_s"])[heard]
    assert np.mean(heard) > 0.97
    assert np.median(error_ms) < 3.0


@pytest.mark.parametrize("grace_s", [0.028, 0.055])
def test_a_players_own_length_of_gracenotes_is_learnt(grace_s: float) -> None:
    plan = line_of(*MARCH)
    played = performance(line_of(*MARCH, graces=GraceModel(grace_s)), ALONE)
    alignment = aligned(plan, played)
    heard = player_figures(sound_of(played), plan, alignment, note_hz=NOTE_HZ, has_drones=False)
    model = learnt_graces(heard, plan, alignment)
    assert model.grace_s == pytest.approx(grace_s, abs=0.003)
    assert not model.before


def test_a_player_whose_gracenotes_come_before_the_beat_is_known() -> None:
    plan = line_of(*MARCH)
    played = performance(line_of(*MARCH, graces=GraceModel(before=True)), ALONE)
    alignment = aligned(plan, played)
    heard = player_figures(sound_of(played), plan, alignment, note_hz=NOTE_HZ, has_drones=False)
    assert learnt_graces(heard, plan, alignment).before


def test_a_passage_that_was_left_out_is_not_judged() -> None:
    timeline = line_of(*REEL)
    played = performance(timeline, ALONE)
    alignment = aligned(timeline, played)
    alignment.steps["heard"][alignment.steps["note"] > 60] = False
    figures = player_figures(sound_of(played), timeline, alignment, note_hz=NOTE_HZ, has_drones=False).figures
    left = figures["note"] > 60
    assert set(figures["verdict"][left]) == {CANNOT_TELL}
    assert np.mean(figures["verdict"][~left] == PLAYED) > 0.95


def test_pure_noise_gives_no_verdict_worth_believing() -> None:
    timeline = line_of(*REEL)
    played = performance(timeline, ALONE)
    noise = np.random.default_rng(2).normal(size=sound_of(played).size).astype(np.float32)
    figures = player_figures(noise, timeline, aligned(timeline, played), note_hz=NOTE_HZ, has_drones=False).figures
    assert np.mean(figures["verdict"] == CANNOT_TELL) > 0.9


def test_the_same_sound_gives_the_same_answer_whatever_its_level() -> None:
    timeline = line_of(*JIG)
    played, _ = planted(timeline, ALONE, 8)
    loud, alignment = sound_of(played), aligned(timeline, played)
    first = player_figures(loud, timeline, alignment, note_hz=NOTE_HZ, has_drones=False).figures
    second = player_figures(loud * np.float32(0.01), timeline, alignment, note_hz=NOTE_HZ, has_drones=False).figures
    assert first["verdict"].tolist() == second["verdict"].tolist()


def test_dotted_pairs_played_as_written_have_the_written_ratio() -> None:
    timeline = line_of(*STRATHSPEY)
    rows = pointing(timeline, aligned(timeline, performance(timeline, ALONE), error_ms=0.0))
    usual = rows[rows["bar"] == -1]
    assert set(usual["written"]) == {3.0}
    assert usual["ratio"] == pytest.approx(3.0, rel=1e-6)
    assert set(usual["long_first"]) == {True, False}


def pointed(timeline: Timeline, ratio: float) -> Performance:
    """Return a chanter playing every written 3:1 with another ratio of long to short."""
    whole = performance(timeline, ALONE)
    rows = whole.players[0].played.copy()
    notes = timeline.notes
    lengths = notes["beats_num"] / notes["beats_den"]
    for first in np.flatnonzero((lengths[:-1] == 0.75) & (lengths[1:] == 0.25)):
        start_s, stop_s = notes["start_s"][first], notes["stop_s"][first + 1]
        own = rows["note"] == first + 1
        rows["onset_s"][own] += start_s + (stop_s - start_s) * ratio / (ratio + 1.0) - notes["start_s"][first + 1]
    return played_otherwise(whole, rows)


def test_pointing_tells_how_strongly_a_player_points_and_how_well_that_is_known() -> None:
    timeline = line_of(*STRATHSPEY)
    rows = pointing(timeline, aligned(timeline, pointed(timeline, 4.0), error_ms=3.0))
    usual = rows[(rows["bar"] == -1) & rows["long_first"]][0]
    assert abs(usual["ratio"] - 4.0) <= 1.5 * usual["uncertainty"]
    assert usual["uncertainty"] < 0.3
    bars = rows[(rows["bar"] >= 0) & rows["long_first"]]
    assert 0.8 <= np.mean(np.abs(bars["ratio"] - 4.0) <= bars["uncertainty"]) <= 1.0


def test_a_pick_up_does_not_hide_the_dotted_pairs_of_a_tune_played_alone() -> None:
    text = (files("graith") / "demo" / "tunes" / "strathspeys.abc").read_text(encoding="utf-8")
    tune = PlannedTune(read_book(text, "book").tunes[0], tune_type_named("strathspey"), 116.0, 116.0)
    timeline = timeline_of(PlannedSet("alone", (tune,), ()))
    assert timeline.bars["number"][0] == 0
    rows = pointing(timeline, aligned(timeline, performance(timeline, ALONE), error_ms=0.0))
    assert rows["n_pairs"][rows["bar"] == -1].sum() > 50


def test_a_player_is_held_against_the_bands_own_pointing() -> None:
    timeline = line_of(*STRATHSPEY)
    band = learnt_pointing(timeline, aligned(timeline, pointed(timeline, 4.0), error_ms=0.0))
    rows = pointing(timeline, aligned(timeline, performance(timeline, ALONE), error_ms=0.0), model=band)
    assert rows["model"][rows["long_first"]] == pytest.approx(4.0, abs=0.02)
    assert rows["model"][~rows["long_first"]] == pytest.approx(3.0, abs=0.02)


def test_an_alignment_of_another_timeline_is_refused() -> None:
    timeline, other = line_of(*REEL), line_of(*JIG)
    played = performance(timeline, ALONE)
    alignment = aligned(timeline, played)
    with pytest.raises(ListenError, match="Give the timeline that was aligned"):
        player_figures(sound_of(played), other, alignment, note_hz=NOTE_HZ, has_drones=False)
    with pytest.raises(ListenError, match="Give the timeline that was aligned"):
        pointing(other, alignment)


def test_wrong_pitches_and_too_little_sound_are_refused() -> None:
    timeline = line_of(*REEL)
    played = performance(timeline, ALONE)
    alignment = aligned(timeline, played)
    with pytest.raises(ListenError, match="nine pitches"):
        player_figures(sound_of(played), timeline, alignment, note_hz=NOTE_HZ[:5], has_drones=False)
    with pytest.raises(ListenError, match="one second"):
        player_figures(np.zeros(100, dtype=np.float32), timeline, alignment, note_hz=NOTE_HZ, has_drones=False)
    with pytest.raises(ListenError, match="crushed_share"):
        FigureLimits(crushed_share=1.5)
