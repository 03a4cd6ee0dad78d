"""The open ABC corpora and the general-purpose readers that ours is compared with.

The corpora ship in the music21 package, a development dependency. Nothing of them is copied: a tune is named by its
corpus, its file and its ``X:`` number. Each reader's answer is brought to one form, a tuple of :class:`Event`.
"""

from __future__ import annotations

import functools
import importlib.util
import re
import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from graith.errors import MusicError, Problem
from graith.music.model import Note, Tune
from graith.music.read_abc import read_book
from graith.music.unfold import played_bars

CORPORA = ("airdsAirs", "ryansMammoth", "oneills1850")


@dataclass(frozen=True, slots=True)
class CorpusTune:
    """A tune of a corpus.

    Attributes
    ----------
    name : str
        ``"oneills1850 1001-1031 1002"``; a number that comes twice in a file has ``" again"`` after it.
    text : str
        From its ``X:`` to the empty line that ends it (ABC 2.1 §2.2).
    ours : Tune
    problems : tuple of Problem
        What our reader found wrong with it.
    """

    name: str
    text: str
    ours: Tune
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True)
class Event:
    """A note, chord, rest or gracenote: MIDI keys in rising order, and its length in whole notes (0 for a grace)."""

    keys: tuple[int, ...]
    length: Fraction
    is_grace: bool = False

    def __str__(self) -> str:
        keys = "+".join(map(str, self.keys)) or "rest"
        return f"{{{keys}}}" if self.is_grace else f"{keys}:{self.length}"


Events = tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """What a reader made of a tune: its events as written and as played (None where it does not say)."""

    written: Events
    played: Events | None


def corpus_folder(corpus: str) -> Path:
    """Return where a corpus lies."""
    found = importlib.util.find_spec("music21")
    assert found is not None
    assert found.origin is not None
    return Path(found.origin).parent / "corpus" / corpus


def corpus_texts(corpus: str) -> dict[str, str]:
    """Return the text of each file of a corpus by the file's name."""
    return {path.stem: path.read_text(encoding="utf-8") for path in sorted(corpus_folder(corpus).rglob("*.abc"))}


@functools.cache
def corpus_tunes(corpus: str) -> tuple[CorpusTune, ...]:
    """Return every tune of a corpus, each read by our reader from its own text."""
    tunes: dict[str, CorpusTune] = {}
    for stem, text in corpus_texts(corpus).items():
        for block in re.split(r"(?m)^(?=X:)", text)[1:]:
            alone = re.split(r"\n[ \t\r]*\n", block, maxsplit=1)[0] + "\n"
            book = read_book(alone, f"{stem}.abc")
            (tune,) = book.tunes
            name = f"{corpus} {stem} {tune.number}"
            while name in tunes:
                name += " again"
            tunes[name] = CorpusTune(name, alone, tune, book.problems)
    return tuple(tunes.values())


# -- ours -------------------------------------------------------------------------------------------------------


def read_by_us(tune: CorpusTune) -> Reading:
    """Return our own reading; not unfolded where the part order cannot be followed."""
    written = _ours(note for part in tune.ours.parts for bar in part.bars for note in bar.notes)
    try:
        played = _ours(note for one in played_bars(tune.ours) for note in one.bar.notes)
    except MusicError:
        return Reading(written, None)
    return Reading(written, played)


def _ours(notes: Iterable[Note]) -> Events:
    events: list[Event] = []
    for note in notes:
        events += [Event((grace.pitch.midi,), Fraction(0), True) for grace in note.graces]
        events.append(Event(tuple(sorted(pitch.midi for pitch in note.pitches)), note.length))
    return tuple(events)


# -- lytk -------------------------------------------------------------------------------------------------------


def read_by_lytk(text: str) -> Reading:
    """Return lytk's reading, its gracenotes by pitch; it does not unfold."""
    import lytk

    score = lytk.from_abc_string(text)
    parts = score.iter_parts()
    elements = [one for measure in parts[0].measures for voice in measure.voices[:1] for one in voice.elements]
    return Reading(tuple(_event_of_lytk(one) for one in elements), None)


