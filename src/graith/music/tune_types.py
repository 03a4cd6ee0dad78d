"""The tune types of the trade: metre, beat, customary tempi, bars in a part. Every range is an editable default.

Sources: where a figure stands in print the row says so; the rest is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from graith.errors import MusicError
from graith.music.model import Metre, Tune


@dataclass(frozen=True, slots=True)
class TuneType:
    """One kind of tune.

    Attributes
    ----------
    name : str
        As rules and set files write it.
    rhythms : tuple of str
        Words of the ``R:`` field, in small letters, that mean this type.
    metres : tuple of (beats, unit)
    beat_length : Fraction
        What one beat of the tempo is, in whole notes.
    slow_bpm, usual_bpm, fast_bpm : float
        Customary tempo range and the default within it.
    bars_per_part : int
    marched : bool
        Whether a band can step to it.
    source : str
    """

    name: str
    rhythms: tuple[str, ...]
    metres: tuple[tuple[int, int], ...]
    beat_length: Fraction
    slow_bpm: float
    usual_bpm: float
    fast_bpm: float
    bars_per_part: int = 8
    marched: bool = False
    source: str = "common practice, no source"


_CROTCHET = Fraction(1, 4)
_DOTTED_CROTCHET = Fraction(3, 8)
_MINIM = Fraction(1, 2)

TUNE_TYPES: tuple[TuneType, ...] = (
    TuneType("2/4 march", ("march", "2/4 march", "quick march"), ((2, 4),), _CROTCHET, 64, 78, 84, marched=True),
    TuneType("3/4 march", ("3/4 march", "retreat", "retreat march", "march"), ((3, 4),), _CROTCHET, 72, 80, 92, marched=True),
    TuneType("4/4 march", ("4/4 march", "march", "quick march"), ((4, 4), (2, 2)), _CROTCHET, 72, 84, 96, marched=True),
    TuneType("6/8 march", ("6/8 march", "march", "quick march"), ((6, 8),), _DOTTED_CROTCHET, 76, 84, 92, marched=True),
    TuneType("9/8 march", ("9/8 march", "march", "retreat", "retreat march"), ((9, 8),), _DOTTED_CROTCHET, 72, 80, 90, marched=True),
    TuneType(
        "strathspey", ("strathspey",), ((4, 4),), _CROTCHET, 108, 120, 130,
        source="112-130 common practice, no source; 120 for team dance is printed",
    ),
    TuneType(
        "reel", ("reel",), ((2, 2), (4, 4)), _MINIM, 76, 84, 108,
        source="bands 78-92 common practice, no source; 100-108 for dance is printed",
    ),
    TuneType("jig", ("jig", "double jig"), ((6, 8),), _DOTTED_CROTCHET, 104, 116, 136, source="110-136, preferably 112-122, is printed"),
    TuneType("slip jig", ("slip jig", "hop jig"), ((9, 8),), _DOTTED_CROTCHET, 100, 112, 130),
    TuneType("hornpipe", ("hornpipe",), ((2, 4), (4, 4), (2, 2)), _CROTCHET, 76, 90, 104),
    TuneType("slow air", ("slow air", "air", "slow march", "lament"), ((3, 4), (4, 4), (6, 8), (2, 4), (9, 8), (6, 4)), _CROTCHET, 40, 60, 76),
)  # fmt: skip

_BY_NAME = {tune_type.name: tune_type for tune_type in TUNE_TYPES}


def tune_type_named(name: str) -> TuneType:
    """Return the tune type of that name.

    Raises
    ------
    MusicError
        If there is none; the message lists the names.
    """
    try:
        return _BY_NAME[name]
    except KeyError:
        raise MusicError(f"There is no tune type called {name!r}. Use one of: {', '.join(_BY_NAME)}.") from None


def tune_type_of(tune: Tune) -> TuneType | None:
    """Return a tune's type from its ``R:`` words and its metre, or None when they name none.

    Both must agree: ``R:march`` in 6/8 is a 6/8 march. Without ``R:`` there is no type, for a metre alone
    does not tell a jig from a march. A type that is played in simple and compound metres, such as the slow air, takes
    the dotted beat in a compound one.
    """
    rhythm = " ".join(tune.rhythm.casefold().split())
    metre = tune.metre or Metre(4, 4)
    for tune_type in TUNE_TYPES:
        if rhythm in tune_type.rhythms and (metre.beats, metre.unit) in tune_type.metres:
            if metre.is_compound and tune_type.beat_length == _CROTCHET:
                return replace(tune_type, beat_length=metre.beat_length)
            return tune_type
    return None
