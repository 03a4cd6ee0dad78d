"""Signs that hold for more than a note: metre and key signatures, tempo marks, bar lines."""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache

from graith.music.model import BarLine, Key, Metre, Tempo
from graith.sheet._text import bpm_text, tempo_says, xml_text
from graith.sheet._values import beat_name, beat_value

_SHARP_ORDER = "FCGDAEB"
_LETTERS = "CDEFGAB"
_BEAT_GLYPHS = {"1": "\ue1d2", "2": "\ue1d3", "4": "\ue1d5", "8": "\ue1d7", "16": "\ue1d9"}
_DOT_GLYPH = "\ue1e7"
_BEAT_TEXTS = {"4": "♩", "8": "♪"}
_ADDED_BEATS = re.compile(r"\(?(\d+(?:\+\d+)+)\)?/\d+")
_TEMPO_FIELD = re.compile(r"(?:\"[^\"]*\"\s*)?(\d+)/(\d+)\s*=\s*(\d+(?:\.\d+)?)")

RIGHT_LINES = {
    BarLine.SINGLE: "single",
    BarLine.DOUBLE: "dbl",
    BarLine.END: "end",
    BarLine.START: "dbl",
    BarLine.DOTTED: "dotted",
    BarLine.INVISIBLE: "invis",
    BarLine.NONE: "invis",
}
"""What each closing line of a bar is in MEI."""


def metre_attributes(metre: Metre | None) -> str:
    """Return a metre as attributes of an MEI ``scoreDef``; free metre has none."""
    if metre is None:
        return ""
    added = _ADDED_BEATS.fullmatch(metre.text.strip())
    sign = {"C": ' meter.sym="common"', "C|": ' meter.sym="cut"'}.get(metre.text.strip(), "")
    return f' meter.count="{added[1] if added else metre.beats}" meter.unit="{metre.unit}"{sign}'


def key_attributes(key: Key) -> str:
    """Return a signature as an attribute of ``scoreDef``; nothing is printed under K:HP.

    A signature that no number of sharps or flats gives is an element instead: :func:`odd_signature`.
    """
    if not key.printed:
        return ' keysig="0"'
    if odd_signature(key):
        return ""
    sharps, flats = sum(alter > 0 for alter in key.alters), sum(alter < 0 for alter in key.alters)
    return f' keysig="{sharps}s"' if sharps else f' keysig="{flats}f"' if flats else ' keysig="0"'


@lru_cache(maxsize=64)
def odd_signature(key: Key) -> str:
    """Return a ``keySig`` element for a key whose signs stand in no usual order; empty for the usual ones."""
    if not key.printed:
        return ""
    sharps = {letter for letter, alter in zip(_LETTERS, key.alters, strict=True) if alter > 0}
    flats = {letter for letter, alter in zip(_LETTERS, key.alters, strict=True) if alter < 0}
    usual_sharps = not flats and sharps == set(_SHARP_ORDER[: len(sharps)])
    usual_flats = not sharps and flats == set(_SHARP_ORDER[::-1][: len(flats)])
    if usual_sharps or usual_flats:
        return ""
    signs = "".join(
        f'<keyAccid pname="{letter.lower()}" accid="{"s" if letter in sharps else "f"}" '
        f'oct="{4 if letter in "AB" else 5}"/>'
        for letter in _SHARP_ORDER
        if letter in sharps or letter in flats
    )
    return f"<keySig>{signs}</keySig>"


def tempo_mark(tempo: Tempo, *, music_font: bool) -> str:
    """Return a tempo as an MEI element at its bar's beginning; empty when it says nothing.

    With ``music_font`` the beat is a glyph that readers of MEI draw from their music font (SMuFL); without, it is
    text that every font of words can show.
    """
    words = xml_text(tempo_says(tempo.text))
    value = beat_value(tempo.beat_length)
    if value is None:
        return f'<tempo tstamp="1" staff="1" place="above">{words}</tempo>' if words else ""
    name, dots = value
    if music_font and name in _BEAT_GLYPHS:
        beat = f'<rend glyph.auth="smufl" fontstyle="normal">{_BEAT_GLYPHS[name]}{_DOT_GLYPH * dots}</rend>'
    else:
        beat = _BEAT_TEXTS[name] + "." * dots if name in _BEAT_TEXTS else beat_name(tempo.beat_length)
    dotted = f' mm.dots="{dots}"' if dots else ""
    return (
        f'<tempo tstamp="1" staff="1" place="above" mm="{bpm_text(tempo.bpm)}" mm.unit="{name}"{dotted}>'
        f"{words + ' ' if words else ''}{beat}"
        f" = {bpm_text(tempo.bpm)}</tempo>"
    )


def tempo_of_field(text: str) -> Tempo | None:
    """Return the tempo of a ``Q:`` field inside a tune, or None when it is none of the form ``1/4=80``."""
    found = _TEMPO_FIELD.match(text.strip())
    if found is None or not int(found[1]) or not int(found[2]) or not float(found[3]):
        return None
    return Tempo(float(found[3]), Fraction(int(found[1]), int(found[2])), text)
