"""A timeline as a band plays it: each player's notes with true starts and pitches, the drones, the drum strokes.

Numbers come in from the timeline and the band's settings, arrays go out; chance is seeded, and a player's draws do
not depend on how many others there are.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.errors import SoundError
from graith.sound.model import DRONE_DTYPE, PLAYED_DTYPE, Band, Performance, PlayerPart, Players
from graith.sound.scale import bass_hz, tenor_hz
from graith.sound.strokes import strokes_of
from graith.timeline.model import StructuredArray, Timeline
from graith.timeline.playing_order import playing_order

Floats = npt.NDArray[np.float64]

_LEAST_SOUNDING_S = 0.012
"""What is left of a note when the next one comes early."""

_CONTIGUOUS_S = 1e-6
"""Notes closer than this follow each other without a gap."""

_TUNING, _TIMING, _LEVEL, _DRONES, _REED = range(5)


def performance(timeline: Timeline, band: Band | None = None) -> Performance:
    """Return the timeline as the band plays it.

    Parameters
    ----------
    timeline : Timeline
    band : Band, optional
        Default one piper with drones, drum pulse and room.

    Returns
    -------
    Performance
        Times in seconds from the timeline's own time 0; nothing starts before it.

    Raises
    ------
    SoundError
        If a note's length is not a positive number, or an array is out of order.
    """
    band = band or Band()
    script = _script(timeline) if band.chanter else np.zeros(0, dtype=PLAYED_DTYPE)
    players = tuple(_part(script, band, index) for index in range(band.players.n))
    drones = _drones(timeline, players, band)
    strokes = strokes_of(timeline, band.drums)
    stops = [part.played["stop_s"] for part in players] + [drones["out_s"], strokes["time_s"]]
    return Performance(
        band,
        players,
        drones,
        strokes,
        max((float(stop.max()) for stop in stops if stop.size), default=timeline.cut_off_s),
    )


def _drawn(players: Players, index: int, purpose: int) -> np.random.Generator:
    return np.random.default_rng([players.seed, purpose, index])


def _script(timeline: Timeline) -> StructuredArray:
    """Return melody notes and gracenotes of the timeline in one array in playing order, without pitches."""
    notes, graces = playing_order(timeline)
    script = np.zeros(notes.size, dtype=PLAYED_DTYPE)
    script["note"], script["grace"] = notes, graces
    is_grace = graces >= 0
    for name in ("onset_s", "stop_s", "chanter_note"):
        script[name] = timeline.notes[name][notes]
        script[name][is_grace] = timeline.graces[name][graces[is_grace]]
    _check_script(script)
    return script


def _check_script(script: StructuredArray) -> None:
    lengths_s = script["stop_s"] - script["onset_s"]
    wrong = np.flatnonzero(~(np.isfinite(lengths_s) & (lengths_s > 0)))
    if wrong.size:
        first = script[wrong[0]]
        raise SoundError(
            f"Note {first['note']} of the timeline sounds from {first['onset_s']} to {first['stop_s']} s, which is no "
            "length of time; were the times in seconds?"
        )
    if np.any(np.diff(script["onset_s"]) <= 0):
        early = int(np.flatnonzero(np.diff(script["onset_s"]) <= 0)[0]) + 1
        raise SoundError(
            f"Note {script['note'][early]} of the timeline starts at {script['onset_s'][early]} s, not after the note "
            "before it. Sort the notes."
        )


def _part(script: StructuredArray, band: Band, index: int) -> PlayerPart:
    players = band.players
    level_db = _drawn(players, index, _LEVEL).normal() * players.level_spread_db
    return PlayerPart(
        played=_played(script, _pitches_hz(band, index), players, index),
        level_db=float(level_db),
        reed_seed=int(_drawn(players, index, _REED).integers(2**31)),
        place=0.0 if players.n == 1 else 2.0 * index / (players.n - 1) - 1.0,
    )


def _pitches_hz(band: Band, index: int) -> Floats:
    """Return one player's nine pitches, and 0 for silence as the last (index -1)."""
    draws = _drawn(band.players, index, _TUNING).normal(size=10)
    cents = band.players.pitch_spread_cents * (draws[0] + draws[1:]) * np.sqrt(0.5)
    return np.append(band.scale.note_hz(band.low_a_hz) * np.exp2(cents / 1200.0), 0.0)


