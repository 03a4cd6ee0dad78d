"""Chanters and drones, sample by sample: stored periods read at each pitch, the phase never broken.

Phase is kept as a 32-bit whole number that wraps once a period (as in direct digital synthesis), its start for each
note computed exactly from the note's start in seconds, so the pitch is right to ``rate / 2**33`` Hz, a note begins
between samples where it should, and nothing depends on how the sound is cut into blocks.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.sound.model import Drones, PlayerPart
from graith.sound.scale import DEFAULT_LOW_A_HZ
from graith.sound.spectrum import TABLE_BITS, TABLE_SIZE, Tables, chanter_tables, drone_tables
from graith.sound.wander import Wandering
from graith.timeline.model import StructuredArray

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

HOP_SAMPLES = 16384
"""Everything is rendered in hops of this many samples, whatever blocks are asked for."""

CHANGE_S = 0.003
"""From one note's tone to the next one's; the pitch changes at once."""

_ATTACK_S, _RELEASE_S = 0.015, 0.040
_CYCLE = 1 << 32
_SHIFT = np.uint32(32 - TABLE_BITS)
_REST = np.uint32((1 << (32 - TABLE_BITS)) - 1)
_SWELL_FLAT, _TAIL_FLAT = 0.03, 0.04  # how far below its pitch a drone starts and ends, as a share of it
_SETTLES = 5.0  # how many times the time constant of its pitch a swell lasts
_SILENT = 9
_CONTIGUOUS_S = 1e-6


class Bench:
    """Arrays that every voice of one rendering works in, one hop long, so that none is made anew for each hop."""

    def __init__(self) -> None:
        self.counts = np.arange(HOP_SAMPLES, dtype=np.uint32)
        self.phase = np.empty(HOP_SAMPLES, dtype=np.uint32)
        self.places = np.empty(HOP_SAMPLES, dtype=np.int64)
        self.bits = np.empty(HOP_SAMPLES, dtype=np.uint32)
        self.rests = np.empty(HOP_SAMPLES, dtype=np.float32)
        self.values = np.empty(HOP_SAMPLES, dtype=np.float32)
        self.slopes = np.empty(HOP_SAMPLES, dtype=np.float32)

    def fill_phase(self, start: int, stop: int, first: int, step: int) -> None:
        """Write a steady pitch's phase from ``start`` to ``stop``, ``first`` at the start, ``step`` for each sample."""
        part = self.phase[start:stop]
        np.multiply(self.counts[: stop - start], np.uint32(step % _CYCLE), out=part)
        part += np.uint32(first % _CYCLE)

    def read(self, tables: Tables, start: int, stop: int, offsets: int | None = None) -> Singles:
        """Return the tone at the phases from ``start`` to ``stop``, a view that the next reading overwrites.

        ``offsets`` is where the period stands in the tables; None leaves ``places`` as they are filled.
        """
        phase, places = self.phase[start:stop], self.places[start:stop]
        if offsets is not None:
            np.right_shift(phase, _SHIFT, out=places, casting="unsafe")
            if offsets:
                places += offsets
        rests, values, slopes = self.rests[start:stop], self.values[start:stop], self.slopes[start:stop]
        # The rest is below 2**31, so its bits read the same signed, and signed numbers convert faster.
        np.copyto(rests, np.bitwise_and(phase, _REST, out=self.bits[start:stop]).view(np.int32), casting="unsafe")
        tables.values.take(places, out=values, mode="clip")
        tables.steps.take(places, out=slopes, mode="clip")
        slopes *= rests
        values += slopes
        return values


def _as_phase(cycles: Floats) -> npt.NDArray[np.uint32]:
    phase: npt.NDArray[np.uint32] = np.floor(np.mod(cycles, 1.0) * _CYCLE).astype(np.int64).astype(np.uint32)
    return phase


def _start_cycles(reed_seed: int, which: int) -> float:
    return float(np.random.default_rng([reed_seed, 3, which]).random())


