"""What sound is made from: who plays and on what, and a performance: what each of them does, to the sample.

A :class:`Band` says how it shall sound. A :class:`Performance` is a timeline as this band plays it: every player's
notes with their true starts and pitches, every drone, every drum stroke. It is complete: rendering draws no random
number of its own that is not seeded from it, so a performance is also the known truth of a recording made from it.
Its arrays may be changed (a player made late, a note left out) before it is rendered.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from graith.errors import SoundError
from graith.sound.scale import DEFAULT_LOW_A_HZ, HARMONIC, Scale, checked_low_a_hz, tenor_hz
from graith.timeline.model import StructuredArray

PLAYED_DTYPE = np.dtype(
    [
        ("onset_s", np.float64),
        ("stop_s", np.float64),  # the next onset, or where the chanter falls silent
        ("hz", np.float64),  # exact and steady from onset to stop; 0 where the chanter is silent
        ("chanter_note", np.int8),  # 0 low G … 8 high A; -1 silence
        ("note", np.int32),  # index in the timeline's notes
        ("grace", np.int32),  # index in the timeline's graces; -1 for a melody note
    ]
)
"""One row for each melody note and gracenote of one player, in playing order; times from the sound's start."""

DRONE_DTYPE = np.dtype(
    [
        ("player", np.int16),  # index in ``Performance.players``
        ("is_bass", np.bool_),
        ("hz", np.float64),  # once steady
        ("in_s", np.float64),  # where the swell of the strike-in begins
        ("out_s", np.float64),  # where the bag is let go; it has died away one tail later
    ]
)
"""One row a drone."""

STROKE_DTYPE = np.dtype(
    [
        ("time_s", np.float64),
        ("drum", np.int8),  # 0 snare, 1 bass drum
        ("level_db", np.float64),  # to the drum's full stroke
        ("variant", np.int16),  # which of the drum's slightly different strokes
        ("beat", np.int32),  # index in the timeline's beats of the beat it belongs to
    ]
)
"""One row a drum stroke."""

SNARE, BASS_DRUM = 0, 1


def _checked(value: float, low: float, high: float, what: str, unit: str) -> None:
    if not (math.isfinite(value) and low <= value <= high):
        raise SoundError(f"{what} of {value!r} {unit} cannot be rendered; use {low:g} to {high:g} {unit}.")


@dataclass(frozen=True, slots=True)
class Players:
    """How many pipers, and how far apart they are. All spreads are standard deviations of a normal distribution.

    Attributes
    ----------
    n : int, 1 to 200
    onset_spread_ms : float, 0 to 200
        Of each player's start of each melody note with its gracenotes about the timeline, of his drones' entry and of
        his cut-off; drawn anew for each. A note never starts before the one before it has sounded a little.
    pitch_spread_cents : float, 0 to 100
        Of each note across players: half its variance is the player's chanter as a whole, half is note by note.
    level_spread_db : float, 0 to 20
    drone_spread_cents : float, 0 to 100
        Of each drone about its own tuning.
    seed : int
    """

    n: int = 1
    onset_spread_ms: float = 0.0
    pitch_spread_cents: float = 0.0
    level_spread_db: float = 0.0
    drone_spread_cents: float = 0.0
    seed: int = 1

    def __post_init__(self) -> None:
        if not 1 <= self.n <= 200:
            raise SoundError(f"{self.n} players cannot be rendered; use 1 to 200.")
        _checked(self.onset_spread_ms, 0, 200, "A spread of onsets", "ms")
        _checked(self.pitch_spread_cents, 0, 100, "A spread of pitch", "cents")
        _checked(self.level_spread_db, 0, 20, "A spread of level", "dB")
        _checked(self.drone_spread_cents, 0, 100, "A spread of the drones", "cents")


def band_of(n: int, seed: int = 1) -> Players:
    """Return players as far apart as in a fair band: 12 ms, 4 cents, 1.5 dB, drones 1 cent.

    Common practice, no source. One player alone has no spread.
    """
    if n == 1:
        return Players(seed=seed)
    return Players(n, 12.0, 4.0, 1.5, 1.0, seed)


@dataclass(frozen=True, slots=True)
class Drones:
    """Each player's drones: how far from pure each is tuned, and how they start and stop.

    Attributes
    ----------
    tenor_cents : tuple of float
        One for each tenor drone, about half of low A; two that differ beat slowly.
    bass_cents : tuple of float
        One for each bass drone, about a quarter of low A.
    level_db : float, -40 to 20
        Of one drone to the chanter.
    swell_s : float, 0.02 to 5
        From silence to full sound at the strike-in, the pitch rising into place meanwhile.
    tail_s : float, 0.02 to 10
        How long the drones go on after the chanter's cut-off, dying away.
    """

    tenor_cents: tuple[float, ...] = (-0.9, 0.9)
    bass_cents: tuple[float, ...] = (0.0,)
    level_db: float = -9.0
    swell_s: float = 0.35
    tail_s: float = 0.25

    def __post_init__(self) -> None:
        for cents in (*self.tenor_cents, *self.bass_cents):
            _checked(cents, -200, 200, "A drone's tuning", "cents")
        _checked(self.level_db, -40, 20, "A level of the drones", "dB")
        _checked(self.swell_s, 0.02, 5, "A swell", "s")
        _checked(self.tail_s, 0.02, 10, "A tail of the drones", "s")

    def beats_hz(self, low_a_hz: float = DEFAULT_LOW_A_HZ) -> float:
        """Return how often a second the lowest and highest tenor's first partials beat."""
        pitches_hz = [tenor_hz(low_a_hz) * math.exp2(cents / 1200.0) for cents in self.tenor_cents]
        return max(pitches_hz, default=0.0) - min(pitches_hz, default=0.0)


