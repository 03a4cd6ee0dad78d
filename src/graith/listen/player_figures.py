"""One player's figures: which gracenotes sounded, how long, and whether a figure was crushed or late.

The aligner says where every melody note lies; here the stretch around each figure is looked at again, frame by frame,
with the nine notes as this recording itself has them. For each gracenote the best reading of the sound with it is
held against the best without it. A recording of several players cannot be asked: their gracenotes overlap.

What a gracenote's length ought to be stands in no book: "crushed" means far shorter than this player's own habit and
shorter than a settable length (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.errors import ListenError
from graith.listen._figures_beat import begins_s, off_the_beat_s, robust_spread_s
from graith.listen._figures_change import changes_at, learnt_changes, plain_changes
from graith.listen._figures_frames import WINDOW_SAMPLES, NoteModel, learnt_notes
from graith.listen._figures_habit import FEWEST_TO_LEARN, habit_of
from graith.listen._figures_pointing import (
    POINTING_DTYPE,
    held_against,
    learnt_pointing,
    pointing,
    usual_pointing,
)
from graith.listen._figures_rows import (
    CANNOT_TELL,
    CRUSHED,
    FIGURE_DTYPE,
    GRACE_HEARD_DTYPE,
    LATE,
    MISSING,
    PLAYED,
    expected_s_of,
    figure_rows,
    grace_rows,
    silent,
)
from graith.listen._figures_search import (
    Found,
    Stretches,
    changes_found,
    find,
    hear,
    hear_taught,
    plain_cuts,
    stretches,
)
from graith.listen.model import Alignment, Floats, Singles
from graith.sound.scale import HARMONIC
from graith.timeline.graces import GraceModel
from graith.timeline.model import StructuredArray, Timeline

__all__ = [
    "CANNOT_TELL",
    "CRUSHED",
    "FIGURE_DTYPE",
    "GRACE_HEARD_DTYPE",
    "LATE",
    "MISSING",
    "PLAYED",
    "POINTING_DTYPE",
    "FigureLimits",
    "PlayerFigures",
    "held_against",
    "learnt_graces",
    "learnt_pointing",
    "player_figures",
    "pointing",
    "usual_pointing",
]

_SHORTEST_S = 1.0
_MOST_MISFIT, _MISFIT_ABOVE_USUAL = 0.1, 1.5
_MOST_NOISE = 0.25
_LEAST_RATIO = 0.4
_NORMAL_90 = 1.645
_LATE_SPREADS = 3.5
_HABIT_DIFFERS = 0.15


@dataclass(frozen=True, slots=True)
class FigureLimits:
    """What counts as crushed and as late. All common practice, no source.

    Attributes
    ----------
    crushed_ms : float, > 0
        A gracenote this long or longer is never crushed.
    crushed_share : float, in (0, 1)
        Nor is one of this share of the player's own habit or more.
    late_ms : float, > 0
        A figure is late when it begins this much after the player's beat, or by 3.5 times his own spread if that is
        more.

    Raises
    ------
    ListenError
        If a value is out of its range.
    """

    crushed_ms: float = 25.0
    crushed_share: float = 0.6
    late_ms: float = 35.0

    def __post_init__(self) -> None:
        for value, name in ((self.crushed_ms, "crushed_ms"), (self.late_ms, "late_ms")):
            if not (math.isfinite(value) and value > 0):
                raise ListenError(f"A limit {name} of {value!r} ms cannot be; use a number above 0.")
        if not 0.0 < self.crushed_share < 1.0:
            raise ListenError(f"A limit crushed_share of {self.crushed_share!r} cannot be; use more than 0, below 1.")


@dataclass(frozen=True, slots=True, eq=False)
class PlayerFigures:
    """One player's figures.

    Attributes
    ----------
    figures : structured array of ``FIGURE_DTYPE``
    graces : structured array of ``GRACE_HEARD_DTYPE``
    habit : GraceModel
        How long this player's gracenotes usually are; the timeline's own where too few were heard.
    habit_learnt : bool
    beat_spread_ms : float
        Standard deviation of the player's beginnings of notes about his own beat.
    """

    figures: StructuredArray
    graces: StructuredArray
    habit: GraceModel
    habit_learnt: bool
    beat_spread_ms: float


def player_figures(
    samples: Singles,
    timeline: Timeline,
    alignment: Alignment,
    *,
    note_hz: Floats,
    has_drones: bool,
    limits: FigureLimits | None = None,
) -> PlayerFigures:
    """Return what one player did with each figure of the timeline.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
        Mono at the working rate, one player on practice chanter or pipes.
    timeline : Timeline
    alignment : Alignment
        Of these samples; gracenotes need only be roughly right, and may be believed in wrongly.
    note_hz : float array, shape (9,)
        The measured pitches, low G to high A; 0 or NaN for a note that was not heard.
    has_drones : bool
        Whether drones sound with the chanter: the low partials, where they are loud, then do not count.
    limits : FigureLimits, optional

    Raises
    ------
    ListenError
        If the alignment does not belong to the timeline, a pitch cannot be, or there is less than a second of sound.
    """
    _check(samples, timeline, alignment)
    pitches_hz = _all_pitches_hz(np.asarray(note_hz, dtype=np.float64))
    level = float(np.sqrt(np.mean(np.square(samples, dtype=np.float64)))) or 1.0
    samples = np.ascontiguousarray(samples, dtype=np.float32) / np.float32(level)
    steps = alignment.steps
    where = stretches(timeline, steps, samples.size)
    if not where.note.size:
        habit = GraceModel()
        return PlayerFigures(figure_rows(timeline, habit), grace_rows(timeline, habit), habit, False, 0.0)
    model = learnt_notes(samples, steps[steps["grace"] < 0], pitches_hz, has_drones=has_drones)
    melody = steps[steps["grace"] < 0]
    plain = changes_at(melody, plain_changes(melody, timeline.notes["n_graces"]))
    changes = learnt_changes(samples, model, plain)
    heard = hear_taught(hear(samples, model, where), model, changes, where)
    early_s, plain = plain_cuts(samples, model, changes, timeline, steps)
    found = find(heard, where, changes, where.expected_s, early_s=early_s)
    changes = learnt_changes(samples, model, np.concatenate([plain, changes_found(where, found)]))
    early_s, _ = plain_cuts(samples, model, changes, timeline, steps)
    found = find(heard, where, changes, where.expected_s, early_s=early_s)
    graces = _measured(timeline, where, found, GraceModel())
    habit, is_learnt = habit_of(timeline, steps, graces)
    expected_s = expected_s_of(timeline, habit)[where.grace]
    if is_learnt and _differs(expected_s, where):
        found = find(heard, where, changes, np.where(where.grace >= 0, expected_s, 1.0), early_s=early_s)
    graces = _measured(timeline, where, found, habit)
    figures = _judged(timeline, where, found, graces, habit, _clear(where, found, model))
    spread_ms = _judge_faults(figures, graces, timeline, steps, habit, limits or FigureLimits())
    return PlayerFigures(figures, graces, habit, is_learnt, spread_ms)


def learnt_graces(played: PlayerFigures, timeline: Timeline, alignment: Alignment) -> GraceModel:
    """Return the player's way with gracenotes as the timeline's own model of them.

    Parameters
    ----------
    played : PlayerFigures
    timeline, alignment
        As they were given to :func:`player_figures`.

    Returns
    -------
    GraceModel
        ``grace_s`` and ``largest_share`` that come nearest (least absolute deviation of the logarithm of the
        lengths), and ``before`` as makes the player's beat the steadier.

    Raises
    ------
    ListenError
        If fewer than eight gracenotes of whole figures were heard.
    """
    habit, is_learnt = habit_of(timeline, alignment.steps, played.graces)
    if not is_learnt:
        raise ListenError(
            f"Fewer than {FEWEST_TO_LEARN} gracenotes of whole figures were heard, too few to learn their length "
            "from. Take a recording of one player with more of the tune."
        )
    return habit


def _check(samples: Singles, timeline: Timeline, alignment: Alignment) -> None:
    n_wanted = timeline.notes.size + timeline.graces.size
    if alignment.steps.size != n_wanted:
        raise ListenError(
            f"The alignment has {alignment.steps.size} steps, but the timeline {n_wanted} notes and gracenotes. "
            "Give the timeline that was aligned."
        )
    if samples.ndim != 1 or samples.size < _SHORTEST_S * 12_000 or samples.size < WINDOW_SAMPLES:
        raise ListenError(f"There are {samples.size} samples of sound; figures need one second of mono or more.")
    if not np.all(np.isfinite(samples)):
        raise ListenError("The sound holds samples that are no number. Decode it again, or take them as silence.")


def _all_pitches_hz(note_hz: Floats) -> Floats:
    """Return the nine pitches, those not measured (0 or NaN) filled in by the harmonic scale.

    Raises
    ------
    ListenError
        If there are not nine, none is known, or one cannot be a chanter's.
    """
    known = np.isfinite(note_hz) & (note_hz != 0) if note_hz.shape == (9,) else np.zeros(0, dtype=bool)
    if not known.any() or not np.all((note_hz[known] > 100) & (note_hz[known] < 2000)):
        raise ListenError(f"Figures need nine pitches from 100 to 2000 Hz, not {note_hz.tolist()}.")
    ratios = np.array([float(ratio) for ratio in HARMONIC.ratios])
    return np.where(known, note_hz, ratios * np.median(note_hz[known] / ratios[known]))


def _differs(expected_s: Floats, where: Stretches) -> bool:
    """Return whether the habit is so far from what was expected that the figures are worth a second search."""
    of_graces = where.grace >= 0
    ratio = expected_s[of_graces] / where.expected_s[of_graces]
    return bool(np.median(np.abs(np.log(ratio))) > _HABIT_DIFFERS)


def _measured(timeline: Timeline, where: Stretches, found: Found, habit: GraceModel) -> StructuredArray:
    rows = grace_rows(timeline, habit)
    state = np.flatnonzero(where.grace >= 0)
    grace = where.grace[state]
    ratio = found.ratio[state]
    rows["can_tell"][grace] = True
    rows["can_tell"] &= ~silent(timeline)
    rows["heard"][grace] = ratio > 0
    rows["confidence"][grace] = 1.0 / (1.0 + np.exp(-np.minimum(np.abs(ratio), 50.0)))
    rows["onset_s"][grace], rows["onset_uncertainty_ms"][grace] = found.onset_s[state], found.onset_ms[state]
    rows["duration_ms"][grace], rows["uncertainty_ms"][grace] = (
        found.length_ms[state],
        found.length_uncertainty_ms[state],
    )
    rows["heard"] &= rows["can_tell"]
    for name in ("onset_s", "onset_uncertainty_ms", "duration_ms", "uncertainty_ms"):
        rows[name][~rows["heard"]] = 0.0
    return rows


def _clear(where: Stretches, found: Found, model: NoteModel) -> npt.NDArray[np.bool_]:
    """Return for each figure searched whether its sound is some of its notes, and these can be told from noise."""
    limit = min(_MOST_MISFIT, float(np.median(found.misfit)) + _MISFIT_ABOVE_USUAL)
    noise = np.where(where.pitches >= 0, model.noise[where.pitches], 0.0)
    clear: npt.NDArray[np.bool_] = (found.misfit < limit) & (
        np.maximum.reduceat(noise, where.first_state) < _MOST_NOISE
    )
    return clear


def _judged(
    timeline: Timeline,
    where: Stretches,
    found: Found,
    graces: StructuredArray,
    habit: GraceModel,
    clear: npt.NDArray[np.bool_],
) -> StructuredArray:
    """Return the figures with what was heard of each, and 'gracenotes missing' or 'played' where that can be told."""
    rows = figure_rows(timeline, habit)
    at = np.searchsorted(rows["note"], where.note)
    rows["note_s"][at], rows["note_uncertainty_ms"][at] = found.note_s, found.note_ms
    owner = np.searchsorted(rows["note"], graces["note"])
    heard, can_tell = graces["heard"], graces["can_tell"]
    rows["n_heard"] = np.bincount(owner[heard], minlength=rows.size)
    rows["length_ms"] = np.bincount(owner[heard], graces["duration_ms"][heard], minlength=rows.size)
    squares = np.bincount(owner[heard], graces["uncertainty_ms"][heard] ** 2, minlength=rows.size)
    rows["length_uncertainty_ms"] = np.sqrt(squares)
    rows["onset_s"] = rows["note_s"]
    np.minimum.at(rows["onset_s"], owner[heard], graces["onset_s"][heard])
    n_lost = np.bincount(owner[can_tell & ~heard], minlength=rows.size)
    sure = np.ones(rows.size)
    surest_lost = np.zeros(rows.size)
    np.minimum.at(sure, owner[can_tell & heard], graces["confidence"][can_tell & heard])
    np.maximum.at(surest_lost, owner[can_tell & ~heard], graces["confidence"][can_tell & ~heard])
    rows["confidence"] = np.where(n_lost > 0, surest_lost, sure)
    fits = np.zeros(rows.size, dtype=bool)
    fits[at] = clear
    fits &= np.bincount(owner[can_tell], minlength=rows.size) > 0
    fits &= rows["confidence"] > 1.0 / (1.0 + math.exp(-_LEAST_RATIO))
    rows["verdict"] = np.where(fits, np.where(n_lost > 0, MISSING, PLAYED), CANNOT_TELL)
    rows["confidence"][~fits] = 0.0
    return rows


def _judge_faults(
    figures: StructuredArray,
    graces: StructuredArray,
    timeline: Timeline,
    steps: StructuredArray,
    habit: GraceModel,
    limits: FigureLimits,
) -> float:
    """Mark figures that are crushed or late; return the player's spread about his own beat, in ms."""
    begin_s, heard = begins_s(timeline, steps, graces, before=habit.before)
    if not habit.before:
        begin_s[figures["note"]] = np.where(figures["n_heard"] > 0, figures["onset_s"], begin_s[figures["note"]])
    late_s, error_s = off_the_beat_s(timeline, begin_s, heard)
    spread_s = robust_spread_s(late_s)
    known = np.isfinite(late_s[figures["note"]])
    figures["late_known"] = known
    figures["late_ms"] = np.where(known, 1000.0 * late_s[figures["note"]], 0.0)
    own_ms = np.hypot(figures["note_uncertainty_ms"], _NORMAL_90 * 1000.0 * error_s[figures["note"]])
    figures["late_uncertainty_ms"] = np.where(known, own_ms, 0.0)
    _mark(figures, LATE, _chance_late(figures, max(limits.late_ms, _LATE_SPREADS * 1000.0 * spread_s)))
    _mark(figures, CRUSHED, _chance_crushed(figures, graces, limits))
    return 1000.0 * spread_s


