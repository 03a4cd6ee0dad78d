"""A player's own way with gracenotes: how long they are, and whether they come on the beat or before it."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from graith.listen._figures_beat import begins_s, off_the_beat_s, robust_spread_s
from graith.listen.model import Floats
from graith.timeline.graces import GraceModel
from graith.timeline.model import StructuredArray, Timeline

FEWEST_TO_LEARN = 8
"""Gracenotes of whole figures."""

_GRACE_MS = np.arange(15.0, 121.0, 1.0)
_SHARES = np.arange(0.20, 0.951, 0.05)
_SHARE_PULL = 0.01


def habit_of(timeline: Timeline, steps: StructuredArray, graces: StructuredArray) -> tuple[GraceModel, bool]:
    usable = graces["heard"] & _whole(timeline, graces)[graces["note"]]
    if usable.sum() < FEWEST_TO_LEARN:
        return GraceModel(), False
    before = _comes_before(timeline, steps, graces)
    begin_s, _ = begins_s(timeline, steps, graces, before=before)
    room_s = np.diff(begin_s, append=2 * begin_s[-1] - begin_s[-2] if begin_s.size > 1 else begin_s[-1] + 1.0)
    if before:
        room_s = np.concatenate([room_s[:1], room_s[:-1]])
    usable &= room_s[graces["note"]] > 0.02
    own = graces[usable]
    return _fitted(own["duration_ms"], timeline.notes["n_graces"][own["note"]], room_s[own["note"]], before), True


def _fitted(length_ms: Floats, count: npt.NDArray[np.integer], room_s: Floats, before: bool) -> GraceModel:
    logs = np.log(np.maximum(length_ms, 1.0))
    shared_ms = 1000.0 * room_s / count
    best, chosen = math.inf, (45.0, 0.6)
    for share in _SHARES:
        most = np.log(share * shared_ms)
        wanted = np.minimum(np.log(_GRACE_MS)[:, None], most)
        cost = np.mean(np.abs(logs - wanted), axis=1) + _SHARE_PULL * abs(share - 0.6)
        at = int(np.argmin(cost))
        if cost[at] < best:
            best, chosen = float(cost[at]), (float(_GRACE_MS[at]), float(share))
    return GraceModel(chosen[0] / 1000.0, chosen[1], before)


def _comes_before(timeline: Timeline, steps: StructuredArray, graces: StructuredArray) -> bool:
    """Return whether the beat is clearly steadier when gracenotes are taken to come before it."""
    spreads = []
    for before in (False, True):
        begin_s, heard = begins_s(timeline, steps, graces, before=before)
        spreads.append(robust_spread_s(off_the_beat_s(timeline, begin_s, heard)[0]))
    return spreads[1] < 0.8 * spreads[0]


def _whole(timeline: Timeline, graces: StructuredArray) -> npt.NDArray[np.bool_]:
    """Return for each note whether all its gracenotes that can sound were heard."""
    missing = np.zeros(timeline.notes.size, dtype=bool)
    np.logical_or.at(missing, graces["note"], graces["can_tell"] & ~graces["heard"])
    heard = np.zeros(timeline.notes.size, dtype=bool)
    np.logical_or.at(heard, graces["note"], graces["heard"])
    return heard & ~missing
