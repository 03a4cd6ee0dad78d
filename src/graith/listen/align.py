"""Every note of a set in the recording: first where it is by any reed's sound, then by this recording's own.

Comb scores give a path; the path teaches the recording's own nine notes; these give a better path, the lengths of all
notes and gracenotes, and at last each onset to a millisecond or a few.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.errors import ListenError
from graith.listen.find_set import FRAMES_TOGETHER, Path, path_of
from graith.listen.frames import Frames
from graith.listen.lay_steps import Laid, Passage, Script, laid, laid_again, passages_of, script_of
from graith.listen.model import HOP_S, PASSAGE_DTYPE, STEP_DTYPE, Alignment, Floats, Singles
from graith.listen.note_scores import SILENCE, comb_scores, learnt_scores
from graith.listen.note_shares import note_shares
from graith.listen.place_onsets import Onsets, late_frames, placed_onsets, speaking_lag_frames
from graith.timeline.model import StructuredArray, Timeline

Labels = npt.NDArray[np.int8]

_LEARNT_SOFTENED = 0.5
_SILENCE_BEFORE_FRAMES, _SILENCE_AFTER_FRAMES = 40, 120
_LEAST_SURE_MS = 2.5
_NINETY = 1.9  # standard deviations; a normal distribution's 1.645 hold too few
_REEDS_UNKNOWN_MS = 16.0


@dataclass(frozen=True, slots=True, eq=False)
class Aligned:
    """An alignment with what it rests on, for the measures that follow.

    ``scores`` are the learnt log-likelihoods, shape (frames, 10); ``shares`` the notes' shares of each frame, (frames,
    9); ``labels`` what each frame is, -1 where that is not sure; ``gain`` as :class:`graith.listen.find_set.Path`;
    ``lag_s`` how long one player's reed would take to speak.
    """

    alignment: Alignment
    scores: Singles
    shares: Singles
    labels: Labels
    gain: float
    lag_s: float


def aligned(frames: Frames, timeline: Timeline, notes_hz: Floats) -> Aligned:
    """Return where every note lies.

    Parameters
    ----------
    frames : Frames
    timeline : Timeline
    notes_hz : float array, shape (9,)
        The chanter's pitches, to 30 cents.

    Raises
    ------
    ListenError
        If nothing of the set can be heard, or the recording is too long.
    """
    script = script_of(timeline)
    path, scores, labels = _learnt(frames, timeline, notes_hz)
    found = passages_of(path, timeline)
    if not found:
        raise ListenError("Nothing of this set can be heard in the recording.")
    shares = note_shares(frames, labels, notes_hz)
    all_laid = [laid(shares, passage, script, timeline) for passage in found]
    labels = _labels_of_steps(frames.n, all_laid, script)
    shares = note_shares(frames, labels, notes_hz)
    all_laid = [laid_again(shares, one, script, timeline) for one in all_laid]
    labels = _labels_of_steps(frames.n, all_laid, script)
    relearnt = learnt_scores(frames, labels)
    scores = scores if relearnt is None else relearnt
    onsets = [placed_onsets(one) for one in all_laid]
    steps = _steps(script, all_laid, onsets, frames)
    passages = _passages(found, all_laid, frames)
    longest = _longest(onsets)
    lag_s = speaking_lag_frames(shares, script, all_laid[longest], onsets[longest]) * HOP_S
    alignment = Alignment(steps, passages, _fit(scores, all_laid, script))
    return Aligned(alignment, scores, shares, labels, path.gain, lag_s)


def _learnt(frames: Frames, timeline: Timeline, notes_hz: Floats) -> tuple[Path, Singles, Labels]:
    """Return a path by the recording's own notes, which a first path by combs has taught, and what frames are by it."""
    scores = comb_scores(frames, notes_hz)
    path = path_of(scores, timeline)
    labels = _labels_of_path(path, frames.n, timeline)
    learnt = learnt_scores(frames, labels)
    if learnt is None:
        return path, scores, labels
    path = path_of(learnt * np.float32(_LEARNT_SOFTENED), timeline)
    return path, learnt, _labels_of_path(path, frames.n, timeline)


