"""Find which of a book's tunes and sets a recording holds."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from graith.listen.heard import RecordingFacts
from graith.timeline.model import Timeline

if TYPE_CHECKING:
    from graith.listen.overview import Overview
    from graith.listen.which import Ranking

Progress = Callable[[float], object]
"""Given the share of the work that is done, 0 to 1."""


class Ranker(Protocol):
    """What ranks: :func:`graith.listen.which.which_heard`, or a stand-in."""

    def __call__(
        self,
        overview: Overview,
        timelines: Mapping[str, Timeline],
        *,
        low_a_hz: float | None = ...,
        progress: Progress | None = ...,
    ) -> Ranking:
        """Return the ranking."""
        ...


@dataclass(frozen=True, slots=True)
class Which:
    """The answer.

    Attributes
    ----------
    ranking : Ranking or None
        None when the recording cannot be listened to.
    says : str
        Which it is and how clear that is, or why none: whole sentences on one line.
    """

    ranking: Ranking | None
    says: str

    @property
    def name(self) -> str | None:
        """The name of the one it is; None when it is none of them."""
        return None if self.ranking is None or self.ranking.best is None else self.ranking.best.name


def which_was_played(
    recording: RecordingFacts,
    overview: Overview,
    timelines: Mapping[str, Timeline],
    *,
    low_a_hz: float | None = None,
    progress: Progress | None = None,
    ranker: Ranker | None = None,
) -> Which:
    """Return which of some timelines a recording holds.

    Parameters
    ----------
    recording : RecordingFacts
    overview : Overview
        Of the same recording.
    timelines : mapping of str to Timeline
        By the names they shall be told by.
    low_a_hz : float, optional
    progress : callable, optional
    ranker : callable, optional
        Instead of Graith's own.
    """
    from graith.listen.usable import unusable_reason

    reason = unusable_reason(recording)
    if reason is not None:
        return Which(None, reason)
    ranking = (ranker or _own_ranker())(overview, timelines, low_a_hz=low_a_hz, progress=progress)
    return Which(ranking, _says(recording.label, ranking, len(timelines)))


def _says(label: str, ranking: Ranking, n_asked: int) -> str:
    if ranking.best is None:
        asked = "the one tune or set" if n_asked == 1 else f"none of the {n_asked} tunes and sets"
        return f"{label}: {asked} in the book can{'not' if n_asked == 1 else ''} be heard in it."
    if ranking.is_clear or len(ranking.candidates) < 2:
        return f"{label}: it is {ranking.best.name}."
    return f"{label}: most likely {ranking.best.name}, but {ranking.candidates[1].name} fits nearly as well."


def _own_ranker() -> Ranker:
    from graith.listen.which import which_heard

    return which_heard
