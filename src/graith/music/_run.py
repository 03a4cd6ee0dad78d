"""One pass over a stretch of music text, token by token, from letters to notes.

Sources: ABC 2.1 §4.1 to §4.20; sections are cited where a rule is applied.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import NamedTuple

from graith.errors import MusicError, Severity
from graith.music._sounds import LENGTH, Scale, Sound, TupletFigures, factor_of, shares_of, sound_of, tuplet_of
from graith.music._text import plain_text
from graith.music.keys import grace_unit
from graith.music.model import Grace, Key, Note, Pitch, Tuplet

_NOTE = rf"(?P<note>[_^=]*[A-Ga-g][,']*{LENGTH})"
_TOKEN = re.compile(
    rf"""{_NOTE}
    |(?P<gap>[ \t\n]+)
    |(?P<grace>\{{[^{{}}]*\}})
    |(?P<broken>[<>]+)
    |(?P<tie>\.?-)
    |(?P<tuplet>\(\d+(?::\d*){{0,2}})
    |(?P<opened>\.\((?!\d)|\()
    |(?P<closed>\.?\))
    |(?P<rest>[zx]{LENGTH})
    |(?P<chord>\[(?:"[^"]*"|[^\]"])*\]{LENGTH})
    |(?P<text>"[^"]*")
    |(?P<mark>![^!|\[\]:\s]*(?::\w+)?!|\+[^+|\[\]:\s]+\+|[~.H-Wh-w])
    |(?P<tick>`+|y{LENGTH})
    |(?P<overlay>&)
    |(?P<stray>[^ -~]+|\d+|.)""",
    re.VERBOSE,
)
_GRACE_TOKEN = re.compile(rf"{_NOTE}|(?P<broken>[<>]+)|(?P<quiet>[ \t`()\-.]+)|(?P<stray>.)")
_CHORD_TOKEN = re.compile(
    rf"""{_NOTE}|(?P<tie>-)|(?P<text>"[^"]*")|(?P<mark>![^!]*!|[~.H-Wh-w])|(?P<quiet>[ \t`()]+)|(?P<stray>.)"""
)
_OLD_CHORD = re.compile(rf"(?!f+$)(?:[_^=]*[A-Ga-g][,']*{LENGTH}){{2,}}")
_MARK_OF_ALTER = {1: "\ud801", 2: "\ud802", -1: "\ud803", -2: "\ud804"}  # lone surrogates: no decoded text has them
_UNASSIGNED = frozenset("IJKNQRUVWhijklmnopqrstw")
_WRITE_TIE = "Put - right after the first of the two notes (ABC 2.1 §4.11)."


class Slip(NamedTuple):
    """Something wrong in a bar's text: where in it, and a problem's words."""

    offset: int
    kind: str
    says: str
    remedy: str = ""
    severity: Severity = Severity.ERROR


class Reading(NamedTuple):
    """What a stretch of music text means: its notes, where each stands, their sum, and what is wrong.

    The sum is ``numerator`` over ``denominator`` whole notes, not reduced: whole numbers add up faster.
    """

    notes: tuple[Note, ...]
    offsets: tuple[int, ...]
    numerator: int
    denominator: int
    alterations: Mapping[int, int]
    slips: tuple[Slip, ...]
    decorated: bool


NoteKey = tuple[str, str, "Scale | None", "tuple[int, int, int, int] | None", bool, bool, int]
"""What makes two notes one: the text that leads in, its own text, broken rhythm, tuplet, tie, beam, slurs closed."""


class BuiltNote(NamedTuple):
    """A note and its length as two whole numbers, which add up faster than fractions."""

    note: Note
    numerator: int
    denominator: int


PieceKey = tuple[str, str, int, bool]
"""A common note's text, the broken rhythm sign before it, its index in a triplet (or -1), whether it is joined."""


