"""From a case to a recording and its truth, kept on disk by the case's hash.

The folder is named by the environment variable ``GRAITH_BENCH_DIR``; else it is in the system's temporary folder.
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from bench.listen.around import handled, in_room, noise, talk, write_coded
from bench.listen.cases import DRONE_PROGRAMS, PROGRAMS, Case
from bench.listen.played import Given, band_of_case, edited, given, plan_of, player_power, stopped_after, tuning_up
from bench.listen.sampled import (
    WANDER_STEP_S,
    key_and_cents,
    mean_cents,
    measured,
    sampled_sound,
    sounding_cents,
    steady_cents,
)
from bench.listen.truth import Truth, load_truth
from graith.sound.model import Performance
from graith.sound.render import sound_blocks
from graith.sound.wander import Wandering
from graith.timeline.model import StructuredArray, Timeline

Floats = npt.NDArray[np.float64]

_LONG_S = {"silence": 2.5, "talk": 5.0, "tuning": 8.0}
_TALK_RMS, _FLOOR_RMS, _PEAK = 0.03, 3e-5, 0.7


def bench_folder() -> Path:
    """Return where recordings are kept."""
    named = os.environ.get("GRAITH_BENCH_DIR")
    return Path(named) if named else Path(tempfile.gettempdir()) / "graith-bench"


def render(case: Case, folder: Path | None = None) -> tuple[Path, Truth]:
    """Return a case's recording and its truth, made now or found on disk.

    Parameters
    ----------
    case : Case
    folder : Path, optional
        Default :func:`bench_folder`.
    """
    folder = folder or bench_folder()
    stem = folder / f"{case.name}-{case.key()}"
    path = stem.parent / f"{stem.name}.{case.coding}"
    plan = plan_of(case)
    if not (path.exists() and _beside(stem, ".json").exists()):
        folder.mkdir(parents=True, exist_ok=True)
        samples, truth = _made(case, plan)
        with tempfile.TemporaryDirectory(dir=folder) as own:  # others may be making the same case just now
            made = Path(own) / stem.name
            write_coded(Path(own) / path.name, samples, case.rate_hz, case.coding, case.kbits)
            truth.save(made)
            for ending in (".npz", f".{case.coding}", ".json"):
                _beside(made, ending).replace(_beside(stem, ending))
    return path, load_truth(stem, plan, player_power(case), rise_ms(case))


def rise_ms(case: Case) -> Floats:
    """Return how long each note takes to half of its amplitude; our own synthesis hands over in 3 ms."""
    if case.source == "own":
        return np.full(9, 1.5)
    keys = [key_and_cents(float(hz))[0] for hz in band_of_case(case).scale.note_hz(case.low_a_hz)]
    return np.array([measured(PROGRAMS[case.source], key)["attack_ms"][1] for key in keys])


def _beside(stem: Path, ending: str) -> Path:
    return stem.parent / (stem.name + ending)


def _sound(case: Case, played: Performance) -> Floats:
    """Return a performance's sound without a room."""
    if case.source == "own":
        return np.concatenate(list(sound_blocks(played, rate_hz=case.rate_hz))).astype(np.float64)
    return sampled_sound(played, case.source, case.drone_program, case.rate_hz)


def _made(case: Case, plan: Timeline) -> tuple[Floats, Truth]:
    draws = np.random.default_rng([case.seed, 83])
    made = given(case, edited(case, plan))
    pieces = [_around(case, kind, draws, before=True) for kind in case.before]
    if case.false_start_bars:
        pieces.append(_sound(case, stopped_after(made, case.false_start_bars, case.seed)))
        pieces.append(_around(case, "talk", draws, before=True))
    music = _sound(case, made.performance)
    at = sum(piece.size for piece in pieces)
    pieces.append(music)
    pieces += [_around(case, kind, draws, before=False) for kind in case.after]
    samples = in_room(np.concatenate(pieces), case.room, case.rate_hz, case.seed)
    loudness = float(np.sqrt(np.mean(music**2)))
    floor = _FLOOR_RMS if case.noise_db is None else loudness * 10.0 ** (-case.noise_db / 20.0)
    samples += floor * noise(samples.size, case.rate_hz, draws)
    truth = _truth(case, plan, made, at / case.rate_hz, samples.size / case.rate_hz)
    if case.only_bars is not None:
        samples, truth = _cut(case, samples, truth)
    return samples * (_PEAK / np.abs(samples).max()), truth


