"""Listen to a recording of a known set: refuse what cannot be heard, listen, and say what is worth saying."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from graith.errors import ListenError
from graith.listen.heard import Heard, RecordingFacts
from graith.listen.model import Recording, Singles
from graith.services.take_recording import Taken, in_memory, stretch_taken
from graith.sets.model import PlannedSet
from graith.sound.scale import HARMONIC, Scale
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import StructuredArray, Timeline

Progress = Callable[[float], object]
"""Given the share of the work that is done, 0 to 1."""


class Listener(Protocol):
    """What listens: :func:`graith.listen.listen_to.listen_to`, or a stand-in."""

    def __call__(
        self,
        recording: Recording,
        timeline: Timeline,
        *,
        scale: Scale = ...,
        low_a_hz: float | None = ...,
        n_players: int | None = ...,
        progress: Progress | None = ...,
        should_stop: Callable[[], bool] | None = ...,
    ) -> Heard:
        """Return what was heard."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Listening:
    """What was heard, the plan it was held against, and the sound that was listened to, for pictures of it."""

    heard: Heard
    planned: PlannedSet
    timeline: Timeline
    samples: Singles = field(default_factory=lambda: np.zeros(0, dtype=np.float32))


def listen_to_set(
    recording: Recording | Taken,
    planned: PlannedSet,
    *,
    scale: Scale = HARMONIC,
    low_a_hz: float | None = None,
    n_players: int | None = None,
    progress: Progress | None = None,
    should_stop: Callable[[], bool] | None = None,
    listener: Listener | None = None,
    against: StructuredArray | None = None,
) -> Listening:
    """Return what was heard in a recording of a set, with its findings; times are the file's own.

    Parameters
    ----------
    recording : Recording or Taken
        Of a long one taken in, only the likeliest stretch is listened to.
    planned : PlannedSet
        The set that was played.
    scale : Scale
        What the notes are held against.
    low_a_hz : float, optional
        Low A, when it is known; else it is found.
    n_players : int, optional
        How many chanters play, when it is known.
    progress : callable, optional
    should_stop : callable, optional
        Asked now and then; when it returns true the work ends.
    against : structured array of ``POINTING_DTYPE``, optional
        The band's usual dotted pairs, of :func:`graith.listen.player_figures.usual_pointing`, to hold one player's
        against; else they are held against the written ones.
    listener : callable, optional
        Instead of Graith's own.

    Raises
    ------
    TimelineError
        If the set cannot be laid on a clock.
    """
    from graith.listen.findings import with_findings
    from graith.listen.in_file_time import in_file_time
    from graith.listen.usable import unusable_reason

    timeline = timeline_of(planned)
    whole = in_memory(recording) if isinstance(recording, Recording) else recording

    def refused(reason: str, facts: RecordingFacts) -> Listening:
        heard = Heard(False, reason, facts, scale.name, n_players=n_players)
        return Listening(with_findings(heard, timeline), planned, timeline)

    reason = unusable_reason(whole.facts)
    if reason is not None:
        return refused(reason, whole.facts)
    try:
        stretch = stretch_taken(whole, timeline, scale=scale, low_a_hz=low_a_hz)
    except ListenError as error:
        return refused(str(error), whole.facts)
    heard = (listener or _own_listener())(
        stretch,
        timeline,
        scale=scale,
        low_a_hz=low_a_hz,
        n_players=n_players,
        progress=progress,
        should_stop=should_stop,
    )
    if against is not None and heard.pointing is not None:
        from graith.listen.player_figures import held_against

        heard = replace(heard, pointing=held_against(heard.pointing, against))
    told = in_file_time(replace(heard, findings=()))
    return Listening(with_findings(told, timeline), planned, timeline, stretch.samples)


def _own_listener() -> Listener:
    from graith.listen.listen_to import listen_to

    return listen_to
