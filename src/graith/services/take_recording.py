"""Take in a recording of any length: a short one whole, of a long one a glance at all and then the stretch wanted.

This room knows no files: what reads is handed in. :func:`graith.files.read_sound.working_blocks` with its path filled
in is such a reader.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING, Protocol

import numpy as np

from graith.errors import ListenError
from graith.listen.heard import RecordingFacts, facts_of
from graith.listen.model import WORKING_RATE_HZ, Levels, Recording, Singles
from graith.sound.scale import HARMONIC, Scale
from graith.timeline.model import Timeline

if TYPE_CHECKING:
    from graith.listen.overview import Overview

WHOLE_S = 12 * 60.0
"""A recording up to this long is held whole; of a longer one no more than the stretch that is listened to."""

_SAMPLE_BYTES = 4


class SoundFacts(Protocol):
    """What a sound file says of itself."""

    @property
    def label(self) -> str:
        """What to call it."""
        ...

    @property
    def rate_hz(self) -> int:
        """As it came."""
        ...

    @property
    def n_channels(self) -> int:
        """As it came."""
        ...


class Blocks(Protocol):
    """Mono float32 sound at ``WORKING_RATE_HZ``, in blocks to be run through once; the rest is known at their end."""

    @property
    def info(self) -> SoundFacts:
        """What the file says of itself."""
        ...

    @property
    def levels(self) -> Levels:
        """Of what was read."""
        ...

    @property
    def notes(self) -> tuple[str, ...]:
        """What was amiss."""
        ...

    def __iter__(self) -> Iterator[Singles]:
        """Return the blocks."""
        ...


class Reader(Protocol):
    """What reads a recording, from its beginning or a stretch of it, as often as it is asked."""

    def __call__(self, *, start_s: float = ..., stop_s: float | None = ...) -> Blocks:
        """Return the blocks of a stretch."""
        ...


@dataclass(slots=True, eq=False)
class Taken:
    """A recording taken in: find out what it is, then listen to it, which lets go of all but the stretch listened to.

    Attributes
    ----------
    facts : RecordingFacts
        Of all of it.
    recording : Recording or None
        All of it; None when it is too long to be held.
    overview : Overview or None
        Of all of a recording that is not held; None once it was listened to.
    reader : Reader
        Reads it again.
    """

    facts: RecordingFacts
    recording: Recording | None
    overview: Overview | None
    reader: Reader


def taken(reader: Reader, *, whole_s: float = WHOLE_S) -> Taken:
    """Return a recording, run through once.

    Parameters
    ----------
    reader : Reader
        Raises what it raises.
    whole_s : float
        How long a recording may be to be held whole.
    """
    from graith.listen.overview import overview_of

    blocks = reader()
    rest = iter(blocks)
    held = _held(rest, round(whole_s * WORKING_RATE_HZ))
    following = next(rest, None)
    if following is not None:
        first = [held]
        del held  # the overview lets go of it when it has seen it
        overview = overview_of(chain(_let_go(first), [following], rest))
        return Taken(_facts(blocks, overview.length_s), None, overview, reader)
    recording = recording_of(blocks, held, 0.0)
    return Taken(facts_of(recording), recording, None, reader)


def in_memory(recording: Recording) -> Taken:
    """Return a recording that is at hand already, for what takes one in."""

    def again(*, start_s: float = 0.0, stop_s: float | None = None) -> Blocks:
        del start_s, stop_s
        raise ListenError(f"{recording.label}: it is held whole, and is not read again.")

    return Taken(facts_of(recording), recording, None, again)


def overview_taken(recording: Taken) -> Overview:
    """Return the overview of a recording, made now when it is held and had none."""
    from graith.listen.overview import overview_of

    if recording.overview is not None:
        return recording.overview
    assert recording.recording is not None
    return overview_of([recording.recording.samples])


def stretch_taken(
    recording: Taken, timeline: Timeline, *, scale: Scale = HARMONIC, low_a_hz: float | None = None
) -> Recording:
    """Return the sound in which a set is looked for: all of a short recording, the likeliest stretch of a long one.

    The overview of a long one is let go: it would take as much memory as the stretch.

    Raises
    ------
    ListenError
        If nothing of the set is heard in a long one, or it was listened to before.
    """
    from graith.listen.overview import overview_scores, stretch_of

    if recording.recording is not None:
        return recording.recording
    if recording.overview is None:
        raise ListenError(f"{recording.facts.label}: it was listened to before. Take it in again.")
    scores = overview_scores(recording.overview, scale, low_a_hz)
    recording.overview = None
    stretch = stretch_of(scores, timeline)
    if stretch is None:
        raise ListenError(f"{recording.facts.label}: nothing of this set can be heard in it.")
    start_s = max(0.0, stretch.start_s)
    blocks = recording.reader(start_s=start_s, stop_s=min(stretch.stop_s, recording.facts.length_s))
    return recording_of(blocks, _held(iter(blocks)), start_s, notes=recording.facts.notes)


def _held(blocks: Iterator[Singles], most: int | None = None) -> Singles:
    """Return blocks joined, until there are so many samples; they grow in one place, so that none are held twice."""
    held = bytearray()
    for block in blocks:
        held += np.ascontiguousarray(block, dtype=np.float32).data
        if most is not None and len(held) > most * _SAMPLE_BYTES:
            break
    return np.frombuffer(held, dtype=np.float32)


def _let_go(pieces: list[Singles]) -> Iterator[Singles]:
    """Yield pieces, each let go when it was used."""
    while pieces:
        yield pieces.pop(0)


def _facts(blocks: Blocks, length_s: float) -> RecordingFacts:
    info = blocks.info
    return RecordingFacts(info.label, length_s, info.rate_hz, info.n_channels, blocks.levels, notes=blocks.notes)


def recording_of(
    blocks: Blocks, samples: Singles, start_s: float, *, notes: tuple[str, ...] | None = None
) -> Recording:
    """Return what blocks, read to their end, make of these samples; ``notes`` instead of their own when given."""
    return Recording(
        samples=samples,
        label=blocks.info.label,
        rate_hz=blocks.info.rate_hz,
        n_channels=blocks.info.n_channels,
        levels=blocks.levels,
        start_s=round(start_s * WORKING_RATE_HZ) / WORKING_RATE_HZ,
        notes=blocks.notes if notes is None else notes,
    )
