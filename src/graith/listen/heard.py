"""All that one recording of a known set gave, in one value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from graith.listen.model import Alignment, Drones, Finding, Levels, Recording, StartStop, Tempo, Tuning
from graith.timeline.model import StructuredArray

if TYPE_CHECKING:
    from graith.listen.player_figures import PlayerFigures


@dataclass(frozen=True, slots=True)
class RecordingFacts:
    """What is known of the recording itself, without its sound.

    Attributes
    ----------
    label : str
        What to call it, usually the file's name.
    length_s : float
        Seconds listened to.
    start_s : float
        Where they begin in the file, when only a stretch of it was taken.
    rate_hz, n_channels : int
        As it came.
    levels : Levels
    notes : tuple of str
        What was amiss in the file and yet could be read.
    """

    label: str
    length_s: float
    rate_hz: int
    n_channels: int
    levels: Levels
    start_s: float = 0.0
    notes: tuple[str, ...] = ()


def facts_of(recording: Recording) -> RecordingFacts:
    """Return what stays known of a recording when its sound is let go."""
    return RecordingFacts(
        label=recording.label,
        length_s=recording.length_s,
        rate_hz=recording.rate_hz,
        n_channels=recording.n_channels,
        levels=recording.levels,
        start_s=recording.start_s,
        notes=recording.notes,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What was heard in a recording of a known set.

    When ``trusted`` is false, ``reason`` is one sentence and nothing that the reason puts in doubt is given: measures
    are ``None`` and there are no findings about them.

    Attributes
    ----------
    trusted : bool
    reason : str or None
        Why not; a whole sentence. None when trusted.
    recording : RecordingFacts
    scale_name : str
        Of the scale that ``tuning`` measures against.
    alignment : Alignment or None
    drones : Drones or None
    tuning : Tuning or None
    tempo : Tempo or None
    start_stop : StartStop or None
    togetherness : structured array of ``BAR_TOGETHER_DTYPE``, or None
        None when one player was heard or it cannot be told.
    figures : PlayerFigures or None
        One player's gracenotes; None for several players.
    pointing : structured array of ``POINTING_DTYPE``, or None
        Long to short in one player's dotted pairs; None for several players.
    wrong_notes : structured array of ``WRONG_NOTE_DTYPE``, or None
        Notes in whose place another was played.
    stands_out_db : float or None
        How far the notes stand out of what sounds besides them, drones, noise and room: less in noise and far away.
    speed : float or None
        How many times too fast the recording runs, when it can be told and matters; None else.
    n_players : int or None
        As told, or as heard when not told and one; None when it cannot be told.
    findings : tuple of Finding
        The heaviest first.
    n_more_findings : int
        Findings that were left out as too light.
    """

    trusted: bool
    reason: str | None
    recording: RecordingFacts
    scale_name: str = "harmonic"
    alignment: Alignment | None = None
    drones: Drones | None = None
    tuning: Tuning | None = None
    tempo: Tempo | None = None
    start_stop: StartStop | None = None
    togetherness: StructuredArray | None = None
    figures: PlayerFigures | None = None
    pointing: StructuredArray | None = None
    wrong_notes: StructuredArray | None = None
    stands_out_db: float | None = None
    speed: float | None = None
    n_players: int | None = None
    findings: tuple[Finding, ...] = ()
    n_more_findings: int = 0
