"""What an ear can tell: the limits under which a deviation is not worth a player's time.

A finding's *weight* is how many times the limit of its kind its certain part (its size less its uncertainty) is; under
1 it is not said.

References
----------
C. Drake and M.-C. Botte, "Tempo sensitivity in auditory sequences: evidence for a multiple-look model", Perception &
Psychophysics 54 (1993) 277-286: 6 % after one interval, 3 % after four, 1.5 % at best.
A. Friberg and J. Sundberg, "Time discrimination in a monotonic, isochronous sequence", JASA 98 (1995) 2524-2531: one
displaced tone, 6 ms where intervals are under 240 ms, 2.5 % above.
R. A. Rasch, "Synchronization in performed ensemble music", Acustica 43 (1979) 121-131: standard deviations between
players in trios of 30 ms (recorders), 27-37 ms (reeds), 37-49 ms (strings). Secondary source.
Order of two onsets: about 20 ms (I. J. Hirsh, JASA 31 (1959) 759-767; 22 ms in the text read).
Pitch: about 5 cents held, 10 cents in short sequences.
"""

from __future__ import annotations

import math

PITCH_CENTS = 5.0
"""A held pitch against another."""

SHORT_PITCH_CENTS = 10.0
"""A pitch in a short sequence."""

ONE_INTERVAL, BEST = 0.06, 0.015
"""Changes of tempo that are just heard, as shares: after one interval, and at best."""

AFTER_FOUR = 0.03
"""A change of tempo that is just heard after four intervals."""

ORDER_MS = 22.0
"""Which of two onsets came first."""

ENSEMBLE_MS = 30.0
"""Standard deviation between players to which good wind trios come."""

SHORT_INTERVAL_MS, DISPLACED_MS, DISPLACED = 240.0, 6.0, 0.025
"""One displaced tone: in intervals up to the first, the second; above, the third as a share."""


def tempo_limit(n_intervals: float) -> float:
    """Return the change of tempo that is just heard after a number of intervals, as a share.

    The multiple-look model: the limit falls with the square root of the number of looks, down to the best.

    Examples
    --------
    >>> [round(tempo_limit(n), 4) for n in (1, 4, 16, 64)]
    [0.06, 0.03, 0.015, 0.015]
    """
    return max(BEST, ONE_INTERVAL / math.sqrt(max(1.0, n_intervals)))


def displaced_ms(interval_ms: float) -> float:
    """Return by how much one note must be displaced to be heard so, in milliseconds.

    Examples
    --------
    >>> displaced_ms(200.0), displaced_ms(800.0)
    (6.0, 20.0)
    """
    return DISPLACED_MS if interval_ms <= SHORT_INTERVAL_MS else DISPLACED * interval_ms


def weight(size: float, uncertainty: float, limit: float) -> float:
    """Return how many times the limit the certain part of a deviation is; 0 when nothing of it is certain.

    Examples
    --------
    >>> weight(-14.0, 4.0, 5.0), weight(3.0, 4.0, 5.0)
    (2.0, 0.0)
    """
    certain = abs(size) - abs(uncertainty)
    return certain / limit if math.isfinite(certain) and certain > 0 else 0.0
