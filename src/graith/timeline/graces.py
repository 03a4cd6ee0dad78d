"""How long gracenotes sound and whose time they take: one small model, settable, learnable from recordings.

No published duration of a gracenote was found; about 45 ms each in a doubling is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.errors import TimelineError


@dataclass(frozen=True, slots=True)
class GraceModel:
    """The duration model of gracenotes.

    Attributes
    ----------
    grace_s : float, > 0
        Seconds each gracenote sounds when there is room.
    largest_share : float, in (0, 1)
        A group never takes more than this share of the note it takes its time from; it is then played quicker.
    before : bool
        Whether the group takes its time from the note before (the melody note falls on the beat) or, as is usual,
        from the note it leads into (the first gracenote falls on the beat).

    Raises
    ------
    TimelineError
        If a value is out of its range.
    """

    grace_s: float = 0.045
    largest_share: float = 0.6
    before: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.grace_s) and 0.0 < self.grace_s <= 1.0):
            raise TimelineError(f"A gracenote of {self.grace_s!r} s cannot be; use seconds above 0, usually 0.045.")
        if not 0.0 < self.largest_share < 1.0:
            raise TimelineError(
                f"Gracenotes cannot take a share of {self.largest_share!r} of a note; use more than 0, less than 1."
            )

    def each_s(self, n_graces: npt.NDArray[np.integer], room_s: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Return how long each gracenote of each group sounds, in seconds.

        Parameters
        ----------
        n_graces : integer array, shape (groups,)
        room_s : float array, shape (groups,)
            Length of the note each group takes its time from.

        Returns
        -------
        float array, shape (groups,)
            0 where a group is empty.
        """
        shared_s = self.largest_share * room_s / np.maximum(n_graces, 1)
        return np.where(n_graces > 0, np.minimum(self.grace_s, shared_s), 0.0)
