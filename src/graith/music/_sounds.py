"""The smallest pieces of ABC music: a note's pitch and length, a broken rhythm's shares, a tuplet's figures."""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

from graith.errors import MusicError
from graith.music.model import Key, Metre, Pitch

LENGTH = r"\d*/*\d*"
_SOUND = re.compile(r"([_^=]*)([A-Ga-gzx])([,']*)(\d*)(/*)(\d*)")
_ALTER_OF_SIGN = {"^": 1, "^^": 2, "_": -1, "__": -2, "=": 0}
_DIATONIC_OF_LETTER = {letter: 28 + step for step, letter in enumerate("CDEFGABcdefgab")}
_TUPLET_NORMAL = {2: 3, 3: 2, 4: 3, 6: 2, 8: 3}
_MOST_DIGITS = 30
_MOST_SLASHES = 8
_MOST_OCTAVES = 8
_DEEPEST_DOTTING = 6

Scale = tuple[int, int]
"""A factor of a length: numerator and denominator."""


class Sound(NamedTuple):
    """A note's or rest's own text, understood; ``alter`` is None where the text writes no accidental."""

    pitches: tuple[Pitch, ...]
    written: Fraction
    alter: int | None
    invisible: bool = False


class TupletFigures(NamedTuple):
    """``actual`` notes in the time of ``normal``, for the next ``n_notes`` notes."""

    actual: int
    normal: int
    n_notes: int


def sound_of(text: str, unit: Fraction, key: Key) -> Sound:
    """Return what a note or rest such as ``^f3/2`` or ``z2`` means (ABC 2.1 §4.1 to §4.5).

    Raises
    ------
    MusicError
        If the accidental, the octave or the length cannot be.

    Examples
    --------
    >>> sound_of("e3/2", Fraction(1, 8), Key("HP", (1, 0, 0, 1, 0, 0, 0))).written
    Fraction(3, 16)
    """
    found = _SOUND.fullmatch(text)
    if found is None:
        raise MusicError(f"{text!r} is no note")
    sign, letter, octaves, count, slashes, divisor = found.groups()
    written = unit * _length_factor(count, slashes, divisor)
    if letter in "zx":
        return Sound((), written, None, letter == "x")
    if sign and sign not in _ALTER_OF_SIGN:
        raise MusicError(f"{sign!r} is no accidental in {text[:20]!r}; use ^ ^^ = _ or __")
    shift = octaves.count("'") - octaves.count(",")
    if abs(shift) > _MOST_OCTAVES:
        raise MusicError(f"{text[:20]!r} lies {abs(shift)} octaves away")
    diatonic = _DIATONIC_OF_LETTER[letter] + 7 * shift
    alter = _ALTER_OF_SIGN[sign] if sign else None
    return Sound((Pitch(diatonic, key.alters[diatonic % 7] if alter is None else alter),), written, alter)


def factor_of(text: str) -> Fraction:
    """Return the factor a length such as ``3/2`` stands for (ABC 2.1 §4.3).

    Raises
    ------
    MusicError
        If it is zero or no length.
    """
    found = _SOUND.fullmatch("C" + text)
    if found is None:
        raise MusicError(f"{text[:20]!r} is no length")
    return _length_factor(found[4], found[5], found[6])


@lru_cache(maxsize=1024)
def _length_factor(count: str, slashes: str, divisor: str) -> Fraction:
    if len(count) <= _MOST_DIGITS and len(divisor) <= _MOST_DIGITS and len(slashes) <= _MOST_SLASHES:
        numerator = int(count or 1)
        denominator = 2 ** len(slashes) if not divisor else int(divisor) * 2 ** (len(slashes) - 1)
        if numerator and denominator:
            return Fraction(numerator, denominator)
    raise MusicError(f"{count}{slashes}{divisor} is no length; write a number, a slash, or a fraction such as 3/2")


def shares_of(text: str) -> tuple[Scale, Scale]:
    """Return how ``>``, ``>>``, ``<`` ... change the note before and the note after (ABC 2.1 §4.4).

    Raises
    ------
    MusicError
        If the signs are mixed or more than six.

    Examples
    --------
    >>> shares_of(">>")
    ((7, 4), (1, 4))
    """
    depth = len(text)
    if text != text[0] * depth or depth > _DEEPEST_DOTTING:
        raise MusicError(f"{text[:20]!r} is no broken rhythm; use > >> >>> or < << <<<")
    part = 2**depth
    long, short = (2 * part - 1, part), (1, part)
    return (long, short) if text[0] == ">" else (short, long)


def takes_three(metre: Metre | None) -> bool:
    """Return whether (5, (7 and (9 take the time of three: in 6/8, 9/8 and 12/8 (ABC 2.1 §4.13)."""
    return metre is not None and metre.is_compound and metre.beats > 3


def usual_tuplet_normal(actual: int, in_three: bool) -> int:
    """Return how many notes' time a tuplet takes when it does not say (ABC 2.1 §4.13).

    Examples
    --------
    >>> usual_tuplet_normal(5, takes_three(Metre(6, 8))), usual_tuplet_normal(5, takes_three(Metre(2, 4)))
    (3, 2)
    """
    return _TUPLET_NORMAL.get(actual, 3 if in_three else 2)


def tuplet_of(text: str, in_three: bool) -> TupletFigures:
    """Return the figures of ``(3``, ``(3:2``, ``(3::2`` or ``(3:2:4`` (ABC 2.1 §4.13).

    Raises
    ------
    MusicError
        If a figure is zero or larger than 99, or a tuplet of more than nine does not say whose time it takes.
    """
    figures = text[1:].split(":")
    if all(len(figure) <= 2 for figure in figures):
        actual = int(figures[0])
        normal = int(figures[1]) if len(figures) > 1 and figures[1] else 0
        count = int(figures[2]) if len(figures) > 2 and figures[2] else actual
        if actual > 9 and not normal:
            raise MusicError(f"{text!r} does not say whose time it takes; write it as ({actual}:8")
        normal = normal or usual_tuplet_normal(actual, in_three)
        if actual and count and (actual > 1 or len(figures) > 1) and "0" not in figures and "00" not in figures:
            return TupletFigures(actual, normal, count)
    raise MusicError(f"{text[:20]!r} is no tuplet; write it as (3 or (3:2:4")
