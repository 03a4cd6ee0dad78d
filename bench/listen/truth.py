"""What is true of a recording made here, kept beside it."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import numpy.typing as npt

from graith.timeline.model import Timeline

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_NUMBERS = (
    "low_a_hz", "start_s", "start_spread_ms", "stop_s", "stop_spread_ms", "drones_in_s", "drones_out_s", "length_s",
    "first_s", "last_s",
)  # fmt: skip

_FROM_CASE = ("plan", "player_power", "rise_ms")


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """The known truth of one recording. Times are seconds in the recording; NaN where there is none.

    Attributes
    ----------
    plan : Timeline
        What the listener is given; the tempo played is another.
    onset_s : float array, shape (notes,)
        Mean over players of where each melody note's own pitch begins, after its gracenotes; of its last playing. NaN
        where it was left out. For sampled instruments this is the note-on, as programmed.
    first_onset_s : float array, shape (notes,)
        The same of its first playing; differs only where bars were repeated.
    player_onset_s : float array, shape (players, notes)
    played : bool array, shape (notes,)
    start_written_s : float array, shape (notes,)
        Where the written note (its first gracenote) begins, mean over players.
    stop_note_s : float array, shape (notes,)
    grace_onset_s, grace_stop_s : float array, shape (players, graces)
    grace_played : bool array, shape (players, graces)
        False where it was left out.
    grace_crushed : bool array, shape (players, graces)
    note_hz : float array, shape (9, players)
        Each player's notes, mean over time while it sounds as a melody note; NaN where never played.
    note_s : float array, shape (9, players)
        How long each sounds.
    tenor_hz, bass_hz : float arrays, shape (drones,)
    low_a_hz : float
        Mean of the chanters' low A, or the drones' when the music has none.
    drones_in_s, drones_out_s : float
        Mean of where their swell begins; where they are let go.
    start_s, start_spread_ms, stop_s, stop_spread_ms : float
        First chanter note and last chanter sound of the ensemble, lone players left out; spread 0 for one player.
    early_s, early_by_ms, straggler_s, straggler_by_ms : float arrays, shape (lone players,)
    bar_s, bar_bpm : float arrays, shape (bars,)
        Each played bar's first beat and tempo (last playing).
    bar_played : bool array, shape (bars,)
    bar_spread_ms : float array, shape (bars,)
        Root mean square over the bar's notes of the players' standard deviation.
    first_s, last_s : float
        The stretch of the recording in which the set is played, or the part of it that is heard.
    length_s : float
        Of the recording.
    player_power : float array, shape (players,)
        Each player's share of the chanters' sound; 1 in all.
    rise_ms : float array, shape (9,)
        How long after its onset each note has half of its steady amplitude: what the reed, not the player, adds.
    """

    plan: Timeline
    onset_s: Floats
    first_onset_s: Floats
    player_onset_s: Floats
    played: Flags
    start_written_s: Floats
    stop_note_s: Floats
    grace_onset_s: Floats
    grace_stop_s: Floats
    grace_played: Flags
    grace_crushed: Flags
    note_hz: Floats
    note_s: Floats
    tenor_hz: Floats
    bass_hz: Floats
    early_s: Floats
    early_by_ms: Floats
    straggler_s: Floats
    straggler_by_ms: Floats
    bar_s: Floats
    bar_bpm: Floats
    bar_played: Flags
    bar_spread_ms: Floats
    low_a_hz: float
    drones_in_s: float
    drones_out_s: float
    start_s: float
    start_spread_ms: float
    stop_s: float
    stop_spread_ms: float
    first_s: float
    last_s: float
    length_s: float
    player_power: Floats
    rise_ms: Floats

    def save(self, stem: Path) -> None:
        """Write the arrays to ``stem.npz`` and the numbers to ``stem.json``; the rest follows from the case."""
        arrays = {one.name: getattr(self, one.name) for one in fields(self) if one.name not in (*_NUMBERS, *_FROM_CASE)}
        np.savez_compressed(stem.parent / f"{stem.name}.npz", **arrays)
        (stem.parent / f"{stem.name}.json").write_text(json.dumps({name: getattr(self, name) for name in _NUMBERS}))


def load_truth(stem: Path, plan: Timeline, player_power: Floats, rise_ms: Floats) -> Truth:
    """Return what :meth:`Truth.save` wrote, with what follows from the case."""
    with np.load(stem.parent / f"{stem.name}.npz") as arrays:
        numbers = json.loads((stem.parent / f"{stem.name}.json").read_text())
        return Truth(plan=plan, player_power=player_power, rise_ms=rise_ms, **dict(arrays), **numbers)
