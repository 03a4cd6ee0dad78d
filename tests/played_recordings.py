"""Recordings with known truth for the tests of listening: our own synthesis, at the rate that listening works at.

A :class:`Played` holds the sound, what the listener is told, and where every melody note truly begins. Tempo may wander
about the plan; bars may be left out or played again; other sound may come before and after.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

import graith.demo
from graith.files.read_files import load_book
from graith.listen.align import Aligned, aligned
from graith.listen.frames import Frames, frames_of
from graith.listen.model import WORKING_RATE_HZ, Levels, Recording
from graith.services.lay_music import planned_tune_alone
from graith.sets.model import Opening
from graith.sound.model import Band, Performance, PlayerPart
from graith.sound.perform import performance
from graith.sound.render import sound_blocks
from graith.sound.scale import HARMONIC
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import StructuredArray, Timeline

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Singles = npt.NDArray[np.float32]

DEMO_TUNES = Path(graith.demo.__path__[0]) / "tunes"
NOTES_HZ = HARMONIC.note_hz(480.0)

_TIMES = {
    "beats": ("time_s",),
    "bars": ("start_s", "stop_s"),
    "notes": ("start_s", "onset_s", "stop_s"),
    "graces": ("onset_s", "stop_s"),
}


@dataclass(frozen=True, slots=True, eq=False)
class Played:
    """A recording and its truth.

    Attributes
    ----------
    plan : Timeline
        What the listener is told.
    sound : float32 array, shape (samples,)
        Mono at ``WORKING_RATE_HZ``.
    onset_s : float array, shape (notes,)
        Mean over the players of each melody note's onset, its last playing; NaN where it was not played.
    bpm : float array, shape (bars,)
        Each bar's mean tempo as played.
    """

    plan: Timeline
    sound: Singles
    onset_s: Floats
    bpm: Floats


def plan_of(book: str, number: int, *parts: int, tempo_bpm: float | None = None, roll_beats: int = 8) -> Timeline:
    """Return a demo tune, or some of its parts, with rolls and a strike-in, or without."""
    tune = next(one for one in load_book(DEMO_TUNES / f"{book}.abc").tunes if one.number == number)
    planned = planned_tune_alone(tune, parts=parts or None, tempo_bpm=tempo_bpm)
    return timeline_of(replace(planned, opening=Opening(roll_beats=roll_beats)))


@cache
def march() -> Timeline:
    """Two parts of a march, 32 bars: 55 s with its opening."""
    return plan_of("marches", 1, 1, 2)


@cache
def jig() -> Timeline:
    """One part of a jig, 16 bars."""
    return plan_of("jigs", 2, 1)


def warped(plan: Timeline, *, faster: float = 1.0, wander: float = 0.0) -> Timeline:
    """Return a plan at another tempo: so much faster throughout, and swinging about that every 11 s."""
    grid_s = np.arange(0.0, plan.cut_off_s + 10.0, 0.01)
    rate = 1.0 / (faster * (1.0 + wander * np.sin(2.0 * np.pi * grid_s / 11.0)))
    played_s = np.concatenate([[0.0], np.cumsum(rate)[:-1] * 0.01])
    arrays = {}
    for name, times in _TIMES.items():
        arrays[name] = getattr(plan, name).copy()
        for time in times:
            arrays[name][time] = np.interp(arrays[name][time], grid_s, played_s)
    moments = ("drones_in_s", "strike_in_s", "first_note_s", "cut_off_s")
    return replace(plan, **arrays, **{one: float(np.interp(getattr(plan, one), grid_s, played_s)) for one in moments})


def played(
    plan: Timeline,
    band: Band,
    *,
    as_played: Timeline | None = None,
    order: Sequence[int] | None = None,
    before: Singles | None = None,
    noise_db: float | None = None,
) -> Played:
    """Return a band's playing of a plan.

    Parameters
    ----------
    plan : Timeline
    band : Band
    as_played : Timeline, optional
        The same at the tempo played.
    order : sequence of int, optional
        The bars in the order in which they are played; default each once.
    before : float32 array, optional
        Sound before the performance.
    noise_db : float, optional
        The music's level over that of white noise.
    """
    line = as_played or plan
    made = performance(line, band)
    if order is not None:
        made = in_order(made, line, order)
    music = sound_of(made)
    quiet = np.zeros(WORKING_RATE_HZ, dtype=np.float32)
    lead = quiet if before is None else before
    sound = np.concatenate([lead, music, quiet])
    if noise_db is not None:
        level = float(np.sqrt(np.mean(music**2))) * 10.0 ** (-noise_db / 20.0)
        sound = sound + noise(sound.size / WORKING_RATE_HZ, level)
    onsets_s = np.array([_last_onsets_s(part.played, plan.notes.size) for part in made.players])
    seconds = line.bars["stop_s"] - line.bars["start_s"]
    bpm = plan.bars["tempo_bpm"] * (plan.bars["stop_s"] - plan.bars["start_s"]) / seconds
    return Played(plan, sound, onsets_s.mean(axis=0) + lead.size / WORKING_RATE_HZ, bpm)


def _last_onsets_s(rows: StructuredArray, n_notes: int) -> Floats:
    onsets_s = np.full(n_notes, np.nan)
    melody = rows[rows["grace"] < 0]
    onsets_s[melody["note"]] = melody["onset_s"]
    return onsets_s


def in_order(made: Performance, line: Timeline, order: Sequence[int]) -> Performance:
    """Return a performance whose bars are played in another order; what comes before the first bar stays."""
    begins_s, ends_s = line.bars["start_s"], line.bars["stop_s"]
    moved_s, at_s = [], float(begins_s[0])
    for bar in order:
        moved_s.append(at_s - float(begins_s[bar]))
        at_s += float(ends_s[bar] - begins_s[bar])
    players = tuple(_bars_moved(part, line, order, moved_s) for part in made.players)
    drones = made.drones.copy()
    drones["out_s"] += at_s - line.cut_off_s
    stop_s = max([float(part.played["stop_s"].max()) for part in players] + drones["out_s"].tolist())
    strokes = made.strokes[made.strokes["time_s"] < begins_s[0]]
    return replace(made, players=players, drones=drones, strokes=strokes, stop_s=stop_s)


def _bars_moved(part: PlayerPart, line: Timeline, order: Sequence[int], moved_s: Sequence[float]) -> PlayerPart:
    bar_of = line.notes["bar"][part.played["note"]]
    pieces = [part.played[bar_of < 0]]
    for bar, by_s in zip(order, moved_s, strict=True):
        piece = part.played[bar_of == bar].copy()
        piece["onset_s"] += by_s
        piece["stop_s"] += by_s
        pieces.append(piece)
    rows = np.concatenate(pieces)
    rows["stop_s"][:-1] = rows["onset_s"][1:]
    return replace(part, played=rows)


def sound_of(made: Performance) -> Singles:
    """Return a performance's sound."""
    return np.concatenate(list(sound_blocks(made, rate_hz=WORKING_RATE_HZ))).astype(np.float32)