class ChanterVoice:
    """One chanter: legato from its first note to its last, each note's tone blended into the next one's.

    Parameters
    ----------
    part : PlayerPart
    notes_hz : float array, shape (9,)
        The scale's pitches, which place the partials under the chanter's resonances; what sounds is the part's own.
    rate_hz : float
    gain : float
        Root mean square of the tone.
    wandering : Wandering or None
    """

    def __init__(
        self, part: PlayerPart, notes_hz: Floats, *, rate_hz: float, gain: float, wandering: Wandering | None
    ) -> None:
        played = _with_silences(part.played)
        self._wandering = wandering
        self._hz: Floats = np.ascontiguousarray(played["hz"])
        highest_hz = max(float(self._hz.max()), float(notes_hz.max()))
        self._tables = _with_silence(
            chanter_tables(notes_hz, highest_hz=highest_hz, rate_hz=rate_hz, gain=gain, reed_seed=part.reed_seed)
        )
        self._periods: list[int] = np.where(played["chanter_note"] < 0, _SILENT, played["chanter_note"]).tolist()
        self._lay(played, rate_hz, _start_cycles(part.reed_seed, 0))

    def _lay(self, played: StructuredArray, rate_hz: float, cycles: float) -> None:
        """Compute each note's first sample, its phase there, its step, and how long it takes over from the last."""
        onset_s: Floats = played["onset_s"]
        sounding_s = self._hz[:-1] * np.diff(onset_s)
        drift = np.zeros(onset_s.size)
        if self._wandering is not None:
            drift = self._wandering.drift_s(onset_s)
            sounding_s = sounding_s + self._hz[:-1] * np.diff(drift)
        at_onset = cycles + np.concatenate([[0.0], np.cumsum(sounding_s)])
        first = np.ceil(onset_s * rate_hz - 1e-7)
        self._first: npt.NDArray[np.int64] = first.astype(np.int64)
        self._drift_s: list[float] = drift.tolist()
        self._base: list[int] = _as_phase(at_onset + self._hz * (first / rate_hz - onset_s)).tolist()
        self._step: list[int] = np.rint(self._hz / rate_hz * _CYCLE).astype(np.int64).tolist()
        self._fade: list[int] = self._fades(rate_hz).tolist()

    def _fades(self, rate_hz: float) -> npt.NDArray[np.int64]:
        silent = np.array(self._periods) == _SILENT
        fade_s = np.full(silent.size, CHANGE_S)
        fade_s[1:][silent[:-1]] = _ATTACK_S
        fade_s[silent] = _RELEASE_S
        room = np.diff(self._first, append=self._first[-1] + int(rate_hz))
        fades: npt.NDArray[np.int64] = np.minimum(np.rint(fade_s * rate_hz).astype(np.int64), room)
        fades[0] = 0
        return fades

    def add(self, bench: Bench, out: Singles, start: int) -> None:
        """Add a hop that starts at sample ``start`` to ``out``."""
        stop = start + HOP_SAMPLES
        low = int(np.searchsorted(self._first, start, side="right")) - 1
        high = int(np.searchsorted(self._first, stop, side="left"))
        if high - low == 1 and self._periods[low] == _SILENT and start - int(self._first[low]) >= self._fade[low]:
            return
        edges = [start, *self._first[low + 1 : high].tolist(), stop]
        drift = self._wandering.drift_at_samples(start, HOP_SAMPLES) if self._wandering is not None else None
        for note, first, last in zip(range(low, high), edges, edges[1:], strict=False):
            self._fill(bench, note, first, last - start, first - start, drift)
        out += bench.read(self._tables, 0, HOP_SAMPLES)
        for note, first, last in zip(range(low, high), edges, edges[1:], strict=False):
            self._blend(bench, note, first, min(last, int(self._first[note]) + self._fade[note]), out, start)

    def _fill(self, bench: Bench, note: int, first: int, stop: int, begin: int, drift: Floats | None) -> None:
        """Write phase and places of one note within the hop."""
        step = self._step[note]
        bench.fill_phase(begin, stop, self._base[note] + step * (first - int(self._first[note])), step)
        phase, places = bench.phase[begin:stop], bench.places[begin:stop]
        if drift is not None:
            phase += _as_phase(self._hz[note] * (drift[begin:stop] - self._drift_s[note]))
        np.right_shift(phase, _SHIFT, out=places, casting="unsafe")
        places += self._periods[note] * TABLE_SIZE

    def _blend(self, bench: Bench, note: int, first: int, last: int, out: Singles, start: int) -> None:
        """Let the note before still sound, at this note's pitch, fading, in the first moments of this one."""
        if last <= first:
            return
        begin, stop = first - start, last - start
        age = np.arange(first - int(self._first[note]), last - int(self._first[note]))
        share = (0.5 + 0.5 * np.cos(np.pi / self._fade[note] * age)).astype(np.float32)
        out[begin:stop] -= share * bench.read(self._tables, begin, stop, self._periods[note] * TABLE_SIZE)
        out[begin:stop] += share * bench.read(self._tables, begin, stop, self._periods[note - 1] * TABLE_SIZE)


