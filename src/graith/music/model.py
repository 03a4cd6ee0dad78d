"""What music is made of here: pitches, notes, bars, parts and tunes, all frozen.

Lengths are exact: a :class:`~fractions.Fraction` of a whole note. Nothing here knows seconds or Hz.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from fractions import Fraction

from graith.errors import Place

_STEP_LETTERS = "CDEFGAB"
_STEP_SEMITONES = (0, 2, 4, 5, 7, 9, 11)
_ACCIDENTAL_NAMES = {-2: "𝄫", -1: "♭", 0: "", 1: "♯", 2: "𝄪"}


@dataclass(frozen=True, slots=True, order=True)
class Pitch:
    """A written pitch: a place on the staff and its alteration.

    Attributes
    ----------
    diatonic : int
        Staff steps above the C of octave 0, so ``7 * octave + step``; middle C (C4) is 28.
    alter : int
        Semitones up (sharp) or down (flat), signature and accidentals included: what sounds.
    """

    diatonic: int
    alter: int = 0

    @property
    def letter(self) -> str:
        """The letter C D E F G A or B."""
        return _STEP_LETTERS[self.diatonic % 7]

    @property
    def octave(self) -> int:
        """The octave in scientific pitch notation: middle C begins octave 4."""
        return self.diatonic // 7

    @property
    def midi(self) -> int:
        """The MIDI key number: middle C is 60."""
        return 12 * (self.octave + 1) + _STEP_SEMITONES[self.diatonic % 7] + self.alter

    def __str__(self) -> str:
        return f"{self.letter}{_ACCIDENTAL_NAMES.get(self.alter, f'({self.alter:+d})')}{self.octave}"


class ChanterNote(IntEnum):
    """The nine notes of the chanter, lowest first; the value is the index used in arrays."""

    LOW_G = 0
    LOW_A = 1
    B = 2
    C = 3
    D = 4
    E = 5
    F = 6
    HIGH_G = 7
    HIGH_A = 8

    @property
    def label(self) -> str:
        """The trade's name: ``"low G"``, ``"C"``, ``"high A"``."""
        return _CHANTER_LABELS[self]

    @property
    def abc(self) -> str:
        """The ABC letter under K:HP, one of ``G A B c d e f g a``."""
        return "GABcdefga"[self]

    @property
    def pitch(self) -> Pitch:
        """The written pitch as it is understood: G4 A4 B4 C♯5 D5 E5 F♯5 G5 A5."""
        return _CHANTER_PITCHES[self]


_CHANTER_LABELS = ("low G", "low A", "B", "C", "D", "E", "F", "high G", "high A")
_CHANTER_PITCHES = tuple(Pitch(32 + index, 1 if index in (3, 6) else 0) for index in range(9))
_CHANTER_OF_PITCH = {pitch: ChanterNote(index) for index, pitch in enumerate(_CHANTER_PITCHES)}


def chanter_note(pitch: Pitch) -> ChanterNote | None:
    """Return the chanter's note for a written pitch, or None when the chanter does not have it.

    Examples
    --------
    >>> chanter_note(Pitch(32)).label
    'low G'
    >>> chanter_note(Pitch(35)) is None  # C natural
    True
    """
    return _CHANTER_OF_PITCH.get(pitch)


@dataclass(frozen=True, slots=True)
class Metre:
    """A time signature. ``text`` keeps how it was written (``C|``, ``6/8``); 2/2 is meant by ``C|``.

    ``beats`` over ``unit`` is its exact length; a free metre (``M:none``) is no Metre but ``None``.
    """

    beats: int
    unit: int
    text: str = field(default="", compare=False)

    @property
    def length(self) -> Fraction:
        """The length of a full bar, in whole notes."""
        return Fraction(self.beats, self.unit)

    @property
    def is_compound(self) -> bool:
        """Whether three units make a beat (6/8, 9/8, 12/8)."""
        return self.unit >= 8 and self.beats % 3 == 0

    @property
    def beat_length(self) -> Fraction:
        """The beat in whole notes: a dotted crotchet in 6/8, a minim in 2/2, else the unit."""
        return Fraction(3, self.unit) if self.is_compound else Fraction(1, self.unit)

    def __str__(self) -> str:
        return f"{self.beats}/{self.unit}"


