"""Key signatures: what an ABC ``K:`` field does to each letter, for the two pipe keys and all others.

Source: ABC 2.1 §3.1.14 (key, modes, explicit accidentals, HP and Hp).
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache

from graith.errors import MusicError
from graith.music.model import HIGHLAND_PIPES, HIGHLAND_PIPES_PRINTED, Key

_STEPS = "CDEFGAB"
_FIFTHS_OF_TONIC = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}
_FIFTHS_OF_MODE = {
    "": 0, "maj": 0, "ion": 0, "mix": -1, "dor": -2, "m": -3, "min": -3, "aeo": -3, "phr": -4, "loc": -5, "lyd": 1,
}  # fmt: skip
_SHARPS_IN_ORDER = "FCGDAEB"
_ALTER_OF_SIGN = {"^": 1, "^^": 2, "_": -1, "__": -2, "=": 0}
_TONIC = re.compile(r"([A-G])([#b]?)\s*([A-Za-z]*)")
_ACCIDENTAL = re.compile(r"(\^{1,2}|_{1,2}|=)([A-Ga-g])")
_CLEF_WORDS = re.compile(
    r"[A-Za-z]+[:\w-]*=.*|(?:treble|bass|alto|tenor|perc|none)\d?(?:[+-]8)?|[+-]8", re.IGNORECASE
)  # fmt: skip

PIPE_GRACE_UNIT = Fraction(1, 32)
COMMON_GRACE_UNIT = Fraction(1, 16)


def grace_unit(key: Key) -> Fraction:
    """Return the length of a gracenote written without a length, in whole notes.

    1/32 in the pipe keys (ABC 2.1 §4.12 names it for Highland pipe music), 1/16 elsewhere
    (common practice, no source: the standard leaves it to the software).

    Examples
    --------
    >>> grace_unit(key_named("HP"))
    Fraction(1, 32)
    """
    return PIPE_GRACE_UNIT if key.is_pipes else COMMON_GRACE_UNIT


@lru_cache(maxsize=512)
def key_named(text: str) -> Key:
    """Return the key an ABC ``K:`` field names.

    Parameters
    ----------
    text : str
        The field without its ``K:``, such as ``"HP"``, ``"Amix"``, ``"E Minor"``, ``"D exp _b _e ^f"``.
        Clef words are kept in the key's text and change nothing.

    Raises
    ------
    MusicError
        If the tonic or the mode is none that the standard knows.

    References
    ----------
    ABC 2.1 §3.1.14.

    Examples
    --------
    >>> key_named("D").alters
    (1, 0, 0, 1, 0, 0, 0)
    >>> key_named("Ador") .alters == key_named("G").alters
    True
    """
    words = text.split()
    tidy = " ".join(words)
    if words and words[0] in ("HP", "Hp"):
        plain = HIGHLAND_PIPES if words[0] == "HP" else HIGHLAND_PIPES_PRINTED
        return plain if tidy == plain.text else Key(tidy, plain.alters, plain.printed)
    tonic, rest = _split_tonic(tidy)
    alters = _signature(_fifths(tonic, tidy)) if tonic else [0] * 7
    explicit, accidentals = _extras(rest, tidy)
    if explicit:
        alters = [0] * 7
    for sign, letter in accidentals:
        alters[_STEPS.index(letter.upper())] = _ALTER_OF_SIGN[sign]
    c, d, e, f, g, a, b = alters
    return Key(tidy, (c, d, e, f, g, a, b))


def _split_tonic(text: str) -> tuple[tuple[str, str, str] | None, str]:
    """Split ``"E Minor ^f"`` into its tonic, sign and mode, and the rest."""
    if not text or text.split(" ")[0].casefold() == "none":
        return None, text[4:]
    found = _TONIC.match(text)
    if found is None:
        if _is_clef_only(text):
            return None, text
        raise MusicError(f"There is no key called {text!r}. Write HP for pipe music, or a tonic and mode such as Amix.")
    tonic, sign, mode = found.groups()
    if mode.casefold()[:3] == "exp":
        return (tonic, sign, ""), "exp" + text[found.end() :]
    if (found.end() < len(text) and text[found.end()] in "=-:0123456789") or mode.casefold() in _BARE_CLEFS:
        return (tonic, sign, ""), text[found.start(3) :]
    return (tonic, sign, mode), text[found.end() :]


_BARE_CLEFS = ("treble", "bass", "alto", "tenor", "perc")


def _is_clef_only(text: str) -> bool:
    return all(_CLEF_WORDS.fullmatch(word) for word in text.split())


def _fifths(tonic: tuple[str, str, str], text: str) -> int:
    letter, sign, mode = tonic
    short = mode.casefold()
    short = short if short == "m" else short[:3]
    if short not in _FIFTHS_OF_MODE:
        raise MusicError(
            f"There is no mode {mode!r} in the key {text!r}. Use maj, min, mix, dor, phr, lyd, loc or aeo."
        )
    return _FIFTHS_OF_TONIC[letter] + {"": 0, "#": 7, "b": -7}[sign] + _FIFTHS_OF_MODE[short]


def _signature(fifths: int) -> list[int]:
    """Return the alteration of C D E F G A B after so many steps round the circle of fifths."""
    alters = [0] * 7
    order = _SHARPS_IN_ORDER if fifths > 0 else _SHARPS_IN_ORDER[::-1]
    for step in range(abs(fifths)):
        alters[_STEPS.index(order[step % 7])] += 1 if fifths > 0 else -1
    return alters


def _extras(rest: str, text: str) -> tuple[bool, list[tuple[str, str]]]:
    """Read what follows the mode: ``exp``, accidentals, clef words."""
    explicit = False
    accidentals: list[tuple[str, str]] = []
    for word in rest.split():
        if word.casefold() == "exp":
            explicit = True
        elif found := _ACCIDENTAL.fullmatch(word):
            accidentals.append((found[1], found[2]))
        elif not _CLEF_WORDS.fullmatch(word):
            raise MusicError(f"{word!r} in the key {text!r} means nothing here. Leave it out.")
    return explicit, accidentals