def _played(script: StructuredArray, pitches_hz: Floats, players: Players, index: int) -> StructuredArray:
    """Return the script with this player's pitches, and his own start of each note with its gracenotes."""
    played = script.copy()
    if not played.size:
        return played
    played["hz"] = pitches_hz[played["chanter_note"]]
    spread_s = players.onset_spread_ms / 1000.0
    if spread_s > 0:
        _spread_onsets(played, script, _drawn(players, index, _TIMING), spread_s)
    return played


def _spread_onsets(
    played: StructuredArray, script: StructuredArray, draws: np.random.Generator, spread_s: float
) -> None:
    """Move each melody note with its gracenotes by a draw of its own, keeping their order, and the cut-off likewise."""
    group = np.cumsum(np.diff(script["note"], prepend=script["note"][0]) > 0)
    first = np.flatnonzero(np.diff(group, prepend=-1))
    melody = np.append(first[1:], script.size) - 1
    starts_s = script["onset_s"][first]
    wanted_s = np.maximum(starts_s + draws.normal(size=first.size) * spread_s, 0.0)
    moved_s = _in_order(wanted_s, starts_s, script["onset_s"][melody]) - starts_s
    played["onset_s"] += moved_s[group]
    held = np.append(np.abs(script["stop_s"][:-1] - script["onset_s"][1:]) < _CONTIGUOUS_S, False)
    played["stop_s"][:-1] = np.where(held[:-1], played["onset_s"][1:], script["stop_s"][:-1] + moved_s[group][:-1])
    cut_off_s = script["stop_s"][-1] + draws.normal() * spread_s
    played["stop_s"][-1] = max(cut_off_s, played["onset_s"][-1] + _LEAST_SOUNDING_S)


def _in_order(wanted_s: Floats, starts_s: Floats, melody_s: Floats) -> Floats:
    """Return the wanted starts, made later where one would come before the note in front of it has sounded a little.

    With ``busy`` the time from a start to the earliest next one, the answer is the running maximum of
    ``wanted - cumulative busy``, put back.
    """
    room_s = np.minimum(_LEAST_SOUNDING_S, 0.5 * (starts_s[1:] - melody_s[:-1]))
    busy_s = np.concatenate([[0.0], np.cumsum((melody_s - starts_s)[:-1] + room_s)])
    in_order_s: Floats = np.maximum.accumulate(wanted_s - busy_s) + busy_s
    return in_order_s


def _drones(timeline: Timeline, players: tuple[PlayerPart, ...], band: Band) -> StructuredArray:
    if band.drones is None:
        return np.zeros(0, dtype=DRONE_DTYPE)
    tuned = [(cents, False) for cents in band.drones.tenor_cents] + [(cents, True) for cents in band.drones.bass_cents]
    drones = np.zeros(len(players) * len(tuned), dtype=DRONE_DTYPE)
    spread_s = band.players.onset_spread_ms / 1000.0
    for index, part in enumerate(players):
        draws = _drawn(band.players, index, _DRONES)
        in_s = max(0.0, timeline.drones_in_s + draws.normal() * spread_s)
        out_s = max(in_s, timeline.cut_off_s + draws.normal() * spread_s)
        for place, (cents, is_bass) in enumerate(tuned, start=index * len(tuned)):
            pure_hz = bass_hz(band.low_a_hz) if is_bass else tenor_hz(band.low_a_hz)
            off_cents = cents + draws.normal() * band.players.drone_spread_cents
            stop_s = float(part.played["stop_s"][-1]) if part.played.size else out_s
            drones[place] = (index, is_bass, pure_hz * np.exp2(off_cents / 1200.0), in_s, max(in_s, stop_s))
    return drones
