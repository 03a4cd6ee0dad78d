"""What the builder is asked and what it answers: candidates, locks, weights, a question, and the sets it found.

All values are plain and frozen. Written lengths are exact beats; times inside the builder are whole microseconds and
values whole billionths of a point, so that a limit is met or not, and a proof is a comparison of integers.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from graith.music.model import ChanterNote
from graith.rules.rulebook import EventRules
from graith.sets.model import Opening

MOST_TUNES = 16
"""No set of more tunes is considered, whatever is asked: the one limit that is not the user's."""

NO_RULES = EventRules(grade="", event="")
"""The rules of an event that limits nothing."""


@dataclass(frozen=True, slots=True)
class Cut:
    """One way to play a tune: which parts, and what follows from it.

    :func:`~graith.builder.candidate.candidate_of` makes it.

    Attributes
    ----------
    parts : tuple of int or None
        Parts to play in order, from 1, as a set file writes them; None plays the tune as written.
    n_parts : int
        Different parts that are played.
    n_played : int
        Playings of a part, a part repeated straight away once: what rules on the number of parts count.
    beats : Fraction
        From the first full beat to the next tune's: a whole number of beats in a timeline.
    closing_beats : Fraction
        From the first full beat to the cut-off, when the tune closes the set.
    pickup_beats : Fraction
        Length of the leading pick-up, 0 when there is none.
    last_beats : Fraction
        From the start of the last note to the end of ``beats``: the room for the next tune's pick-up.
    first_note, last_note : ChanterNote or None
        The first melody note, the pick-up's included, and the last; None is not known.
    """

    parts: tuple[int, ...] | None
    n_parts: int
    n_played: int
    beats: Fraction
    closing_beats: Fraction
    pickup_beats: Fraction = Fraction(0)
    last_beats: Fraction = Fraction(1)
    first_note: ChanterNote | None = None
    last_note: ChanterNote | None = None


@dataclass(frozen=True, slots=True)
class Candidate:
    """A tune that may be played, with its cuts and what the band makes of it.

    Attributes
    ----------
    key : str
        What locks call it; every candidate has its own.
    title : str
    tune_type : str
        Name of a :class:`~graith.music.tune_types.TuneType`.
    tempo_bpm : float
        Beats a minute, of the tune type's beat, held through the tune.
    cuts : tuple of Cut
        At least one.
    n_parts : int
        Parts the tune has, played or not.
    metre : str or None
        Written ``"2/4"``; None is not known.
    readiness : float
        From 0 (nobody has it) to 1 (everybody has it).
    difficulty : float
        From 0 to 10, see :mod:`graith.music.difficulty`.
    tonal_centre : ChanterNote or None
        Low G to F; None is not known.
    """

    key: str
    title: str
    tune_type: str
    tempo_bpm: float
    cuts: tuple[Cut, ...]
    n_parts: int
    metre: str | None = None
    readiness: float = 1.0
    difficulty: float = 0.0
    tonal_centre: ChanterNote | None = None


@dataclass(frozen=True, slots=True)
class Locks:
    """What the pipe major has already decided. All tunes are named by their keys; slots count from 1.

    Attributes
    ----------
    opens_with, closes_with : str or None
    contains, leaves_out : tuple of str
    not_with : tuple of (str, str)
        The two are never in one set.
    at_slot : tuple of (int, str)
    not_after : tuple of (str, str)
        The second never comes right after the first.
    """

    opens_with: str | None = None
    closes_with: str | None = None
    contains: tuple[str, ...] = ()
    leaves_out: tuple[str, ...] = ()
    not_with: tuple[tuple[str, str], ...] = ()
    at_slot: tuple[tuple[int, str], ...] = ()
    not_after: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Weights:
    """How many points each thing is worth. Our own choice (no published measure was found); every one is settable.

    Attributes
    ----------
    readiness : float
        Lost by a set of the target's length that nobody has; a tune weighs by its share of the time.
    difficulty : float
        Lost by such a set for each point of difficulty above the band's level; weighs in the same way.
    variety : float
        Won for each tune type after the first.
    tempo, tonal, meeting : float
        Lost by a link whose tempi, tonal centres, or last and first note go together as badly as can be.
    sameness : float
        Lost by a link between two tunes of one type.
    whole : float
        Lost by a tune in proportion to the parts left out of it.
    time_per_10_s : float
        Lost for each ten seconds away from the target; counted to a hundredth.
    """

    readiness: float = 40.0
    difficulty: float = 6.0
    variety: float = 3.0
    tempo: float = 2.0
    tonal: float = 2.0
    meeting: float = 1.5
    sameness: float = 1.0
    whole: float = 1.0
    time_per_10_s: float = 1.0


