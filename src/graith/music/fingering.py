"""The chanter's fingering, and which note changes cross: some fingers must lift while others fall."""

from __future__ import annotations

from graith.music.model import ChanterNote

# Thumb; index, middle and ring finger of the upper hand; index, middle, ring and little finger of the lower hand.
# x closes its hole, o leaves it open.
_HOLES: dict[ChanterNote, str] = {
    ChanterNote.LOW_G: "x xxx xxxx",
    ChanterNote.LOW_A: "x xxx xxxo",
    ChanterNote.B: "x xxx xxoo",
    ChanterNote.C: "x xxx xoox",
    ChanterNote.D: "x xxx ooox",
    ChanterNote.E: "x xxo xxxo",
    ChanterNote.F: "x xoo xxxo",
    ChanterNote.HIGH_G: "x ooo xxxo",
    ChanterNote.HIGH_A: "o oox xxxo",
}

CLOSED_HOLES: dict[ChanterNote, tuple[bool, ...]] = {
    note: tuple(mark == "x" for mark in marks.replace(" ", "")) for note, marks in _HOLES.items()
}
"""Which of the eight fingers close their hole, thumb first, little finger of the lower hand last.

Source: the standard fingering of the Highland chanter, from memory; a beginner's lesson published on the web
agrees (second-hand).
"""


def crossing(first: ChanterNote, second: ChanterNote) -> int:
    """Return how many fingers must lift at the very moment that as many others fall, between two notes.

    A change in which fingers only lift, or only fall, cannot make a crossing noise: 0. Where some lift and
    others fall, each pair that moves in opposite directions can let another note through: the smaller of the
    two numbers.

    Examples
    --------
    >>> crossing(ChanterNote.LOW_A, ChanterNote.E)  # one finger lifts
    0
    >>> crossing(ChanterNote.D, ChanterNote.E)  # two lift, three fall
    2
    """
    fingers = list(zip(CLOSED_HOLES[first], CLOSED_HOLES[second], strict=True))
    lifting = sum(1 for was_closed, is_closed in fingers if was_closed and not is_closed)
    falling = sum(1 for was_closed, is_closed in fingers if is_closed and not was_closed)
    return min(lifting, falling)
