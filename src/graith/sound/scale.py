"""The chanter's scale as ratios to low A, and the pitches they give.

A Highland chanter is tuned to its own drones in small whole-number ratios, not to the piano. Two scales are given as
data; any other is a :class:`Scale` made by hand, and a band's own chanters are a scale with offsets in cents.

References
----------
J. M. A. Lenihan and S. MacNeill, "An examination of the Scottish bagpipe", Acustica 4 (1954) 231-232.
C. M. Harris, M. Eisenstadt and M. R. Weiss, "Sounds of the Highland bagpipe", JASA 35 (1963) 1321-1327.
A. Carruthers, Acustica 38 (1977) 153-156 and 41 (1978) 46-50.
The two tables of ratios: as collected by E. Macpherson, "The pitch and scale of the Great Highland Bagpipe" (1998),
a secondary source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from graith.errors import SoundError
from graith.music.model import ChanterNote

Floats = npt.NDArray[np.float64]

DEFAULT_LOW_A_HZ = 480.0
"""Bands today tune low A to about 478-484 Hz (common practice, no source); about 470-480 in 1998 (Macpherson)."""

_LOWEST_LOW_A_HZ, _HIGHEST_LOW_A_HZ = 200.0, 800.0
_NO_OFFSETS = (0.0,) * 9


@dataclass(frozen=True, slots=True)
class Scale:
    """Nine pitches as ratios to low A, lowest first, with a chanter's own offsets.

    Attributes
    ----------
    name : str
    ratios : tuple of 9 Fraction
        Low G, low A (always 1), B, C, D, E, F, high G, high A; each above the one before.
    source : str
        Where the ratios stand.
    offsets_cents : tuple of 9 float
        Added to the ratios: positive is sharp.

    Raises
    ------
    SoundError
        If there are not nine rising ratios with 1 for low A, or nine finite offsets.
    """

    name: str
    ratios: tuple[Fraction, ...]
    source: str = ""
    offsets_cents: tuple[float, ...] = _NO_OFFSETS

    def __post_init__(self) -> None:
        rising = all(low < high for low, high in zip(self.ratios, self.ratios[1:], strict=False))
        if len(self.ratios) != 9 or not rising or self.ratios[0] <= 0 or self.ratios[ChanterNote.LOW_A] != 1:
            raise SoundError(
                f"The scale {self.name!r} needs nine rising ratios to low A, the second of them 1; it has "
                f"{', '.join(str(ratio) for ratio in self.ratios)}."
            )
        if len(self.offsets_cents) != 9 or not all(math.isfinite(cents) for cents in self.offsets_cents):
            raise SoundError(
                f"The scale {self.name!r} needs nine offsets in cents, low G to high A; it has {self.offsets_cents!r}."
            )

    def cents(self) -> Floats:
        """Return the nine notes in cents above low A as the ratios give it, offsets included.

        Returns
        -------
        float array, shape (9,)

        Examples
        --------
        >>> HARMONIC.cents().round(2).tolist()
        [-231.17, 0.0, 203.91, 386.31, 498.04, 701.96, 884.36, 968.83, 1200.0]
        """
        pure: Floats = 1200.0 * np.log2(np.array([float(ratio) for ratio in self.ratios]))
        return pure + np.array(self.offsets_cents, dtype=np.float64)

    def note_hz(self, low_a_hz: float = DEFAULT_LOW_A_HZ) -> Floats:
        """Return the nine pitches in Hz, low G to high A.

        Parameters
        ----------
        low_a_hz : float, 200 to 800
            Low A before its own offset; the drones stand on it.

        Returns
        -------
        float array, shape (9,)

        Raises
        ------
        SoundError
            If low A is outside 200 to 800 Hz.

        Examples
        --------
        >>> HARMONIC.note_hz(480.0).round(3).tolist()
        [420.0, 480.0, 540.0, 600.0, 640.0, 720.0, 800.0, 840.0, 960.0]
        """
        ratios: Floats = np.exp2(self.cents() / 1200.0)
        pitches_hz: Floats = ratios * checked_low_a_hz(low_a_hz)
        return pitches_hz

    def with_offsets(self, offsets_cents: Sequence[float]) -> Scale:
        """Return this scale with these nine offsets instead of its own."""
        return replace(self, offsets_cents=tuple(float(cents) for cents in offsets_cents))


def checked_low_a_hz(low_a_hz: float) -> float:
    """Return low A if a chanter can have it.

    Raises
    ------
    SoundError
        If it is not a number from 200 to 800 Hz.
    """
    if not (math.isfinite(low_a_hz) and _LOWEST_LOW_A_HZ <= low_a_hz <= _HIGHEST_LOW_A_HZ):
        raise SoundError(
            f"A low A of {low_a_hz!r} Hz is no chanter's; use {_LOWEST_LOW_A_HZ:g} to {_HIGHEST_LOW_A_HZ:g} Hz "
            f"(bands are near {DEFAULT_LOW_A_HZ:g} Hz)."
        )
    return low_a_hz


def tenor_hz(low_a_hz: float) -> float:
    """Return the tenor drones' pitch in Hz: an octave below low A."""
    return low_a_hz / 2.0


def bass_hz(low_a_hz: float) -> float:
    """Return the bass drone's pitch in Hz: two octaves below low A."""
    return low_a_hz / 4.0


def _ratios(text: str) -> tuple[Fraction, ...]:
    return tuple(Fraction(word) for word in text.split())


HARMONIC = Scale(
    "harmonic",
    _ratios("7/8 1 9/8 5/4 4/3 3/2 5/3 7/4 2"),
    "harmonic table in Macpherson 1998 (secondary source)",
)
"""The default. Its high G is the bass drone's seventh partial, its low G an octave lower."""

OLDER_PUBLISHED = Scale(
    "older published",
    _ratios("8/9 1 9/8 5/4 27/20 3/2 5/3 9/5 2"),
    "MacNeill, table in Macpherson 1998 (secondary source)",
)
"""Sharper Gs and D, as measured and printed in the mid-twentieth century."""

SCALES: dict[str, Scale] = {scale.name: scale for scale in (HARMONIC, OLDER_PUBLISHED)}
"""The scales by name."""


def scale_named(name: str) -> Scale:
    """Return the scale of that name.

    Raises
    ------
    SoundError
        If there is none; the message lists the names.
    """
    try:
        return SCALES[name]
    except KeyError:
        raise SoundError(f"There is no scale called {name!r}. Use one of: {', '.join(SCALES)}.") from None