def _with_silence(tables: Tables) -> Tables:
    silence = np.zeros(TABLE_SIZE, dtype=np.float32)
    return Tables(np.concatenate([tables.values, silence]), np.concatenate([tables.steps, silence]), tables.n_partials)


def _with_silences(played: StructuredArray) -> StructuredArray:
    """Return the notes with a row of silence before the first, in every gap and after the last.

    A silence keeps the pitch of the note before it, which dies away in it.
    """
    gap = np.ones(played.size, dtype=bool)
    gap[:-1] = played["stop_s"][:-1] < played["onset_s"][1:] - _CONTIGUOUS_S
    place = 1 + np.arange(played.size) + np.cumsum(gap) - gap
    rows = np.zeros(1 + played.size + int(gap.sum()), dtype=played.dtype)
    rows[place] = played
    rows["onset_s"][place[gap] + 1] = played["stop_s"][gap]
    sounding = rows["hz"] > 0
    rows["chanter_note"][~sounding] = -1
    pitched = np.maximum.accumulate(np.where(sounding, np.arange(rows.size), -1))
    rows["hz"] = np.where(pitched >= 0, rows["hz"][pitched], DEFAULT_LOW_A_HZ)
    return rows


class DroneVoice:
    """One drone: swells in and rises to its pitch, stays, sinks and dies away.

    Parameters
    ----------
    drone : row of ``DRONE_DTYPE``
    settings : Drones
    rate_hz, gain : float
    reed_seed : int
    which : int
        Tells one player's drones apart.
    wandering : Wandering or None
    """

    def __init__(
        self,
        drone: np.void,
        settings: Drones,
        *,
        rate_hz: float,
        gain: float,
        reed_seed: int,
        which: int,
        wandering: Wandering | None,
    ) -> None:
        self._rate_hz = rate_hz
        self._hz, self._in_s, self._out_s = float(drone["hz"]), float(drone["in_s"]), float(drone["out_s"])
        self._swell_s, self._tail_s = settings.swell_s, settings.tail_s
        self._wandering = wandering
        self._tables = drone_tables(self._hz, rate_hz=rate_hz, gain=gain, reed_seed=reed_seed + 7919 * which)
        self._step = round(self._hz / rate_hz * _CYCLE)
        self._settled = _as_phase(np.array([-self._hz * _SWELL_FLAT * self._swell_s / _SETTLES]))
        self._base = round((_start_cycles(reed_seed, 1 + which) - self._hz * self._in_s % 1.0) * _CYCLE)

    def add(self, bench: Bench, out: Singles, start: int) -> None:
        """Add a hop that starts at sample ``start`` to ``out``."""
        begin_s, stop_s = start / self._rate_hz, (start + HOP_SAMPLES) / self._rate_hz
        if stop_s <= self._in_s or begin_s >= self._out_s + self._tail_s:
            return
        bench.fill_phase(0, HOP_SAMPLES, self._base + self._step * start, self._step)
        if self._wandering is not None:
            bench.phase += _as_phase(self._hz * self._wandering.drift_at_samples(start, HOP_SAMPLES))
        if begin_s > self._in_s + 3.0 * self._swell_s and stop_s < self._out_s:
            bench.phase += self._settled
            out += bench.read(self._tables, 0, HOP_SAMPLES, 0)
            return
        time_s = (start + np.arange(HOP_SAMPLES)) / self._rate_hz
        bench.phase += _as_phase(self._bend_cycles(time_s))
        out += bench.read(self._tables, 0, HOP_SAMPLES, 0) * self._share(time_s).astype(np.float32)

    def _bend_cycles(self, time_s: Floats) -> Floats:
        """Return the cycles lost by starting flat and by sinking at the end: the integral of the pitch's deviation."""
        settle_s = self._swell_s / _SETTLES
        since_in_s = np.maximum(time_s - self._in_s, 0.0)
        since_out_s = np.clip(time_s - self._out_s, 0.0, self._tail_s)
        swell = _SWELL_FLAT * settle_s * (1.0 - np.exp(-since_in_s / settle_s))
        tail = _TAIL_FLAT * since_out_s**2 / (2.0 * self._tail_s)
        bend: Floats = -self._hz * (swell + tail)
        return bend

    def _share(self, time_s: Floats) -> Floats:
        """Return the loudness over time, 0 to 1."""
        swell = np.clip((time_s - self._in_s) / self._swell_s, 0.0, 1.0)
        tail = np.clip((time_s - self._out_s) / self._tail_s, 0.0, 1.0)
        share: Floats = (0.5 - 0.5 * np.cos(np.pi * swell)) * (0.5 + 0.5 * np.cos(np.pi * tail))
        return share
