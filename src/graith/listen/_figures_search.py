"""Cut the stretch around every figure out of the recording and find the likeliest way through each."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.listen._figures_change import CHANGE_DTYPE, Changes, changes_at, plain_changes
from graith.listen._figures_frames import FRAME_S, HOP_SAMPLES, WINDOW_SAMPLES, NoteModel, features, frame_at
from graith.listen._figures_frames import frame_centres_s as centres_s
from graith.listen.model import WORKING_RATE_HZ, Floats, Singles
from graith.timeline.model import StructuredArray, Timeline

Ints = npt.NDArray[np.int64]

ABSENT_SHARE = 0.08
"""How many gracenotes are thought to be left out before anything is heard."""

_LENGTH_SPREAD = 0.5
_BEFORE_S, _AFTER_S = 0.08, 0.08
_ONSET_SPREAD_S = 0.03
_AFTER_LAST_ONSET_S, _BEFORE_NEXT_S = 0.005, 0.005
_JUMP_S = 0.25
_TEACHING_ABSENT_SHARE = 1e-6
_TEACHING_MS = 15.0
_CAP = 12.0
_STRAY_S = 0.02
_CLEAR_RATIO = 3.0
_MOST_FOUND = 240
_DROP_90 = 1.353
_ONSET_SCALE, _LENGTH_SCALE = 1.1, 1.2
_LEAST_LENGTH_MS = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """The figures to be searched: one row a figure, and one row a state (note before, gracenotes, melody note).

    Attributes
    ----------
    note : int array, shape (figures,)
        Index in the timeline's notes.
    first_frame, n_frames, first_state, n_states : int arrays, shape (figures,)
    note_frame : float array, shape (figures,)
        The melody note's start as the aligner has it, in frames from the figure's first.
    pitches : int8 array, shape (states,)
    grace : int array, shape (states,)
        Index in the timeline's graces; -1 for melody notes.
    expected_s : float array, shape (states,)
    """

    note: Ints
    first_frame: Ints
    n_frames: Ints
    first_state: Ints
    n_states: Ints
    note_frame: Floats
    pitches: npt.NDArray[np.int8]
    grace: Ints
    expected_s: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What the search gives. Uncertainties are half the width of a 90 % interval.

    Attributes
    ----------
    ratio : float array, shape (states,)
        Log-likelihood ratio of a gracenote's being there, the prior included.
    onset_s, onset_ms, length_ms, length_uncertainty_ms : float arrays, shape (states,)
    note_s, note_ms, misfit : float arrays, shape (figures,)
        The melody note's onset, its uncertainty, and by how much a frame fits worse than with any notes at all.
    """

    ratio: Floats
    onset_s: Floats
    onset_ms: Floats
    length_ms: Floats
    length_uncertainty_ms: Floats
    note_s: Floats
    note_ms: Floats
    misfit: Floats


def stretches(timeline: Timeline, steps: StructuredArray, n_samples: int, note: Ints | None = None) -> Stretches:
    """Return the stretch of every figure, or of these notes, whose melody note was heard and lies in the recording."""
    at_note = np.flatnonzero(steps["grace"] < 0)
    melody = steps[at_note]
    note = np.flatnonzero(timeline.notes["n_graces"] > 0) if note is None else note
    note = note[melody["heard"][note]]
    count = timeline.notes["n_graces"][note].astype(np.int64)
    first_step = at_note[note] - count
    low_s, high_s = _edges_s(melody, steps, note, first_step, count)
    inside = (low_s >= 0) & (high_s * WORKING_RATE_HZ + WINDOW_SAMPLES < n_samples)
    note, count, first_step = note[inside], count[inside], first_step[inside]
    first = frame_at(low_s[inside], n_samples)
    n_frames = frame_at(high_s[inside], n_samples) + 1 - first
    n_states = count + 2
    first_state = np.cumsum(n_states) - n_states
    place = np.arange(int(n_states.sum())) - np.repeat(first_state, n_states)
    is_grace = (place > 0) & (place <= np.repeat(count, n_states))
    grace = np.where(is_grace, np.repeat(timeline.notes["first_grace"][note], n_states) + place - 1, -1)
    pitches = np.repeat(timeline.notes["chanter_note"][note], n_states)
    pitches[is_grace] = timeline.graces["chanter_note"][grace[is_grace]]
    pitches[first_state] = np.where(_follows(melody, note), timeline.notes["chanter_note"][note - 1], -1)
    expected_s = np.ones(place.size)
    expected_s[is_grace] = steps["expected_s"][(np.repeat(first_step, n_states) + place - 1)[is_grace]]
    return Stretches(
        note=note,
        first_frame=first,
        n_frames=n_frames,
        first_state=first_state,
        n_states=n_states,
        note_frame=(melody["start_s"][note] - centres_s(first)) / FRAME_S + 0.5,
        pitches=pitches.astype(np.int8),
        grace=grace,
        expected_s=np.maximum(expected_s, 0.001),
    )


