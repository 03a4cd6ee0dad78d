"""Which set or tune a recording is of, when nobody says: every one is looked for, and the best is named, or none."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from graith.listen.overview import Overview, Stretch, overview_scores, stretch_of
from graith.sound.scale import HARMONIC, Scale
from graith.timeline.model import Timeline

_LEAST_GAIN = 0.45
_LEAST_LONE_GAIN, _FAR_AHEAD = 0.28, 3.0  # of quick tunes, whose notes an overview blurs
_LEAST_HEARD_S = 10.0
_CLEARLY = 1.4


@dataclass(frozen=True, slots=True)
class Candidate:
    """One set or tune held against the recording.

    Attributes
    ----------
    name : str
    fit : float
        The stretch's gain times its seconds; 0 where nothing of it is heard.
    stretch : Stretch or None
    """

    name: str
    fit: float
    stretch: Stretch | None


@dataclass(frozen=True, slots=True)
class Ranking:
    """All candidates, best first, and the one that the recording is of, or None.

    ``is_clear`` says whether the best leads the second by enough to trust it without looking.
    """

    candidates: tuple[Candidate, ...]
    best: Candidate | None
    is_clear: bool


def which_heard(
    overview: Overview,
    timelines: Mapping[str, Timeline],
    *,
    scale: Scale = HARMONIC,
    low_a_hz: float | None = None,
    progress: Callable[[float], object] | None = None,
) -> Ranking:
    """Return which of the timelines a recording is of.

    Parameters
    ----------
    overview : Overview
    timelines : mapping of str to Timeline
    scale : Scale
    low_a_hz : float, optional
    progress : callable, optional
        Given the share of the timelines looked for.
    """
    scores = overview_scores(overview, scale, low_a_hz) if overview.levels.size else None
    found = []
    for number, (name, timeline) in enumerate(timelines.items(), start=1):
        stretch = stretch_of(scores, timeline) if scores is not None else None
        found.append(Candidate(name, _fit(stretch), stretch))
        if progress is not None:
            progress(number / len(timelines))
    ranked = tuple(sorted(found, key=lambda one: -one.fit))
    best = ranked[0] if ranked and _is_heard(*ranked[:2]) else None
    clear = best is not None and (len(ranked) < 2 or ranked[0].fit > _CLEARLY * ranked[1].fit)
    return Ranking(ranked, best, clear)


def _fit(stretch: Stretch | None) -> float:
    if stretch is None:
        return 0.0
    return stretch.gain * stretch.heard_s


def _is_heard(first: Candidate, second: Candidate | None = None) -> bool:
    """Return whether the best candidate is heard at all: well enough, or fairly and far better than any other.

    Of the demo's 30 tunes, each played by six at 20 dB, every one is; of the best of the other 29, none leads clearly.
    """
    if first.stretch is None or first.stretch.heard_s < _LEAST_HEARD_S:
        return False
    is_far_ahead = second is not None and first.fit > _FAR_AHEAD * second.fit
    return first.stretch.gain >= (_LEAST_LONE_GAIN if is_far_ahead else _LEAST_GAIN)
