"""The music between two bar lines: from its ABC text to notes, remembered.

A :class:`Setting` is everything outside the text that decides what the text means. What a text means under a
setting is worked out once, for each group of notes between spaces: dance music repeats itself, and frozen notes can
be shared. A group never met before is put together from notes met before if it holds only what most groups hold; else
:class:`~graith.music._run.Run` reads it.
A text that begins or ends in the middle of something (a tuplet over a bar line, gracenotes whose note comes after
it, an accidental before it in the bar) is always worked out anew.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import NamedTuple

from graith.errors import MusicError, Severity
from graith.music._run import Carry, Draft, Memory, Piece, PieceKey, Reading, Run, Slip, built_from, unfinished
from graith.music._sounds import LENGTH, shares_of, takes_three
from graith.music.model import Key, Metre, Note

_NO_ALTERATIONS: Mapping[int, int] = {}
_LEAD = r"""(?:[.~HLMOPSTuv`]|\((?!\d)|\{[A-Ga-g]+\}|"[^"]*")*"""
_PIECE = re.compile(rf"{_LEAD}(?:\(3(?![\d:]))?{_LEAD}[A-Ga-gzx][,']*{LENGTH}-?\)*(?:>{{1,3}}|<{{1,3}})?")
_PIECE_PARTS = re.compile(
    rf"(?P<early>{_LEAD})(?P<three>\(3)?(?P<lead>{_LEAD})(?P<sound>[A-Ga-gzx][,']*{LENGTH})"
    r"(?P<tie>-?)(?P<closed>\)*)(?P<mark>[<>]*)"
)
_SHARES = {mark: shares_of(mark) for mark in (">", ">>", ">>>", "<", "<<", "<<<")}
_NO_TRIPLET = -1
_UNKNOWN = Reading((), (), 0, 1, {}, (), False)


class Setting(NamedTuple):
    """Everything outside a bar's text that decides what it means.

    Attributes
    ----------
    unit : Fraction
        Length of a note without a figure, in whole notes.
    metre : Metre or None
    key : Key
    spread : str
        How far an accidental reaches (ABC 2.1 §11.3): ``"pitch"``, ``"octave"`` or ``"not"``.
    symbols : tuple of (str, str)
        Letters redefined by ``U:``, each with its decoration.
    """

    unit: Fraction
    metre: Metre | None
    key: Key
    spread: str = "pitch"
    symbols: tuple[tuple[str, str], ...] = ()


@dataclass
class Memories:
    """What was worked out before, setting by setting; settings that make no difference share theirs."""

    _known: dict[object, Memory] = field(default_factory=dict)
    _shared: dict[object, tuple[dict[str, Reading | None], dict[PieceKey, Piece]]] = field(default_factory=dict)

    def of(self, setting: Setting) -> Memory:
        """Return the memory of a setting."""
        key, in_three = setting.key, takes_three(setting.metre)
        beside_key = (setting.unit, key.is_pipes, in_three, setting.spread, setting.symbols)
        memory = self._known.get((key.alters, beside_key))
        if memory is None:
            shared = self._shared.setdefault(beside_key, ({}, {}))
            memory = Memory(setting.unit, key, in_three, setting.spread, dict(setting.symbols), *shared)
            self._known[key.alters, beside_key] = memory
        return memory


class BarText:
    """Reads music text under one setting; ``carry`` is what one stretch of text leaves to the next."""

    __slots__ = ("carry", "memory")

    def __init__(self, memory: Memory, carry: Carry | None = None) -> None:
        self.memory = memory
        self.carry = carry

    def read(self, text: str, alterations: Mapping[int, int] = _NO_ALTERATIONS) -> Reading:
        """Return what a text means; ``alterations`` are the accidentals met earlier in the same bar."""
        if self.carry is None and not alterations:
            reading = self._in_groups(text)
            if reading is not None:
                return reading
        run = Run(self.memory, dict(alterations), self.carry or Carry())
        reading = run.read(text)
        self.carry = None if run.carry.is_empty else run.carry
        return reading

    def _in_groups(self, text: str) -> Reading | None:
        """Put a bar together from its groups, or return None if one of them does not stand alone.

        After an accidental the groups that do not hold its letter still stand alone.
        """
        known = self.memory.groups
        if " " not in text:
            reading = known.get(text, _UNKNOWN)
            if reading is _UNKNOWN:
                reading = self._group(text)
            return reading
        notes: list[Note] = []
        offsets: list[int] = []
        total, unit, at, decorated = 0, 1, 0, False
        altered: dict[int, int] = {}
        touched: set[str] = set()
        for group in text.split(" "):
            if group:
                reading = known.get(group, _UNKNOWN)
                if reading is _UNKNOWN:
                    reading = self._group(group)
                if reading is None or (touched and not touched.isdisjoint(group)):
                    return None
                group_notes, group_offsets, numerator, denominator, alterations, _, group_decorated = reading
                notes += group_notes
                for offset in group_offsets:
                    offsets.append(at + offset)
                if denominator == unit:
                    total += numerator
                else:
                    total = total * denominator + numerator * unit
                    unit *= denominator
                if alterations:
                    altered.update(alterations)
                    touched.update(*("CDEFGABcdefgab"[place % 7 :: 7] for place in altered))
                if group_decorated:
                    decorated = True
            at += len(group) + 1
        return Reading(tuple(notes), tuple(offsets), total, unit, altered, (), decorated)

    def _group(self, text: str) -> Reading | None:
        memory = self.memory
        keyed = memory.keyed(text)
        reading = memory.shared.get(keyed, _UNKNOWN)
        if reading is _UNKNOWN:
            reading = self._common_group(text)
            if reading is None:
                run = Run(memory, {}, Carry())
                reading = run.read(text)
                if not run.carry.is_empty or reading.slips:
                    reading = None
            memory.shared[keyed] = reading
        memory.groups[text] = reading
        return reading

    def _common_group(self, text: str) -> Reading | None:
        """Put a group together note by note when it holds only what most groups hold; else return None."""
        known = self.memory.pieces
        notes: list[Note] = []
        offsets: list[int] = []
        total, unit, at = 0, 1, 0
        mark, triplet = "", _NO_TRIPLET
        texts = _PIECE.findall(text)
        last = len(texts) - 1
        for index, piece_text in enumerate(texts):
            known_as = (piece_text, mark, triplet, index < last)
            piece = known.get(known_as) or self._piece(known_as)
            if piece is None:
                return None
            note, numerator, denominator, offset, mark, triplet = piece
            notes.append(note)
            offsets.append(at + offset)
            at += len(piece_text)
            if denominator == unit:
                total += numerator
            else:
                total = total * denominator + numerator * unit
                unit *= denominator
        if at != len(text) or mark or triplet != _NO_TRIPLET:
            return None
        return Reading(tuple(notes), tuple(offsets), total, unit, _NO_ALTERATIONS, (), False)

    def _piece(self, known_as: PieceKey) -> Piece | None:
        """Return one common note: its own text, the broken rhythm and triplet it stands in, whether it is joined."""
        memory = self.memory
        shared_as = (memory.keyed(known_as[0]), *known_as[1:])
        piece = memory.shared_pieces.get(shared_as) or self._new_piece(known_as)
        if piece is not None:
            memory.shared_pieces[shared_as] = memory.pieces[known_as] = piece
        return piece

    def _new_piece(self, known_as: PieceKey) -> Piece | None:
        text, before, triplet, joined = known_as
        found = _PIECE_PARTS.fullmatch(text)
        if found is None or self.memory.symbols or (found["three"] and triplet != _NO_TRIPLET):
            return None
        early, three, lead, sound, tie, closed, mark = found.groups()
        draft = self._common_draft(early + lead, sound)
        if draft is None:
            return None
        if before:
            draft.dot(_SHARES[before][1])
        if mark:
            draft.dot(_SHARES[mark][0])
        draft.tied, draft.joined, draft.closed = bool(tie), joined, len(closed)
        if three or triplet != _NO_TRIPLET:
            triplet = 0 if three else triplet
            draft.tuplet = (3, 2, 3, triplet)
            triplet = triplet + 1 if triplet < 2 else _NO_TRIPLET
        return Piece(*built_from(draft), found.start("sound"), mark, triplet)

    def _common_draft(self, lead: str, sound: str) -> Draft | None:
        """Return a note with what leads into it, or None if something is wrong with either."""
        if not lead:
            try:
                return Draft(sound, self.memory.sound(sound))
            except MusicError:
                return None
        run = Run(self.memory, {}, Carry())
        run.take(lead + sound)
        return None if run.slips or run.alterations or len(run.drafts) != 1 else run.drafts[0]

    def end_bar(self) -> tuple[Slip, ...]:
        """Close the bar: return what is wrong with what waits for a note that does not come in it."""
        carry = self.carry
        if carry is None:
            return ()
        slips: list[Slip] = []
        if (lead := carry.lead) is not None:
            if lead.decorations or lead.texts:
                what = ", ".join((*(f"!{name}!" for name in lead.decorations), *(f'"{text}"' for text in lead.texts)))
                says = f"{what} stands on the bar line and is not kept"
                slips.append(Slip(lead.offset, "decoration", says, "Put it before a note.", Severity.WARNING))
                lead.decorations, lead.texts = (), ()
            if not lead.graces and not lead.opened:
                carry.lead = None
        if carry.tuplet is not None and carry.tuplet.index:
            says = f"a tuplet of {carry.tuplet.count} notes has {carry.tuplet.index} before the bar line"
            slips.append(Slip(0, "tuplet", says, "Write all its notes in one bar.", Severity.WARNING))
        if carry.is_empty:
            self.carry = None
        return tuple(slips)

    def end_tune(self) -> tuple[Slip, ...]:
        """Close the tune: return what is wrong with what waits for a note that never comes."""
        carry, self.carry = self.carry, None
        if carry is None:
            return ()
        slips = []
        if carry.lead is not None and carry.lead.graces:
            slips.append(Slip(0, "gracenotes", "gracenotes stand after the last note", "Put them before a note."))
        if carry.tuplet is not None:
            slips.append(unfinished(carry.tuplet, 0))
        return tuple(slips)
