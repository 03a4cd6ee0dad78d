"""What a set is: tunes in order, which parts, at which tempi, joined by links, with an opening and an ending.

A :class:`Set` names tunes by file and number, as the set file does; a :class:`PlannedSet` holds the tunes themselves.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from graith.music.model import ChanterNote, Tune
from graith.music.tune_types import TuneType


@dataclass(frozen=True, slots=True)
class SetTune:
    """One tune of a set as the set file asks for it.

    Attributes
    ----------
    file : str
        Name of the ABC book, relative to the set file.
    index : int
        The tune's ``X:`` number in that book.
    parts : tuple of int or None
        Parts to play, in order, from 1; None plays the tune as written.
    repeats : bool
        Whether each part's own repeats are taken.
    tempo_bpm : float or None
        Beats a minute at the tune's first beat, of the tune type's beat; None takes the tune's own ``Q:``,
        else its type's usual tempo.
    tempo_end_bpm : float or None
        Beats a minute at the tune's last beat when the tempo moves in a straight line over its beats; None holds it.
    """

    file: str
    index: int
    parts: tuple[int, ...] | None = None
    repeats: bool = True
    tempo_bpm: float | None = None
    tempo_end_bpm: float | None = None


@dataclass(frozen=True, slots=True)
class Link:
    """The passage from one tune into the next.

    Attributes
    ----------
    hold_beats : Fraction
        Extra beats, of the tune that ends, for which its last note is held before the next tune's first note.
    ease_beats : Fraction
        Over this many last beats of the tune that ends the tempo moves in a straight line to ``ease_to_bpm``
        (0: the next tune's tempo is simply there on its first note).
    ease_to_bpm : float or None
        Where it moves to, in beats of the tune that ends; None is the next tune's first tempo.
    """

    hold_beats: Fraction = Fraction(0)
    ease_beats: Fraction = Fraction(0)
    ease_to_bpm: float | None = None


@dataclass(frozen=True, slots=True)
class Opening:
    """How the set starts: rolls, drones, strike-in. Beat 1 is the first beat of the first roll.

    The default is two three-pace rolls: roll 1-3, tap 4, roll 5-7, tap 8; drones in at 5, the E at 7, the tune at 9.
    Source: the two rolls stand in a printed rule of 2010; the counts are from memory, and settable.

    Attributes
    ----------
    roll_beats : int
        Beats from the first roll to the tune's first full beat; 0 starts on the tune.
    drones_in_beat, strike_in_beat : int
        Beat on which the drones, and the strike-in note, come in; from 1; at most ``roll_beats``.
    strike_in_note : ChanterNote
    tempo_bpm : float or None
        None takes the first tune's tempo.
    """

    roll_beats: int = 8
    drones_in_beat: int = 5
    strike_in_beat: int = 7
    strike_in_note: ChanterNote = ChanterNote.E
    tempo_bpm: float | None = None


@dataclass(frozen=True, slots=True)
class Ending:
    """How the set stops: beats for which the last note is held past its written length, then the cut-off.

    ``slow_beats`` last beats may slow in a straight line to ``slow_to_bpm``.
    """

    hold_beats: Fraction = Fraction(0)
    slow_beats: Fraction = Fraction(0)
    slow_to_bpm: float | None = None


@dataclass(frozen=True, slots=True)
class Set:
    """A set as its file writes it.

    Attributes
    ----------
    name : str
    tunes : tuple of SetTune
    links : tuple of Link
        One fewer than tunes: ``links[0]`` joins the first two.
    grade, event : str
        Names in the rulebook; empty when not said.
    rulebook : str
        Name of a rulebook; empty when not said.
    opening, ending
    notes : str
    """

    name: str
    tunes: tuple[SetTune, ...]
    links: tuple[Link, ...] = ()
    rulebook: str = ""
    grade: str = ""
    event: str = ""
    opening: Opening = field(default_factory=Opening)
    ending: Ending = field(default_factory=Ending)
    notes: str = ""


@dataclass(frozen=True, slots=True)
class PlannedTune:
    """A tune in its place in a set, every choice made: what the timeline reads.

    ``tempo_bpm`` and ``tempo_end_bpm`` are in beats of ``tune_type.beat_length``.
    """

    tune: Tune
    tune_type: TuneType
    tempo_bpm: float
    tempo_end_bpm: float
    parts: tuple[int, ...] | None = None
    repeats: bool = True

    @property
    def beat_length(self) -> Fraction:
        """The tune's beat, in whole notes."""
        return self.tune_type.beat_length


@dataclass(frozen=True, slots=True)
class PlannedSet:
    """A set with its tunes found and every choice made. ``links`` has one fewer than ``tunes``."""

    name: str
    tunes: tuple[PlannedTune, ...]
    links: tuple[Link, ...]
    opening: Opening = field(default_factory=Opening)
    ending: Ending = field(default_factory=Ending)
