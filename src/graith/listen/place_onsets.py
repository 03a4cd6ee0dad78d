"""Each note's onset to a fraction of a frame, from how its share rises; and how late this recording's notes speak.

Every note of one pitch rises alike in one recording: its template is learnt, and each onset is where the template fits
best. What the template cannot say is when the player changed fingers, for a reed may take some milliseconds to speak.
Notes of a pitch that come late throughout, against the tempo of the notes around them, are taken to speak late.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from graith.listen.frames import HOP_SAMPLES, WINDOW_SAMPLES
from graith.listen.lay_steps import Laid, Script, steadied
from graith.listen.model import HOP_S, WORKING_RATE_HZ, Floats, Singles

_FAINT = 0.06
_POINTS = 8
_REACH_FRAMES = 24
_LOOK_FRAMES = 10
_PULL = 0.02
_MOST_MOVED_FRAMES = 1.0
_ROUNDS = 2
_LEAST_RISES, _MOST_RISES = 8, 60
_FIT_TO_LEARN_FROM = 0.10
_LEAST_NOTES = 5
_SHRUNK_BY_NOTES = 10.0

_CHANGE_FRAMES = np.arange(-8.0, 14.0, 0.5)
_LEAST_CHANGES = 20
_MOST_LAG_S = 0.035
_LAG_AT_REST = -3.0
_LAG_BY_RISE, _LAG_BY_RISING, _LAG_BY_FALL, _LAG_BY_FADE = 6.04, -1.74, -0.80, 0.41
"""In frames: fitted to 24 single players, of our own synthesis and of four sampled reeds, in five rooms; each left out
in turn, the misfit is 3 ms in the median."""


@dataclass(frozen=True, slots=True, eq=False)
class Onsets:
    """When the steps that sound begin.

    Attributes
    ----------
    steps : int32 array, shape (steps,)
        Indices in the script.
    frames : float array, shape (steps,)
    misfit : float32 array, shape (steps,)
        Mean square, of a rise from 0 to 1.
    """

    steps: npt.NDArray[np.int32]
    frames: Floats
    misfit: Singles


def rises_of(shares: Singles) -> Singles:
    """Return the logarithm of the shares, from 0 where nothing of a note sounds to 1 at its usual strength."""
    held = np.minimum(shares, np.float32(1.3)) / np.float32(_FAINT)
    return (np.log1p(held) / np.float32(np.log1p(1.0 / _FAINT))).astype(np.float32, copy=False)


@cache
def first_template() -> Floats:
    """Return how a rise looks as the window moves over it, when players are 8 ms apart; eight points a frame."""
    from scipy.special import ndtr

    power = np.hanning(WINDOW_SAMPLES + 1)[:-1] ** 2
    power /= power.sum()
    places_s = (np.arange(WINDOW_SAMPLES) - WINDOW_SAMPLES / 2) / WORKING_RATE_HZ
    moments_s = template_frames() * (HOP_SAMPLES / WORKING_RATE_HZ)
    risen = ndtr((moments_s[:, None] + places_s[None, :]) / 0.008) @ power
    template: Floats = np.log1p(risen / _FAINT) / np.log1p(1.0 / _FAINT)
    return template


def template_frames() -> Floats:
    """Return the frames of a template's points, its moment at 0."""
    return np.arange(-_REACH_FRAMES * _POINTS, _REACH_FRAMES * _POINTS + 1) / _POINTS


def placed_onsets(shares: Singles, script: Script, laid: Laid) -> Onsets:
    """Return the moments at which a passage's steps begin, from where they were laid.

    Parameters
    ----------
    shares : float32 array, shape (frames, 9)
        Of :func:`graith.listen.note_shares.note_shares`.
    script : Script
    laid : Laid
    """
    from graith.listen._loops import match_rises

    rises = rises_of(shares)
    sounding = np.flatnonzero(np.diff(laid.starts) > 0)
    steps = laid.steps[sounding]
    classes = script.classes[steps]
    edges = np.append(laid.starts[sounding], laid.starts[-1]) - 0.5
    starts, stops = edges[:-1], edges[1:]
    room_before = np.append(_LOOK_FRAMES, 0.8 * np.diff(starts) + 1.0)
    first = np.maximum(starts - np.minimum(room_before, _LOOK_FRAMES), 0).astype(np.int32)
    stop = np.minimum(starts + np.minimum(0.8 * (stops - starts) + 1.0, _LOOK_FRAMES), len(rises)).astype(np.int32)
    templates = np.tile(first_template(), (9, 1)).astype(np.float32)
    times, misfit = np.empty(steps.size, dtype=np.float32), np.empty(steps.size, dtype=np.float32)
    for round_number in range(_ROUNDS):
        match_rises(rises, classes, starts.astype(np.float32), first, stop, templates, np.float32(_PULL), times, misfit)
        if round_number + 1 < _ROUNDS:
            _learn(templates, rises, classes, times, np.append(0.0, starts[:-1]), stops, misfit)
    frames = starts + np.clip(times - starts, -_MOST_MOVED_FRAMES, _MOST_MOVED_FRAMES)
    frames[1:] = np.maximum(frames[1:], np.maximum.accumulate(frames)[:-1] + 0.2)
    return Onsets(steps, frames, misfit)