def _around(case: Case, kind: str, draws: np.random.Generator, *, before: bool) -> Floats:
    """Return what is heard before or after the music."""
    length_s = _LONG_S[kind] * draws.uniform(0.7, 1.3)
    n = round(length_s * case.rate_hz)
    if kind == "silence":
        return np.zeros(n)
    if kind == "talk":
        return _TALK_RMS * (talk(n / case.rate_hz, case.rate_hz, draws)[:n] + handled(n, case.rate_hz, draws))
    sound = _sound(case, tuning_up(case, length_s, before=before))
    return 0.6 * np.pad(sound, (0, max(0, n - sound.size)))[:n]


# The truth of what was made


def _truth(case: Case, plan: Timeline, made: Given, at_s: float, length_s: float) -> Truth:
    rows = [part.played for part in made.performance.players]
    notes = _notes_truth(plan, made, rows, at_s)
    note_hz, note_s = _pitch_truth(case, made)
    drones = made.performance.drones
    tenor_hz, bass_hz = _drone_truth(case, made.performance)
    edges = _edges_truth(made, rows, at_s)
    low_a = note_hz[1][np.isfinite(note_hz[1])]
    low_a_hz = float(np.exp(np.log(low_a).mean())) if low_a.size else case.low_a_hz
    return Truth(
        plan=plan,
        **notes,
        **_grace_truth(plan, made, rows, at_s),
        **_bar_truth(plan, made, rows, at_s),
        **edges,
        note_hz=note_hz,
        note_s=note_s,
        tenor_hz=tenor_hz,
        bass_hz=bass_hz,
        low_a_hz=low_a_hz,
        drones_in_s=float(drones["in_s"].mean()) + at_s if drones.size else float("nan"),
        drones_out_s=float(drones["out_s"].mean()) + at_s if drones.size else float("nan"),
        first_s=at_s + min(float(one["onset_s"][0]) for one in rows),
        last_s=at_s + max(float(one["stop_s"][-1]) for one in rows),
        length_s=length_s,
        player_power=player_power(case),
        rise_ms=rise_ms(case),
    )


def _notes_truth(plan: Timeline, made: Given, rows: list[StructuredArray], at_s: float) -> dict[str, Any]:
    """Return the melody notes' onsets; of a bar played twice the last, and the first beside it."""
    n_notes, note_of = plan.notes.size, made.edited.note_of
    onsets_s = np.full((len(rows), n_notes), np.nan)
    first_s, written_s, stops_s = onsets_s.copy(), onsets_s.copy(), onsets_s.copy()
    for player, played in enumerate(rows):
        melody = played[played["grace"] < 0]
        begin_s = played["onset_s"][np.searchsorted(played["note"], melody["note"], side="left")]
        order = slice(None, None, -1)  # written last to first, so that the first playing stays
        first_s[player, note_of[order]] = melody["onset_s"][order]
        onsets_s[player, note_of] = melody["onset_s"]
        written_s[player, note_of] = begin_s
        stops_s[player, note_of] = melody["stop_s"]
    return {
        "onset_s": onsets_s.mean(axis=0) + at_s,
        "first_onset_s": first_s.mean(axis=0) + at_s,
        "player_onset_s": onsets_s + at_s,
        "played": np.isin(np.arange(n_notes), note_of),
        "start_written_s": written_s.mean(axis=0) + at_s,
        "stop_note_s": stops_s.mean(axis=0) + at_s,
    }


def _grace_truth(plan: Timeline, made: Given, rows: list[StructuredArray], at_s: float) -> dict[str, Any]:
    shape = (len(rows), plan.graces.size)
    onset_s, stop_s = np.full(shape, np.nan), np.full(shape, np.nan)
    crushed = np.zeros(shape, dtype=bool)
    grace_of = made.edited.grace_of
    for player, played in enumerate(rows):
        graces = played[played["grace"] >= 0]
        onset_s[player, grace_of[graces["grace"]]] = graces["onset_s"] + at_s
        stop_s[player, grace_of[graces["grace"]]] = graces["stop_s"] + at_s
        crushed[player, grace_of] = made.crushed[player]
        lost = grace_of[made.missed[player]]
        onset_s[player, lost] = stop_s[player, lost] = np.nan
    return {
        "grace_onset_s": onset_s,
        "grace_stop_s": stop_s,
        "grace_played": np.isfinite(onset_s),
        "grace_crushed": crushed,
    }


