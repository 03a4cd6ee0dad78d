"""From a case to what each player does: the plan edited, warped in tempo, and given to a band."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt

import graith.demo
from bench.listen.cases import Case
from graith.files.read_files import load_book, load_planned_set
from graith.services.lay_music import planned_tune_alone
from graith.sets.model import Opening, PlannedSet
from graith.sound.model import PLAYED_DTYPE, STROKE_DTYPE, Band, Drones, Drums, Performance, PlayerPart, Players, Wander
from graith.sound.perform import performance
from graith.sound.scale import HARMONIC
from graith.timeline.graces import GraceModel
from graith.timeline.make_timeline import timeline_of, with_graces
from graith.timeline.model import StructuredArray, Timeline

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

DEMO = Path(graith.demo.__path__[0])
DRONES_FIRST_S = 3.0
"""How long the drones sound before a tune without opening."""

_LEAST_S = 0.012
_CRUSHED_S = 0.014
_LARGEST_SHARE = 0.7
_GRID_S = 0.01


def plan_of(case: Case) -> Timeline:
    """Return what the listener is given: the music at its planned tempo."""
    return timeline_of(planned_of(case))


def planned_of(case: Case) -> PlannedSet:
    """Return the music as a set, with or without its opening."""
    book, _, which = case.music.partition(":")
    if book == "set":
        _, planned = load_planned_set(next(path for path in _set_paths(which) if path.exists()))
    else:
        tunes = load_book(DEMO / "tunes" / f"{book}.abc").tunes
        tune = next(one for one in tunes if one.number == int(which))
        planned = planned_tune_alone(tune, parts=case.parts, tempo_bpm=case.tempo_bpm)
    return replace(planned, opening=Opening() if case.opening else Opening(roll_beats=0))


def _set_paths(name: str) -> tuple[Path, Path]:
    """Return where a set's file may be: with the demo's, or with this bench's own."""
    return DEMO / "sets" / f"{name}.toml", Path(__file__).parent / "sets" / f"{name}.toml"


@dataclass(frozen=True, slots=True, eq=False)
class Edited:
    """The plan with bars left out and played again, at the tempo played.

    ``note_of``, ``grace_of`` and ``bar_of`` are indices in the plan of what is played. ``clock`` maps seconds of the
    edited plan to seconds played.
    """

    timeline: Timeline
    note_of: Indices
    grace_of: Indices
    bar_of: Indices


def bar_order(case: Case, n_bars: int) -> list[int]:
    """Return the played bars in order."""
    order = list(range(n_bars))
    for first, last in sorted((*case.skipped, *case.repeated), reverse=True):
        again = (first, last) in case.repeated
        order[last + 1 : last + 1] = range(first, last + 1) if again else ()
        if not again:
            del order[first : last + 1]
    return order


def _runs(order: list[int]) -> list[tuple[int, int]]:
    breaks = [0, *(place for place in range(1, len(order)) if order[place] != order[place - 1] + 1), len(order)]
    return [(order[begin], order[end - 1]) for begin, end in pairwise(breaks)]


