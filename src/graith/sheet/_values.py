"""Written lengths as note values: which head, how many dots, and ties where one value will not do."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache

from graith.errors import SheetError

_LONGEST = Fraction(64)
_SHORTEST = Fraction(1, 1024)
_DOTS_OF_NUMERATOR = {1: 0, 3: 1, 7: 2}
_NAMES_OF_LONG = {2: "breve", 4: "long"}
_NAMES = {"1": "semibreve", "2": "minim", "4": "crotchet", "8": "quaver", "16": "semiquaver"}


def _value_name(base: Fraction) -> str:
    if base > 1:
        return _NAMES_OF_LONG[int(base)]
    return str(base.denominator)


def _as_one_value(length: Fraction) -> tuple[str, int] | None:
    """Return the MEI name and dots of a length that one note can show, else None."""
    odd = length.numerator
    while odd % 2 == 0:
        odd //= 2
    dots = _DOTS_OF_NUMERATOR.get(odd)
    if dots is None:
        return None
    base = length * (1 << dots) / ((2 << dots) - 1)
    return None if base > 1 and base not in _NAMES_OF_LONG else (_value_name(base), dots)


@lru_cache(maxsize=512)
def note_values(length: Fraction) -> tuple[tuple[str, int], ...]:
    """Return the note values, tied together, that show a written length: pairs of MEI ``dur`` and dots.

    One pair nearly always; a length such as 5/8 needs two, the longer one first.

    Parameters
    ----------
    length : Fraction
        In whole notes, from 1/1024 to 64, its denominator a power of two.

    Raises
    ------
    SheetError
        If no note, dotted or tied, shows that length.

    Examples
    --------
    >>> note_values(Fraction(3, 16)), note_values(Fraction(5, 8))
    ((('8', 1),), (('2', 0), ('8', 0)))
    """
    denominator = length.denominator
    if not _SHORTEST <= length <= _LONGEST or denominator & (denominator - 1) or denominator > _SHORTEST.denominator:
        raise SheetError(
            f"A written length of {length} of a whole note has no note value; use lengths made of halves, "
            f"from {_SHORTEST} up to {_LONGEST}, and a triplet sign for thirds."
        )
    one = _as_one_value(length)
    if one is not None:
        return (one,)
    base = Fraction(4)
    while base > length:
        base /= 2
    return (*note_values(base), *note_values(length - base))


def beat_name(beat_length: Fraction) -> str:
    """Return a beat in words, or its fraction of a whole note when no single note shows it.

    Examples
    --------
    >>> beat_name(Fraction(3, 8)), beat_name(Fraction(5, 8))
    ('dotted crotchet', '5/8')
    """
    value = beat_value(beat_length)
    if value is None or value[0] not in _NAMES:
        return str(beat_length)
    return ("", "dotted ", "double dotted ")[value[1]] + _NAMES[value[0]]


def beat_value(beat_length: Fraction) -> tuple[str, int] | None:
    """Return the note value of a beat as MEI ``dur`` and dots, or None when no single note shows it."""
    try:
        values = note_values(beat_length)
    except SheetError:
        return None
    return values[0] if len(values) == 1 else None