class Piece(NamedTuple):
    """A common note, its length, where in its text it stands, and the broken rhythm and triplet it leaves running."""

    note: Note
    numerator: int
    denominator: int
    offset: int
    mark: str
    triplet: int


@dataclass
class Memory:
    """One setting (see :class:`~graith.music._bar_text.Setting`) and all that was worked out under it.

    ``shared`` and ``shared_pieces`` hold what means the same in every key that treats its letters alike; see
    :meth:`keyed`.
    """

    unit: Fraction
    key: Key
    in_three: bool
    spread: str
    symbols: dict[str, str]
    shared: dict[str, Reading | None] = field(default_factory=dict)
    shared_pieces: dict[PieceKey, Piece] = field(default_factory=dict)
    groups: dict[str, Reading | None] = field(default_factory=dict)
    sounds: dict[str, Sound] = field(default_factory=dict)
    graces: dict[str, tuple[tuple[Grace, ...], bool]] = field(default_factory=dict)
    notes: dict[NoteKey, BuiltNote] = field(default_factory=dict)
    pieces: dict[PieceKey, Piece] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._marks = {
            ord(letter): letter + _MARK_OF_ALTER[alter]
            for step, alter in enumerate(self.key.alters)
            if alter
            for letter in ("CDEFGAB"[step], "cdefgab"[step])
        }

    def keyed(self, text: str) -> str:
        """Return a group's text with a mark at each letter that the key alters: equal texts then mean the same."""
        return text.translate(self._marks) if self._marks else text

    def sound(self, text: str) -> Sound:
        """Return a note or rest understood from its own text; MusicError if it cannot be."""
        sound = self.sounds.get(text)
        if sound is None:
            sound = self.sounds[text] = sound_of(text, self.unit, self.key)
        return sound


@dataclass(slots=True)
class Lead:
    """What has been read and waits for its note; ``is_plain`` if its text alone says what it is."""

    offset: int
    graces: tuple[Grace, ...] = ()
    is_plain: bool = True
    slashed: bool = False
    decorations: tuple[str, ...] = ()
    texts: tuple[str, ...] = ()
    opened: int = 0


@dataclass(slots=True)
class RunningTuplet:
    """A tuplet under way: ``index`` of its ``count`` notes have been read."""

    actual: int
    normal: int
    count: int
    index: int = 0


@dataclass(slots=True)
class Carry:
    """What one stretch of text leaves to the next: a lead, a tuplet, an altered note tied on."""

    lead: Lead | None = None
    tuplet: RunningTuplet | None = None
    tie: Pitch | None = None

    @property
    def is_empty(self) -> bool:
        """Whether nothing is left."""
        return self.lead is None and self.tuplet is None and self.tie is None


class Draft:
    """A note while it is not yet known whether it is tied, joined or dotted.

    ``remembered`` says that its text and its gracenotes' text alone decide what it is.
    """

    lead: Lead | None = None
    remembered = True
    tuplet: tuple[int, int, int, int] | None = None
    scale: Scale | None = None
    tied = False
    joined = False
    closed = 0

    def __init__(self, text: str, sound: Sound) -> None:
        self.text = text
        self.sound = sound

    def dot(self, scale: Scale) -> None:
        """Lengthen or shorten the note by a broken rhythm."""
        numerator, denominator = self.scale or (1, 1)
        self.scale = numerator * scale[0], denominator * scale[1]