def _learn(
    templates: Singles,
    rises: Singles,
    classes: npt.NDArray[np.int8],
    times: Singles,
    before: Floats,
    stops: Floats,
    misfit: Singles,
) -> None:
    """Replace, in place, the templates of notes that rise often enough by the median of their rises."""
    moments = template_frames()
    for note in range(9):
        own = np.flatnonzero((classes == note) & (misfit < _FIT_TO_LEARN_FROM))[:_MOST_RISES]
        if own.size < _LEAST_RISES:
            continue
        at = times[own, None].astype(np.float64) + moments[None, :]
        seen = np.interp(at, np.arange(len(rises)), rises[:, note])
        clear = (at > before[own, None] + 4.0) & (at < stops[own, None] - 3.0)
        known = clear.sum(axis=0) >= _LEAST_RISES // 2
        if known.sum() < 3 * _POINTS:
            continue
        middle = np.nanmedian(np.where(clear, seen, np.nan)[:, known], axis=0)
        templates[note] = np.interp(moments, moments[known], middle)


def late_frames(frames: Floats, classes: npt.NDArray[np.int8], planned_s: Floats) -> Floats:
    """Return how late the notes of each pitch speak, in frames, against the tempo around them, shape (9,).

    Parameters
    ----------
    frames : float array, shape (notes,)
        Where melody notes were heard to begin.
    classes : int8 array, shape (notes,)
    planned_s : float array, shape (notes,)
        The timeline's onsets.

    Returns
    -------
    float array, shape (9,)
        Medians, drawn towards 0 where there are few notes.
    """
    expected, _ = steadied(frames, planned_s)
    off = np.clip(frames - expected, -0.060 / HOP_S, 0.060 / HOP_S)
    late = np.zeros(9)
    for note in range(9):
        own = off[classes == note]
        if own.size >= _LEAST_NOTES:
            late[note] = float(np.median(own)) * own.size / (own.size + _SHRUNK_BY_NOTES)
    return late


def speaking_lag_frames(shares: Singles, script: Script, laid: Laid, onsets: Onsets) -> float:
    """Return how long after a change of fingers this recording's notes are heard to begin, in frames.

    A chanter's reed speaks at once, and so this is near 0; other reeds, and samples of them, fade in. It holds for one
    player only: several players who are not together look like reeds that fade in. The factors are fitted to single
    sampled instruments (``bench/listen``).
    """
    rise, fall = _usual_change(shares, script, laid, onsets)
    if not (np.isfinite(rise).all() and np.isfinite(fall).all() and rise.max() > 0 and fall.max() > 0):
        return 0.0
    risen = rise / rise.max()
    start = int(np.argmax(np.where(_CHANGE_FRAMES < 2, fall, -1.0)))
    fallen = -fall / fall.max()
    quarter, half, most = (_crossing(risen, level) for level in (0.25, 0.5, 0.75))
    half_fallen, faded = _crossing(fallen, -0.5, start), _crossing(fallen, -0.1, start)
    if quarter is None or half is None or most is None or half_fallen is None:
        return 0.0
    lag = (
        _LAG_AT_REST
        + _LAG_BY_RISE * (half - quarter)
        + _LAG_BY_RISING * min(most - half, 1.6)
        + _LAG_BY_FALL * float(np.clip(half_fallen, -4.0, 2.4))
        + _LAG_BY_FADE * (6.0 if faded is None else float(np.clip(faded, -1.0, 6.0)))
    )
    return float(np.clip(lag, 0.0, _MOST_LAG_S / HOP_S))


def _usual_change(shares: Singles, script: Script, laid: Laid, onsets: Onsets) -> tuple[Floats, Floats]:
    """Return the medians of the new and the old note's shares around changes between long notes."""
    frames, classes = onsets.frames, script.classes[onsets.steps]
    ends = np.append(frames[1:], float(laid.starts[-1]))
    begins = np.append(frames[0] - 60.0, frames[:-1])
    old = np.append(np.int8(9), classes[:-1])
    long = (frames - begins >= 10) & (ends - frames >= 10) & (old != classes) & (old < 9) & (classes < 9)
    own = np.flatnonzero(long)
    nothing = np.full(_CHANGE_FRAMES.size, np.nan)
    if own.size < _LEAST_CHANGES:
        return nothing, nothing
    at = frames[own, None] + _CHANGE_FRAMES[None, :]
    left = np.clip(np.floor(at).astype(int), 0, len(shares) - 2)
    part = np.clip(at - left, 0.0, 1.0)
    new = shares[left, classes[own, None]] * (1 - part) + shares[left + 1, classes[own, None]] * part
    gone = shares[left, old[own, None]] * (1 - part) + shares[left + 1, old[own, None]] * part
    new = np.where((at > begins[own, None] + 2) & (at < ends[own, None] - 2), new, np.nan)
    gone = np.where((at > begins[own, None] + 4) & (at < ends[own, None] + 10), gone, np.nan)
    told = np.isfinite(new).any(axis=0) & np.isfinite(gone).any(axis=0)
    if not told.all():
        return nothing, nothing
    return np.nanmedian(new, axis=0), np.nanmedian(gone, axis=0)


def _crossing(curve: Floats, level: float, start: int = 0) -> float | None:
    """Return the frame at which a curve first rises through a level, or None."""
    up = np.flatnonzero((curve[start:-1] < level) & (curve[start + 1 :] >= level))
    if not up.size:
        return None
    at = start + int(up[0])
    step = _CHANGE_FRAMES[1] - _CHANGE_FRAMES[0]
    return float(_CHANGE_FRAMES[at] + (level - curve[at]) / (curve[at + 1] - curve[at]) * step)