@dataclass(frozen=True, slots=True)
class Key:
    """A key: its ABC text and what it does to each letter.

    Attributes
    ----------
    text : str
        As in the ``K:`` field, such as ``"HP"``, ``"Hp"``, ``"D"``, ``"Amix"``.
    alters : tuple of 7 int
        Alteration of C D E F G A B in force, -1, 0 or +1.
    printed : bool
        Whether a signature is printed; ``K:HP`` prints none.

    References
    ----------
    ABC 2.1 §3.1.14: HP prints no signature, Hp prints F♯ C♯ G♮; in both C and F sound sharp.
    """

    text: str
    alters: tuple[int, int, int, int, int, int, int] = (0, 0, 0, 0, 0, 0, 0)
    printed: bool = True

    @property
    def is_pipes(self) -> bool:
        """Whether this is one of the two Highland pipe keys of the standard."""
        return self.text.split(" ")[0] in ("HP", "Hp")


HIGHLAND_PIPES = Key("HP", (1, 0, 0, 1, 0, 0, 0), printed=False)
HIGHLAND_PIPES_PRINTED = Key("Hp", (1, 0, 0, 1, 0, 0, 0), printed=True)


@dataclass(frozen=True, slots=True)
class Tempo:
    """A written tempo: beats a minute of a given beat (1/4 crotchet, 3/8 dotted crotchet, 1/2 minim)."""

    bpm: float
    beat_length: Fraction
    text: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Grace:
    """One gracenote. ``length`` is its written length in whole notes: how it looks, not how long it sounds."""

    pitch: Pitch
    length: Fraction = Fraction(1, 32)


@dataclass(frozen=True, slots=True)
class Tuplet:
    """Membership in a tuplet: ``actual`` notes in the time of ``normal``; this is note ``index`` of ``count``.

    ABC ``(p:q:r`` is ``actual:normal:count``; ``index`` runs from 0.
    """

    actual: int
    normal: int
    count: int
    index: int


@dataclass(frozen=True, slots=True)
class Note:
    """A melody note, a rest (no pitches) or a chord (several), with the gracenotes that lead into it.

    Attributes
    ----------
    pitches : tuple of Pitch
        Empty for a rest; one for a melody note.
    written : Fraction
        Written length in whole notes, dots and broken rhythm included, before any tuplet.
    graces : tuple of Grace
        In playing order.
    tuplet : Tuplet or None
    tied : bool
        Tied to the next note.
    joined : bool
        No space followed in the source: beamed with the next note if both are short enough.
    decorations : tuple of str
        Names without their marks: ``!accent!`` and ``~`` are ``"accent"`` and ``"~"``.
    figure : str or None
        Name of the figure the source asked for by decoration (``"doubling"``); its gracenotes are then in
        ``graces``. None when the gracenotes were written out.
    texts : tuple of str
        Quoted annotations and chord symbols, quotes removed.
    slurs_opened, slurs_closed : int
    slashed_graces : bool
        The group was written as an acciaccatura ``{/g}``.
    invisible : bool
        An invisible rest (``x``).
    """

    pitches: tuple[Pitch, ...]
    written: Fraction
    graces: tuple[Grace, ...] = ()
    tuplet: Tuplet | None = None
    tied: bool = False
    joined: bool = False
    decorations: tuple[str, ...] = ()
    figure: str | None = None
    texts: tuple[str, ...] = ()
    slurs_opened: int = 0
    slurs_closed: int = 0
    slashed_graces: bool = False
    invisible: bool = False

    @property
    def length(self) -> Fraction:
        """Exact played length in whole notes, tuplet included."""
        if self.tuplet is None:
            return self.written
        return self.written * self.tuplet.normal / self.tuplet.actual

    @property
    def is_rest(self) -> bool:
        """Whether nothing sounds."""
        return not self.pitches

    @property
    def pitch(self) -> Pitch:
        """The (highest-written first) pitch; IndexError for a rest."""
        return self.pitches[0]

    @property
    def chanter_note(self) -> ChanterNote | None:
        """The chanter's note; None for a rest, a chord, or a pitch the chanter does not have."""
        return _CHANTER_OF_PITCH.get(self.pitches[0]) if len(self.pitches) == 1 else None


