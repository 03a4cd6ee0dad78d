"""A performance with faults put into it on purpose: known truth to listen to, and to learn to hear.

Each function takes a performance and gives a changed copy; bars are indices in the timeline's bars. Chance is seeded.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from graith.sound.model import DRONE_DTYPE, PLAYED_DTYPE, STROKE_DTYPE, Band, Performance, PlayerPart
from graith.timeline.model import StructuredArray, Timeline

Floats = npt.NDArray[np.float64]

_LEAST_S = 0.012
_RAMP = 0.25


def with_note_off(performance: Performance, note: int, cents: float, spread_cents: float, *, seed: int) -> Performance:
    """Return the performance with one of the nine notes so far off, and further apart over the players.

    Parameters
    ----------
    performance : Performance
    note : int
        0 low G … 8 high A.
    cents : float
        Of the players' mean, positive when sharp.
    spread_cents : float
        Standard deviation over the players, besides what there was; drawn to have just this mean and spread.
    seed : int
    """
    draws = np.random.default_rng(seed).normal(size=len(performance.players))
    if draws.size > 1:
        draws = (draws - draws.mean()) / draws.std(ddof=1)
    parts = []
    for part, draw in zip(performance.players, draws, strict=True):
        played = part.played.copy()
        played["hz"][played["chanter_note"] == note] *= np.exp2((cents + draw * spread_cents) / 1200.0)
        parts.append(replace(part, played=played))
    return replace(performance, players=tuple(parts))


def with_surge(
    performance: Performance, timeline: Timeline, first_bar: int, last_bar: int, faster: float
) -> Performance:
    """Return the performance with some bars played faster, as a share, easing in and out within them."""
    begin_s, end_s = float(timeline.bars["start_s"][first_bar]), float(timeline.bars["stop_s"][last_bar])
    ramp_s = _RAMP * (end_s - begin_s)
    grid_s = np.linspace(begin_s, end_s, 200)
    share = np.clip(np.minimum(grid_s - begin_s, end_s - grid_s) / ramp_s, 0.0, 1.0)
    pace = 1.0 / (1.0 + faster * share)
    steps_s = np.diff(grid_s) * 0.5 * (pace[1:] + pace[:-1])
    clock_s = begin_s + np.concatenate([[0.0], np.cumsum(steps_s)])
    gained_s = end_s - float(clock_s[-1])
    return _at_times(performance, lambda at_s: _on_clock(at_s, grid_s, clock_s, gained_s))


def _on_clock(at_s: Floats, grid_s: Floats, clock_s: Floats, gained_s: float) -> Floats:
    later: Floats = np.where(at_s >= grid_s[-1], at_s - gained_s, np.interp(at_s, grid_s, clock_s))
    return np.where(at_s <= grid_s[0], at_s, later)


def _at_times(performance: Performance, moved: Callable[[Floats], Floats]) -> Performance:
    """Return the performance with every time moved, the same for everybody."""
    parts = []
    for part in performance.players:
        played = part.played.copy()
        for name in ("onset_s", "stop_s"):
            played[name] = moved(played[name])
        parts.append(replace(part, played=played))
    drones, strokes = performance.drones.copy(), performance.strokes.copy()
    drones["out_s"], strokes["time_s"] = moved(drones["out_s"]), moved(strokes["time_s"])
    return _ended(replace(performance, players=tuple(parts), drones=drones, strokes=strokes))


def without_bars(performance: Performance, timeline: Timeline, first_bar: int, last_bar: int) -> Performance:
    """Return the performance with everybody leaving out the same bars."""
    bars = timeline.notes["bar"]
    gone = (bars >= first_bar) & (bars <= last_bar)
    if not gone.any():
        return performance
    first, last = np.flatnonzero(gone)[[0, -1]]
    parts = []
    lost_s = []
    for part in performance.players:
        played = part.played
        at = np.flatnonzero((played["note"] >= first) & (played["note"] <= last))
        by_s = float(played["stop_s"][at[-1]] - played["onset_s"][at[0]])
        lost_s.append(by_s)
        before, after = played[: at[0]].copy(), played[at[-1] + 1 :].copy()
        for name in ("onset_s", "stop_s"):
            after[name] -= by_s
        parts.append(replace(part, played=np.concatenate([before, after])))
    begin_s = float(performance.players[0].played["onset_s"][performance.players[0].played["note"] == first][0])
    by_s = float(np.mean(lost_s))
    strokes = performance.strokes
    strokes = strokes[(strokes["time_s"] < begin_s - 0.05) | (strokes["time_s"] >= begin_s + by_s - 0.05)].copy()
    strokes["time_s"][strokes["time_s"] > begin_s - 0.05] -= by_s
    drones = performance.drones.copy()
    drones["out_s"] -= by_s
    return _ended(replace(performance, players=tuple(parts), drones=drones, strokes=strokes))


def with_loose_bars(
    performance: Performance, timeline: Timeline, first_bar: int, last_bar: int, spread_ms: float, *, seed: int
) -> Performance:
    """Return the performance with the players' note changes so far apart in some bars (standard deviation)."""
    bars = timeline.notes["bar"]
    loose = np.flatnonzero((bars >= first_bar) & (bars <= last_bar))
    parts = []
    for index, part in enumerate(performance.players):
        lags_s = spread_ms / 1000.0 * np.random.default_rng([seed, index]).normal(size=loose.size)
        parts.append(replace(part, played=_lagging(part.played, loose, lags_s)))
    return replace(performance, players=tuple(parts))