def _pitch_truth(case: Case, made: Given) -> tuple[Floats, Floats]:
    """Return each player's mean pitch of each note while it is a melody note, and how long that is, in s."""
    band = made.performance.band
    scale_hz = band.scale.note_hz(band.low_a_hz)
    note_hz = np.full((9, case.players), np.nan)
    note_s = np.zeros((9, case.players))
    for player, part in enumerate(made.performance.players):
        melody = part.played[part.played["grace"] < 0]
        wandering = Wandering(band.wander.chanter_cents, band.wander, player, case.rate_hz) if band.wander else None
        for note in np.unique(melody["chanter_note"]):
            some = melody[melody["chanter_note"] == note]
            lengths_s = some["stop_s"] - some["onset_s"]
            asked_hz = float(some["hz"][0])
            if case.source == "own":
                cents = 0.0 if wandering is None else _mean_wander(wandering, some, lengths_s)
                note_hz[note, player] = asked_hz * 2.0 ** (cents / 1200.0)
            else:
                key, asked_cents = key_and_cents(asked_hz, key_and_cents(float(scale_hz[note]))[0])
                cents = mean_cents(PROGRAMS[case.source], key, lengths_s) - asked_cents
                cents += _mean_sounding_cents(asked_cents, wandering, some, lengths_s)
                note_hz[note, player] = asked_hz * 2.0 ** (cents / 1200.0)
            note_s[note, player] = lengths_s.sum()
    return note_hz, note_s


def _mean_wander(wandering: Wandering, notes: StructuredArray, lengths_s: Floats) -> float:
    return float(np.average(wandering.cents(0.5 * (notes["onset_s"] + notes["stop_s"])), weights=lengths_s))


def _mean_sounding_cents(
    asked_cents: float, wandering: Wandering | None, notes: StructuredArray, lengths_s: Floats
) -> float:
    """Return the cents above the key that sound on average; the wander is held from one step to the next."""
    if wandering is None:
        return float(sounding_cents(asked_cents))
    steps_s = np.floor(0.5 * (notes["onset_s"] + notes["stop_s"]) / WANDER_STEP_S) * WANDER_STEP_S
    return float(np.average(sounding_cents(asked_cents + wandering.cents(steps_s)), weights=lengths_s))


def _drone_truth(case: Case, played: Performance) -> tuple[Floats, Floats]:
    """Return each drone's mean pitch over the performance; sampled ones do not wander."""
    drones, wander = played.drones, played.band.wander
    hz = drones["hz"].copy()
    if case.source == "own" and wander is not None:
        for index, drone in enumerate(drones):
            wandering = Wandering(wander.chanter_cents * wander.drone_share, wander, int(drone["player"]), case.rate_hz)
            hz[index] *= 2.0 ** (float(wandering.cents(np.arange(drone["in_s"], drone["out_s"], 0.2)).mean()) / 1200.0)
    if case.source != "own":
        for index, drone in enumerate(drones):
            key, asked_cents = key_and_cents(float(drone["hz"]))
            cents = float(sounding_cents(asked_cents)) - asked_cents
            hz[index] *= 2.0 ** ((cents + steady_cents(DRONE_PROGRAMS[case.drone_program], key)) / 1200.0)
    return hz[~drones["is_bass"]], hz[drones["is_bass"]]


