"""A long recording at a glance: in one pass and little memory, where in it a set lies and which set it is.

Blocks of sound go in; twelve times a second the levels of the frames are kept, in half precision, and a long-term
spectrum: an hour takes 15 MB. On these the same left-to-right search runs as later on the stretch that it finds.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.listen.find_set import OTHER_SOUND, WORST_SCORE, bar_edges, classes_of, entry_costs, step_chances
from graith.listen.frames import frames_of
from graith.listen.guess_pitch import guessed_low_a_hz, long_spectrum
from graith.listen.model import HOP_S, WORKING_RATE_HZ, Floats, Singles
from graith.listen.note_scores import N_CLASSES, comb_scores_of
from graith.sound.scale import Scale
from graith.timeline.model import Timeline

POOLED_FRAMES = 16
STEP_S = POOLED_FRAMES * HOP_S

_BLOCK_SAMPLES = 20 * WORKING_RATE_HZ
_SPECTRA_A_PIECE = 14
_AROUND_S = 25.0
_STEPS_AT_ONCE = 2_048
_PLANS_AT_ONCE = 2.5
_JUMP_COST = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Overview:
    """A recording at a glance.

    Attributes
    ----------
    levels : float16 array, shape (steps, bins)
        Means of 16 frames' levels, 80 ms each.
    bins_hz : float array, shape (bins,)
    spectrum : float array
        Of :func:`graith.listen.guess_pitch.long_spectrum`.
    length_s : float
    """

    levels: npt.NDArray[np.float16]
    bins_hz: Floats
    spectrum: Floats
    length_s: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """Where a set was heard, and how much likelier that is than other sound, per second of it.

    Attributes
    ----------
    start_s, stop_s : float
        With 25 s around it, which may lie outside the recording.
    gain : float
        Natural logarithm of the likelihoods' ratio, a step of 80 ms on average.
    share : float, 0 to 1
        Of the set's notes from the first heard to the last.
    """

    start_s: float
    stop_s: float
    gain: float
    share: float

    @property
    def heard_s(self) -> float:
        """Seconds from the first note heard to the last one's end."""
        return self.stop_s - self.start_s - 2.0 * _AROUND_S


def overview_of(blocks: Iterable[Singles]) -> Overview:
    """Return the overview of a recording that comes in blocks of mono sound at the working rate, of any lengths.

    Parameters
    ----------
    blocks : iterable of float32 arrays, shape (samples,)

    Returns
    -------
    Overview
        The same to the last bit whatever the blocks' lengths.
    """
    levels = bytearray()  # grows in place; a list of arrays would have to be copied into one at the end
    spectrum = np.zeros(0)
    bins_hz = np.zeros(0)
    n_samples = 0
    for piece in _pieces(blocks):
        frames = frames_of(piece)
        bins_hz = frames.bins_hz
        n_steps = max(1, round(piece.size / WORKING_RATE_HZ / STEP_S))
        kept = frames.levels[: n_steps * POOLED_FRAMES]
        if len(kept) < n_steps * POOLED_FRAMES:
            kept = np.pad(kept, ((0, n_steps * POOLED_FRAMES - len(kept)), (0, 0)))
        levels += kept.reshape(n_steps, POOLED_FRAMES, -1).mean(axis=1).astype(np.float16).tobytes()
        own = long_spectrum(piece, most=_SPECTRA_A_PIECE) * piece.size
        spectrum = own if not n_samples else spectrum + own
        n_samples += piece.size
    if not levels:
        return Overview(np.zeros((0, 0), dtype=np.float16), bins_hz, np.zeros(0), 0.0)
    all_levels = np.frombuffer(levels, dtype=np.float16).reshape(-1, bins_hz.size)
    return Overview(all_levels, bins_hz, spectrum / n_samples, n_samples / WORKING_RATE_HZ)


