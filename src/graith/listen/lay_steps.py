"""When each melody note and gracenote sounds: the best lengths for all of them at once, near the path.

Every step (a note or gracenote) has a length that the timeline expects at the tempo heard around it, more or less; the
recording's own scores of the notes decide, to a frame of 5 ms. A gracenote may be left out, at a price.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.listen.find_set import FRAMES_TOGETHER, Path, classes_of
from graith.listen.model import HOP_S, Floats, Singles
from graith.listen.note_shares import onset_scores, share_scores
from graith.timeline.model import StructuredArray, Timeline
from graith.timeline.playing_order import playing_order

Indices = npt.NDArray[np.int32]

_SPAN_FRAMES = 120
_TRUST_IN_SCORES = 0.08  # windows overlap six times, so neighbouring frames say nearly the same
_TRUST_IN_ONSETS = 2.5
_NOTE_WIDTH, _HELD_NOTE_WIDTH, _GRACE_WIDTH = 0.12, 0.15, 0.25  # of the logarithm of a length
_HELD_S = 0.010  # how far a note with its gracenotes begins from where the notes around put it, and
_HELD_SHARE = 0.03  # this share of the notes' length around, for a tempo may change from note to note
_GRACE_LEFT_OUT = 3.0
_TEMPO_NOTES = 12
_STEADY_NOTES = 8


@dataclass(frozen=True, slots=True, eq=False)
class Script:
    """The timeline's notes and gracenotes in playing order. Arrays of shape (steps,)."""

    notes: Indices
    graces: Indices
    classes: npt.NDArray[np.int8]
    onset_s: Floats
    length_s: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """Notes ``first`` to ``last`` of the timeline, played without a jump; ``begin`` in frames for each of them."""

    first: int
    last: int
    begin: Floats
    stop: float


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """A passage's steps.

    Attributes
    ----------
    steps : int32 array, shape (steps,)
        Indices in the script.
    starts : int32 array, shape (steps + 1,)
        The frame where each begins, and where the last ends; a step that does not sound begins where the next does.
    means, errors : float arrays, shape (steps,)
        Each start's mean between its neighbours and its standard deviation, by the same likelihood, in frames.
    """

    steps: Indices
    starts: Indices
    means: Floats
    errors: Floats


def script_of(timeline: Timeline) -> Script:
    """Return a timeline's steps."""
    notes, graces = playing_order(timeline)
    is_grace = graces >= 0
    onset_s = timeline.notes["onset_s"][notes].copy()
    stop_s = timeline.notes["stop_s"][notes].copy()
    pitch = timeline.notes["chanter_note"][notes].copy()
    onset_s[is_grace] = timeline.graces["onset_s"][graces[is_grace]]
    stop_s[is_grace] = timeline.graces["stop_s"][graces[is_grace]]
    pitch[is_grace] = timeline.graces["chanter_note"][graces[is_grace]]
    classes = np.where(pitch < 0, 9, pitch).astype(np.int8)
    return Script(notes, graces, classes, onset_s, stop_s - onset_s)


def passages_of(path: Path, timeline: Timeline) -> list[Passage]:
    """Return the stretches of a path between jumps, each with the frames where its notes begin.

    Notes of the same pitch that follow each other share their time as the timeline says: the path cannot part them.

    Parameters
    ----------
    path : Path
    timeline : Timeline

    Returns
    -------
    list of Passage
        In the order of the recording; a lone note between two jumps is none.
    """
    inside = np.flatnonzero(path.notes >= 0)
    if not inside.size:
        return []
    notes = path.notes[inside]
    moves = np.diff(notes)
    cuts = np.flatnonzero((moves < 0) | (moves > 2) | (np.diff(inside) > 1)) + 1
    return [
        _passage(places, path.notes[places], timeline)
        for places in np.split(inside, cuts)
        if path.notes[places[-1]] - path.notes[places[0]] >= 1 or notes.size == places.size
    ]


def _passage(places: npt.NDArray[np.intp], notes: Indices, timeline: Timeline) -> Passage:
    first, last = int(notes[0]), int(notes[-1])
    found, where = np.unique(notes, return_index=True)
    begin = np.interp(np.arange(first, last + 1), found, places[where] * float(FRAMES_TOGETHER))
    stop = float((places[-1] + 1) * FRAMES_TOGETHER)
    earlier, later = _more_alike(begin, stop, first, last, timeline)
    begin = np.concatenate([np.full(earlier, begin[0]), begin, np.full(later, begin[-1])])
    first, last = first - earlier, last + later
    _share_alike(begin, stop, timeline.notes[first : last + 1])
    return Passage(first, last, begin, stop)