def _event_of_lytk(element: Any) -> Event:
    length = Fraction(*element.duration_fraction)
    kind = type(element).__name__
    if kind == "Rest":
        return Event((), length)
    if kind == "Chord":
        return Event(tuple(sorted(note.midi for note in element.notes)), length)
    return Event((element.midi,), Fraction(0) if element.is_grace else length, element.is_grace)


# -- abcnotes ---------------------------------------------------------------------------------------------------


def read_by_abcnotes(text: str) -> Reading:
    """Return abcnotes' reading; not unfolded where it calls the repeats ambiguous.

    Raises
    ------
    ValueError
        If it cannot read the key.
    """
    import abcnotes

    tune = abcnotes.Tune(abc=text, strict=False)
    try:
        played = tuple(_events_of_abcnotes(token for bar in tune.expand_repeats() for token in bar))
    except abcnotes.RepeatError:
        played = None
    return Reading(tuple(_events_of_abcnotes(tune.tokens)), played)


def _events_of_abcnotes(tokens: Iterable[Any]) -> list[Event]:
    events: list[Event] = []
    chord: list[Any] | None = None
    for token in tokens:
        kind = type(token).__name__
        if kind == "ChordBracket":
            if chord:
                keys = tuple(sorted(60 + note.pitch.abs_value for note in chord))
                events.append(Event(keys, _length_of_abcnotes(chord[0])))
            chord = [] if token._text == "[" else None
        elif kind == "Note" and chord is not None:
            chord.append(token)
        elif kind == "Note":
            length = Fraction(0) if token.grace else _length_of_abcnotes(token)
            events.append(Event((60 + token.pitch.abs_value,), length, token.grace))
        elif kind == "Rest":
            events.append(Event((), _length_of_abcnotes(token)))
    return events


def _length_of_abcnotes(token: Any) -> Fraction:
    unit = Fraction(*token.time_sig._unit_len)
    if getattr(token, "symbol", "") in ("X", "Z") and token.time_sig._meter is not None:
        unit = Fraction(*token.time_sig._meter)
    return Fraction(*token.length) * unit


def grace_lengths_by_abcnotes(text: str) -> list[Fraction]:
    """Return the length of each gracenote as abcnotes has it, in units of what a note without a length is."""
    import abcnotes

    tokens = abcnotes.Tune(abc=text, strict=False).tokens
    return [Fraction(*token.length) for token in tokens if type(token).__name__ == "Note" and token.grace]


# -- music21 ----------------------------------------------------------------------------------------------------


def read_by_music21(text: str) -> Reading:
    """Return music21's reading; not unfolded where it refuses."""
    import music21

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        score = music21.converter.parse(text, format="abc", forceSource=True)
        part = score.parts[0] if score.parts else score
        written = _events_of_music21(part)
        try:
            played = _events_of_music21(part.expandRepeats())
        except (music21.exceptions21.Music21Exception, AttributeError, IndexError):
            played = None
    return Reading(written, played)


def _events_of_music21(part: Any) -> Events:
    return tuple(
        Event(
            tuple(sorted(pitch.midi for pitch in one.pitches)) if not one.isRest else (),
            Fraction(0) if one.duration.isGrace else Fraction(one.quarterLength).limit_denominator(10_000) / 4,
            one.duration.isGrace,
        )
        for one in part.recurse().notesAndRests
        if "Harmony" not in one.classes
    )


READERS: dict[str, Callable[[str], Reading]] = {
    "lytk": read_by_lytk,
    "abcnotes": read_by_abcnotes,
    "music21": read_by_music21,
}


def first_difference(ours: Sequence[Event], theirs: Sequence[Event]) -> int | None:
    """Return the index of the first event that differs, or None."""
    for index, (one, other) in enumerate(zip(ours, theirs, strict=False)):
        if one != other:
            return index
    return None if len(ours) == len(theirs) else min(len(ours), len(theirs))
