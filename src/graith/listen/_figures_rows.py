"""The rows that figures and gracenotes are told in, before anything was heard of them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.listen.model import Floats
from graith.music.figures import figure_of, silent_graces
from graith.music.model import ChanterNote
from graith.timeline.graces import GraceModel
from graith.timeline.model import StructuredArray, Timeline

PLAYED, MISSING, CRUSHED, LATE, CANNOT_TELL = "played", "gracenotes missing", "crushed", "late", "cannot tell"
"""The verdicts. A figure with more than one fault has the first of: missing, crushed, late."""

FIGURE_DTYPE = np.dtype(
    [
        ("note", np.int32),  # index in the timeline's notes of the melody note it leads into
        ("bar", np.int32),  # index in the timeline's bars
        ("first_grace", np.int32),  # index in the timeline's graces
        ("n_graces", np.int8),
        ("n_heard", np.int8),
        ("name", "U24"),  # as music.figures names it; empty when it has no name
        ("verdict", "U20"),
        ("confidence", np.float64),  # 0 to 1 that the verdict is right
        ("onset_s", np.float64),  # its first sound in the recording
        ("note_s", np.float64),  # the melody note's own start
        ("note_uncertainty_ms", np.float64),
        ("length_ms", np.float64),  # of the gracenotes heard, together
        ("length_uncertainty_ms", np.float64),
        ("expected_ms", np.float64),  # of all its gracenotes by the player's habit
        ("late_known", np.bool_),
        ("late_ms", np.float64),  # against the player's own beat and habit
        ("late_uncertainty_ms", np.float64),
    ]
)
"""One row a figure of the timeline, in playing order; ``late_ms`` counts only where ``late_known``."""

GRACE_HEARD_DTYPE = np.dtype(
    [
        ("grace", np.int32),  # index in the timeline's graces
        ("note", np.int32),  # index in the timeline's notes
        ("chanter_note", np.int8),
        ("heard", np.bool_),
        ("can_tell", np.bool_),  # False where its figure cannot be judged, or it could make no sound of its own
        ("confidence", np.float64),  # 0 to 1 that ``heard`` is right
        ("onset_s", np.float64),
        ("onset_uncertainty_ms", np.float64),
        ("duration_ms", np.float64),
        ("uncertainty_ms", np.float64),  # of the duration
        ("expected_ms", np.float64),  # by the player's habit
    ]
)
"""One row a gracenote of the timeline; times count only where it was heard."""


def expected_s_of(timeline: Timeline, habit: GraceModel, room_s: Floats | None = None) -> Floats:
    """Return how long each gracenote of the timeline is by habit."""
    notes = timeline.notes
    lengths_s: Floats = notes["stop_s"] - notes["start_s"] if room_s is None else room_s
    if habit.before:
        lengths_s = np.concatenate([lengths_s[:1], lengths_s[:-1]])
    each_s = habit.each_s(notes["n_graces"].astype(np.int64), np.maximum(lengths_s, 0.0))
    expected_s: Floats = np.maximum(each_s[timeline.graces["note"]], 0.005)
    return expected_s


def grace_rows(timeline: Timeline, habit: GraceModel) -> StructuredArray:
    rows = np.zeros(timeline.graces.size, dtype=GRACE_HEARD_DTYPE)
    rows["grace"] = np.arange(rows.size)
    rows["note"], rows["chanter_note"] = timeline.graces["note"], timeline.graces["chanter_note"]
    rows["expected_ms"] = 1000.0 * expected_s_of(timeline, habit)
    return rows


def figure_rows(timeline: Timeline, habit: GraceModel) -> StructuredArray:
    notes = timeline.notes
    own = np.flatnonzero(notes["n_graces"] > 0)
    rows = np.zeros(own.size, dtype=FIGURE_DTYPE)
    rows["note"], rows["verdict"] = own, CANNOT_TELL
    for name in ("bar", "first_grace", "n_graces"):
        rows[name] = notes[name][own]
    each_ms = 1000.0 * expected_s_of(timeline, habit)
    rows["expected_ms"] = each_ms[rows["first_grace"]] * rows["n_graces"] if rows.size else 0.0
    rows["name"] = _names(timeline, own)
    return rows


def _names(timeline: Timeline, own: npt.NDArray[np.int64]) -> list[str]:
    """Return each figure's name; the same gracenotes between the same notes are looked up once."""
    pitches, graces = timeline.notes["chanter_note"].tolist(), timeline.graces["chanter_note"].tolist()
    known: dict[tuple[int, tuple[int, ...], int], str] = {}
    names = []
    for note in own.tolist():
        first, count = int(timeline.notes["first_grace"][note]), int(timeline.notes["n_graces"][note])
        key = (pitches[note - 1] if note else -1, tuple(graces[first : first + count]), pitches[note])
        if key not in known:
            known[key] = _name(*key)
        names.append(known[key])
    return names


def _name(previous: int, graces: tuple[int, ...], note: int) -> str:
    if note < 0:
        return ""
    before = ChanterNote(previous) if previous >= 0 else None
    figure = figure_of(tuple(ChanterNote(grace) for grace in graces), ChanterNote(note), before)
    return figure.name if figure is not None else ""


def silent(timeline: Timeline) -> npt.NDArray[np.bool_]:
    """Return which gracenotes could make no sound of their own where they are written."""
    silent = np.zeros(timeline.graces.size, dtype=bool)
    pitches, graces = timeline.notes["chanter_note"], timeline.graces["chanter_note"]
    for note in np.flatnonzero(timeline.notes["n_graces"] > 0).tolist():
        first, count = int(timeline.notes["first_grace"][note]), int(timeline.notes["n_graces"][note])
        group = tuple(ChanterNote(int(grace)) for grace in graces[first : first + count])
        before = ChanterNote(int(pitches[note - 1])) if note and pitches[note - 1] >= 0 else None
        after = ChanterNote(int(pitches[note])) if pitches[note] >= 0 else None
        silent[[first + index for index in silent_graces(group, after, before)]] = True
    return silent