def _lagging(played: StructuredArray, notes: npt.NDArray[np.intp], lags_s: Floats) -> StructuredArray:
    """Return one player's notes, some moved with their gracenotes; none before the last has sounded a little."""
    moved = played.copy()
    for note, lag_s in zip(notes, lags_s, strict=True):
        at = np.flatnonzero(moved["note"] == note)
        if not at.size or at[0] == 0 or at[-1] == moved.size - 1:
            continue
        earliest_s = moved["onset_s"][at[0] - 1] + _LEAST_S - moved["onset_s"][at[0]]
        latest_s = moved["stop_s"][at[-1]] - _LEAST_S - moved["onset_s"][at[-1]]
        moved["onset_s"][at] += np.clip(lag_s, min(0.0, earliest_s), max(0.0, latest_s))
    moved["stop_s"][:-1] = np.where(
        np.abs(played["stop_s"][:-1] - played["onset_s"][1:]) < 1e-6, moved["onset_s"][1:], moved["stop_s"][:-1]
    )
    return moved


def with_early_player(performance: Performance, player: int, by_s: float) -> Performance:
    """Return the performance with one player's first note begun so much early."""
    played = performance.players[player].played.copy()
    played["onset_s"][0] = max(0.0, played["onset_s"][0] - by_s)
    return _with_part(performance, player, played)


def with_straggler(performance: Performance, player: int, by_s: float) -> Performance:
    """Return the performance with one player's last note held so much longer."""
    played = performance.players[player].played.copy()
    played["stop_s"][-1] += by_s
    return _ended(_with_part(performance, player, played))


def _with_part(performance: Performance, player: int, played: StructuredArray) -> Performance:
    parts = list(performance.players)
    parts[player] = replace(parts[player], played=played)
    return replace(performance, players=tuple(parts))


def with_drones_left(performance: Performance, player: int, by_s: float) -> Performance:
    """Return the performance with one player's drones sounding so long after the cut-off."""
    drones = performance.drones.copy()
    drones["out_s"][drones["player"] == player] += by_s
    return _ended(replace(performance, drones=drones))


def tuning_up(performance: Performance, length_s: float, *, seed: int) -> Performance:
    """Return two of the players tuning: long notes without rhythm over their drones, and no drums.

    Parameters
    ----------
    performance : Performance
        Whose players, chanters and drones they are.
    length_s : float, > 2
    seed : int
    """
    draws = np.random.default_rng(seed)
    parts = [_tuning(part, length_s, draws) for part in performance.players[:2]]
    drones = performance.drones[performance.drones["player"] < len(parts)].astype(DRONE_DTYPE)
    drones["in_s"] = draws.uniform(0.0, 0.3 * length_s, size=drones.size)
    drones["out_s"] = draws.uniform(0.8, 0.95, size=drones.size) * length_s
    band: Band = replace(performance.band, players=replace(performance.band.players, n=len(parts)))
    strokes = np.zeros(0, dtype=STROKE_DTYPE)
    return replace(performance, band=band, players=tuple(parts), drones=drones, strokes=strokes, stop_s=length_s)


def _tuning(part: PlayerPart, length_s: float, draws: np.random.Generator) -> PlayerPart:
    known = part.played[part.played["chanter_note"] >= 0]
    edges_s = np.cumsum(np.concatenate([[0.3 + draws.random()], draws.uniform(0.4, 1.8, size=60)]))
    edges_s = edges_s[edges_s < length_s]
    rows = np.zeros(edges_s.size - 1, dtype=PLAYED_DTYPE)
    rows["onset_s"], rows["stop_s"], rows["grace"] = edges_s[:-1], edges_s[1:], -1
    chosen = known[draws.integers(known.size, size=rows.size)]
    rows["chanter_note"], rows["hz"] = chosen["chanter_note"], chosen["hz"]
    return replace(part, played=rows)


def _ended(performance: Performance) -> Performance:
    stops = [one.played["stop_s"] for one in performance.players]
    stops += [performance.drones["out_s"], performance.strokes["time_s"]]
    return replace(performance, stop_s=max(float(stop.max()) for stop in stops if stop.size))