class BarLine(StrEnum):
    """How a bar's closing line looks, repeat dots aside; the value is its ABC text."""

    SINGLE = "|"
    DOUBLE = "||"
    END = "|]"
    START = "[|"
    DOTTED = ".|"
    INVISIBLE = "[|]"
    NONE = ""


@dataclass(frozen=True, slots=True)
class Bar:
    """What stands between two bar lines.

    Attributes
    ----------
    notes : tuple of Note
    metre : Metre or None
        In force in this bar; None is free metre.
    number : int
        The bar's number within its part, from 1. A pick-up is 0. A short bar completed across a repeat
        counts once: the piece after the repeat sign is a pick-up (0), the piece before it keeps its number.
    closing : BarLine
    repeat_start : bool
        ``|:`` stands at its left.
    repeat_end : int
        Number of colons before its closing line: 0 none, 1 play twice, 2 three times.
    ending : tuple of int
        The passes this ending is played on, given at the first bar of the ending; else empty.
    ending_closed : bool
        The ending's bracket closes with this bar.
    line_end : bool
        The source breaks the line of music after this bar.
    changes : tuple of (str, str)
        Inline or body fields that stand before its first note, such as ``("M", "6/8")``, in order.
    key : Key
        In force in this bar.
    text : str
        The bar's own source text (for messages; does not count in equality).
    place : Place
        Line and column of the bar's first character, with tune, part and bar (does not count in equality).
    columns : tuple of int
        Column of each note, from 1 (does not count in equality).
    """

    notes: tuple[Note, ...]
    metre: Metre | None
    number: int
    closing: BarLine = BarLine.SINGLE
    repeat_start: bool = False
    repeat_end: int = 0
    ending: tuple[int, ...] = ()
    ending_closed: bool = False
    line_end: bool = False
    changes: tuple[tuple[str, str], ...] = ()
    key: Key = HIGHLAND_PIPES
    text: str = field(default="", compare=False)
    place: Place = field(default=Place("<music>"), compare=False)
    columns: tuple[int, ...] = field(default=(), compare=False)

    @property
    def length(self) -> Fraction:
        """What the bar's notes add up to, in whole notes."""
        return sum((note.length for note in self.notes), Fraction(0))


@dataclass(frozen=True, slots=True)
class Part:
    """A section of a tune, as pipers count them. ``label`` is a ``P:`` letter from the source, or empty."""

    bars: tuple[Bar, ...]
    label: str = ""

    @property
    def n_bars(self) -> int:
        """Numbered bars, pick-ups not counted, endings each counted."""
        return sum(1 for bar in self.bars if bar.number > 0)


@dataclass(frozen=True, slots=True)
class Tune:
    """A tune: its header and its parts.

    Attributes
    ----------
    number : int
        The ``X:`` field.
    titles, composers, rhythm, source, notes
        ``T:`` (first is the title), ``C:``, ``R:``, ``S:``, ``N:``; empty when not given.
    metre, unit, key, tempo
        ``M:``, ``L:``, ``K:``, ``Q:`` as they stand at the tune's start.
    part_order : str
        ``P:`` of the header with its brackets and counts, such as ``"A2B2"``; empty when not given.
    fields : tuple of (str, str)
        Other header fields, kept in order.
    directives : tuple of str
        ``%%`` lines of the header without their ``%%``, kept in order.
    parts : tuple of Part
    place : Place
        Where the ``X:`` field stands (does not count in equality).
    """

    number: int
    titles: tuple[str, ...]
    parts: tuple[Part, ...]
    metre: Metre | None
    unit: Fraction = Fraction(1, 8)
    key: Key = HIGHLAND_PIPES
    tempo: Tempo | None = None
    rhythm: str = ""
    composers: tuple[str, ...] = ()
    source: str = ""
    notes: tuple[str, ...] = ()
    part_order: str = ""
    fields: tuple[tuple[str, str], ...] = ()
    directives: tuple[str, ...] = ()
    place: Place = field(default=Place("<music>"), compare=False)

    @property
    def title(self) -> str:
        """The first title, or ``"Tune N"``."""
        return self.titles[0] if self.titles else f"Tune {self.number}"