def beating_drones(beats_hz: float, low_a_hz: float = DEFAULT_LOW_A_HZ) -> Drones:
    """Return two tenors and a bass whose tenors beat that often a second, one as far below half low A as one above.

    Raises
    ------
    SoundError
        If the tenors would be more than 200 cents off.

    Examples
    --------
    >>> round(beating_drones(0.5).beats_hz(), 6)
    0.5
    """
    half = math.asinh(beats_hz / (2.0 * tenor_hz(checked_low_a_hz(low_a_hz)))) * 1200.0 / math.log(2.0)
    return Drones(tenor_cents=(-half, half))


@dataclass(frozen=True, slots=True)
class Drums:
    """The drum pulse.

    Attributes
    ----------
    pulse : bool
        A tap on every beat of the tunes, the bar's first accented.
    opening : str
        What the beats before the tunes get: ``"rolls"`` (three paces of roll, then a tap, again and again),
        ``"taps"`` or ``"none"``.
    bass_drum : bool
        A thump with the pulse on each bar's first beat, softer on its third.
    level_db : float, -40 to 20
        Of an accented tap's peak to the chanter's peak, about.
    seed : int
    """

    pulse: bool = True
    opening: Literal["rolls", "taps", "none"] = "rolls"
    bass_drum: bool = False
    level_db: float = 0.0
    seed: int = 1

    def __post_init__(self) -> None:
        if self.opening not in ("rolls", "taps", "none"):
            raise SoundError(f"The opening {self.opening!r} is not known; use 'rolls', 'taps' or 'none'.")
        _checked(self.level_db, -40, 20, "A level of the drums", "dB")


@dataclass(frozen=True, slots=True)
class Room:
    """The room around the sound, as a synthetic impulse response: early reflections, then a decaying diffuse tail.

    Attributes
    ----------
    decay_s : float, 0.05 to 8
        Time in which the tail falls by 60 dB at middle frequencies; less at high ones.
    level_db : float, -60 to 20
        Of the reflected sound's energy to the direct sound's.
    first_ms : float, 0 to 100
        Until the first reflection.
    seed : int
    """

    decay_s: float = 0.8
    level_db: float = -9.0
    first_ms: float = 9.0
    seed: int = 1

    def __post_init__(self) -> None:
        _checked(self.decay_s, 0.05, 8, "A decay", "s")
        _checked(self.level_db, -60, 20, "A level of the room", "dB")
        _checked(self.first_ms, 0, 100, "A first reflection", "ms")


@dataclass(frozen=True, slots=True)
class Wander:
    """Each player's bag pressure wandering slowly, as pitch; his drones follow less than his chanter.

    Attributes
    ----------
    chanter_cents : float, 0 to 50
        Standard deviation over time.
    drone_share : float, -2 to 2
        The drones' share of it.
    seed : int
    """

    chanter_cents: float = 3.0
    drone_share: float = 0.4
    seed: int = 1

    def __post_init__(self) -> None:
        _checked(self.chanter_cents, 0, 50, "A wander", "cents")
        _checked(self.drone_share, -2, 2, "A drones' share", "times")


@dataclass(frozen=True, slots=True)
class Band:
    """Who plays, and how it sounds. ``None`` leaves a part out.

    Attributes
    ----------
    players : Players
    scale : Scale
    low_a_hz : float, 200 to 800
    chanter : bool
    drones : Drones or None
    drums : Drums or None
    room : Room or None
    wander : Wander or None
    """

    players: Players = field(default_factory=Players)
    scale: Scale = HARMONIC
    low_a_hz: float = DEFAULT_LOW_A_HZ
    chanter: bool = True
    drones: Drones | None = field(default_factory=Drones)
    drums: Drums | None = field(default_factory=Drums)
    room: Room | None = field(default_factory=Room)
    wander: Wander | None = None

    def __post_init__(self) -> None:
        checked_low_a_hz(self.low_a_hz)


@dataclass(frozen=True, slots=True, eq=False)
class PlayerPart:
    """What one piper does.

    Attributes
    ----------
    played : structured array of ``PLAYED_DTYPE``
    level_db : float
        To the other players' mean.
    reed_seed : int
        Which reed, and so which spectrum.
    place : float, -1 to 1
        Left to right, for sound in two channels.
    """

    played: StructuredArray
    level_db: float
    reed_seed: int
    place: float


@dataclass(frozen=True, slots=True, eq=False)
class Performance:
    """A timeline as a band plays it: the known truth of the sound.

    Attributes
    ----------
    band : Band
    players : tuple of PlayerPart
    drones : structured array of ``DRONE_DTYPE``
    strokes : structured array of ``STROKE_DTYPE``
    stop_s : float
        When the last chanter, drone or stroke has been let go, its dying away and the room not counted.
    """

    band: Band
    players: tuple[PlayerPart, ...]
    drones: StructuredArray
    strokes: StructuredArray
    stop_s: float
