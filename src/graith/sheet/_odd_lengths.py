"""Lengths that no note value shows, such as a third of a crotchet: written as members of a tuplet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby

from graith.music.model import Note, Tuplet


def notated(notes: Sequence[Note]) -> Sequence[Note]:
    """Return a bar's notes as they can be printed, each as long as before.

    A written length of 1/12 is a quaver under a 3; notes side by side that need the same figure share it.

    Examples
    --------
    >>> from fractions import Fraction
    >>> third = Note((), Fraction(1, 12))
    >>> [(str(note.written), note.length == third.length) for note in notated((third, third))]
    [('1/8', True), ('1/8', True)]
    """
    if all(_odd_share(note) == 1 for note in notes):
        return notes
    written: list[Note] = []
    for (share, _), run in groupby(notes, key=lambda note: (_odd_share(note), note.tuplet is None)):
        row = list(run)
        written += row if share == 1 else [_in_tuplet(note, share, len(row), index) for index, note in enumerate(row)]
    return written


def _odd_share(note: Note) -> int:
    """Return the odd factor of a written length's denominator: 1 for every plain note value."""
    denominator = note.written.denominator
    return denominator // (denominator & -denominator)


def _in_tuplet(note: Note, actual: int, count: int, index: int) -> Note:
    normal = 1 << (actual.bit_length() - 1)
    written = note.written * actual / normal
    if note.tuplet is None:
        return replace(note, written=written, tuplet=Tuplet(actual, normal, count, index))
    both = replace(note.tuplet, actual=note.tuplet.actual * actual, normal=note.tuplet.normal * normal)
    return replace(note, written=written, tuplet=both)
