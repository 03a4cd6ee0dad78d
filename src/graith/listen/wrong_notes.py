"""Melody notes in whose place another was played: what is heard inside each is clearly not what is written.

The recording's own nine notes decide (:mod:`graith.listen.note_scores`), over the frames inside a note, away from its
changes. A note the players do not agree on is not wrong but torn, and nothing is said of it. When many notes seem wrong
it is the alignment that is in doubt, and none is told.
"""

from __future__ import annotations

import numpy as np

from graith.listen.model import HOP_S, Alignment, Singles
from graith.timeline.model import StructuredArray

WRONG_NOTE_DTYPE = np.dtype(
    [
        ("note", np.int32),  # index in the timeline's notes
        ("heard_note", np.int8),  # 0 low G … 8 high A: what was played instead
        ("share", np.float64),  # of the note's inner frames in which that is the likeliest
        ("margin", np.float64),  # natural logarithm of the likelihoods' ratio, a frame on average
    ]
)
"""One row a wrong note, in playing order."""

SHORTEST_S = 0.080
"""Of shorter notes nothing is said: too little of them is clear of their changes."""

_INSIDE_START_S, _INSIDE_STOP_S = 0.035, 0.025
_FEWEST_FRAMES = 5
_LEAST_MARGIN, _LEAST_SHARE = 3.0, 0.9
_WORST = -12.0
_MOST, _MOST_SHARE = 2, 0.02


def wrong_notes(alignment: Alignment, scores: Singles) -> StructuredArray:
    """Return the melody notes that clearly are others.

    Parameters
    ----------
    alignment : Alignment
    scores : float32 array, shape (frames, 10)
        Log-likelihoods of the nine notes and of silence in frames of 5 ms, the first centred on the first sample.

    Returns
    -------
    structured array of ``WRONG_NOTE_DTYPE``
        Of 10,060 notes of recordings without wrong notes (``bench/listen``) none was among them; of 160 long notes
        changed in the ``solo`` and ``six`` groups, 86.
    """
    rows = []
    steps = alignment.steps
    melody = steps[(steps["grace"] < 0) & steps["heard"] & (steps["chanter_note"] >= 0)]
    for step in melody[melody["stop_s"] - melody["start_s"] >= SHORTEST_S]:
        first = round((float(step["start_s"]) + _INSIDE_START_S) / HOP_S)
        stop = round((float(step["stop_s"]) - _INSIDE_STOP_S) / HOP_S)
        inner = np.maximum(scores[max(0, first) : max(0, stop)], np.float32(_WORST))
        if len(inner) < _FEWEST_FRAMES:
            continue
        mean = inner.mean(axis=0)
        other = int(mean.argmax())
        margin = float(mean[other] - mean[step["chanter_note"]])
        share = float((inner.argmax(axis=1) == other).mean())
        if other < 9 and margin >= _LEAST_MARGIN and share >= _LEAST_SHARE:
            rows.append((int(step["note"]), other, share, margin))
    too_many = len(rows) > max(_MOST, _MOST_SHARE * melody.size)
    return np.array([] if too_many else rows, dtype=WRONG_NOTE_DTYPE)
