"""A performance as samples, in blocks, before any levelling.

Sound is made in hops of fixed length and only then cut into the blocks asked for: the same performance gives the same
samples whatever the block size, and memory does not grow with its length.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt

from graith.errors import SoundError
from graith.sound.drum_sounds import DrumVoice
from graith.sound.model import Performance
from graith.sound.pipes import HOP_SAMPLES, Bench, ChanterVoice, DroneVoice
from graith.sound.room import HopConvolver, impulse_response, room_samples
from graith.sound.wander import Wandering
from graith.timeline.model import StructuredArray

Singles = npt.NDArray[np.float32]

DEFAULT_RATE_HZ = 44_100
_LOWEST_RATE_HZ, _HIGHEST_RATE_HZ = 8_000, 192_000
_CHANTER_GAIN = 0.1
_DRUM_PEAK = 0.35
_AFTER_S = 0.30
_MOST_BLOCK_SAMPLES = 1 << 22


def sound_samples(performance: Performance, rate_hz: int = DEFAULT_RATE_HZ) -> int:
    """Return how many samples the whole sound has, its dying away and the room included."""
    band = performance.band
    tail_s = band.drones.tail_s if band.drones is not None else 0.0
    return int(np.ceil((performance.stop_s + tail_s + _AFTER_S) * rate_hz)) + room_samples(band.room, rate_hz)


def sound_blocks(
    performance: Performance,
    *,
    rate_hz: int = DEFAULT_RATE_HZ,
    channels: int = 1,
    block_samples: int = HOP_SAMPLES,
) -> Iterator[Singles]:
    """Yield a performance's sound in blocks, at its own level (root mean square of one chanter 0.1).

    Parameters
    ----------
    performance : Performance
    rate_hz : int, 8000 to 192000
    channels : int, 1 or 2
        In two, players stand from left to right and the room differs; drums are in the middle.
    block_samples : int, 1 to 4194304
        The last block may be shorter.

    Yields
    ------
    float32 array, shape (samples,) or (samples, 2)

    Raises
    ------
    SoundError
        If an argument is out of its range, or a player's notes are out of order or start before 0 s.

    Notes
    -----
    Peaks may pass 1; :func:`graith.sound.master.mastered_blocks` levels them.
    """
    check_rendering(performance, rate_hz, channels, block_samples)
    hops = _Hops(performance, rate_hz, channels)
    return cut_blocks(hops, sound_samples(performance, rate_hz), block_samples)


def cut_blocks(hops: Iterable[Singles], n_samples: int, block_samples: int) -> Iterator[Singles]:
    """Yield the first ``n_samples`` of hops of shape (channels, any) as blocks of shape (n,) or (n, 2)."""
    kept: list[Singles] = []
    n_kept = n_given = 0
    for hop in hops:
        fresh = hop[:, : n_samples - n_given]
        n_given += fresh.shape[1]
        kept.append(fresh)
        n_kept += fresh.shape[1]
        if n_kept < block_samples and n_given < n_samples:
            continue
        joined = np.concatenate(kept, axis=1) if len(kept) > 1 else kept[0]
        n_whole = n_kept if n_given == n_samples else n_kept - n_kept % block_samples
        for start in range(0, n_whole, block_samples):
            yield _as_block(joined[:, start : min(start + block_samples, n_whole)])
        kept = [joined[:, n_whole:]]
        n_kept -= n_whole
        if n_given == n_samples:
            return


def _as_block(piece: Singles) -> Singles:
    return piece[0].copy() if piece.shape[0] == 1 else np.ascontiguousarray(piece.T)


def check_rendering(performance: Performance, rate_hz: int, channels: int, block_samples: int) -> None:
    """Refuse what cannot be rendered.

    Raises
    ------
    SoundError
        As :func:`sound_blocks` says.
    """
    if not 1 <= block_samples <= _MOST_BLOCK_SAMPLES:
        raise SoundError(f"Blocks of {block_samples} samples cannot be made; use 1 to {_MOST_BLOCK_SAMPLES}.")
    if not (isinstance(rate_hz, int) and _LOWEST_RATE_HZ <= rate_hz <= _HIGHEST_RATE_HZ):
        raise SoundError(
            f"A rate of {rate_hz!r} Hz cannot be rendered; use a whole number from {_LOWEST_RATE_HZ} to "
            f"{_HIGHEST_RATE_HZ} Hz, usually {DEFAULT_RATE_HZ}."
        )
    if channels not in (1, 2):
        raise SoundError(f"Sound in {channels!r} channels cannot be rendered; use 1 or 2.")
    for index, part in enumerate(performance.players):
        if part.played.size:
            _check_played(part.played, index + 1, rate_hz)


def _check_played(played: StructuredArray, number: int, rate_hz: int) -> None:
    onsets_s, stops_s, pitches_hz = (played[name] for name in ("onset_s", "stop_s", "hz"))
    if not (np.isfinite(pitches_hz).all() and pitches_hz.min() >= 0 and pitches_hz.max() <= rate_hz / 2):
        raise SoundError(
            f"Player {number} has pitches from {pitches_hz.min():g} to {pitches_hz.max():g} Hz, outside 0 to "
            f"{rate_hz / 2:g} Hz (half the rate)."
        )
    if not (onsets_s[0] >= 0 and np.all(np.diff(onsets_s) > 0) and np.all(stops_s > onsets_s)):
        raise SoundError(f"Player {number}'s notes are not in rising order from 0 s, each with a length. Sort them.")


class _Hops:
    """All voices and the room of one performance; yields float32 arrays of shape (channels, hop) without end."""

    def __init__(self, performance: Performance, rate_hz: int, channels: int) -> None:
        band = performance.band
        self._channels = channels
        self._players: list[tuple[Singles, list[ChanterVoice | DroneVoice]]] = []
        for index, part in enumerate(performance.players):
            gain = _CHANTER_GAIN * 10.0 ** (part.level_db / 20.0)
            voices = _player_voices(performance, index, gain, rate_hz)
            self._players.append((_gains(part.place, channels), voices))
        drum_gain = _DRUM_PEAK * float(np.sqrt(max(1, len(performance.players))))
        seed = band.drums.seed if band.drums is not None else 0
        self._drums = DrumVoice(performance.strokes, rate_hz, drum_gain, seed) if performance.strokes.size else None
        self._rooms = [
            HopConvolver(impulse_response(band.room, rate_hz, channel), HOP_SAMPLES)
            for channel in range(channels if band.room is not None else 0)
            if band.room is not None
        ]
        self._bench = Bench()

    def __iter__(self) -> Iterator[Singles]:
        start = 0
        while True:
            yield self._hop(start)
            start += HOP_SAMPLES

    def _hop(self, start: int) -> Singles:
        mixed = np.zeros((self._channels, HOP_SAMPLES), dtype=np.float32)
        player = np.zeros(HOP_SAMPLES, dtype=np.float32) if self._channels > 1 else mixed[0]
        for gains, voices in self._players:
            for voice in voices:
                voice.add(self._bench, player, start)
            if self._channels > 1:
                mixed += gains[:, None] * player
                player[:] = 0.0
        if self._drums is not None:
            drummed = np.zeros(HOP_SAMPLES, dtype=np.float32)
            self._drums.add(drummed, start)
            mixed += _gains(0.0, self._channels)[:, None] * drummed
        for channel, room in enumerate(self._rooms):
            mixed[channel] += room.answer(mixed[channel])
        return mixed


def _gains(place: float, channels: int) -> Singles:
    """Return each channel's share of a player: equal power from left (-1) to right (1), never wholly to one side."""
    if channels == 1:
        return np.ones(1, dtype=np.float32)
    angle = np.pi / 4.0 * (1.0 + 0.7 * place)
    return np.array([np.cos(angle), np.sin(angle)], dtype=np.float32)


def _player_voices(performance: Performance, index: int, gain: float, rate_hz: int) -> list[ChanterVoice | DroneVoice]:
    band, part = performance.band, performance.players[index]
    chanter_wander = drone_wander = None
    if band.wander is not None:
        cents, share = band.wander.chanter_cents, band.wander.drone_share
        chanter_wander = Wandering(cents, band.wander, index, rate_hz)
        drone_wander = Wandering(cents * share, band.wander, index, rate_hz)
    voices: list[ChanterVoice | DroneVoice] = []
    if part.played.size:
        notes_hz = band.scale.note_hz(band.low_a_hz)
        voices.append(ChanterVoice(part, notes_hz, rate_hz=rate_hz, gain=gain, wandering=chanter_wander))
    if band.drones is None:
        return voices
    drone_gain = gain * 10.0 ** (band.drones.level_db / 20.0)
    own = performance.drones[performance.drones["player"] == index]
    for which, drone in enumerate(own):
        voices.append(
            DroneVoice(
                drone,
                band.drones,
                rate_hz=rate_hz,
                gain=drone_gain,
                reed_seed=part.reed_seed,
                which=which,
                wandering=drone_wander,
            )
        )
    return voices
