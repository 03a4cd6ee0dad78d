"""The music between two bar lines: from its ABC text to notes, remembered.

A :class:`Setting` is everything outside the text that decides what the text means. What a text means under a
setting is worked out once: first the whole bar is looked up, then the groups between its spaces, and only what was
never met goes through :class:`~graith.music._run.Run`. Frozen notes can be shared, and dance music repeats itself.
A text that begins or ends in the middle of something (a tuplet over a bar line, gracenotes whose note comes after
it, an accidental before it in the bar) is always worked out anew.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import NamedTuple

from graith.errors import Severity
from graith.music._run import BuiltNote, Carry, Memory, NoteKey, Reading, Run, Slip, built_from, unfinished
from graith.music._sounds import Scale, shares_of, takes_three
from graith.music.model import Key, Metre, Note

_NO_ALTERATIONS: Mapping[int, int] = {}
_COMMON_NOTE = re.compile(
    r"(\(3(?!:)|)((?:[.~HLMOPSTuv`]|\((?!\d)|\{[A-Ga-g]+\}|\"[^\"]*\")*)([A-Ga-gzx][,']*\d*/*\d*)(-?)(\)*)(>{1,3}|<{1,3}|)"
)
_SHARES = {mark: shares_of(mark) for mark in (">", ">>", ">>>", "<", "<<", "<<<")}
_TRIPLET = ((3, 2, 3, 0), (3, 2, 3, 1), (3, 2, 3, 2), None)
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

    def of(self, setting: Setting) -> Memory:
        """Return the memory of a setting."""
        key, in_three = setting.key, takes_three(setting.metre)
        matters = (setting.unit, key.alters, key.is_pipes, in_three, setting.spread, setting.symbols)
        memory = self._known.get(matters)
        if memory is None:
            memory = self._known[matters] = Memory(
                setting.unit, key, in_three, setting.spread, dict(setting.symbols)
            )
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
            readings = self.memory.readings
            reading = readings.get(text)
            if reading is not None:
                return reading
            reading = self._in_groups(text)
            if reading is not None:
                readings[text] = reading
                return reading
        return self._worked_out(text, alterations)

    def _worked_out(self, text: str, alterations: Mapping[int, int]) -> Reading:
        run = Run(self.memory, dict(alterations), self.carry or Carry())
        reading = run.read(text)
        self.carry = None if run.carry.is_empty else run.carry
        return reading

    def _in_groups(self, text: str) -> Reading | None:
        """Put a bar together from its groups, or return None if one of them does not stand alone."""
        known = self.memory.groups
        notes: list[Note] = []
        offsets: list[int] = []
        total, unit, at, decorated = 0, 1, 0, False
        for group in text.split(" "):
            if group:
                reading = known.get(group, _UNKNOWN)
                if reading is _UNKNOWN:
                    reading = self._group(group)
                if reading is None:
                    return None
                group_notes, group_offsets, numerator, denominator, _, _, group_decorated = reading
                notes += group_notes
                for offset in group_offsets:
                    offsets.append(at + offset)
                if denominator == unit:
                    total += numerator
                else:
                    total = total * denominator + numerator * unit
                    unit *= denominator
                if group_decorated:
                    decorated = True
            at += len(group) + 1
        return Reading(tuple(notes), tuple(offsets), total, unit, _NO_ALTERATIONS, (), decorated)

    def _group(self, text: str) -> Reading | None:
        reading = self._common_group(text)
        if reading is None:
            run = Run(self.memory, {}, Carry())
            reading = run.read(text)
            if not run.carry.is_empty or reading.slips or reading.alterations:
                reading = None
        self.memory.groups[text] = reading
        return reading

    def _common_group(self, text: str) -> Reading | None:
        """Put a group together note by note when it holds only what most groups hold; else return None."""
        known = self.memory.notes
        notes: list[Note] = []
        offsets: list[int] = []
        total, unit, at, end = 0, 1, 0, len(text)
        share: Scale | None = None
        triplet = -1
        for three, lead, sound, tie, closed, broken in _COMMON_NOTE.findall(text):
            offset = at + len(three) + len(lead)
            at = offset + len(sound) + len(tie) + len(closed) + len(broken)
            scale = share
            share = None
            if broken:
                first, share = _SHARES[broken]
                scale = first if scale is None else (scale[0] * first[0], scale[1] * first[1])
            if three:
                triplet = 0
            known_as = (lead, sound, scale, _TRIPLET[triplet], tie == "-", at < end, len(closed))
            built = known.get(known_as) or self._common_note(known_as)
            if built is None:
                return None
            if triplet >= 0:
                triplet = triplet + 1 if triplet < 2 else -1
            note, numerator, denominator = built
            notes.append(note)
            offsets.append(offset)
            if denominator == unit:
                total += numerator
            else:
                total = total * denominator + numerator * unit
                unit *= denominator
        if at != end or share is not None or triplet >= 0 or self.memory.symbols:
            return None
        return Reading(tuple(notes), tuple(offsets), total, unit, _NO_ALTERATIONS, (), False)

    def _common_note(self, known_as: NoteKey) -> BuiltNote | None:
        lead, sound, scale, tuplet, tied, joined, closed = known_as
        run = Run(self.memory, {}, Carry())
        run.take(lead + sound)
        if run.slips or run.alterations or len(run.drafts) != 1:
            return None
        draft = run.drafts[0]
        draft.scale, draft.tuplet, draft.tied, draft.joined, draft.closed = scale, tuplet, tied, joined, closed
        built = self.memory.notes[known_as] = built_from(draft)
        return built

    def end_bar(self) -> tuple[Slip, ...]:
        """Close the bar: return what is wrong with what waits for a note that does not come in it."""
        carry = self.carry
        if carry is None:
            return ()
        slips: list[Slip] = []
        if (lead := carry.lead) is not None:
            if lead.decorations or lead.texts:
                what = ", ".join((*(f"!{name}!" for name in lead.decorations), *(f'"{text}"' for text in lead.texts)))
                slips.append(Slip(lead.offset, "decoration", f"{what} stands on the bar line and is not kept",
                                  "Put it before a note.", Severity.WARNING))  # fmt: skip
                lead.decorations, lead.texts = (), ()
            if not lead.graces and not lead.opened:
                carry.lead = None
        if carry.tuplet is not None and carry.tuplet.index:
            slips.append(Slip(0, "tuplet", f"a tuplet of {carry.tuplet.count} notes has {carry.tuplet.index} before the "
                              "bar line", "Write all its notes in one bar.", Severity.WARNING))  # fmt: skip
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