class Run:
    """One pass over one text; what a token does is the method ``take_`` and its name."""

    __slots__ = (
        "alterations", "broken", "carry", "decorated", "drafts", "gap", "lead", "memory", "offsets", "slips", "tie",
        "tuplet",
    )  # fmt: skip

    def __init__(self, memory: Memory, alterations: dict[int, int], carry: Carry) -> None:
        self.memory = memory
        self.alterations = alterations
        self.carry = carry
        self.lead = carry.lead
        self.tuplet = carry.tuplet
        self.tie = carry.tie
        self.drafts: list[Draft] = []
        self.offsets: list[int] = []
        self.slips: list[Slip] = []
        self.gap = True
        self.broken: Scale | None = None
        self.decorated = False

    def read(self, text: str) -> Reading:
        """Read the text; afterwards ``carry`` holds what it leaves."""
        self.take(text)
        return self.finished(text)

    def take(self, text: str) -> None:
        """Take every token of the text."""
        for found in _TOKEN.finditer(text):
            kind = found.lastgroup
            if kind == "note":
                self.take_note(found[0], found.start())
            elif kind == "gap":
                self.gap = True
            elif kind == "overlay":
                self.complain(found.start(), "overlay", "a second voice laid over the bar with & is not read",
                              "Write the pipe's own line only.")  # fmt: skip
                break
            elif kind is not None:
                _TAKERS[kind](self, found[0], found.start())

    def complain(self, offset: int, kind: str, says: str, remedy: str = "") -> None:
        """Note an error."""
        self.slips.append(Slip(offset, kind, says, remedy))

    def warn(self, offset: int, kind: str, says: str, remedy: str = "") -> None:
        """Note something worth a look."""
        self.slips.append(Slip(offset, kind, says, remedy, Severity.WARNING))

    def waiting(self, offset: int) -> Lead:
        """Return what waits for the next note, begun here if nothing does yet."""
        if self.lead is None:
            self.lead = Lead(offset)
        return self.lead

    # -- notes -----------------------------------------------------------------------------------------------

    def take_note(self, text: str, offset: int) -> None:
        """Take a note: its accidental holds to the end of the bar (ABC 2.1 §4.2, §11.3)."""
        sound = self.memory.sounds.get(text)
        if sound is None:
            try:
                sound = self.memory.sound(text)
            except MusicError as error:
                self.complain(offset, "note", str(error))
                return
        remembered = True
        if sound.alter is not None:
            self.remember_accidental(sound.pitches[0], sound.alter)
        elif self.alterations or self.tie:
            pitch = self.tied_or_altered(sound.pitches[0])
            if pitch is not sound.pitches[0]:
                sound = sound._replace(pitches=(pitch,))
                remembered = False
        self.add(text, sound, offset, remembered)

    def take_rest(self, text: str, offset: int) -> None:
        """Take a rest (ABC 2.1 §4.5)."""
        try:
            self.add(text, self.memory.sound(text), offset, remembered=True)
        except MusicError as error:
            self.complain(offset, "rest", str(error))

    def add(self, text: str, sound: Sound, offset: int, remembered: bool) -> None:
        """Add a note to the bar, with everything that waited for it."""
        drafts = self.drafts
        if self.gap:
            self.gap = False
        else:
            drafts[-1].joined = True
        draft = Draft(text, sound)
        if not remembered:
            draft.remembered = False
        if self.lead is not None:
            self.hand_over_lead(draft)
        if self.tuplet is not None:
            self.count_in_tuplet(draft)
        if self.broken is not None:
            draft.dot(self.broken)
            self.broken = None
        self.tie = None
        drafts.append(draft)
        self.offsets.append(offset)

    def hand_over_lead(self, draft: Draft) -> None:
        """Give a note what waited for it."""
        lead = draft.lead = self.lead
        self.lead = None
        if lead is not None:
            draft.remembered = draft.remembered and lead.is_plain and lead is not self.carry.lead
            self.decorated = self.decorated or any(len(name) > 1 for name in lead.decorations)

    def count_in_tuplet(self, draft: Draft) -> None:
        """Make a note the next of the tuplet under way."""
        tuplet = self.tuplet
        if tuplet is not None:
            draft.tuplet = (tuplet.actual, tuplet.normal, tuplet.count, tuplet.index)
            tuplet.index += 1
            if tuplet.index == tuplet.count:
                self.tuplet = None

    def remember_accidental(self, pitch: Pitch, alter: int) -> None:
        """Let an accidental reach as far as the tune says."""
        if self.memory.spread == "pitch":
            self.alterations[pitch.diatonic % 7] = alter
        elif self.memory.spread == "octave":
            self.alterations[pitch.diatonic] = alter

    def tied_or_altered(self, pitch: Pitch) -> Pitch:
        """Return a pitch as a tie or an accidental before it leaves it."""
        if self.tie is not None and self.tie.diatonic == pitch.diatonic:
            return self.tie
        return self.altered(pitch)

    def altered(self, pitch: Pitch) -> Pitch:
        """Return a pitch as an accidental before it in the bar leaves it."""
        place = pitch.diatonic % 7 if self.memory.spread == "pitch" else pitch.diatonic
        alter = self.alterations.get(place, pitch.alter)
        return pitch if alter == pitch.alter else Pitch(pitch.diatonic, alter)

    def take_chord(self, text: str, offset: int) -> None:
        """Take a chord; it is as long as its first note says, times the length behind it (ABC 2.1 §4.17)."""
        inside, _, outer = text[1:].rpartition("]")
        sounds: list[Sound] = []
        tied = False
        for found in _CHORD_TOKEN.finditer(inside):
            at = offset + 1 + found.start()
            if found.lastgroup == "note":
                self.take_chord_note(found[0], at, sounds)
            elif found.lastgroup == "tie":
                tied = True
            elif found.lastgroup in ("text", "mark"):
                _TAKERS[found.lastgroup](self, found[0], at)
            elif found.lastgroup == "stray":
                self.complain(at, "chord", f"{found[0]!r} has no place in a chord", "Take it out.")
        if not sounds:
            self.complain(offset, "chord", "the chord holds no note", "Take the brackets out.")
            return
        try:
            factor = factor_of(outer)
        except MusicError as error:
            self.complain(offset, "chord", str(error))
            factor = Fraction(1)
        pitches = tuple(sound.pitches[0] for sound in sounds)
        self.add(text, Sound(pitches, sounds[0].written * factor, None), offset, remembered=False)
        self.drafts[-1].tied = tied

    def take_chord_note(self, text: str, offset: int, sounds: list[Sound]) -> None:
        """Take one note of a chord."""
        try:
            sound = self.memory.sound(text)
        except MusicError as error:
            self.complain(offset, "chord", str(error))
            return
        pitch = sound.pitches[0]
        if sound.alter is not None:
            self.remember_accidental(pitch, sound.alter)
        else:
            pitch = self.tied_or_altered(pitch)
        sounds.append(sound._replace(pitches=(pitch,)))

    # -- what leads into a note ------------------------------------------------------------------------------

    def take_grace(self, text: str, offset: int) -> None:
        """Take a group of gracenotes; a broken rhythm around it does not see it (ABC 2.1 §4.12)."""
        remembered = self.memory.graces
        known = remembered.get(text) if not self.alterations else None
        if known is None:
            plain = not self.alterations and not any(sign in text for sign in "^_=")
            n_slips = len(self.slips)
            known = self.grace_group(text, offset)
            if plain and len(self.slips) == n_slips:
                remembered[text] = known
        graces, slashed = known
        if not graces:
            self.warn(offset, "gracenotes", "the gracenote group is empty", "Take the braces out.")
            return
        lead = self.waiting(offset)
        lead.graces += graces
        lead.slashed = lead.slashed or slashed
        lead.is_plain = lead.is_plain and remembered.get(text) is known

    def grace_group(self, text: str, offset: int) -> tuple[tuple[Grace, ...], bool]:
        """Return the gracenotes of a group, and whether it is slashed."""
        inside = text[1:-1]
        slashed = inside.startswith("/")
        graces: list[Grace] = []
        broken: Scale | None = None
        for found in _GRACE_TOKEN.finditer(inside, 1 if slashed else 0):
            at = offset + 1 + found.start()
            if found.lastgroup == "note":
                if (grace := self.grace(found[0], at, broken)) is not None:
                    graces.append(grace)
                broken = None
            elif found.lastgroup == "broken":
                try:
                    first, broken = shares_of(found[0])
                    last = graces.pop()
                except (MusicError, IndexError):
                    self.complain(at, "gracenotes", f"{found[0]!r} has no gracenote on both sides", "Take it out.")
                    broken = None
                else:
                    graces.append(Grace(last.pitch, last.length * Fraction(*first)))
            elif found.lastgroup == "stray":
                self.complain(at, "gracenotes", f"{found[0]!r} has no place among gracenotes", "Take it out.")
        return tuple(graces), slashed

    def grace(self, text: str, offset: int, scale: Scale | None) -> Grace | None:
        """Return one gracenote; its length counts from the unit of gracenotes, not of notes."""
        try:
            sound = self.memory.sound(text)
        except MusicError as error:
            self.complain(offset, "gracenotes", str(error))
            return None
        pitch = sound.pitches[0]
        if sound.alter is not None:
            self.remember_accidental(pitch, sound.alter)
        else:
            pitch = self.altered(pitch)
        length = sound.written / self.memory.unit * grace_unit(self.memory.key)
        return Grace(pitch, length * Fraction(*scale) if scale else length)

    def take_text(self, text: str, offset: int) -> None:
        """Take a chord symbol or an annotation (ABC 2.1 §4.18, §4.19)."""
        self.waiting(offset).texts += (plain_text(text[1:-1]),)

    def take_mark(self, text: str, offset: int) -> None:
        """Take a decoration (ABC 2.1 §4.14, §4.16), or a chord between plus signs as it was written before 2.0."""
        name = text[1:-1] if len(text) > 2 and text[0] in "!+" else text
        if text[0] == "+" and _OLD_CHORD.fullmatch(name):
            self.warn(offset, "chord", f"{text} is an old way to write a chord", f"Write [{name}].")
            self.take_chord(f"[{name}]", offset)
            return
        if len(text) == 1:
            name = self.memory.symbols.get(text, text)
            if name in _UNASSIGNED:
                self.warn(offset, "decoration", f"the letter {text} stands for no decoration",
                          f"Define it, as U:{text}=!trill!, or take it out.")  # fmt: skip
        if name not in ("", "!!", "nil", "none"):
            self.waiting(offset).decorations += (name,)

    def take_opened(self, _text: str, offset: int) -> None:
        """Open a slur on the next note."""
        self.waiting(offset).opened += 1

    def take_tuplet(self, text: str, offset: int) -> None:
        """Begin a tuplet (ABC 2.1 §4.13)."""
        if self.tuplet is not None:
            self.slips.append(unfinished(self.tuplet, offset))
        try:
            figures: TupletFigures = tuplet_of(text, self.memory.in_three)
        except MusicError as error:
            self.complain(offset, "tuplet", str(error))
        else:
            self.tuplet = RunningTuplet(*figures)

    # -- what follows a note ---------------------------------------------------------------------------------

    def take_closed(self, _text: str, offset: int) -> None:
        """Close a slur on the note before."""
        if self.drafts:
            self.drafts[-1].closed += 1
        else:
            self.warn(offset, "slur", "a slur ends where no note stands before it in the bar",
                      "Put ) right after the slur's last note.")  # fmt: skip

    def take_tie(self, _text: str, offset: int) -> None:
        """Tie the note before; the sign must touch it (ABC 2.1 §4.11)."""
        if not self.drafts:
            self.complain(offset, "tie", "the tie has no note before it in the bar", _WRITE_TIE)
            return
        if self.gap or self.lead is not None:
            self.warn(offset, "tie", "the tie does not touch its first note", _WRITE_TIE)
        self.drafts[-1].tied = True

    def take_broken(self, text: str, offset: int) -> None:
        """Dot the note before, shorten the note after, or the other way round (ABC 2.1 §4.4)."""
        if not self.drafts or self.broken is not None:
            self.complain(offset, "broken rhythm", f"{text!r} has no note before it in the bar",
                          "Put it between two notes of the same bar.")  # fmt: skip
            return
        try:
            first, self.broken = shares_of(text)
        except MusicError as error:
            self.complain(offset, "broken rhythm", str(error))
            return
        self.drafts[-1].dot(first)

    def take_tick(self, _text: str, _offset: int) -> None:
        """Pass over back quotes and spacers: they only keep notes apart on the page (ABC 2.1 §4.7, §6.1.2)."""

    def take_stray(self, text: str, offset: int) -> None:
        """Tell of a character that means nothing (ABC 2.1 §8.1)."""
        if text in "#*;?@$":
            self.warn(offset, "character", f"{text!r} means nothing in music", "Take it out.")
        else:
            self.complain(
                offset, "character", f"{text[:20]!r} means nothing here", "Take it out, or put text in quotes."
            )

    # -- the end ---------------------------------------------------------------------------------------------

    def finished(self, text: str) -> Reading:
        """Return the notes, now that all is known of them."""
        if self.broken is not None:
            self.complain(len(text), "broken rhythm", "a broken rhythm has no second note in the bar",
                          "Put > or < between two notes of the same bar.")  # fmt: skip
            self.drafts[-1].scale = None
        notes: list[Note] = []
        total, unit = 0, 1
        remembered = self.memory.notes
        for draft, offset in zip(self.drafts, self.offsets, strict=True):
            lead = text[draft.lead.offset : offset] if draft.lead is not None else ""
            known_as: NoteKey = (lead, draft.text, draft.scale, draft.tuplet, draft.tied, draft.joined, draft.closed)
            built = remembered.get(known_as) if draft.remembered else None
            if built is None:
                built = built_from(draft)
                if draft.remembered:
                    remembered[known_as] = built
            note, numerator, denominator = built
            notes.append(note)
            if denominator == unit:
                total += numerator
            else:
                total = total * denominator + numerator * unit
                unit *= denominator
        self.leave(notes)
        return Reading(
            tuple(notes), tuple(self.offsets), total, unit, self.alterations, tuple(self.slips), self.decorated
        )

    def leave(self, notes: Sequence[Note]) -> None:
        """Leave to the next stretch what this one did not use."""
        tie = self.tie
        if notes and notes[-1].tied and notes[-1].pitches:
            last = notes[-1].pitches[0]
            if last.alter != self.memory.key.alters[last.diatonic % 7]:
                tie = last
        self.carry = Carry(self.lead, self.tuplet, tie)


_TAKERS: dict[str, Callable[[Run, str, int], None]] = {
    name.removeprefix("take_"): getattr(Run, name) for name in dir(Run) if name.startswith("take_")
}


def built_from(draft: Draft) -> BuiltNote:
    """Return the finished note of a draft."""
    lead = draft.lead or Lead(0)
    written = draft.sound.written
    if draft.scale is not None:
        numerator, denominator = draft.scale
        written = Fraction(written.numerator * numerator, written.denominator * denominator)
    note = Note(
        draft.sound.pitches,
        written,
        lead.graces,
        None if draft.tuplet is None else Tuplet(*draft.tuplet),
        draft.tied,
        draft.joined,
        lead.decorations,
        None,
        lead.texts,
        lead.opened,
        draft.closed,
        lead.slashed,
        draft.sound.invisible,
    )
    length = note.length
    return BuiltNote(note, length.numerator, length.denominator)


def unfinished(tuplet: RunningTuplet, offset: int) -> Slip:
    """Return the slip of a tuplet that never gets all its notes."""
    return Slip(
        offset,
        "tuplet",
        f"a tuplet of {tuplet.count} notes has only {tuplet.index}",
        f"Write {tuplet.count - tuplet.index} more, or its true number.",
    )