def _labels_of_path(path: Path, n_frames: int, timeline: Timeline) -> Labels:
    """Return what frames in the middle of each note are: learning starts from what is sure."""
    labels = np.full(n_frames, -1, dtype=np.int8)
    for passage in passages_of(path, timeline):
        classes = timeline.notes["chanter_note"][passage.first : passage.last + 1]
        edges = np.rint(np.append(passage.begin, passage.stop)).astype(int)
        lengths = np.diff(edges)
        firsts = edges[:-1] + np.maximum((0.35 * lengths).astype(int), np.minimum(12, lengths // 2)) + 2
        stops = np.maximum(firsts, edges[1:] + 2 - np.maximum(4, (0.15 * lengths).astype(int)))
        for pitch, first, stop in zip(classes.tolist(), firsts.tolist(), stops.tolist(), strict=True):
            labels[first:stop] = pitch if pitch >= 0 else SILENCE
    inside = np.flatnonzero(path.notes >= 0)
    if inside.size:
        _label_silence(labels, inside[0] * FRAMES_TOGETHER, (inside[-1] + 1) * FRAMES_TOGETHER)
    return labels


def _label_silence(labels: Labels, first: int, stop: int) -> None:
    labels[max(0, first - 400) : max(0, first - _SILENCE_BEFORE_FRAMES)] = SILENCE
    labels[stop + _SILENCE_AFTER_FRAMES : stop + _SILENCE_AFTER_FRAMES + 400] = SILENCE


def _labels_of_steps(n_frames: int, all_laid: list[Laid], script: Script) -> Labels:
    labels = np.full(n_frames, -1, dtype=np.int8)
    for one in all_laid:
        long = (script.graces[one.steps] < 0) & (np.diff(one.starts) > 8)
        begins, ends = one.starts[:-1][long].tolist(), one.starts[1:][long].tolist()
        for pitch, begin, end in zip(script.classes[one.steps[long]].tolist(), begins, ends, strict=True):
            labels[begin + 5 : max(begin + 6, end - 3)] = pitch
    _label_silence(labels, int(all_laid[0].starts[0]), int(all_laid[-1].starts[-1]))
    return labels


def _unheard(script: Script) -> StructuredArray:
    steps = np.zeros(script.notes.size, dtype=STEP_DTYPE)
    steps["note"], steps["grace"], steps["expected_s"] = script.notes, script.graces, script.length_s
    steps["chanter_note"] = np.where(script.classes == SILENCE, -1, script.classes)
    for name in ("start_s", "stop_s", "uncertainty_ms"):
        steps[name] = np.nan
    return steps


def _steps(script: Script, all_laid: list[Laid], onsets: list[Onsets], frames: Frames) -> StructuredArray:
    """Return the steps' rows; of bars played twice, the last playing's."""
    steps = _unheard(script)
    late = _late(script, onsets)
    for one, found in zip(all_laid, onsets, strict=True):
        own = found.steps
        start_s = frames.start_s + (found.frames - late[np.minimum(script.classes[own], 8)]) * HOP_S
        start_s[1:] = np.maximum(start_s[1:], np.maximum.accumulate(start_s)[:-1] + 0.001)
        end_s = frames.time_s(float(one.starts[-1]) - 0.5)
        steps["heard"][one.steps] = False
        steps["start_s"][own] = start_s
        steps["stop_s"][own] = np.append(start_s[1:], max(end_s, start_s[-1] + HOP_S))
        steps["heard"][own] = True
        steps["uncertainty_ms"][own] = uncertainty_ms(found)
    return steps


def _longest(onsets: list[Onsets]) -> int:
    return max(range(len(onsets)), key=lambda index: onsets[index].steps.size)


def _late(script: Script, onsets: list[Onsets]) -> Floats:
    """Return how late each note speaks, in frames, from the longest passage."""
    longest = onsets[_longest(onsets)]
    melody = script.graces[longest.steps] < 0
    own = longest.steps[melody]
    return late_frames(longest.frames[melody], script.classes[own], script.onset_s[own])


def for_one_player(found: Aligned) -> Alignment:
    """Return the alignment when one player played: each onset made earlier by how long his reed takes to speak."""
    steps = found.alignment.steps.copy()
    steps["start_s"] -= found.lag_s
    steps["stop_s"] -= found.lag_s
    passages = found.alignment.passages.copy()
    passages["start_s"] -= found.lag_s
    return Alignment(steps, passages, found.alignment.fit)


def for_players(found: Aligned) -> Alignment:
    """Return the alignment when several played: how long their reeds take to speak is not known, and adds doubt."""
    steps = found.alignment.steps.copy()
    steps["uncertainty_ms"] = np.hypot(steps["uncertainty_ms"], _REEDS_UNKNOWN_MS)
    return Alignment(steps, found.alignment.passages, found.alignment.fit)


def uncertainty_ms(onsets: Onsets) -> Floats:
    """Return half the width of a 90 % interval of each onset, in ms.

    By the likelihood that placed it, and no less than most of the recording's usual one: a factor fitted to recordings
    with known truth (``bench/listen``, reliability in docs/listening-accuracy.md).
    """
    usual = float(np.median(onsets.errors)) if onsets.errors.size else 0.0
    doubt: Floats = _NINETY * 1000.0 * HOP_S * (0.5 * onsets.errors + 0.5 * usual)
    return np.maximum(doubt, _LEAST_SURE_MS)


def _passages(found: list[Passage], all_laid: list[Laid], frames: Frames) -> StructuredArray:
    passages = np.zeros(len(found), dtype=PASSAGE_DTYPE)
    for row, passage, one in zip(passages, found, all_laid, strict=True):
        row["first_note"], row["last_note"] = passage.first, passage.last
        row["start_s"] = frames.time_s(float(one.starts[0]) - 0.5)
        row["stop_s"] = frames.time_s(float(one.starts[-1]) - 0.5)
    return passages


def _fit(scores: Singles, all_laid: list[Laid], script: Script) -> float:
    """Return the share of the melody notes' frames in which the note expected is the likeliest."""
    right = total = 0
    for one in all_laid:
        melody = script.graces[one.steps] < 0
        begins, ends = one.starts[:-1][melody] + 3, one.starts[1:][melody] - 3
        lengths = np.maximum(ends - begins, 0)
        frames = np.repeat(begins - np.cumsum(lengths) + lengths, lengths) + np.arange(lengths.sum())
        expected = np.repeat(script.classes[one.steps[melody]], lengths)
        right += int((scores[frames].argmax(axis=1) == expected).sum())
        total += frames.size
    return right / max(1, total)
