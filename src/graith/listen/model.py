"""What listening takes and gives: a recording, where the set lies in it, and every measure with its uncertainty.

Times are seconds from the recording's first sample. Deviations are positive when sharp or late. What was not heard is
``None``, or a row whose ``heard`` is false; never 0 or NaN. Every ``uncertainty`` is half the width of a 90 % interval.
Chanter notes are numbered as in the timeline: 0 low G … 8 high A.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.timeline.model import StructuredArray

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

WORKING_RATE_HZ = 12_000
"""Rate of the mono sound that everything in this room works on: partials up to 6 kHz, and whole samples in 5 ms."""

HOP_S = 0.005
"""From one frame to the next."""

STEP_DTYPE = np.dtype(
    [
        ("note", np.int32),  # index in the timeline's notes
        ("grace", np.int32),  # index in the timeline's graces; -1 for a melody note
        ("chanter_note", np.int8),  # 0 low G … 8 high A; -1 silence
        ("expected_s", np.float64),  # length in the timeline
        ("start_s", np.float64),  # in the recording
        ("stop_s", np.float64),
        ("heard", np.bool_),  # False where the passage was left out, or the gracenote cannot be found
        ("uncertainty_ms", np.float64),  # of start_s
    ]
)
"""One row for each melody note and gracenote of the timeline in playing order, as the sound's script has them."""

PASSAGE_DTYPE = np.dtype(
    [
        ("first_note", np.int32),  # indices in the timeline's notes, both played
        ("last_note", np.int32),
        ("start_s", np.float64),
        ("stop_s", np.float64),
    ]
)
"""One row a stretch of the set played without a jump; where one begins before the last's end, bars were repeated."""

NOTE_TUNING_DTYPE = np.dtype(
    [
        ("heard", np.bool_),
        ("hz", np.float64),  # mean pitch over the players and the performance
        ("cents", np.float64),  # from the chosen scale on the drones
        ("uncertainty_cents", np.float64),
        ("spread_cents", np.float64),  # standard deviation over the players
        ("spread_uncertainty_cents", np.float64),
        ("drift_cents", np.float64),  # standard deviation over time of the players' mean
        ("sounding_s", np.float64),  # how much of it was measured
    ]
)
"""Nine rows, low G to high A."""

BAR_TEMPO_DTYPE = np.dtype(
    [
        ("bar", np.int32),  # index in the timeline's bars
        ("time_s", np.float64),  # its first beat in the recording
        ("bpm", np.float64),
        ("uncertainty_bpm", np.float64),
        ("planned_bpm", np.float64),
        ("heard", np.bool_),
    ]
)
"""One row a played bar of the timeline."""

BEAT_TIME_DTYPE = np.dtype([("beat", np.int32), ("time_s", np.float64), ("bpm", np.float64), ("heard", np.bool_)])
"""One row a beat of the timeline's tunes; ``beat`` is the index in its beats."""

BAR_TOGETHER_DTYPE = np.dtype(
    [
        ("bar", np.int32),
        ("spread_ms", np.float64),  # standard deviation over players of their starts of the bar's notes
        ("uncertainty_ms", np.float64),
        ("n_changes", np.int32),  # note changes measured
        ("heard", np.bool_),
    ]
)
"""One row a played bar of the timeline."""


@dataclass(frozen=True, slots=True)
class Levels:
    """How loud the recording as it came is, measured before anything was changed.

    Attributes
    ----------
    peak : float
        Highest absolute sample; 1 is full scale.
    rms : float
        Root mean square over all of it.
    n_samples : int
        Samples a channel.
    n_clipped : int
        Samples at full scale in runs of three or more, over all channels.
    n_not_finite : int
        Samples that are no number; they were taken as silence.
    """

    peak: float
    rms: float
    n_samples: int
    n_clipped: int
    n_not_finite: int


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """Sound to listen to.

    Attributes
    ----------
    samples : float32 array, shape (samples,)
        Mono (the mean of the channels) at :data:`WORKING_RATE_HZ`.
    label : str
        What to call it in messages, usually the file's name.
    rate_hz, n_channels : int
        As it came.
    levels : Levels
    start_s : float
        Where ``samples`` begins in the file, when only a stretch of it was taken.
    notes : tuple of str
        What was amiss in the file and yet could be read: whole sentences.
    """

    samples: Singles
    label: str
    rate_hz: int
    n_channels: int
    levels: Levels
    start_s: float = 0.0
    notes: tuple[str, ...] = ()

    @property
    def length_s(self) -> float:
        """Seconds of ``samples``."""
        return self.samples.size / WORKING_RATE_HZ


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """Where every note of the timeline lies in the recording.

    Attributes
    ----------
    steps : structured array of ``STEP_DTYPE``
    passages : structured array of ``PASSAGE_DTYPE``
        In the order of the recording. A bar played twice is in two passages; ``steps`` has its last playing.
    fit : float, 0 to 1
        Share of sounding frames in which the note expected is the one heard.
    """

    steps: StructuredArray
    passages: StructuredArray
    fit: float

    @property
    def notes(self) -> StructuredArray:
        """The melody notes' rows of ``steps``, one for each note of the timeline."""
        melody: StructuredArray = self.steps[self.steps["grace"] < 0]
        return melody