def _pieces(blocks: Iterable[Singles]) -> Iterator[Singles]:
    waiting: list[Singles] = []
    n_waiting = 0
    for block in blocks:
        waiting.append(block)
        n_waiting += block.size
        if n_waiting >= _BLOCK_SAMPLES:
            joined = np.concatenate(waiting) if len(waiting) > 1 else block
            whole = n_waiting - n_waiting % _BLOCK_SAMPLES
            for first in range(0, whole, _BLOCK_SAMPLES):
                yield joined[first : first + _BLOCK_SAMPLES]
            waiting, n_waiting = [joined[whole:]], n_waiting - whole
    if n_waiting:
        yield np.concatenate(waiting)


def overview_scores(overview: Overview, scale: Scale, low_a_hz: float | None = None) -> Singles:
    """Return the notes' log-likelihoods in each step, shape (steps, 10).

    Parameters
    ----------
    overview : Overview
    scale : Scale
    low_a_hz : float, optional
        When it is known to 30 cents; else it is guessed.
    """
    pitch_hz = low_a_hz or guessed_low_a_hz(overview.spectrum, scale)[0]
    notes_hz = scale.note_hz(pitch_hz)
    scores = np.empty((len(overview.levels), N_CLASSES), dtype=np.float32)
    means = [one.astype(np.float32).mean(axis=1) for one in _some(overview.levels)]
    usual = float(np.quantile(np.concatenate(means), 0.8)) if means else 0.0
    for first, levels in zip(range(0, len(scores), _STEPS_AT_ONCE), _some(overview.levels), strict=True):
        scores[first : first + len(levels)] = comb_scores_of(
            levels.astype(np.float32), overview.bins_hz, notes_hz, usual=usual
        )
    return scores


def _some(levels: npt.NDArray[np.float16]) -> Iterator[npt.NDArray[np.float16]]:
    """Yield some minutes of levels at a time: in single precision all of an evening would not fit."""
    for first in range(0, len(levels), _STEPS_AT_ONCE):
        yield levels[first : first + _STEPS_AT_ONCE]


def stretch_of(scores: Singles, timeline: Timeline) -> Stretch | None:
    """Return where a set lies, by the scores of an overview; None when other sound is likelier throughout.

    A long evening is searched a piece at a time, each two and a half times as long as the plan and half of it over the
    next, so that a set played several times is found where it was played best, not from its first playing to its last.

    Parameters
    ----------
    scores : float32 array, shape (steps, 10)
        Of :func:`overview_scores`.
    timeline : Timeline
    """
    if not timeline.notes.size or not len(scores):
        return None
    at_once = round((_PLANS_AT_ONCE * timeline.cut_off_s + 2.0 * _AROUND_S) / STEP_S)
    if len(scores) <= at_once:
        return _stretch(scores, 0, timeline)
    found = [
        _stretch(scores[first : first + at_once], first, timeline)
        for first in range(0, max(1, len(scores) - at_once // 2), at_once // 2)
    ]
    heard = [one for one in found if one is not None]
    return max(heard, key=lambda one: one.gain * one.heard_s, default=None)


def _stretch(scores: Singles, offset: int, timeline: Timeline) -> Stretch | None:
    from graith.listen._loops import locate

    notes = timeline.notes
    begins, ends = bar_edges(notes)
    stay, leave = step_chances(notes, STEP_S)
    gain, first, last, first_note, last_note = locate(
        np.maximum(scores, np.float32(WORST_SCORE)), classes_of(notes), stay, leave, begins, ends,
        entry_costs(notes), np.float32(_JUMP_COST), np.float32(OTHER_SOUND),
    )  # fmt: skip
    if gain <= 0 or last <= first:
        return None
    share = (last_note - first_note + 1) / notes.size
    start_s, stop_s = (offset + first) * STEP_S - _AROUND_S, (offset + last + 1) * STEP_S + _AROUND_S
    return Stretch(start_s, stop_s, float(gain) / (last - first + 1), float(share))