def _follows(melody: StructuredArray, note: Ints) -> npt.NDArray[np.bool_]:
    """Return whether the note before was heard and ran on into this one's figure."""
    before = np.maximum(note - 1, 0)
    gap_s = melody["start_s"][note] - melody["stop_s"][before]
    met: npt.NDArray[np.bool_] = (note > 0) & melody["heard"][before] & (np.abs(gap_s) < 2 * _JUMP_S)
    return met


def _edges_s(
    melody: StructuredArray, steps: StructuredArray, note: Ints, first_step: Ints, count: Ints
) -> tuple[Floats, Floats]:
    """Return where each figure's stretch begins and ends: wide enough for an aligner that was misled by gracenotes."""
    note_s: Floats = melody["start_s"][note]
    sums_s = np.concatenate([[0.0], np.cumsum(steps["expected_s"])])
    graces_s = sums_s[first_step + count] - sums_s[first_step]
    believed_s = steps["start_s"][first_step]
    low_s = np.minimum(believed_s, note_s - graces_s) - _BEFORE_S
    last_onset_s = np.where(_follows(melody, note), melody["start_s"][np.maximum(note - 1, 0)], -np.inf)
    low_s = np.maximum(low_s, np.minimum(last_onset_s + _AFTER_LAST_ONSET_S, believed_s - 0.02))
    high_s = np.minimum(note_s + _AFTER_S, melody["stop_s"][note] - _BEFORE_NEXT_S)
    return np.maximum(low_s, 0.0), np.maximum(high_s, note_s + 0.02)


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """The frames of the stretches.

    Attributes
    ----------
    features : float32 array, shape (frames, bins)
    shares : float32 array, shape (frames, 9)
        How much of each note there is.
    row : int array, shape (figures,)
        Each figure's first frame.
    """

    features: Singles
    shares: Singles
    row: Ints


