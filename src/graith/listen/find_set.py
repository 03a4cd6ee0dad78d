"""Where in the recording the set is: the best path through its notes, with free tempo and jumps over missing bars.

Each frame is one melody note of the set, or other sound (talk, tuning, drums alone) before and after it. A path goes
from note to note at any pace; from a bar's end it may jump to any other bar's beginning at a price, which a skipped or
repeated bar is worth and a wrong note is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.errors import ListenError
from graith.listen.model import HOP_S, Singles
from graith.timeline.model import StructuredArray, Timeline

FRAMES_TOGETHER = 4
"""Frames of 5 ms whose mean is one step of the path."""

STEP_S = FRAMES_TOGETHER * HOP_S

WORST_SCORE, OTHER_SOUND = -2.5, -1.6
"""The least that a step of a wrong note may count, and what a step of other sound counts, in log-likelihood."""

_JUMP_COST = 15.0
_ENTER_COST = 6.0
_LATE_ENTRY_COST = 20.0
_EXIT_COST, _EARLY_EXIT_COST = 2.0, 14.0
_ROUNDS = 2
_HELD_TIMES, _HELD_S, _EDGE_RUNS = 2.2, 0.6, 4
_IN_TIME, _LEAST_IN_TIME = 1.8, 0.6
_NEVER = 1e6
_MOST_CELLS = 75_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The set's place in the recording.

    Attributes
    ----------
    notes : int32 array, shape (steps,)
        Index in the timeline's notes, or -1 for other sound; a step is :data:`STEP_S`.
    gain : float
        How much likelier than other sound throughout, a step of the set on average, in natural logarithms.
    """

    notes: npt.NDArray[np.int32]
    gain: float


def path_of(scores: Singles, timeline: Timeline) -> Path:
    """Return the best path of a set through a recording.

    Parameters
    ----------
    scores : float32 array, shape (frames, 10)
        Log-likelihood of each note in each frame, of 5 ms.
    timeline : Timeline

    Raises
    ------
    ListenError
        If the recording is too long for one search or shorter than a note, or the timeline has no notes.
    """
    if not timeline.notes.size:
        raise ListenError("The set has no notes to listen for.")
    if len(scores) < FRAMES_TOGETHER:
        raise ListenError("The recording is shorter than any note; give the whole of it.")
    together = pooled(scores)
    notes = timeline.notes
    if together.shape[0] * notes.size > _MOST_CELLS:
        raise ListenError(
            f"{together.shape[0] * STEP_S / 60:.0f} minutes of sound are too long for a set of {notes.size} notes at "
            "once. Give the stretch in which it was played."
        )
    path = _followed(together, notes)
    for _ in range(_ROUNDS):
        held = _held_too_long(path, notes) | _without_rhythm(path, notes)
        if not held.any():
            break
        together[held] = np.float32(WORST_SCORE)
        path = _followed(together, notes)
    return path