def edited(case: Case, plan: Timeline) -> Edited:
    """Return the music as it is played: its bars in their order, at a tempo that wanders."""
    notes: list[StructuredArray] = []
    beats: list[StructuredArray] = []
    bars: list[StructuredArray] = []
    note_of: list[Indices] = []
    bar_of: list[Indices] = []
    offset_s = 0.0
    for index, (first, last) in enumerate(_runs(bar_order(case, plan.bars.size))):
        begin_s = 0.0 if index == 0 else float(plan.bars["start_s"][first])
        end_s = float(plan.bars["stop_s"][last])
        moved_s = offset_s - begin_s
        chosen = np.flatnonzero((plan.notes["start_s"] > begin_s - 1e-6) & (plan.notes["start_s"] < end_s - 1e-6))
        note_of.append(chosen)
        n_before = sum(one.size for one in bar_of)
        notes.append(_moved(plan.notes[chosen], ("start_s", "onset_s", "stop_s"), moved_s))
        notes[-1]["bar"] = np.where(notes[-1]["bar"] >= 0, notes[-1]["bar"] - first + n_before, -1)
        sounded = (plan.beats["time_s"] > begin_s - 1e-6) & (plan.beats["time_s"] < end_s - 1e-6)
        piece = _moved(plan.beats[sounded], ("time_s",), moved_s)
        within = (piece["bar"] >= first) & (piece["bar"] <= last)
        piece["bar"] = np.where(within, piece["bar"] - first + n_before, -1)
        beats.append(piece)
        bar_of.append(np.arange(first, last + 1))
        bars.append(_moved(plan.bars[first : last + 1], ("start_s", "stop_s"), moved_s))
        offset_s += end_s - begin_s
    joined = np.concatenate(notes)
    joined["stop_s"][:-1] = joined["start_s"][1:]
    joined["stop_s"][-1] = offset_s
    return _warped(case, plan, joined, np.concatenate(beats), np.concatenate(bars), note_of, bar_of)


def _moved(array: StructuredArray, names: tuple[str, ...], by_s: float) -> StructuredArray:
    copy = array.copy()
    for name in names:
        copy[name] += by_s
    return copy


def _warped(
    case: Case,
    plan: Timeline,
    notes: StructuredArray,
    beats: StructuredArray,
    bars: StructuredArray,
    note_of: list[Indices],
    bar_of: list[Indices],
) -> Edited:
    grid_s, clock_s = _clock(case, float(notes["stop_s"][-1]))

    def played_s(time_s: Floats) -> Floats:
        return np.interp(time_s, grid_s, clock_s)

    for array, names in ((notes, ("start_s", "stop_s")), (beats, ("time_s",)), (bars, ("start_s", "stop_s"))):
        for name in names:
            array[name] = played_s(array[name])
    owners = np.concatenate(note_of)
    grace_of = np.concatenate(
        [np.arange(plan.notes["first_grace"][one], plan.notes["first_grace"][one] + plan.notes["n_graces"][one])
         for one in owners]
    ).astype(np.int64)  # fmt: skip
    notes["first_grace"] = np.cumsum(notes["n_graces"]) - notes["n_graces"]
    graces = with_graces(notes, plan.graces["chanter_note"][grace_of].astype(np.int64), GraceModel(case.grace_ms / 1e3))
    opening = [plan.drones_in_s, plan.strike_in_s] if case.opening else [-DRONES_FIRST_S, 0.0]
    in_s, strike_s = played_s(np.array(opening)) if case.opening else clock_s[0] + np.array(opening)
    timeline = replace(
        plan,
        beats=beats,
        bars=bars,
        notes=notes,
        graces=graces,
        drones_in_s=float(in_s),
        strike_in_s=float(strike_s),
        first_note_s=float(bars["start_s"][0]),
        cut_off_s=float(notes["stop_s"][-1]),
    )
    return Edited(timeline, owners, grace_of, np.concatenate(bar_of))


def _clock(case: Case, length_s: float) -> tuple[Floats, Floats]:
    """Return seconds as planned and as played: a smooth wandering tempo, and passages that run away."""
    draws = np.random.default_rng([case.seed, 41])
    grid_s = np.arange(0.0, length_s + 2 * _GRID_S, _GRID_S)
    knots_s = np.arange(-8.0, length_s + 12.0, 2.0)
    rough = draws.normal(size=knots_s.size)
    smooth = np.convolve(rough, np.hanning(9)[1:-1], "same")
    smooth = np.clip((smooth - smooth.mean()) / max(smooth.std(), 1e-9), -2.5, 2.5)
    log_speed = np.interp(grid_s, knots_s, smooth) * case.tempo_wander + np.log1p(case.tempo_off)
    for _ in range(case.surges):
        middle_s, half_s = draws.uniform(0.2, 0.85) * length_s, draws.uniform(2.0, 3.5)
        share = np.clip(1.0 - np.abs(grid_s - middle_s) / half_s, 0.0, 1.0)
        log_speed += draws.uniform(0.04, 0.06) * np.sin(0.5 * np.pi * share) ** 2
    pace = np.exp(-log_speed)
    clock_s = np.concatenate([[0.0], np.cumsum(0.5 * (pace[1:] + pace[:-1]) * _GRID_S)])
    return grid_s, clock_s + (0.0 if case.opening else DRONES_FIRST_S + 1.0)