def noise(length_s: float, level: float = 0.05, seed: int = 5) -> Singles:
    """Return white noise of a root mean square level."""
    return np.random.default_rng(seed).normal(0.0, level, round(length_s * WORKING_RATE_HZ)).astype(np.float32)


def talk(length_s: float, seed: int = 7) -> Singles:
    """Return something like talk: syllables of a buzzing voice through two moving resonances, with pauses between."""
    draws = np.random.default_rng(seed)
    pieces, n = [], 0
    while n < length_s * WORKING_RATE_HZ:
        voiced_s, pause_s = draws.uniform(0.08, 0.3), draws.choice([0.02, 0.05, 0.4])
        time_s = np.arange(round(voiced_s * WORKING_RATE_HZ)) / WORKING_RATE_HZ
        pitch_hz = draws.uniform(95.0, 190.0) * (1.0 + draws.uniform(-0.15, 0.15) * time_s / voiced_s)
        phase = 2.0 * np.pi * np.cumsum(pitch_hz) / WORKING_RATE_HZ
        first_hz, second_hz = draws.uniform(300.0, 850.0), draws.uniform(900.0, 2400.0)
        partials = np.arange(1, 40)
        heights = sum(np.exp(-0.5 * ((partials * 140.0 - hz) / 110.0) ** 2) for hz in (first_hz, second_hz))
        voice = (heights[:, None] * np.sin(partials[:, None] * phase)).sum(axis=0) * np.sin(np.pi * time_s / voiced_s)
        pieces += [voice / 8.0, np.zeros(round(pause_s * WORKING_RATE_HZ))]
        n += pieces[-1].size + pieces[-2].size
    return np.concatenate(pieces)[: round(length_s * WORKING_RATE_HZ)].astype(np.float32)


def recording_of(sound: Singles, label: str = "practice.wav") -> Recording:
    """Return sound as a recording."""
    peak = float(np.abs(sound).max(initial=0.0))
    rms = float(np.sqrt(np.mean(sound.astype(np.float64) ** 2))) if sound.size else 0.0
    return Recording(sound, label, WORKING_RATE_HZ, 1, Levels(peak, rms, sound.size, 0, 0))


def heard_in(one: Played) -> tuple[Aligned, Frames]:
    """Return the alignment of a recording, low A told."""
    frames = frames_of(one.sound)
    return aligned(frames, one.plan, NOTES_HZ), frames


def errors_ms(found: Aligned, one: Played) -> Floats:
    """Return each melody note's onset less the true one, for those played, in ms."""
    errors: Floats = 1e3 * (found.alignment.notes["start_s"] - one.onset_s)
    return errors[np.isfinite(one.onset_s)]