def _followed(together: Singles, notes: StructuredArray) -> Path:
    from graith.listen._loops import follow, trace

    begins, ends = (np.repeat(edges, 2) for edges in bar_edges(notes))
    begins[1::2] = ends[::2] = False
    stay, leave = half_chances(notes, STEP_S)
    moves = np.empty((together.shape[0], -(-2 * notes.size // 4)), dtype=np.uint8)
    gates = np.empty((together.shape[0], 2), dtype=np.float32)
    enter = np.repeat(entry_costs(notes), 2)
    jumped_from = np.empty(together.shape[0], dtype=np.int32)
    left_from = np.empty(together.shape[0], dtype=np.int32)
    total, top, without = follow(
        together,
        np.repeat(classes_of(notes), 2),
        stay,
        leave,
        begins,
        ends,
        enter,
        np.repeat(exit_costs(notes), 2),
        np.float32(_JUMP_COST),
        np.float32(OTHER_SOUND),
        moves,
        jumped_from,
        left_from,
        gates,
    )
    path = np.empty(together.shape[0], dtype=np.int32)
    trace(moves, jumped_from, left_from, gates, enter, top, path)
    path >>= 1  # half a note to its note; other sound stays -1
    inside = int((path >= 0).sum())
    return Path(path, float(total - without) / max(1, inside))


def _held_too_long(path: Path, notes: StructuredArray) -> npt.NDArray[np.bool_]:
    """Return which steps lie in a note held so long that it is no note of the set: somebody tuning before or after it.

    The strike-in note and the last one may be held.
    """
    held = np.zeros(path.notes.size, dtype=np.bool_)
    inside = np.flatnonzero(path.notes >= 0)
    if not inside.size:
        return held
    for stretch in np.split(inside, np.flatnonzero(np.diff(inside) > 1) + 1):
        edges = stretch[0] + np.flatnonzero(np.diff(path.notes[stretch], prepend=-1, append=-1))
        whole = path.notes[edges[:-1]]
        wanted_s = notes["stop_s"][whole] - notes["start_s"][whole]
        lasts_s = np.diff(edges) * STEP_S
        slower = float(np.median(lasts_s / np.maximum(wanted_s, 0.05)))
        long = lasts_s > _HELD_TIMES * slower * wanted_s + _HELD_S
        long &= (notes["bar"][whole] >= 0) & (whole != notes.size - 1)
        long[_EDGE_RUNS:-_EDGE_RUNS] = False
        for index in np.flatnonzero(long):
            kept = max(1, round(slower * wanted_s[index] / STEP_S))
            held[edges[index] : max(edges[index], edges[index + 1] - kept)] = True
    return held


def _without_rhythm(path: Path, notes: StructuredArray) -> npt.NDArray[np.bool_]:
    """Return which steps lie in a stretch apart from the longest whose notes last nothing like planned: tuning."""
    marked = np.zeros(path.notes.size, dtype=np.bool_)
    inside = np.flatnonzero(path.notes >= 0)
    stretches = np.split(inside, np.flatnonzero(np.diff(inside) > 1) + 1)
    classes = classes_of(notes)
    for stretch in sorted(stretches, key=len)[:-1]:
        own = path.notes[stretch]
        runs = np.split(stretch, np.flatnonzero(np.diff(classes[own]) != 0) + 1)
        wanted_s = [notes["stop_s"][path.notes[run[-1]]] - notes["start_s"][path.notes[run[0]]] for run in runs]
        slower = np.array([run.size * STEP_S for run in runs]) / np.maximum(wanted_s, STEP_S)
        usual = float(np.median(slower))
        in_time = np.abs(np.log(slower / usual)) < np.log(_IN_TIME)
        if not 1.0 / _IN_TIME < usual < _IN_TIME or in_time.mean() < _LEAST_IN_TIME:
            marked[stretch] = True
    return marked


def pooled(scores: Singles) -> Singles:
    """Return the mean of every four frames, none below the worst that a wrong note may count."""
    n = len(scores) // FRAMES_TOGETHER
    kept = np.maximum(scores[: n * FRAMES_TOGETHER], np.float32(WORST_SCORE))
    together: Singles = kept.reshape(n, FRAMES_TOGETHER, -1).mean(axis=1)
    return together


def step_chances(notes: StructuredArray, step_s: float) -> tuple[Singles, Singles]:
    """Return the logarithms of the chance to stay in a note, and to go on, from one step to the next.

    Parameters
    ----------
    notes : structured array of ``NOTE_DTYPE``
    step_s : float, > 0

    Returns
    -------
    stay, leave : float32 arrays, shape (notes,)
        Of a geometric distribution whose mean is the note's length, a step and a half at least.
    """
    steps = np.maximum((notes["stop_s"] - notes["start_s"]) / step_s, 1.5)
    return np.log1p(-1.0 / steps).astype(np.float32), np.log(1.0 / steps).astype(np.float32)


def half_chances(notes: StructuredArray, step_s: float) -> tuple[Singles, Singles]:
    """Return the same for each note's two halves, shape (2 notes,): so no note's length is next to nothing.

    With one state a note, a path would rather run through a bar that was left out, a step a note, than jump over it.
    The strike-in may be as short as it likes: the recording may begin in it.
    """
    halves = np.repeat(np.maximum((notes["stop_s"] - notes["start_s"]) / step_s / 2.0, 1.1), 2)
    stay, leave = np.log1p(-1.0 / halves), np.log(1.0 / halves)
    for strike_in in np.flatnonzero(notes["bar"] < 0):
        stay[2 * strike_in], leave[2 * strike_in] = -_NEVER, 0.0
    return stay.astype(np.float32), leave.astype(np.float32)


def entry_costs(notes: StructuredArray) -> Singles:
    """Return what it costs to enter the set at each note: little at its beginning, more where it was cut off."""
    enter = np.full(notes.size, _LATE_ENTRY_COST, dtype=np.float32)
    enter[0] = _ENTER_COST
    if notes["bar"][0] < 0 and notes.size > 1:  # a recording may begin after the strike-in note
        enter[1] = 1.5 * _ENTER_COST
    return enter


def exit_costs(notes: StructuredArray) -> Singles:
    """Return what it costs to leave the set after each note: little after its last, more before."""
    leave = np.full(notes.size, _EARLY_EXIT_COST, dtype=np.float32)
    leave[-1] = _EXIT_COST
    return leave


def classes_of(notes: StructuredArray) -> npt.NDArray[np.int8]:
    """Return each note's class: 0 to 8, or 9 for silence."""
    return np.where(notes["chanter_note"] < 0, 9, notes["chanter_note"]).astype(np.int8)


def bar_edges(notes: StructuredArray) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Return which notes begin a bar and which end one; the strike-in note is a bar of its own.

    Parameters
    ----------
    notes : structured array of ``NOTE_DTYPE``

    Returns
    -------
    begins, ends : bool arrays, shape (notes,)
    """
    changes = np.diff(notes["bar"]) != 0
    return np.concatenate([[True], changes]), np.concatenate([changes, [True]])
