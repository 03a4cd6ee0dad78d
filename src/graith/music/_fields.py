"""What the values of single ABC fields mean: metre, unit, tempo, endings, user symbols."""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache

from graith.errors import MusicError
from graith.music.model import Metre, Tempo

_METRE = re.compile(r"\(?\s*(\d{1,3}(?:\s*\+\s*\d{1,3})*)\s*\)?\s*/\s*(\d{1,3})")
_LENGTH = re.compile(r"(\d{1,4})(?:\s*/\s*(\d{1,4}))?")
_TEMPO = re.compile(r"((?:\d{1,4}/\d{1,4}\s*)+)=\s*(\d{1,5}(?:\.\d{1,12})?)")
_OLD_TEMPO = re.compile(r"(?:C(\d{0,3})\s*=\s*)?(\d{1,5}(?:\.\d{1,12})?)")
_QUOTED = re.compile(r'"[^"]*"')
_PASSES = re.compile(r"(\d{1,3})(?:-(\d{1,3}))?")
_USER_SYMBOL = re.compile(r"([H-Wh-w~])\s*=\s*[!+]?([^!+\s]+)[!+]?")
_LARGEST_PASS = 64


@lru_cache(maxsize=512)
def metre_named(text: str) -> Metre | None:
    """Return the metre of an ``M:`` field, None for free metre (ABC 2.1 §3.1.6).

    Raises
    ------
    MusicError
        If the text is no metre.
    """
    tidy = text.strip()
    if tidy in ("", "none"):
        return None
    if tidy == "C":
        return Metre(4, 4, "C")
    if tidy == "C|":
        return Metre(2, 2, "C|")
    found = _METRE.fullmatch(tidy)
    if found is None:
        raise MusicError(f"{tidy!r} is no metre. Write it as 6/8, C, C| or none.")
    beats = sum(int(count) for count in found[1].split("+"))
    unit = int(found[2])
    if beats == 0 or unit == 0 or unit & (unit - 1):
        raise MusicError(f"{tidy!r} is no metre: it needs beats, and a unit of 1, 2, 4, 8, 16 or 32.")
    return Metre(beats, unit, tidy)


def usual_unit(metre: Metre | None) -> Fraction:
    """Return the unit length a metre implies when ``L:`` is not given (ABC 2.1 §3.1.7)."""
    if metre is not None and metre.length < Fraction(3, 4):
        return Fraction(1, 16)
    return Fraction(1, 8)


@lru_cache(maxsize=64)
def unit_named(text: str) -> Fraction:
    """Return the unit length of an ``L:`` field, in whole notes (ABC 2.1 §3.1.7).

    Raises
    ------
    MusicError
        If the text is no length.
    """
    found = _LENGTH.fullmatch(text.strip())
    count, value = (int(found[1]), int(found[2] or 1)) if found else (0, 0)
    if count == 0 or value == 0 or value & (value - 1):
        raise MusicError(f"{text.strip()!r} is no unit length. Write it as 1/8.")
    return Fraction(count, value)


def tempo_named(text: str, unit: Fraction) -> Tempo | None:
    """Return the tempo of a ``Q:`` field; None when it holds only words in quotes.

    ``1/4=80`` and ``3/8 3/8=40`` are ABC 2.1 §3.1.8; a bare number and ``C=`` count unit lengths (§10.1, outdated).

    Raises
    ------
    MusicError
        If there is neither a tempo nor a quoted word.
    """
    bare = _QUOTED.sub("", text).strip()
    if not bare and text.strip():
        return None
    if found := _TEMPO.fullmatch(bare):
        beat = Fraction(0)
        for length in found[1].split():
            numerator, denominator = (int(figure) for figure in length.split("/"))
            if numerator == 0 or denominator == 0:
                break
            beat += Fraction(numerator, denominator)
        else:
            return _tempo(float(found[2]), beat, text)
    elif found := _OLD_TEMPO.fullmatch(bare):
        return _tempo(float(found[2]), unit * int(found[1] or 1), text)
    raise MusicError(f"{text.strip()!r} is no tempo. Write it as 1/4=80.")


def _tempo(bpm: float, beat: Fraction, text: str) -> Tempo:
    if bpm == 0 or beat == 0:
        raise MusicError(f"The tempo {text.strip()!r} counts nothing. Write it as 1/4=80.")
    return Tempo(bpm, beat, text.strip())


@lru_cache(maxsize=512)
def passes_named(text: str) -> tuple[int, ...]:
    """Return the passes of an ending: ``"1,3"`` and ``"1-3"`` (ABC 2.1 §4.10).

    Raises
    ------
    MusicError
        If the text is no list of numbers from 1 to 64.
    """
    passes: list[int] = []
    for piece in text.strip(",-").split(","):
        found = _PASSES.fullmatch(piece)
        first, last = (int(found[1]), int(found[2] or found[1])) if found else (0, 0)
        if not 1 <= first <= last <= _LARGEST_PASS:
            raise MusicError(f"An ending is numbered {text!r}; write passes such as 1, 2 or 1,3 or 1-3.")
        passes.extend(range(first, last + 1))
    return tuple(passes)


def user_symbol(text: str) -> tuple[str, str] | None:
    """Return the letter and the decoration a ``U:`` field binds to it, or None (ABC 2.1 §4.16)."""
    found = _USER_SYMBOL.match(text.strip())
    return (found[1], found[2]) if found else None


def names_key(text: str) -> bool:
    """Return whether a ``K:`` field among the music names a key; clef words alone change none."""
    first = text.split(" ")[0] if text else "none"
    return first[:1] in "ABCDEFGH" or first.casefold().startswith("none")
