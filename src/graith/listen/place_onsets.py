"""When the notes of a passage begin, and how late this recording's notes speak.

Where a note begins is weighed by the likelihood that laid it. What that cannot say is when the player changed fingers,
for a reed may take some milliseconds to speak. Notes of a pitch that come late throughout, against the tempo of the
notes around them, are taken to speak late.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.listen.lay_steps import Laid, Script, steadied
from graith.listen.model import HOP_S, Floats, Singles

_LEAST_NOTES = 5
_SHRUNK_BY_NOTES = 10.0

_CHANGE_FRAMES = np.arange(-8.0, 14.0, 0.5)
_LEAST_CHANGES = 20
_LEAST_LAG_S, _MOST_LAG_S = -0.002, 0.007
_LAG_AT_REST, _LAG_BY_RISE, _LAG_BY_FALL, _LAG_BY_FADE = -0.73, 1.14, -1.24, 0.58
"""In frames: fitted to 24 single players, of our own synthesis and of four sampled reeds, in five rooms; each left out
in turn, the misfit is 3 ms in the median."""


@dataclass(frozen=True, slots=True, eq=False)
class Onsets:
    """When the steps that sound begin.

    Attributes
    ----------
    steps : int32 array, shape (steps,)
        Indices in the script.
    frames, errors : float arrays, shape (steps,)
        In frames; standard deviations.
    """

    steps: npt.NDArray[np.int32]
    frames: Floats
    errors: Floats


def placed_onsets(laid: Laid) -> Onsets:
    """Return the moments at which a passage's steps begin, one after the other.

    Parameters
    ----------
    laid : Laid
    """
    sounding = np.flatnonzero(np.diff(laid.starts) > 0)
    frames = laid.means[sounding] - 0.5
    frames[1:] = np.maximum(frames[1:], np.maximum.accumulate(frames)[:-1] + 0.2)
    return Onsets(laid.steps[sounding], frames, laid.errors[sounding])


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
    half_risen, half_fallen = _crossing(risen, 0.5), _crossing(fallen, -0.5, start)
    faded = _crossing(fallen, -0.1, start)
    if half_risen is None or half_fallen is None:
        return 0.0
    lag = (
        _LAG_AT_REST
        + _LAG_BY_RISE * half_risen
        + _LAG_BY_FALL * float(np.clip(half_fallen, -4.0, 2.4))
        + _LAG_BY_FADE * (6.0 if faded is None else float(np.clip(faded, -1.0, 6.0)))
    )
    return float(np.clip(lag, _LEAST_LAG_S / HOP_S, _MOST_LAG_S / HOP_S))


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
    new, gone = _read(shares, at, classes[own]), _read(shares, at, old[own])
    new = np.where((at > begins[own, None] + 2) & (at < ends[own, None] - 2), new, np.nan)
    gone = np.where((at > begins[own, None] + 4) & (at < ends[own, None] + 10), gone, np.nan)
    told = np.isfinite(new).any(axis=0) & np.isfinite(gone).any(axis=0)
    if not told.all():
        return nothing, nothing
    return np.nanmedian(new, axis=0), np.nanmedian(gone, axis=0)


def _read(shares: Singles, at: Floats, notes: npt.NDArray[np.int8]) -> Floats:
    """Return each row's note's share between the frames, on a straight line."""
    left = np.clip(np.floor(at).astype(int), 0, len(shares) - 2)
    part = np.clip(at - left, 0.0, 1.0)
    read: Floats = shares[left, notes[:, None]] * (1 - part) + shares[left + 1, notes[:, None]] * part
    return read


def _crossing(curve: Floats, level: float, start: int = 0) -> float | None:
    """Return the frame at which a curve first rises through a level, or None."""
    up = np.flatnonzero((curve[start:-1] < level) & (curve[start + 1 :] >= level))
    if not up.size:
        return None
    at = start + int(up[0])
    step = _CHANGE_FRAMES[1] - _CHANGE_FRAMES[0]
    return float(_CHANGE_FRAMES[at] + (level - curve[at]) / (curve[at + 1] - curve[at]) * step)