def _more_alike(begin: Floats, stop: float, first: int, last: int, timeline: Timeline) -> tuple[int, int]:
    """Return how many notes of the same pitch before the first and after the last sound in the time of these two.

    A path gains nothing by going from a note to the next of the same pitch, so at its ends it may stay in one.
    """
    start_s = timeline.notes["start_s"]
    classes = classes_of(timeline.notes)
    whole_s = max(timeline.notes["stop_s"][last] - start_s[first], 1e-3)
    rate = (stop - begin[0]) * HOP_S / whole_s
    before, after = [0], [0]
    while first - len(before) >= 0 and classes[first - len(before)] == classes[first]:
        before.append(len(before))
    while last + len(after) < classes.size and classes[last + len(after)] == classes[last]:
        after.append(len(after))
    first_s = ((begin[1] if begin.size > 1 else stop) - begin[0]) * HOP_S
    last_s = (stop - begin[-1]) * HOP_S
    until_s = start_s[first + 1] if first + 1 < start_s.size else timeline.notes["stop_s"][first]
    wanted_before = [abs(np.log(first_s / (rate * (until_s - start_s[first - n])))) for n in before]
    wanted_after = [abs(np.log(last_s / (rate * (timeline.notes["stop_s"][last + n] - start_s[last])))) for n in after]
    return int(np.argmin(wanted_before)), int(np.argmin(wanted_after))


def _share_alike(begin: Floats, stop: float, notes: StructuredArray) -> None:
    """Part runs of one pitch, in place, in proportion to their expected lengths."""
    classes = classes_of(notes)
    edges = np.flatnonzero(np.diff(classes, prepend=-1, append=-1))
    for run in np.flatnonzero(np.diff(edges) > 1):
        first, after = edges[run], edges[run + 1]
        until = begin[after] if after < begin.size else stop
        starts_s = notes["start_s"][first:after]
        whole_s = max(notes["stop_s"][after - 1] - starts_s[0], 1e-6)
        begin[first:after] = begin[first] + (starts_s - starts_s[0]) / whole_s * (until - begin[first])


def rates_of(passage: Passage, timeline: Timeline) -> Floats:
    """Return how much slower than the timeline each note of a passage is played, from the notes around it.

    Returns
    -------
    float array, shape (notes,)
        From twelve notes before to twelve after; 0.4 to 2.5.
    """
    n = passage.begin.size
    start_s = timeline.notes["start_s"][passage.first : passage.last + 1]
    ends = np.append(passage.begin, passage.stop)
    ends_s = np.append(start_s, timeline.notes["stop_s"][passage.last])
    low = np.maximum(np.arange(n) - _TEMPO_NOTES, 0)
    high = np.minimum(np.arange(n) + _TEMPO_NOTES, n)
    rates: Floats = (ends[high] - ends[low]) * HOP_S / np.maximum(ends_s[high] - ends_s[low], 1e-3)
    return np.clip(rates, 0.4, 2.5)


@dataclass(frozen=True, slots=True, eq=False)
class _Wanted:
    """Where steps are looked for: their starts in frames with the last one's end, lengths, and how firmly."""

    steps: Indices
    about: Floats
    length: Floats
    width: Floats
    hold: Floats


def laid(shares: Singles, passage: Passage, script: Script, timeline: Timeline) -> Laid:
    """Return the frame where each step of a passage begins.

    Parameters
    ----------
    shares : float32 array, shape (frames, 9)
        Of :func:`graith.listen.note_shares.note_shares`.
    passage : Passage
    script : Script
    timeline : Timeline
    """
    steps = np.flatnonzero((script.notes >= passage.first) & (script.notes <= passage.last)).astype(np.int32)
    own = script.notes[steps] - passage.first
    rates = rates_of(passage, timeline)[own]
    lead_s = script.onset_s[steps] - timeline.notes["start_s"][script.notes[steps]]
    about = np.append(passage.begin[own] + lead_s / HOP_S, passage.stop)
    return _best(shares, script, _wanted(script, steps, about, rates, _NOTE_WIDTH, held=False))


def laid_again(shares: Singles, before: Laid, script: Script, timeline: Timeline) -> Laid:
    """Return the same once more, each step held loosely to where the notes around it put it."""
    is_grace = script.graces[before.steps] >= 0
    melody = np.flatnonzero(~is_grace)
    expected, rates = steadied(before.starts[:-1][melody].astype(np.float64), script.onset_s[before.steps[melody]])
    own = script.notes[before.steps] - script.notes[before.steps[0]]
    lead_s = script.onset_s[before.steps] - timeline.notes["onset_s"][script.notes[before.steps]]
    about = np.append(expected[own] + lead_s / HOP_S, float(before.starts[-1]))
    return _best(shares, script, _wanted(script, before.steps, about, rates[own], _HELD_NOTE_WIDTH, held=True))