def band_of_case(case: Case) -> Band:
    """Return the band: its tuning, drones and drums; players' starts are drawn here and not by the band."""
    draws = np.random.default_rng([case.seed, 43])
    scale = HARMONIC.with_offsets(np.round(draws.normal(size=9) * case.scale_cents, 3).tolist())
    level_db = 1.5 if case.players > 1 else 0.0
    return Band(
        players=Players(case.players, 0.0, case.pitch_spread_cents, level_db, case.drone_spread_cents, case.seed),
        scale=scale,
        low_a_hz=case.low_a_hz,
        drones=Drones(case.tenor_cents, case.bass_cents, case.drone_db) if case.drones else None,
        drums=_drums(case),
        room=None,
        wander=Wander(case.wander_cents, seed=case.seed) if case.wander_cents else None,
    )


def player_power(case: Case) -> Floats:
    """Return each player's share of the chanters' sound."""
    levels_db = np.array([part.level_db for part in performance(_NO_MUSIC, band_of_case(case)).players])
    power: Floats = 10.0 ** (levels_db / 10.0)
    power /= power.sum()
    return power


def _drums(case: Case) -> Drums | None:
    if case.drums == "none":
        return None
    return Drums(bass_drum=case.bass_drum, level_db=case.drums_db, seed=case.seed)


@dataclass(frozen=True, slots=True, eq=False)
class Given:
    """A performance of an edited plan, with what went wrong in it.

    ``loose`` are the played bars (of the edited timeline) that were planted; ``missed`` and ``crushed`` say it of each
    player's graces, shape (players, graces of the edited timeline).
    """

    edited: Edited
    performance: Performance
    loose: Indices
    missed: npt.NDArray[np.bool_]
    crushed: npt.NDArray[np.bool_]
    early: int  # player, or -1
    straggler: int


def given(case: Case, music: Edited) -> Given:
    """Return what each player does."""
    band = band_of_case(case)
    made = performance(music.timeline, band)
    draws = np.random.default_rng([case.seed, 47])
    loose = _loose_bars(case, music.timeline, draws)
    n_graces = music.timeline.graces.size
    missed = np.zeros((case.players, n_graces), dtype=bool)
    crushed = np.zeros((case.players, n_graces), dtype=bool)
    early = int(draws.integers(case.players)) if case.early_ms else -1
    straggler = int(draws.integers(case.players)) if case.straggler_ms else -1
    parts = []
    for index, part in enumerate(made.players):
        hz = np.zeros(10)
        hz[part.played["chanter_note"]] = part.played["hz"]
        lone_ms = (case.early_ms * (index == early), case.straggler_ms * (index == straggler))
        rows = _player_rows(case, music.timeline, index, loose, missed[index], crushed[index], lone_ms)
        rows["hz"] = hz[rows["chanter_note"]]
        parts.append(replace(part, played=rows))
    drones = _drones(case, made.drones, parts)
    strokes = _busy(case, music.timeline, made.strokes)
    stops = [one.played["stop_s"][-1] for one in parts] + [*drones["out_s"], *strokes["time_s"]]
    done = Performance(band, tuple(parts), drones, strokes, float(max(stops)))
    return Given(music, done, loose, missed, crushed, early, straggler)