@dataclass(frozen=True, slots=True)
class Question:
    """What the builder is asked.

    Attributes
    ----------
    candidates : tuple of Candidate
    rules : EventRules
        Rules on players are not the builder's; all others hold in every set it returns.
    n_tunes : (int, int)
        Fewest and most tunes.
    target_s : float or None
        Seconds aimed at, on the clock of the first duration rule (from the first roll when there is none). None aims
        at the middle of that rule, or at nothing when it has not two limits.
    locks : Locks
    weights : Weights
    level : float or None
        The difficulty the band can carry, from 0 to 10; None leaves difficulty out.
    opening : Opening
    hold_beats, ending_hold_beats : Fraction
        Beats for which each link, and the ending, holds the last note of a tune.
    """

    candidates: tuple[Candidate, ...]
    rules: EventRules = NO_RULES
    n_tunes: tuple[int, int] = (1, 8)
    target_s: float | None = None
    locks: Locks = field(default_factory=Locks)
    weights: Weights = field(default_factory=Weights)
    level: float | None = None
    opening: Opening = field(default_factory=Opening)
    hold_beats: Fraction = Fraction(0)
    ending_hold_beats: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing that speaks for a set or against it.

    Attributes
    ----------
    kind : str
        ``"start"``, ``"readiness"``, ``"difficulty"``, ``"cuts"``, ``"variety"``, ``"link"`` or ``"time"``.
    billionths : int
        Its share of the set's value, in billionths of a point; negative speaks against.
    says : str
        A sentence.
    """

    kind: str
    billionths: int
    says: str

    @property
    def points(self) -> float:
        """Its share of the set's value, in points."""
        return self.billionths / 1e9

    def __str__(self) -> str:
        return f"{self.points:+.2f}  {self.says}"


@dataclass(frozen=True, slots=True)
class ChosenTune:
    """One tune of a built set and the cut chosen for it."""

    candidate: Candidate
    cut: Cut


@dataclass(frozen=True, slots=True)
class BuiltSet:
    """A set that obeys every rule and lock.

    Attributes
    ----------
    tunes : tuple of ChosenTune
        In playing order.
    billionths : int
        Its value in billionths of a point: the sum of its reasons.
    reasons : tuple of Reason
    roll_to_cut_off_s, first_note_to_cut_off_s : float
        On the two clocks, as the timeline counts them.
    """

    tunes: tuple[ChosenTune, ...]
    billionths: int
    reasons: tuple[Reason, ...]
    roll_to_cut_off_s: float
    first_note_to_cut_off_s: float

    @property
    def value(self) -> float:
        """Its value in points."""
        return self.billionths / 1e9

    @property
    def keys(self) -> tuple[str, ...]:
        """Its tunes' keys, in playing order."""
        return tuple(chosen.candidate.key for chosen in self.tunes)


@dataclass(frozen=True, slots=True)
class Demand:
    """One thing a set must satisfy: a rule of the event, a lock, or the number of tunes asked for.

    Attributes
    ----------
    kind : str
        ``"rule"``, ``"lock"`` or ``"number of tunes"``.
    name : str
        The rule's name in its book, or the lock's.
    says : str
        What it asks, in words, without a full stop.
    source : str
        Where it comes from.
    """

    kind: str
    name: str
    says: str
    source: str

    def __str__(self) -> str:
        return f"{self.kind} “{self.name}”: {self.says} ({self.source})"


@dataclass(frozen=True, slots=True)
class Clash:
    """Demands that no set from this book can satisfy together.

    Attributes
    ----------
    demands : tuple of Demand
    is_smallest : bool
        Whether it is proven that no clash of fewer demands exists.
    """

    demands: tuple[Demand, ...]
    is_smallest: bool

    def __str__(self) -> str:
        listed = "; ".join(str(demand) for demand in self.demands)
        if len(self.demands) == 1:
            return f"No set from this book can satisfy even this alone: {listed}."
        size = f"These {len(self.demands)} cannot hold together, whatever the set"
        proof = "no fewer clash" if self.is_smallest else "whether fewer clash was not settled in time"
        return f"{size} ({proof}): {listed}. Change or drop any one of them."


@dataclass(frozen=True, slots=True)
class Step:
    """How far the search has come.

    Attributes
    ----------
    n_opened : int
        Beginnings of sets that were continued so far.
    best, bound : float or None
        Value of the best set so far, and what no set can exceed, in points; None when not known yet.
    """

    n_opened: int
    best: float | None
    bound: float | None


@dataclass(frozen=True, slots=True)
class Answer:
    """What the builder found.

    Attributes
    ----------
    sets : tuple of BuiltSet
        The best first; no two have the same tunes in the same order, and each has its tunes' best cuts.
    bound_billionths : int or None
        No set exceeds this value, in billionths of a point; None when no set can exist.
    is_proven : bool
        Whether the list is proven: no set that is missing from it is better than its last one.
    clash : Clash or None
        Why no set exists; None when one does, or when it was not settled.
    n_opened : int
        Beginnings of sets that were continued.
    """

    sets: tuple[BuiltSet, ...]
    bound_billionths: int | None
    is_proven: bool
    clash: Clash | None
    n_opened: int

    @property
    def best(self) -> BuiltSet | None:
        """The best set found; None when there is none."""
        return self.sets[0] if self.sets else None

    @property
    def bound(self) -> float | None:
        """What no set exceeds, in points."""
        return None if self.bound_billionths is None else self.bound_billionths / 1e9

    @property
    def gap(self) -> float | None:
        """Points by which a better set could still exceed the best one; 0 when it is proven best."""
        if self.bound_billionths is None or not self.sets:
            return None
        return (self.bound_billionths - self.sets[0].billionths) / 1e9

    def __str__(self) -> str:
        if self.clash is not None:
            return str(self.clash)
        if self.best is None or self.gap is None:
            return "Stopped before any set was found; whether one exists is not settled."
        if self.gap == 0.0:
            rest = "" if self.is_proven else " Whether the sets behind it are the next best was not settled in time."
            return f"The best set is worth {self.best.value:.2f} points, and it is proven that none is better.{rest}"
        return (
            f"The best set found is worth {self.best.value:.2f} points. The search was stopped: a better one could be "
            f"worth up to {self.bound:.2f}, {self.gap:.2f} more."
        )
