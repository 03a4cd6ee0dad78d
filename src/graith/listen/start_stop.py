"""How the set began and ended: the chanters' strike-in and cut-off, how far apart they were, and who was alone.

The first and the last note are watched through their own partials, each against its level while all play and against
what sounds without it, so that drones and steady noise do not count, and with a likelihood whose tail is heavy, so that
drum strokes count little. Entries of players, normally distributed about a common time, give the share of the power
that sounds at each moment; the room (or the reed) lets a part of it die away late; one player may have been alone
before the start or after the stop. The likeliest of these shapes is what is given, and one alone only when the shape
with him is far likelier than any without.

Frames overlap and partials of several players beat, so the likelihood is far surer of itself than it may be: a beat
that dips before the stop looks like an early stop in a large room. What is known beforehand therefore weighs much:
where the alignment has the edge, with what it is usually off by, and how long the last note should have lasted.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from graith.listen.model import HOP_S, WORKING_RATE_HZ, Alignment, Drones, Edge, Lone, Singles, StartStop
from graith.sound.scale import HARMONIC
from graith.timeline.model import StructuredArray, Timeline

Floats = npt.NDArray[np.float64]

_WINDOW, _FFT = 345, 1024
_BIN_HZ = WORKING_RATE_HZ / _FFT
_HIGHEST_HZ = 5_600.0
_MOST_PARTIALS = 7
_BEFORE_S, _INSIDE_S, _SHOWN_S = 2.2, 1.2, 0.35
"""How far outside an edge is watched, how far inside for the level, and how far inside for the shape."""

_SWELL_S = 0.45
_MOST_ALIKE = 7
_SPREADS_MS = np.array([4.0, 9.0, 14.0, 20.0, 28.0, 38.0, 50.0, 70.0])
_ROOMS = ((0.0, 0.05), (0.2, 0.06), (0.45, 0.05), (0.75, 0.05), (0.2, 0.14), (0.45, 0.12), (0.75, 0.10))
"""Share of the power that comes late, and its time constant in seconds."""

_TRIED_ROOMS = (0, 1, 3, 5)
_SHARES = np.array([0.05, 0.09, 0.15, 0.25])
_LARGEST_EARLY_SHARE, _LARGEST_LATE_SHARE = 0.24, 0.5
_LEAST_LONE_S = 0.110
_TIMES_S = np.arange(-0.6, 1.2005, 0.001)
_WORTH_EARLY, _WORTH_LATE = 14.0, 13.0
"""By how much one alone must make the sound likelier, as a logarithm; reeds that bloom slowly look like one early."""
_UNLIKELY = 4.0 * (np.log(_SPREADS_MS / 14.0) / 0.5) ** 2
"""What is taken off the log-likelihood for each spread: a usual spread of 14 ms, no source, is preferred."""

_START_WIDTH_MS, _STOP_WIDTH_MS, _LONE_WIDTH_MS = 24.0, 35.0, 40.0
"""Of 90 % intervals, over recordings with one, six and fifteen players of our own sound and of sampled reeds."""

_STARTS_EARLY_S, _STOPS_LATE_S, _FOR_ALL_HABIT = 0.004, 0.018, 0.15
"""How early the alignment has the first note, how late the last one's end, and the share of the note's habit added.

Over 108 recordings: those of ``bench/listen``, and the same cases with other seeds.
"""

_START_AWAITED_S, _STOP_AWAITED_S, _MOST_AGAINST = 0.006, 0.004, 100.0
"""How widely the edges are awaited, in the likelihood's own measure, which counts the same sound many times over."""

_LENGTH_COUNTS, _LENGTH_HELD_S = 0.3, 0.08
"""How much the last note's written length counts, unless it was held longer or shorter than this."""

_UNWATCHED_MS, _LEAST_OUTSIDE_S = 60.0, 0.3
"""For an edge that the alignment alone tells: a first note too short to be watched, or hidden by the drones."""

_LEAST_BASE = 0.04
"""Nothing below this share of a note's power counts: reverberation's far end."""


@dataclass(frozen=True, slots=True, eq=False)
class _Watched:
    """A note's partials near an edge.

    Attributes
    ----------
    inside_s : float array, shape (frames,)
        Time from the told edge toward the music.
    power : float array, shape (frames, partials)
        1 where all play.
    base : float array, shape (partials,)
    """

    inside_s: Floats
    power: Floats
    base: Floats