def hear(samples: Singles, model: NoteModel, where: Stretches) -> Heard:
    """Return the notes' likelihoods in all frames that lie in a stretch; overlapping stretches share theirs."""
    edges = np.zeros(samples.size // HOP_SAMPLES + 2, dtype=np.int64)
    np.add.at(edges, where.first_frame, 1)
    np.add.at(edges, where.first_frame + where.n_frames, -1)
    frames = np.flatnonzero(np.cumsum(edges) > 0)
    found = features(samples, frames)
    return Heard(found, model.shares(found), np.searchsorted(frames, where.first_frame))


def hear_taught(heard: Heard, model: NoteModel, changes: Changes, where: Stretches) -> Heard:
    """Return the likelihoods anew when some notes are heard as gracenotes only, learnt from those gracenotes.

    They are first looked for as if none had been left out; most players leave out few.
    """
    pitch = where.pitches.astype(np.int64)
    unknown = (where.grace >= 0) & ~model.learnt[pitch]
    if not unknown.any():
        return heard
    found = find(heard, where, changes, where.expected_s, absent_share=_TEACHING_ABSENT_SHARE)
    state = np.flatnonzero(unknown & (found.ratio > 0) & (found.length_ms >= _TEACHING_MS))
    first_s = np.repeat(centres_s(where.first_frame), where.n_states)[state]
    middle_s = found.onset_s[state] + found.length_ms[state] / 2000.0 - first_s
    row = np.repeat(heard.row, where.n_states)[state] + np.rint(middle_s / FRAME_S).astype(np.int64)
    rows = np.clip(row[:, None] + np.array([-1, 0, 1]), 0, heard.features.shape[0] - 1).ravel()
    taught = model.taught(heard.features[rows], np.repeat(pitch[state], 3))
    return Heard(heard.features, taught.shares(heard.features), heard.row)


def plain_cuts(
    samples: Singles, model: NoteModel, changes: Changes, timeline: Timeline, steps: StructuredArray
) -> tuple[float, StructuredArray]:
    """Return by how much cuts are found later than the aligner has them at plain note changes, and these changes.

    The changes, of ``CHANGE_DTYPE``, are put where they were found, by that much earlier: the aligner's own errors,
    which differ from change to change, are not in them.
    """
    melody = steps[steps["grace"] < 0]
    where = stretches(timeline, steps, samples.size, plain_changes(melody, timeline.notes["n_graces"]))
    known = changes_at(melody, where.note)
    if not where.note.size:
        return 0.0, known
    found = find(hear(samples, model, where), where, changes, where.expected_s)
    late_s = found.note_s - known["onset_s"]
    bias_s = float(np.median(late_s))
    near = np.abs(late_s - bias_s) < _STRAY_S
    known["onset_s"][near] += late_s[near] - bias_s
    return bias_s, known


def changes_found(where: Stretches, found: Found) -> StructuredArray:
    """Return the changes into gracenotes that were heard clearly, spread over the recording, of ``CHANGE_DTYPE``."""
    state = np.flatnonzero((where.grace >= 0) & (found.ratio > _CLEAR_RATIO))
    before = state - 1
    heard = (where.grace[before] < 0) | (found.ratio[before] > _CLEAR_RATIO)
    state = state[heard & (where.pitches[before] >= 0) & (where.pitches[before] != where.pitches[state])]
    state = state[:: max(1, -(-state.size // _MOST_FOUND))]
    known = np.zeros(state.size, dtype=CHANGE_DTYPE)
    known["onset_s"], known["length_s"] = found.onset_s[state], found.length_ms[state] / 1000.0
    known["old"], known["new"] = where.pitches[state - 1], where.pitches[state]
    return known


def find(
    heard: Heard,
    where: Stretches,
    changes: Changes,
    expected_s: Floats,
    *,
    absent_share: float = ABSENT_SHARE,
    early_s: float = 0.0,
) -> Found:
    """Return the likeliest way through each figure, gracenotes being about as long as ``expected_s`` says.

    ``early_s`` is by how much cuts are found too late (:func:`plain_cuts`).
    """
    from graith.listen._figures_path import search

    graces = np.zeros((where.pitches.size, 5))
    notes = np.zeros((where.note.size, 3))
    search(
        heard.shares,
        heard.row,
        where.n_frames,
        where.note_frame,
        where.pitches,
        where.first_state,
        where.n_states,
        expected_s / FRAME_S,
        changes.rise,
        changes.fall,
        *changes.weights(),
        _CAP,
        _LENGTH_SPREAD,
        math.log(absent_share / (1.0 - absent_share)),
        _ONSET_SPREAD_S / FRAME_S,
        _DROP_90 * changes.doubt,
        graces,
        notes,
    )
    first_s = centres_s(where.first_frame) - 0.5 * FRAME_S - early_s
    frame_ms = 1000.0 * FRAME_S
    return Found(
        ratio=graces[:, 0],
        onset_s=np.repeat(first_s, where.n_states) + graces[:, 1] * FRAME_S,
        onset_ms=np.maximum(_ONSET_SCALE * graces[:, 2] * frame_ms, 1.0),
        length_ms=graces[:, 3] * frame_ms,
        length_uncertainty_ms=np.hypot(_LENGTH_SCALE * graces[:, 4] * frame_ms, _LEAST_LENGTH_MS),
        note_s=first_s + notes[:, 0] * FRAME_S,
        note_ms=np.maximum(_ONSET_SCALE * notes[:, 1] * frame_ms, 1.0),
        misfit=-notes[:, 2],
    )