def _mark(figures: StructuredArray, verdict: str, chance: Floats) -> None:
    """Give the verdict to figures that have all their gracenotes, where it is likelier than not."""
    whole = np.isin(figures["verdict"], (PLAYED, LATE))
    marked = whole & (chance > 0.5)
    figures["verdict"][marked] = verdict
    doubt = np.where(marked, chance, 1.0 - chance)
    figures["confidence"][whole] = np.minimum(figures["confidence"], doubt)[whole]


def _chance_late(figures: StructuredArray, limit_ms: float) -> Floats:
    sigma_ms = np.maximum(figures["late_uncertainty_ms"] / _NORMAL_90, 1.0)
    return np.where(figures["late_known"], _normal((figures["late_ms"] - limit_ms) / sigma_ms), 0.0)


def _chance_crushed(figures: StructuredArray, graces: StructuredArray, limits: FigureLimits) -> Floats:
    """Return the chance that some gracenote of each figure is crushed."""
    limit_ms = np.minimum(limits.crushed_ms, limits.crushed_share * graces["expected_ms"])
    sigma_ms = np.maximum(graces["uncertainty_ms"] / _NORMAL_90, 0.5)
    chance = np.where(graces["heard"], _normal((limit_ms - graces["duration_ms"]) / sigma_ms), 0.0)
    most = np.zeros(figures.size)
    np.maximum.at(most, np.searchsorted(figures["note"], graces["note"]), chance)
    return most


def _normal(z: Floats) -> Floats:
    """Return the normal distribution's share below ``z`` (W. J. Cody's erf by way of the standard library)."""
    return np.array([0.5 * math.erfc(-value / math.sqrt(2.0)) for value in np.atleast_1d(z).tolist()])