def _loose_bars(case: Case, timeline: Timeline, draws: np.random.Generator) -> Indices:
    inner = np.arange(2, timeline.bars.size - 2)
    return np.sort(draws.choice(inner, size=min(case.loose_bars, inner.size), replace=False)).astype(np.int64)


def _player_rows(
    case: Case,
    timeline: Timeline,
    player: int,
    loose: Indices,
    missed: npt.NDArray[np.bool_],
    crushed: npt.NDArray[np.bool_],
    lone_ms: tuple[float, float],
) -> StructuredArray:
    """Return one player's notes and gracenotes in order; what he leaves out or squeezes is marked."""
    notes, graces = timeline.notes, timeline.graces
    draws = np.random.default_rng([case.seed, 53, player])
    apart_ms = np.where(np.isin(notes["bar"], loose), case.loose_ms, case.onset_spread_ms)
    lags = np.sqrt(0.25) * draws.normal(size=timeline.bars.size + 1)[notes["bar"]]
    lags += np.sqrt(0.15) * draws.normal() + np.sqrt(0.60) * draws.normal(size=notes.size)
    wanted_s = notes["start_s"] + lags * apart_ms / 1e3
    wanted_s[0] -= lone_ms[0] / 1e3
    quick = np.exp(0.12 * draws.normal(size=notes.size)) * np.exp(0.08 * draws.normal())
    fate = draws.random(notes.size)
    stop_s = notes["stop_s"][-1] + draws.normal() * case.onset_spread_ms / 1e3 + lone_ms[1] / 1e3
    rows: list[tuple[float, float, float, int, int, int]] = []
    earliest_s = 0.02
    for index, note in enumerate(notes):
        start_s = max(float(wanted_s[index]), earliest_s)
        first, n = int(note["first_grace"]), int(note["n_graces"])
        each_s = 0.0
        if n and fate[index] < case.missed:
            missed[first : first + n] = True
            n = 0
        elif n:
            room_s = max(0.02, float(note["stop_s"]) - start_s)
            each_s = min(float(graces["stop_s"][first] - graces["onset_s"][first]) * float(quick[index]),
                         _LARGEST_SHARE * room_s / n)  # fmt: skip
            if fate[index] < case.missed + case.crushed:
                crushed[first : first + n] = True
                each_s = min(each_s, _CRUSHED_S)
        for place in range(n):
            at_s = start_s + place * each_s
            rows.append((at_s, 0.0, 0.0, int(graces["chanter_note"][first + place]), index, first + place))
        onset_s = start_s + n * each_s
        rows.append((onset_s, 0.0, 0.0, int(note["chanter_note"]), index, -1))
        earliest_s = onset_s + _LEAST_S
    played = np.array(rows, dtype=PLAYED_DTYPE)
    played["stop_s"][:-1] = played["onset_s"][1:]
    played["stop_s"][-1] = max(stop_s, earliest_s)
    return played


def _drones(case: Case, drones: StructuredArray, parts: list[PlayerPart]) -> StructuredArray:
    """Let each player's drones come in about their beat, and go with his chanter."""
    moved = drones.copy()
    for index, part in enumerate(parts):
        own = moved["player"] == index
        lag_s = np.random.default_rng([case.seed, 59, index]).normal() * max(case.onset_spread_ms, 5.0) / 1e3
        moved["in_s"][own] = np.maximum(moved["in_s"][own] + lag_s, 0.0)
        moved["out_s"][own] = part.played["stop_s"][-1]
    return moved


