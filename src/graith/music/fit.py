"""Tunes in any key, moved onto the chanter: the moves that fit, best first, or the notes that do not.

A move is a number of semitones by which every note of the tune rises. It fits when every pitch that sounds, gracenotes
included, lands on one of the nine notes as they are written: G4 A4 B4 C♯5 D5 E5 F♯5 G5 A5.

Which fitting move is best is a matter of taste; this is the order taken here (common practice, no source):

1. where the tonal centre lands: on A, which the drones sound, then on D, B, G, E, F, C;
2. the fewest crossing fingers over the whole tune (see :mod:`graith.music.fingering`);
3. the smallest move.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

from graith.errors import MusicError, Place
from graith.music.fingering import crossing
from graith.music.model import HIGHLAND_PIPES, Bar, ChanterNote, Grace, Note, Part, Pitch, Tune

_BY_MIDI = {note.pitch.midi: note for note in ChanterNote}
_LOWEST, _HIGHEST = min(_BY_MIDI), max(_BY_MIDI)
_CENTRES = "ADBGEFC"
_TONIC = re.compile(r"([A-G])([#b]?)")
_STEP_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ANNOTATION_MARKS = ("^", "_", "<", ">", "@")


@dataclass(frozen=True, slots=True)
class KeyMove:
    """A move of a whole tune onto the chanter.

    Attributes
    ----------
    semitones : int
        Up when positive.
    centre : str
        The chanter's letter on which the tonal centre lands, one of A B C D E F G; empty when it lands on
        none (the tune never sounds its own tonal centre).
    lowest, highest : ChanterNote or None
        The outermost notes after the move; None where they do not fit.
    crossings : int
        Crossing fingers over the tune, each part once.
    """

    semitones: int
    centre: str
    lowest: ChanterNote | None
    highest: ChanterNote | None
    crossings: int

    def __str__(self) -> str:
        centre = f", tonal centre on {self.centre}" if self.centre else ""
        span = (
            f", {self.lowest.label} to {self.highest.label}"
            if self.lowest is not None and self.highest is not None
            else ""
        )
        return _in_words(self.semitones) + centre + span


@dataclass(frozen=True, slots=True)
class MisfitNote:
    """A pitch of the tune that a move does not bring onto the chanter.

    Attributes
    ----------
    pitch : Pitch
        As it stands in the tune.
    why : str
        ``"too low"``, ``"too high"``, ``"not in the scale"``, or ``"in a chord"`` for every note of a chord
        but its first.
    n_times : int
        How often it sounds.
    place : Place
        Where it stands first.
    """

    pitch: Pitch
    why: str
    n_times: int
    place: Place


@dataclass(frozen=True, slots=True)
class Misfit:
    """A move that nearly fits, and what does not."""

    move: KeyMove
    notes: tuple[MisfitNote, ...]

    @property
    def n_times(self) -> int:
        """How many notes of the tune do not fit."""
        return sum(note.n_times for note in self.notes)


def fits(tune: Tune) -> tuple[KeyMove, ...]:
    """Return every move that brings the whole tune onto the chanter, best first; empty when none does.

    Octaves count as moves of their own. A tune with chords has no fitting move: a chanter sounds one note.

    Examples
    --------
    >>> from fractions import Fraction
    >>> scale = tuple(Note((note.pitch,), Fraction(1, 8)) for note in ChanterNote)
    >>> tune = Tune(1, ("Scale",), (Part((Bar(scale, None, 1),)),), None)
    >>> [str(move) for move in fits(tune)]
    ['as it stands, tonal centre on A, low G to high A']
    """
    heard = _heard(tune)
    fitting = [move for move in _moves(heard) if not _misfit_notes(heard, move)]
    return tuple(sorted((_key_move(tune, move) for move in fitting), key=_rank))


def misfits(tune: Tune, n_moves: int = 3) -> tuple[Misfit, ...]:
    """Return the moves that leave the fewest notes off the chanter, with those notes; the nearest first.

    Parameters
    ----------
    tune : Tune
    n_moves : int
        How many moves to tell of.
    """
    heard = _heard(tune)
    found = [Misfit(_key_move(tune, move), notes) for move in _moves(heard) if (notes := _misfit_notes(heard, move))]
    found.sort(key=lambda misfit: (misfit.n_times, _rank(misfit.move)))
    return tuple(found[:n_moves])


def fitted(tune: Tune, move: KeyMove) -> Tune:
    """Return the tune moved onto the chanter, in ``K:HP``.

    Chord symbols fall away, since they no longer name the harmony; annotations stay.

    Raises
    ------
    MusicError
        If a note does not land on the chanter, or if the tune has chords.
    """
    wrong = _misfit_notes(_heard(tune), move.semitones)
    if wrong:
        n_wrong = sum(note.n_times for note in wrong)
        raise MusicError(
            f"{tune.title} does not fit the chanter {_in_words(move.semitones)}: {wrong[0].pitch} is {wrong[0].why} "
            f"({n_wrong} {'note does' if n_wrong == 1 else 'notes do'} not fit). Choose another move."
        )
    parts = tuple(_moved_part(part, move.semitones) for part in tune.parts)
    return replace(tune, parts=parts, key=HIGHLAND_PIPES)


def _in_words(semitones: int) -> str:
    if semitones == 0:
        return "as it stands"
    unit = "semitone" if abs(semitones) == 1 else "semitones"
    return f"{'up' if semitones > 0 else 'down'} {abs(semitones)} {unit}"


def _notes(tune: Tune) -> Iterator[tuple[Bar, Note]]:
    for part in tune.parts:
        for bar in part.bars:
            for note in bar.notes:
                yield bar, note


@dataclass(slots=True)
class _Heard:
    """A pitch of the tune, whether it only thickens chords, how often it sounds and where first."""

    pitch: Pitch
    in_chord: bool
    place: Place
    n_times: int = 0


def _heard(tune: Tune) -> list[_Heard]:
    found: dict[tuple[Pitch, bool], _Heard] = {}
    for bar, note in _notes(tune):
        single = [(grace.pitch, False) for grace in note.graces] + [(pitch, False) for pitch in note.pitches[:1]]
        for pitch, in_chord in single + [(pitch, True) for pitch in note.pitches[1:]]:
            heard = found.setdefault((pitch, in_chord), _Heard(pitch, in_chord, bar.place))
            heard.n_times += 1
    return sorted(found.values(), key=lambda heard: heard.pitch.midi)


def _moves(heard: list[_Heard]) -> range:
    """Return every move that leaves at least one note within the chanter's range."""
    if not heard:
        return range(0)
    return range(_LOWEST - heard[-1].pitch.midi, _HIGHEST - heard[0].pitch.midi + 1)