def _partials(samples: Singles, frames: npt.NDArray[np.int64], hz: float) -> Floats:
    """Return the power of a note's partials in frames of 5 ms, shape (frames, partials)."""
    from scipy.fft import rfft

    step, half = round(HOP_S * WORKING_RATE_HZ), _WINDOW // 2
    low, high = int(frames[0]) * step - half, int(frames[-1]) * step + half + 1
    piece = np.zeros(high - low, dtype=np.float32)
    begin, end = max(low, 0), min(high, samples.size)
    if end > begin:
        piece[begin - low : end - low] = samples[begin:end]
    window = np.hanning(_WINDOW + 2)[1:-1].astype(np.float32)
    windows = np.lib.stride_tricks.sliding_window_view(piece, _WINDOW)[::step] * (window / window.sum())
    spectrum = np.abs(rfft(windows, _FFT, axis=1)) ** 2
    centres = np.rint(np.arange(1, int(_HIGHEST_HZ / hz) + 1) * hz / _BIN_HZ).astype(np.int64)
    power: Floats = np.mean([spectrum[:, centres + offset] for offset in range(-2, 3)], axis=0, dtype=np.float64)
    return power


def _watched(
    samples: Singles, told_s: float, sign: float, inner_s: float, outer_s: float, hz: float
) -> _Watched | None:
    """Return the note's partials near an edge; None where the recording holds too little of either side."""
    span_s = sorted((told_s - sign * outer_s, told_s + sign * inner_s))
    first = max(int(np.ceil(span_s[0] / HOP_S)), 0)
    last = min(int(np.floor(span_s[1] / HOP_S)), samples.size // round(HOP_S * WORKING_RATE_HZ))
    if last - first < 20:
        return None
    frames = np.arange(first, last + 1)
    inside_s = sign * (frames * HOP_S - told_s)
    power = _partials(samples, frames, hz)
    sounding = (inside_s > min(0.08, 0.4 * inner_s)) & (inside_s < inner_s - 0.02)
    silent = inside_s < -0.10
    if sounding.sum() < 4 or silent.sum() < 16:
        return None
    level = np.mean(np.minimum(power[sounding], 4.0 * np.median(power[sounding], axis=0)), axis=0)
    base = np.quantile(power[silent], 0.3, axis=0) * 1.6
    rise = level - base
    stands = rise / np.maximum(base, 1e-4 * level)
    kept = np.argsort(stands)[::-1][:_MOST_PARTIALS]
    kept = kept[stands[kept] > 2.0]
    if not kept.size:
        return None
    shown = inside_s < min(_SHOWN_S, inner_s - 0.01)
    order = np.argsort(inside_s[shown])
    scaled: Floats = np.maximum(power[shown][:, kept] / rise[kept], _LEAST_BASE)[order]
    background: Floats = np.maximum(base[kept] / rise[kept], _LEAST_BASE)
    time_s: Floats = inside_s[shown][order].astype(np.float64)
    return _Watched(time_s, scaled, background)


@lru_cache(maxsize=2)
def _entries(falls: bool) -> Floats:
    """Return the share of the power over ``_TIMES_S`` by room and spread, shape (rooms, spreads, times)."""
    window = np.hanning(_WINDOW + 2)[1:-1]
    places_s = (np.arange(_WINDOW) - _WINDOW // 2 + 0.5) / WORKING_RATE_HZ
    seen = np.interp(_TIMES_S, places_s, np.cumsum(window) / window.sum(), left=0.0, right=1.0) ** 2
    rows = []
    for share, decay_s in _ROOMS:
        tail = np.exp(-np.arange(0.0, 5.0 * decay_s, 0.001) / decay_s)
        tail /= tail.sum()
        late = _late(seen[::-1], tail)[::-1] if falls else _late(seen, tail)
        entry = (1.0 - share) * seen + share * late
        rows.append([_over_players(entry, spread_ms) for spread_ms in _SPREADS_MS])
    return np.array(rows)


def _late(power: Floats, tail: Floats) -> Floats:
    return np.convolve(np.pad(power, (tail.size, 0), mode="edge"), tail)[tail.size : tail.size + power.size]


def _over_players(power: Floats, spread_ms: float) -> Floats:
    places_ms = np.arange(-250, 251)
    weights = np.exp(-0.5 * (places_ms / spread_ms) ** 2)
    return np.convolve(np.pad(power, 250, mode="edge"), weights / weights.sum(), "valid")


def _laid(inside_s: Floats, times_s: Floats, entries: Floats) -> Floats:
    """Return each entry laid at each time, shape (times, entries, frames)."""
    places = np.rint((inside_s - times_s[:, None] - _TIMES_S[0]) / 0.001).astype(np.int64)
    laid: Floats = np.moveaxis(entries[:, np.clip(places, 0, _TIMES_S.size - 1)], 0, 1)
    return laid


@dataclass(frozen=True, slots=True)
class _Awaited:
    """Where an edge is awaited, from the told one toward the music, and how widely."""

    time_s: float
    width_s: float

    def against(self, times_s: Floats) -> Floats:
        """Return what speaks against times; bounded, because the alignment may have followed one alone."""
        against: Floats = np.minimum(0.5 * ((times_s - self.time_s) / self.width_s) ** 2, _MOST_AGAINST)
        return against


_ANYWHERE_NEAR = _Awaited(0.0, 0.045)


def _start_awaited(habit_s: float) -> _Awaited:
    return _Awaited(_STARTS_EARLY_S + habit_s, _START_AWAITED_S)


def _stop_awaited(row: np.void, habit_s: float) -> _Awaited:
    """Return where the stop is awaited: a little before the told one, nearer to where the last note should end."""
    late_s = _STOPS_LATE_S + _FOR_ALL_HABIT * habit_s
    short_s = float(row["start_s"] + row["expected_s"] - row["stop_s"])
    if abs(short_s) < _LENGTH_HELD_S:
        late_s -= _LENGTH_COUNTS * short_s
    return _Awaited(late_s - habit_s, _STOP_AWAITED_S)


@dataclass(frozen=True, slots=True)
class _Shape:
    """A shape of entry: time, spread, room, and the share and time of one alone (share 0 for nobody)."""

    time_s: float
    spread_ms: float
    room: int
    share: float
    alone_s: float
    worth: float


def _without(watched: _Watched, entries: Floats, awaited: _Awaited, reach_s: float = 0.7) -> _Shape:
    """Return the likeliest shape in which nobody is alone."""
    from graith.listen._edge_loops import shape_likelihoods

    inside_s = watched.inside_s
    flat = entries.reshape(-1, _TIMES_S.size)
    rough_s = np.arange(max(-reach_s, inside_s[0] + 0.1), min(inside_s[-1] - 0.06, reach_s), 0.012)
    few = _laid(inside_s[::2], rough_s, entries[:, 2])
    worth = shape_likelihoods(watched.power[::2], watched.base, few.reshape(-1, few.shape[2]))
    worth -= np.repeat(awaited.against(rough_s), entries.shape[0])
    best_s = float(rough_s[int(worth.argmax()) // entries.shape[0]])
    times_s = best_s + np.arange(-0.06, 0.061, 0.004)
    all_ = _laid(inside_s, times_s, flat)
    worth = shape_likelihoods(watched.power, watched.base, all_.reshape(-1, inside_s.size))
    against = _UNLIKELY[: entries.shape[1]] + awaited.against(times_s)[:, None, None]
    worth = worth.reshape(times_s.size, *entries.shape[:2]) - against
    time, room, spread = np.unravel_index(int(worth.argmax()), worth.shape)
    return _Shape(float(times_s[time]), float(_SPREADS_MS[spread]), int(room), 0.0, 0.0, float(worth.max()))


def _with(watched: _Watched, entries: Floats, awaited: _Awaited) -> _Shape | None:
    """Return the likeliest shape in which one is alone before the others; ``worth`` as without one."""
    from graith.listen._edge_loops import shape_likelihoods

    inside_s = watched.inside_s
    rough_s = np.arange(max(-0.3, inside_s[0] + 0.3), min(inside_s[-1] - 0.05, 0.3), 0.024)
    alone_s = np.arange(inside_s[0] + 0.12, rough_s[-1] - _LEAST_LONE_S, 0.035)
    if not alone_s.size:
        return None
    pairs = np.array([(one, many) for many in rough_s for one in alone_s if many - one > _LEAST_LONE_S])
    best, found = -np.inf, None
    power, frames_s = watched.power[::4], inside_s[::4]
    for room in _TRIED_ROOMS:
        many = _laid(frames_s, pairs[:, 1], entries[room, 2:3])[:, 0]
        one = _laid(frames_s, pairs[:, 0], entries[room, 0:1])[:, 0]
        for share in _SHARES:
            worth = shape_likelihoods(power, watched.base, share * one + (1.0 - share) * many)
            worth -= awaited.against(pairs[:, 1])
            if worth.max() > best:
                best, found = float(worth.max()), (room, share, *pairs[int(worth.argmax())])
    if found is None:
        return None
    return _refined(watched, entries, awaited, *found)


def _refined(
    watched: _Watched, entries: Floats, awaited: _Awaited, room: int, share: float, alone_s: float, time_s: float
) -> _Shape:
    from graith.listen._edge_loops import shape_likelihoods

    inside_s = watched.inside_s
    shape = _Shape(time_s, float(_SPREADS_MS[2]), room, share, alone_s, -np.inf)
    for _ in range(2):
        times_s = shape.time_s + np.arange(-0.04, 0.041, 0.004)
        many = _laid(inside_s, times_s, entries[room]).reshape(-1, inside_s.size)
        one = _laid(inside_s, np.array([shape.alone_s]), entries[room, 0:1])[0]
        worth = shape_likelihoods(watched.power, watched.base, shape.share * one + (1.0 - shape.share) * many)
        worth = worth - (awaited.against(times_s)[:, None] + _UNLIKELY).ravel()
        time, spread = np.unravel_index(int(worth.argmax()), (times_s.size, _SPREADS_MS.size))
        alone = shape.alone_s + np.arange(-0.04, 0.041, 0.005)
        shares = shape.share * np.array([0.6, 0.75, 0.88, 1.0, 1.15, 1.35])
        ones = _laid(inside_s, alone, entries[room, 0:1])[:, 0]
        mixed = np.array([part * ones + (1.0 - part) * many[int(worth.argmax())] for part in shares])
        better = shape_likelihoods(watched.power, watched.base, mixed.reshape(-1, inside_s.size))
        part, place = np.unravel_index(int(better.argmax()), (shares.size, alone.size))
        shape = _Shape(
            float(times_s[time]), float(_SPREADS_MS[spread]), room, float(shares[part]), float(alone[place]),
            float(better.max() - _UNLIKELY[spread] - awaited.against(times_s)[time]),
        )  # fmt: skip
    return shape


def _is_lone(shape: _Shape, largest_share: float) -> bool:
    return shape.share <= largest_share and shape.time_s - shape.alone_s >= _LEAST_LONE_S


def _habit_s(samples: Singles, steps: StructuredArray, index: int, hz: float, *, is_stop: bool) -> float:
    """Return how late the note's other beginnings (ends) in this recording are heard, in seconds; 0 if it has few.

    Reed, room and window delay them as they delay the start (the stop).
    """
    sign = -1.0 if is_stop else 1.0
    lasting_s = steps["stop_s"] - steps["start_s"]
    alike = (steps["chanter_note"] == steps["chanter_note"][index]) & (steps["grace"] < 0) & steps["heard"]
    edges_s = steps["stop_s"] if is_stop else steps["start_s"]
    late = []
    for other in np.flatnonzero(alike & (lasting_s > 0.14)):
        outer_s = edges_s[other] - sign * 0.25
        near = steps[max(other - 8, 0) : other + 9]
        same = (near["chanter_note"] == steps["chanter_note"][index]) & (near["start_s"] != steps["start_s"][other])
        crossing = (near["start_s"] < max(outer_s, edges_s[other])) & (near["stop_s"] > min(outer_s, edges_s[other]))
        if int(other) != index and not np.any(same & crossing):
            late.append(int(other))
    found = []
    for place in late[:: max(1, len(late) // _MOST_ALIKE)][:_MOST_ALIKE]:
        inner_s = min(float(lasting_s[place]), _INSIDE_S)
        watched = _watched(samples, float(edges_s[place]), sign, inner_s, 0.25, hz)
        if watched is not None:
            found.append(sign * _without(watched, _entries(is_stop)[:, :4], _ANYWHERE_NEAR, 0.12).time_s)
    return float(np.clip(np.median(found), 0.0, 0.15)) if len(found) >= 3 else 0.0


def _edge_heard(
    samples: Singles, steps: StructuredArray, index: int, hz: float, drones_in_s: float | None, *, is_stop: bool
) -> tuple[Edge, tuple[Lone, ...]] | None:
    """Return the start (of the first step) or the stop (of the last one), and who was alone."""
    row, sign = steps[index], -1.0 if is_stop else 1.0
    told_s = float(row["stop_s"] if is_stop else row["start_s"])
    inner_s = min(abs(float(row["stop_s"] - row["start_s"])), _INSIDE_S)
    outer_s = _BEFORE_S
    if not is_stop and drones_in_s is not None:
        outer_s = min(max(told_s - drones_in_s - _SWELL_S, 0.3), _BEFORE_S)
    watched = _watched(samples, told_s, sign, inner_s, outer_s, hz)
    if watched is None:
        outside_s = samples.size / WORKING_RATE_HZ - told_s if is_stop else told_s
        awaited = _stop_awaited(row, 0.0) if is_stop else _start_awaited(0.0)
        edge = Edge(told_s + sign * awaited.time_s, _UNWATCHED_MS, None, 0.0)
        return (edge, ()) if outside_s > _LEAST_OUTSIDE_S else None
    entries = _entries(is_stop)
    habit_s = _habit_s(samples, steps, index, hz, is_stop=is_stop)
    awaited = _stop_awaited(row, habit_s) if is_stop else _start_awaited(habit_s)
    shape = _without(watched, entries, awaited)
    split = _with(watched, entries, awaited)
    lone: tuple[Lone, ...] = ()
    most, least_worth = (_LARGEST_LATE_SHARE, _WORTH_LATE) if is_stop else (_LARGEST_EARLY_SHARE, _WORTH_EARLY)
    if split is not None and split.worth - shape.worth > least_worth and _is_lone(split, most):
        shape = split
        by_ms = 1000.0 * (shape.time_s - shape.alone_s)
        lone = (Lone(not is_stop, told_s + sign * shape.alone_s - habit_s, by_ms, _LONE_WIDTH_MS),)
    width_ms = (_STOP_WIDTH_MS if is_stop else _START_WIDTH_MS) + 0.5 * shape.spread_ms
    edge = Edge(told_s + sign * shape.time_s - habit_s, width_ms, None, 0.0)
    return edge, lone


def _hz_of(steps: StructuredArray, index: int, note_hz: Floats, low_a_hz: float) -> float:
    """Return a step's pitch as measured; where it was not, as the harmonic scale has it."""
    note = int(steps["chanter_note"][index])
    measured = float(note_hz[note])
    return measured if np.isfinite(measured) and measured > 0 else float(HARMONIC.note_hz(low_a_hz)[note])


def start_stop_heard(
    samples: Singles,
    timeline: Timeline,
    alignment: Alignment,
    drones: Drones,
    *,
    low_a_hz: float,
    note_hz: Floats,
) -> StartStop:
    """Return how the set began and ended.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
        Mono at ``WORKING_RATE_HZ``.
    timeline : Timeline
    alignment : Alignment
        Its first start and last stop may be off by 0.2 s, and may have followed a player alone.
    drones : Drones
        For when they came in, before which no chanter is looked for, and when they stopped.
    low_a_hz : float
    note_hz : float array, shape (9,)
        The chanters' pitches, low G to high A.

    Returns
    -------
    StartStop
        The start is None when the first step was not heard, or the recording does not hold the moment before it;
        likewise the stop. The spreads are None. One early player and one straggler at most are found.

    Notes
    -----
    The players' spread at one single entry was tried and is not given: the best fit's did not correlate with the truth
    (rank correlation 0.0 over 80 edges with spreads up to 45 ms); it only serves the fit. A player who begins together
    with the drones, or before them, is not found.
    """
    steps = alignment.steps
    sounding = np.flatnonzero(steps["heard"] & (steps["chanter_note"] >= 0))
    if not sounding.size:
        return StartStop(None, None)
    first, last = int(sounding[0]), int(sounding[-1])
    start = stop = None
    if first == 0 and steps["note"][first] == 0:
        start = _edge_heard(samples, steps, first, _hz_of(steps, first, note_hz, low_a_hz), drones.in_s, is_stop=False)
    if last == steps.size - 1 and steps["note"][last] == timeline.notes.size - 1:
        stop = _edge_heard(samples, steps, last, _hz_of(steps, last, note_hz, low_a_hz), None, is_stop=True)
    lone = (start[1] if start else ()) + (stop[1] if stop else ())
    after_s = None
    if stop is not None and drones.out_s is not None:
        after_s = max(0.0, drones.out_s - stop[0].time_s)
    return StartStop(start[0] if start else None, stop[0] if stop else None, lone, after_s)
