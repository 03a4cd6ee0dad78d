"""Single notes as MEI: pitches spelt, lengths split where one value will not do, graces, beams and tuplets tagged."""

from __future__ import annotations

from collections.abc import Sequence

from graith.errors import SheetError
from graith.music.model import Key, Note, Pitch
from graith.sheet._beams import Grouping
from graith.sheet._marks import articulations_of
from graith.sheet._values import note_values

_ACCIDENTALS = {-2: "ff", -1: "f", 0: "n", 1: "s", 2: "x"}
_KNOWN: dict[tuple[int, int, bool, bool], str] = {}


class Spelling:
    """How one bar's pitches are written: remembers the accidentals printed so far, its gracenotes' too."""

    def __init__(self, key: Key) -> None:
        self._of_key = key.alters
        self._printed: dict[int, int] = {}

    def pitch(self, pitch: Pitch) -> str:
        """Return a pitch's attributes: what sounds always, an accidental in print only where it is news."""
        of_key = self._of_key[pitch.diatonic % 7]
        is_news = self._printed.get(pitch.diatonic, of_key) != pitch.alter
        if is_news:
            self._printed[pitch.diatonic] = pitch.alter
        key = (pitch.diatonic, pitch.alter, is_news, of_key != 0)
        found = _KNOWN.get(key)
        return found if found is not None else _KNOWN.setdefault(key, _pitch_attributes(*key))

    def graces(self, note: Note, note_id: str) -> str:
        """Return the gracenotes before a note: stems up, three beams or flags, whatever their written lengths."""
        slash = ' stem.mod="1slash"' if note.slashed_graces and len(note.graces) == 1 else ""
        graces = "".join(
            f'<note xml:id="{note_id}-g{number}" grace="acc" dur="32" {self.pitch(grace.pitch)} stem.dir="up"{slash}/>'
            for number, grace in enumerate(note.graces, start=1)
        )
        return graces if len(note.graces) == 1 else f'<beam place="above">{graces}</beam>'


def _pitch_attributes(diatonic: int, alter: int, is_news: bool, of_key: bool) -> str:
    pitch = Pitch(diatonic, alter)
    if alter not in _ACCIDENTALS or not 0 <= pitch.octave <= 9:
        raise SheetError(f"The pitch {pitch} cannot be written on a staff; use at most two sharps or flats.")
    attributes = f'pname="{pitch.letter.lower()}" oct="{pitch.octave}"'
    if is_news:
        return f'{attributes} accid="{_ACCIDENTALS[alter]}"'
    return f'{attributes} accid.ges="{_ACCIDENTALS[alter]}"' if alter or of_key else attributes


def note_tag(note: Note, note_id: str, spelling: Spelling, tie: str) -> str:
    """Return one note, chord or rest; several tied notes when its length needs them (``…-n2``, ``…-n2-2``).

    Parameters
    ----------
    note : Note
    note_id : str
    spelling : Spelling
        Of its bar.
    tie : str
        ``i`` when a tie begins at it, ``t`` ends, ``m`` both; empty without.
    """
    values = note_values(note.written)
    pitches = [spelling.pitch(pitch) for pitch in note.pitches]
    signs = articulations_of(note) if note.decorations else ""
    if len(values) == 1:
        return _tag(note, _value(note_id, *values[0]), pitches, tie, signs)
    tags = []
    for number, (name, dots) in enumerate(values):
        comes = number > 0 or tie in ("m", "t")
        goes = number + 1 < len(values) or tie in ("i", "m")
        part_tie = ("m" if goes else "t") if comes else ("i" if goes else "")
        value = _value(f"{note_id}-{number + 1}" if number else note_id, name, dots)
        tags.append(_tag(note, value, pitches, part_tie, "" if number else signs))
    return "".join(tags)


def _value(note_id: str, name: str, dots: int) -> str:
    return f'xml:id="{note_id}" dur="{name}" dots="{dots}"' if dots else f'xml:id="{note_id}" dur="{name}"'


def _tag(note: Note, value: str, pitches: list[str], tie: str, signs: str) -> str:
    if note.is_rest:
        return f"<{'space' if note.invisible else 'rest'} {value}/>"
    tied = f' tie="{tie}"' if tie else ""
    if len(pitches) == 1:
        attributes = f'{value} {pitches[0]} stem.dir="down"{tied}'
        return f"<note {attributes}>{signs}</note>" if signs else f"<note {attributes}/>"
    heads = "".join(f"<note {pitch}{tied}/>" for pitch in pitches)
    return f'<chord {value} stem.dir="down">{signs}{heads}</chord>'


def span_tags(grouping: Grouping, notes: Sequence[Note]) -> tuple[dict[int, str], dict[int, str]]:
    """Return the tags that open before a note and those that close after it, by the note's index."""
    opened: dict[int, str] = {}
    closed: dict[int, str] = {}
    for beam in grouping.beams:
        opened[beam.start] = '<beam place="below">'
        closed[beam.stop - 1] = "</beam>"
    for tuplet in grouping.tuplets:
        first, last = tuplet.start, tuplet.stop - 1
        holder = next((beam for beam in grouping.beams if beam.start <= first and tuplet.stop <= beam.stop), None)
        opening = _tuplet_tag(notes[first], bracketed=holder is None)
        beam_opens_outside = holder is not None and holder.start == first and holder.stop > tuplet.stop
        beam_closes_outside = holder is not None and holder.stop == tuplet.stop and holder.start < first
        before, after = opened.get(first, ""), closed.get(last, "")
        opened[first] = before + opening if beam_opens_outside else opening + before
        closed[last] = "</tuplet>" + after if beam_closes_outside else after + "</tuplet>"
    return opened, closed


def _tuplet_tag(note: Note, *, bracketed: bool) -> str:
    """Return a tuplet's tag; its bracket is printed only where no beam shows which notes belong to it."""
    assert note.tuplet is not None
    return (
        f'<tuplet num="{note.tuplet.actual}" numbase="{note.tuplet.normal}" num.place="below" bracket.place="below" '
        f'bracket.visible="{"true" if bracketed else "false"}">'
    )
