"""What the drums play: rolls or taps before the tunes, a pulse in them, as one array of strokes.

The roll is a real one, built of strokes from alternate hands, so many to the beat that about 22 fall in a second
(common practice, no source). Three paces of roll and a tap, twice, make the usual opening: the two rolls stand in a
printed rule of 2010, the counts are from memory.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.sound.model import BASS_DRUM, SNARE, STROKE_DTYPE, Drums
from graith.timeline.model import StructuredArray, Timeline

Floats = npt.NDArray[np.float64]

N_VARIANTS = 6
"""How many slightly different strokes each drum has; the same one never sounds twice running."""

_ROLL_BEATS = 3
_ROLL_STROKES_PER_S = 22.0
_ROLL_GAP_S = 0.09
_ROLL_UNEVEN_S = 0.0012
_ACCENT_DB, _TAP_DB, _COUNT_DB = 0.0, -7.0, -2.0
_ROLL_FIRST_DB, _ROLL_SOFT_DB, _ROLL_LOUD_DB = -4.0, -12.0, -6.0
_WEAKER_HAND_DB, _UNEVEN_DB = -0.9, 0.6
_THUMP_DB = {1: 0.0, 3: -5.0}


def strokes_of(timeline: Timeline, drums: Drums | None) -> StructuredArray:
    """Return every drum stroke of a timeline, in time order.

    Taps and thumps fall exactly on their beats; a roll's strokes are a little uneven. There is no pulse in a hold, and
    no accent in a pick-up.

    Returns
    -------
    structured array of ``STROKE_DTYPE``
        Empty when ``drums`` is None.
    """
    if drums is None:
        return np.zeros(0, dtype=STROKE_DTYPE)
    draws = np.random.default_rng([drums.seed, 77])
    rows: list[tuple[float, int, float, int, int]] = []
    beats = timeline.beats
    opening = np.flatnonzero(beats["tune"] < 0)
    if drums.opening == "rolls":
        for group in np.split(opening, range(_ROLL_BEATS + 1, opening.size, _ROLL_BEATS + 1)):
            rows += _rolled(beats["time_s"], group, draws)
    elif drums.opening == "taps":
        rows += _taps(beats, opening, beats["beat_in_bar"][opening] == 1, _COUNT_DB)
    if drums.pulse:
        pulsed = np.flatnonzero(beats["bar"] >= 0)
        of_bar = np.where(timeline.bars["number"][beats["bar"][pulsed]] > 0, beats["beat_in_bar"][pulsed], 0)
        rows += _taps(beats, pulsed, of_bar == 1, _TAP_DB)
        if drums.bass_drum:
            rows += _thumps(beats, pulsed, of_bar)
    strokes = np.array(rows, dtype=STROKE_DTYPE)
    strokes = strokes[np.argsort(strokes["time_s"], kind="stable")]
    strokes["level_db"] += drums.level_db
    strokes["variant"] = _never_twice(strokes.size, draws)
    return strokes


def _never_twice(n: int, draws: np.random.Generator) -> npt.NDArray[np.int64]:
    """Return variants by chance, each different from the one before."""
    steps = draws.integers(1, N_VARIANTS, size=n)
    return np.cumsum(steps) % N_VARIANTS


def _taps(
    beats: StructuredArray, chosen: npt.NDArray[np.intp], accented: npt.NDArray[np.bool_], weak_db: float
) -> list[tuple[float, int, float, int, int]]:
    return [
        (float(beats["time_s"][beat]), SNARE, _ACCENT_DB if accent else weak_db, 0, int(beat))
        for beat, accent in zip(chosen, accented, strict=True)
    ]


def _thumps(
    beats: StructuredArray, chosen: npt.NDArray[np.intp], of_bar: npt.NDArray[np.int16]
) -> list[tuple[float, int, float, int, int]]:
    return [
        (float(beats["time_s"][beat]), BASS_DRUM, _THUMP_DB[int(place)], 0, int(beat))
        for beat, place in zip(chosen, of_bar, strict=True)
        if int(place) in _THUMP_DB
    ]


def _rolled(
    times_s: Floats, group: npt.NDArray[np.intp], draws: np.random.Generator
) -> list[tuple[float, int, float, int, int]]:
    """Return a roll over all beats of the group but its last, which gets a tap."""
    if not group.size:
        return []
    tap = (float(times_s[group[-1]]), SNARE, _ACCENT_DB, 0, int(group[-1]))
    if group.size == 1:
        return [tap]
    edges_s = times_s[group]
    per_beat = 2 * max(1, round(_ROLL_STROKES_PER_S * float(np.diff(edges_s).mean()) / 2.0))
    places = np.arange((group.size - 1) * per_beat) / per_beat
    even_s = np.interp(places, np.arange(group.size), edges_s)
    even_s = even_s[even_s < edges_s[-1] - _ROLL_GAP_S]
    uneven_s = even_s + draws.normal(size=even_s.size) * _ROLL_UNEVEN_S
    uneven_s[0] = even_s[0]
    levels_db = np.linspace(_ROLL_SOFT_DB, _ROLL_LOUD_DB, even_s.size) + draws.normal(size=even_s.size) * _UNEVEN_DB
    levels_db[1::2] += _WEAKER_HAND_DB
    levels_db[0] = _ROLL_FIRST_DB
    owners = group[np.floor(places[: even_s.size]).astype(int)]
    rows = zip(uneven_s, levels_db, owners, strict=True)
    return [(float(at_s), SNARE, float(level_db), 0, int(owner)) for at_s, level_db, owner in rows] + [tap]
