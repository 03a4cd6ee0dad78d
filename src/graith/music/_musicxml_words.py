"""The words MusicXML and the model share: note types, bar styles, key signatures, signs on a note.

Source: the MusicXML 4.0 specification (W3C Music Notation Community Group, 2021).
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache

from graith.music.model import BarLine

TYPE_LENGTHS: dict[str, Fraction] = {
    "maxima": Fraction(8),
    "long": Fraction(4),
    "breve": Fraction(2),
    "whole": Fraction(1),
    "half": Fraction(1, 2),
    "quarter": Fraction(1, 4),
    "eighth": Fraction(1, 8),
    "16th": Fraction(1, 16),
    "32nd": Fraction(1, 32),
    "64th": Fraction(1, 64),
    "128th": Fraction(1, 128),
    "256th": Fraction(1, 256),
    "512th": Fraction(1, 512),
    "1024th": Fraction(1, 1024),
}

BAR_STYLES: dict[BarLine, str] = {
    BarLine.SINGLE: "regular",
    BarLine.DOUBLE: "light-light",
    BarLine.END: "light-heavy",
    BarLine.START: "heavy-light",
    BarLine.DOTTED: "dotted",
    BarLine.INVISIBLE: "none",
    BarLine.NONE: "none",
}

LINES_OF_STYLE: dict[str, BarLine] = {
    "regular": BarLine.SINGLE,
    "light-light": BarLine.DOUBLE,
    "light-heavy": BarLine.END,
    "heavy-heavy": BarLine.END,
    "heavy": BarLine.END,
    "heavy-light": BarLine.START,
    "dotted": BarLine.DOTTED,
    "dashed": BarLine.DOTTED,
    "tick": BarLine.SINGLE,
    "short": BarLine.SINGLE,
    "none": BarLine.INVISIBLE,
}

ARTICULATIONS: dict[str, str] = {
    "accent": "accent",
    ">": "accent",
    "emphasis": "accent",
    ".": "staccato",
    "tenuto": "tenuto",
    "wedge": "staccatissimo",
    "breath": "breath-mark",
}
"""ABC decorations that are MusicXML articulations."""

ORNAMENTS: dict[str, str] = {
    "trill": "trill-mark",
    "T": "trill-mark",
    "turn": "turn",
    "invertedturn": "inverted-turn",
    "uppermordent": "inverted-mordent",
    "pralltriller": "inverted-mordent",
    "P": "inverted-mordent",
    "lowermordent": "mordent",
    "mordent": "mordent",
    "M": "mordent",
}

FERMATAS = ("fermata", "H")

DECORATION_OF_ELEMENT: dict[str, str] = {
    "accent": "accent",
    "strong-accent": "accent",
    "staccato": ".",
    "tenuto": "tenuto",
    "staccatissimo": "wedge",
    "breath-mark": "breath",
    "trill-mark": "trill",
    "turn": "turn",
    "inverted-turn": "invertedturn",
    "inverted-mordent": "uppermordent",
    "mordent": "lowermordent",
}

_SHARPS_IN_ORDER = "FCGDAEB"
_STEPS = "CDEFGAB"

Alters = tuple[int, int, int, int, int, int, int]

_FIFTHS_OF_MODE = {
    "major": 0, "ionian": 0, "minor": -3, "aeolian": -3, "dorian": -2, "phrygian": -4, "lydian": 1, "mixolydian": -1,
    "locrian": -5,
}  # fmt: skip
_ABC_MODE = {
    "major": "", "ionian": "", "minor": "m", "aeolian": "m", "dorian": "dor", "phrygian": "phr", "lydian": "lyd",
    "mixolydian": "mix", "locrian": "loc",
}  # fmt: skip


_MODE_OF_ABC = {
    "": "major", "maj": "major", "ion": "ionian", "m": "minor", "min": "minor", "aeo": "aeolian", "dor": "dorian",
    "phr": "phrygian", "lyd": "lydian", "mix": "mixolydian", "loc": "locrian",
}  # fmt: skip
_TONIC_AND_MODE = re.compile(r"[A-G][#b]?\s*([A-Za-z]*)")


def mode_of_key(text: str) -> str | None:
    """Return MusicXML's word for the mode of an ABC key, or None when the key has none.

    Examples
    --------
    >>> mode_of_key("Amix"), mode_of_key("E Minor"), mode_of_key("HP")
    ('mixolydian', 'minor', None)
    """
    found = _TONIC_AND_MODE.match(text)
    if found is None:
        return None
    short = found[1].casefold()
    return _MODE_OF_ABC.get(short if short == "m" else short[:3])


def signature_alters(fifths: int) -> Alters:
    """Return what a signature of so many sharps (flats when negative) does to C D E F G A B.

    Examples
    --------
    >>> signature_alters(2)
    (1, 0, 0, 1, 0, 0, 0)
    """
    order = _SHARPS_IN_ORDER if fifths > 0 else _SHARPS_IN_ORDER[::-1]
    altered = order[: abs(fifths)]
    sign = 1 if fifths > 0 else -1
    c, d, e, f, g, a, b = (sign if letter in altered else 0 for letter in _STEPS)
    return (c, d, e, f, g, a, b)


def signature_fifths(alters: Alters) -> int | None:
    """Return the number of sharps (flats when negative) of a signature, or None when it is none of the usual ones."""
    return next((fifths for fifths in range(-7, 8) if signature_alters(fifths) == alters), None)


def abc_key(fifths: int, mode: str) -> str:
    """Return the ABC name of a signature and mode; a mode that is not known is taken for major.

    Examples
    --------
    >>> abc_key(2, "mixolydian"), abc_key(-3, "major"), abc_key(0, "minor")
    ('Amix', 'Eb', 'Am')
    """
    known = mode if mode in _FIFTHS_OF_MODE else "major"
    tonic_fifths = fifths - _FIFTHS_OF_MODE[known]  # of the tonic, C = 0
    index = tonic_fifths + 1  # in F C G D A E B
    sign = "#" * max(0, index // 7) + "b" * max(0, -(index // 7))
    return _SHARPS_IN_ORDER[index % 7] + sign + _ABC_MODE[known]


@lru_cache(maxsize=1024)
def type_and_dots(length: Fraction) -> tuple[str, int] | None:
    """Return the note type and dots of a written length, or None when one note cannot hold it.

    Examples
    --------
    >>> type_and_dots(Fraction(7, 16)), type_and_dots(Fraction(5, 8))
    (('quarter', 2), None)
    """
    for name, plain in TYPE_LENGTHS.items():
        for n_dots in range(5):
            if plain * (2 - Fraction(1, 2**n_dots)) == length:
                return name, n_dots
    return None


@lru_cache(maxsize=1024)
def tied_lengths(length: Fraction) -> tuple[Fraction, ...]:
    """Return a length as the fewest single notes tied, longest first.

    Lengths below a 1024th are beyond MusicXML's note types; what is left of one is kept as the last piece.

    Examples
    --------
    >>> tied_lengths(Fraction(5, 8))
    (Fraction(1, 2), Fraction(1, 8))
    """
    pieces = []
    while length > 0 and type_and_dots(length) is None:
        largest = next((plain for plain in TYPE_LENGTHS.values() if plain <= length), None)
        if largest is None:
            break
        pieces.append(largest)
        length -= largest
    return (*pieces, length) if length > 0 else tuple(pieces)