@dataclass(frozen=True, slots=True)
class DroneHeard:
    """One drone, or several that cannot be told apart.

    Attributes
    ----------
    is_bass : bool
    hz, uncertainty_cents : float
    share : float, 0 to 1
        Of the strongest of its kind.
    """

    is_bass: bool
    hz: float
    uncertainty_cents: float
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Drones:
    """The drones over the performance.

    Attributes
    ----------
    heard : tuple of DroneHeard
        Basses and tenors, flattest first.
    tenor_hz, bass_hz : float or None
        The mean of their kind, weighted by power.
    tenor_uncertainty_cents, bass_uncertainty_cents : float
    beating_hz : float or None
        Between the tenors, when it can be told.
    spread_cents : float or None
        Standard deviation over the tenors.
    drift_s, drift_cents : float arrays, shape (windows,)
        Middle of each window, and the tenors' pitch from their mean.
    in_s, out_s : float or None
        When they came in and when they stopped.
    in_uncertainty_s, out_uncertainty_s : float
    """

    heard: tuple[DroneHeard, ...]
    tenor_hz: float | None
    bass_hz: float | None
    tenor_uncertainty_cents: float
    bass_uncertainty_cents: float
    beating_hz: float | None
    spread_cents: float | None
    drift_s: Floats
    drift_cents: Floats
    in_s: float | None
    out_s: float | None
    in_uncertainty_s: float
    out_uncertainty_s: float


@dataclass(frozen=True, slots=True)
class Lone:
    """A chanter heard by itself before the start or after the stop.

    Attributes
    ----------
    is_early : bool
        Else a straggler.
    time_s : float
        Where it began (early) or ended (straggler).
    by_ms : float, > 0
        Before the start, or after the stop.
    uncertainty_ms : float
    """

    is_early: bool
    time_s: float
    by_ms: float
    uncertainty_ms: float


@dataclass(frozen=True, slots=True)
class Edge:
    """The chanters' start or stop, lone players left out.

    Attributes
    ----------
    time_s, uncertainty_ms : float
    spread_ms : float or None
        Standard deviation over the players; where the edge itself does not tell, that of the bars near it, with an
        uncertainty that says so; None when nothing tells.
    spread_uncertainty_ms : float
    """

    time_s: float
    uncertainty_ms: float
    spread_ms: float | None
    spread_uncertainty_ms: float


@dataclass(frozen=True, slots=True)
class StartStop:
    """How the set began and ended. ``None`` where the recording does not hold it."""

    start: Edge | None
    stop: Edge | None
    lone: tuple[Lone, ...] = ()
    drones_after_s: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Tuning:
    """The chanters.

    Attributes
    ----------
    notes : structured array of ``NOTE_TUNING_DTYPE``, shape (9,)
    low_a_hz : float or None
        The chanters' low A; from the drones where it was not heard.
    low_a_uncertainty_cents : float
    """

    notes: StructuredArray
    low_a_hz: float | None
    low_a_uncertainty_cents: float


@dataclass(frozen=True, slots=True, eq=False)
class Tempo:
    """The tempo as played. ``bars`` of ``BAR_TEMPO_DTYPE``, ``beats`` of ``BEAT_TIME_DTYPE``."""

    bars: StructuredArray
    beats: StructuredArray


@dataclass(frozen=True, slots=True)
class Finding:
    """One measured fact with its place, its size and what it means.

    Attributes
    ----------
    kind : str
        A fixed word for machines, such as ``"tuning"`` or ``"tempo"``.
    tune : str or None
    part, bar, beat : int or None
        As printed, from 1 (bar 0 is a pick-up); of the first place meant.
    played_bar : int or None
        Index in the timeline's bars.
    time_s : float or None
    size : float
    unit : str
    uncertainty : float
        Half the width of a 90 % interval, in the same unit.
    weight : float
        How far above what an ear can tell; findings are shown the heaviest first.
    says : str
        A whole sentence.
    """

    kind: str
    size: float
    unit: str
    uncertainty: float
    says: str
    weight: float = 1.0
    tune: str | None = None
    part: int | None = None
    bar: int | None = None
    beat: int | None = None
    played_bar: int | None = None
    time_s: float | None = None