def _key_move(tune: Tune, semitones: int) -> KeyMove:
    landed = [
        _BY_MIDI.get(note.pitches[0].midi + semitones) if len(note.pitches) == 1 else None for _, note in _notes(tune)
    ]
    midis = [heard.pitch.midi for heard in _heard(tune)]
    return KeyMove(
        semitones,
        _centre_letter(tune, semitones),
        _BY_MIDI.get(min(midis) + semitones),
        _BY_MIDI.get(max(midis) + semitones),
        sum(crossing(first, second) for first, second in pairwise(landed) if first is not None and second is not None),
    )


def _centre_letter(tune: Tune, semitones: int) -> str:
    tonic = _tonic_pitch_class(tune)
    for note in ChanterNote:
        if tonic is not None and (note.pitch.midi - tonic - semitones) % 12 == 0:
            return note.pitch.letter
    return ""


def _tonic_pitch_class(tune: Tune) -> int | None:
    # The key's tonic; A for the pipe keys; the last note's pitch when the key names none.
    if tune.key.is_pipes:
        return _STEP_SEMITONES["A"]
    named = _TONIC.match(tune.key.text)
    if named is not None:
        return (_STEP_SEMITONES[named[1]] + {"": 0, "#": 1, "b": -1}[named[2]]) % 12
    pitches = [note.pitches[0] for _, note in _notes(tune) if note.pitches]
    return pitches[-1].midi % 12 if pitches else None


def _rank(move: KeyMove) -> tuple[int, int, int, int]:
    place = _CENTRES.index(move.centre) if move.centre else len(_CENTRES)
    return (place, move.crossings, abs(move.semitones), move.semitones)


def _misfit_notes(heard: list[_Heard], semitones: int) -> tuple[MisfitNote, ...]:
    return tuple(
        MisfitNote(one.pitch, why, one.n_times, one.place) for one in heard if (why := _why_not(one, semitones))
    )


def _why_not(heard: _Heard, semitones: int) -> str:
    midi = heard.pitch.midi + semitones
    if heard.in_chord:
        return "in a chord"
    if midi in _BY_MIDI:
        return ""
    if midi < _LOWEST:
        return "too low"
    return "too high" if midi > _HIGHEST else "not in the scale"


def _moved_part(part: Part, semitones: int) -> Part:
    return replace(part, bars=tuple(_moved_bar(bar, semitones) for bar in part.bars))


def _moved_bar(bar: Bar, semitones: int) -> Bar:
    return replace(
        bar,
        notes=tuple(_moved_note(note, semitones) for note in bar.notes),
        changes=tuple(change for change in bar.changes if change[0] != "K"),
        key=HIGHLAND_PIPES,
    )


def _moved_note(note: Note, semitones: int) -> Note:
    return replace(
        note,
        pitches=tuple(_BY_MIDI[pitch.midi + semitones].pitch for pitch in note.pitches),
        graces=tuple(Grace(_BY_MIDI[grace.pitch.midi + semitones].pitch, grace.length) for grace in note.graces),
        texts=tuple(text for text in note.texts if text.startswith(_ANNOTATION_MARKS)),
    )
