"""Melody notes and gracenotes of a timeline in the one order in which they are played."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.timeline.model import Timeline

Indices = npt.NDArray[np.int32]


def playing_order(timeline: Timeline) -> tuple[Indices, Indices]:
    """Return, for each sounding thing in playing order, its note and its gracenote.

    Returns
    -------
    notes, graces : int32 arrays, shape (notes + graces,)
        Index in the timeline's notes (of the note that a gracenote leads into), and in its graces; -1 for a melody
        note, which comes after its gracenotes.
    """
    n_notes, n_graces = timeline.notes.size, timeline.graces.size
    notes = np.concatenate([timeline.graces["note"], np.arange(n_notes)]).astype(np.int32)
    graces = np.concatenate([np.arange(n_graces), np.full(n_notes, -1)]).astype(np.int32)
    onsets_s = np.concatenate([timeline.graces["onset_s"], timeline.notes["onset_s"]])
    order = np.lexsort((graces < 0, onsets_s, notes))
    return notes[order], graces[order]