def _edges_truth(made: Given, rows: list[StructuredArray], at_s: float) -> dict[str, Any]:
    starts_s = np.array([one["onset_s"][0] for one in rows]) + at_s
    stops_s = np.array([one["stop_s"][-1] for one in rows]) + at_s
    players = np.arange(len(rows))
    band_starts_s, band_stops_s = starts_s[players != made.early], stops_s[players != made.straggler]
    start_s, stop_s = float(band_starts_s.mean()), float(band_stops_s.mean())
    early_s, late_s = starts_s[players == made.early], stops_s[players == made.straggler]
    return {
        "start_s": start_s,
        "stop_s": stop_s,
        "start_spread_ms": _sd_ms(band_starts_s),
        "stop_spread_ms": _sd_ms(band_stops_s),
        "early_s": early_s,
        "early_by_ms": (start_s - early_s) * 1e3,
        "straggler_s": late_s,
        "straggler_by_ms": (late_s - stop_s) * 1e3,
    }


def _sd_ms(times_s: Floats) -> float:
    return float(times_s.std(ddof=1)) * 1e3 if times_s.size > 1 else 0.0


def bar_beats(plan: Timeline) -> Floats:
    """Return how many beats each bar of the plan lasts, holds after it counted with it."""
    starts = [Fraction(int(bar["start_num"]), int(bar["start_den"])) for bar in plan.bars]
    last = (plan.cut_off_s - float(plan.bars["start_s"][-1])) * float(plan.bars["tempo_bpm"][-1]) / 60.0
    return np.array([*(float(after - before) for before, after in pairwise(starts)), last])


def _bar_truth(plan: Timeline, made: Given, rows: list[StructuredArray], at_s: float) -> dict[str, Any]:
    bars, bar_of = made.edited.timeline.bars, made.edited.bar_of
    n_bars = plan.bars.size
    bar_s, bar_bpm, spread_ms = (np.full(n_bars, np.nan) for _ in range(3))
    bar_s[bar_of] = bars["start_s"] + at_s
    bar_bpm[bar_of] = bar_beats(plan)[bar_of] * 60.0 / (bars["stop_s"] - bars["start_s"])
    if len(rows) > 1:
        notes = made.edited.timeline.notes
        onsets_s = np.array([played["onset_s"][played["grace"] < 0] for played in rows])
        variance = onsets_s.var(axis=0, ddof=1)
        for bar in range(bars.size):
            within = notes["bar"] == bar
            if within.any():
                spread_ms[bar_of[bar]] = 1e3 * float(np.sqrt(variance[within].mean()))
    played = np.isin(np.arange(n_bars), bar_of)
    return {"bar_s": bar_s, "bar_bpm": bar_bpm, "bar_played": played, "bar_spread_ms": spread_ms}


_TIMES = (
    "onset_s", "first_onset_s", "player_onset_s", "start_written_s", "stop_note_s", "grace_onset_s", "grace_stop_s",
    "bar_s", "start_s", "stop_s", "early_s", "straggler_s", "drones_in_s", "drones_out_s", "first_s", "last_s",
)  # fmt: skip


def _cut(case: Case, samples: Floats, truth: Truth) -> tuple[Floats, Truth]:
    """Return the stretch from the first to the last of ``only_bars``; what lies outside has no time."""
    first, last = case.only_bars or (0, 0)
    begin_s = float(truth.bar_s[first])
    end_s = float(truth.bar_s[last + 1]) if last + 1 < truth.bar_s.size else truth.length_s
    moved = {name: getattr(truth, name) - begin_s for name in _TIMES}
    long_s = end_s - begin_s
    for name, values in moved.items():
        if isinstance(values, np.ndarray):
            moved[name] = np.where((values >= 0) & (values < long_s), values, np.nan)
        elif name not in ("first_s", "last_s"):
            moved[name] = values if 0 <= values < long_s else float("nan")
    outside = ~np.isfinite(moved["onset_s"])
    inside = samples[round(begin_s * case.rate_hz) : round(end_s * case.rate_hz)]
    return inside, replace(
        truth,
        **moved | {"first_s": max(0.0, moved["first_s"]), "last_s": min(long_s, moved["last_s"])},
        played=truth.played & ~outside,
        bar_played=truth.bar_played & np.isfinite(moved["bar_s"]),
        bar_bpm=np.where(np.isfinite(moved["bar_s"]), truth.bar_bpm, np.nan),
        bar_spread_ms=np.where(np.isfinite(moved["bar_s"]), truth.bar_spread_ms, np.nan),
        grace_played=truth.grace_played & np.isfinite(moved["grace_onset_s"]),
        length_s=inside.size / case.rate_hz,
    )