def _wanted(script: Script, steps: Indices, about: Floats, rates: Floats, note_width: float, *, held: bool) -> _Wanted:
    is_grace = script.graces[steps] >= 0
    length = script.length_s[steps] * np.where(is_grace, 1.0, rates) / HOP_S
    around_s = _HELD_SHARE * np.convolve(np.pad(length * HOP_S, 4, mode="edge"), np.full(9, 1.0 / 9.0), mode="valid")
    begins = np.diff(script.notes[steps], prepend=-1) != 0  # a note begins on its beat with its first gracenote
    hold = np.where(begins & held, HOP_S / np.hypot(_HELD_S, around_s), 0.0)
    return _Wanted(steps, about, np.maximum(length, 1.0), np.where(is_grace, _GRACE_WIDTH, note_width), hold)


def _best(shares: Singles, script: Script, wanted: _Wanted) -> Laid:
    from graith.listen._loops import lay_steps, soften_starts

    origin = max(0, int(wanted.about[0]) - 2 * _SPAN_FRAMES)
    until = min(len(shares), int(wanted.about[-1]) + 2 * _SPAN_FRAMES)
    near = shares[origin:until]
    cumulative = np.zeros((len(near) + 1, 10), dtype=np.float32)
    scores = share_scores(near)
    scores *= np.float32(_TRUST_IN_SCORES)
    for note in range(scores.shape[1]):
        cumulative[1:, note] = np.cumsum(scores[:, note], dtype=np.float64)
    del scores
    low = np.maximum.accumulate(wanted.about - origin - _SPAN_FRAMES // 2).astype(np.int32)
    whence = np.empty((wanted.steps.size + 1, _SPAN_FRAMES), dtype=np.int16)
    onsets = onset_scores(near) * np.float32(_TRUST_IN_ONSETS)
    classes = script.classes[wanted.steps]
    length, width, where, hold = (
        one.astype(np.float32) for one in (wanted.length, wanted.width, wanted.about[:-1] - origin, wanted.hold)
    )
    left_out = np.where(script.graces[wanted.steps] >= 0, _GRACE_LEFT_OUT, 1e9).astype(np.float32)
    starts = lay_steps(
        cumulative, onsets, classes, length, width, left_out, where, hold, low, _SPAN_FRAMES, whence
    )  # fmt: skip
    means, errors = starts[:-1].astype(np.float64), np.ones(classes.size)
    sounds = np.flatnonzero(np.diff(starts) > 0)
    soft, doubt = means[sounds], errors[sounds]
    edges = np.append(starts[sounds], starts[-1]).astype(np.int32)
    own = (one[sounds] for one in (classes, length, width, where, hold))
    soften_starts(cumulative, onsets, *own, edges, soft, doubt)
    means[sounds], errors[sounds] = soft, doubt
    return Laid(wanted.steps, starts + np.int32(origin), means + origin, errors)


def steadied(frames: Floats, planned_s: Floats) -> tuple[Floats, Floats]:
    """Return where the notes around each one put it, and how much slower than planned they are played there.

    Parameters
    ----------
    frames : float array, shape (notes,)
        Where the melody notes begin.
    planned_s : float array, shape (notes,)
        The timeline's onsets.

    Returns
    -------
    expected, rates : float arrays, shape (notes,)
        A straight line through the eight notes before and after, the note itself left out, outliers weighing little.

    References
    ----------
    Locally weighted regression, W. S. Cleveland, JASA 74 (1979) 829-836, from memory.
    """
    n = frames.size
    if n < 4:
        return frames.copy(), np.ones(n)
    reach = min(_STEADY_NOTES, n - 1)
    offsets = np.concatenate([np.arange(-reach, 0), np.arange(1, reach + 1)])
    around = np.arange(n)[:, None] + offsets[None, :]
    inside = (around >= 0) & (around < n)
    around = np.clip(around, 0, n - 1)
    x = planned_s[around] - planned_s[:, None]
    y = frames[around]
    near = np.where(inside, np.exp(-0.5 * (offsets / (reach / 1.5)) ** 2)[None, :], 0.0)
    weight = near
    slope, at = np.ones(n) / HOP_S, frames.copy()
    for _ in range(3):
        total = weight.sum(axis=1)
        mean_x, mean_y = (weight * x).sum(axis=1) / total, (weight * y).sum(axis=1) / total
        square = (weight * (x - mean_x[:, None]) ** 2).sum(axis=1)
        slope = (weight * (x - mean_x[:, None]) * (y - mean_y[:, None])).sum(axis=1) / np.maximum(square, 1e-9)
        at = mean_y - slope * mean_x
        rest = np.abs(y - at[:, None] - slope[:, None] * x)
        usual = 1.5 * np.median(rest, axis=1) + 0.5
        weight = near / (1.0 + (rest / usual[:, None] / 2.0) ** 2)
    return at, np.clip(slope * HOP_S, 0.4, 2.5)