def _busy(case: Case, timeline: Timeline, strokes: StructuredArray) -> StructuredArray:
    """Add quick strokes between the beats of the tunes, as a snare line plays."""
    if case.drums != "busy":
        return strokes
    draws = np.random.default_rng([case.seed, 61])
    beats = timeline.beats[timeline.beats["bar"] >= 0]
    rows = []
    for beat, next_s in zip(beats, [*beats["time_s"][1:], timeline.cut_off_s], strict=True):
        beat_s = float(next_s) - float(beat["time_s"])
        for place in range(1, 8):
            if draws.random() < (0.75 if place % 2 == 0 else 0.35):
                at_s = float(beat["time_s"]) + place * beat_s / 8 + draws.normal() * 0.005
                level_db = case.drums_db - 3.0 - 7.0 * draws.random()
                rows.append((at_s, 0, level_db, int(draws.integers(6)), int(beat["number"]) - 1))
    both = np.concatenate([strokes, np.array(rows, dtype=STROKE_DTYPE)])
    return both[np.argsort(both["time_s"], kind="stable")]


def stopped_after(made: Given, n_bars: int, seed: int) -> Performance:
    """Return a performance that breaks down after so many bars: a false start."""
    timeline = made.edited.timeline
    end_s = float(timeline.bars["stop_s"][min(n_bars, timeline.bars.size) - 1])
    draws = np.random.default_rng([seed, 67])
    parts = []
    for part in made.performance.players:
        rows = part.played[part.played["onset_s"] < end_s - 0.05].copy()
        rows["stop_s"][-1] = max(end_s + draws.normal() * 0.08, rows["onset_s"][-1] + _LEAST_S)
        parts.append(replace(part, played=rows))
    drones = made.performance.drones.copy()
    for index, part in enumerate(parts):
        drones["out_s"][drones["player"] == index] = part.played["stop_s"][-1] + abs(draws.normal()) * 0.3
    strokes = made.performance.strokes[made.performance.strokes["time_s"] < end_s]
    stops = [one.played["stop_s"][-1] for one in parts] + [*drones["out_s"], *strokes["time_s"]]
    return replace(made.performance, players=tuple(parts), drones=drones, strokes=strokes, stop_s=float(max(stops)))


def tuning_up(case: Case, length_s: float, *, before: bool) -> Performance:
    """Return one or two players tuning: long notes without rhythm, drones on and off."""
    draws = np.random.default_rng([case.seed, 71, int(before)])
    band = band_of_case(case)
    n = min(2, case.players)
    parts, drones = [], []
    pitches_hz = band.scale.note_hz(case.low_a_hz)
    for player in range(n):
        edges_s = np.cumsum(np.concatenate([[0.3 + draws.random()], draws.uniform(0.25, 1.6, size=40)]))
        edges_s = edges_s[edges_s < length_s - 0.6]
        rows = np.zeros(max(edges_s.size - 1, 1), dtype=PLAYED_DTYPE)
        rows["onset_s"], rows["stop_s"] = edges_s[:-1], edges_s[1:]
        rows["chanter_note"] = draws.choice([1, 1, 5, 5, 3, 4, 6, 8, 0], size=rows.size)
        rows["hz"] = pitches_hz[rows["chanter_note"]] * 2.0 ** (draws.normal() * 8 / 1200)
        rows["grace"] = -1
        parts.append(PlayerPart(rows, 0.0, int(draws.integers(2**31)), 0.0))
        if case.drones:
            for is_bass, ratio in ((False, 0.5), (False, 0.5), (True, 0.25)):
                hz = case.low_a_hz * ratio * 2.0 ** (draws.normal() * 10 / 1200)
                in_s = draws.uniform(0.0, 0.3 * length_s)
                drones.append((player, is_bass, hz, in_s, draws.uniform(0.7, 0.95) * length_s - 0.3))
    played = performance(_NO_MUSIC, replace(band, drums=None, chanter=False, drones=None, wander=None))
    return replace(
        played,
        band=replace(band, drums=None, wander=None, players=replace(band.players, n=n)),
        players=tuple(parts),
        drones=np.array(drones, dtype=played.drones.dtype),
        stop_s=length_s - 0.3,
    )


_NO_MUSIC = plan_of(Case(name="silence", parts=(1,)))
