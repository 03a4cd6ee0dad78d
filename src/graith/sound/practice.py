"""How a set or a tune shall be practised: tempo, bars, times through, count-in, and what sounds."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace

import numpy as np

from graith.errors import SoundError
from graith.sound.model import Band, Drums

_SLOWEST_FACTOR, _FASTEST_FACTOR = 0.1, 4.0
_MOST_TIMES = 1000
_MOST_COUNT_IN = 64
_LOOP = re.compile(r"(\d+)\.(\d+)\.(\d+)(?:-(\d+)\.(\d+)\.(\d+))?")


@dataclass(frozen=True, slots=True)
class BarPlace:
    """A printed bar: tune in the set and part in the tune from 1, bar in the part from 1 (0 is its pick-up)."""

    tune: int
    part: int
    bar: int

    def __str__(self) -> str:
        return f"tune {self.tune}, part {self.part}, " + (f"bar {self.bar}" if self.bar else "the pick-up")


@dataclass(frozen=True, slots=True)
class Practice:
    """How a set or a tune shall be practised.

    Attributes
    ----------
    tempo_factor : float, 0.1 to 4
        Multiplies every tempo; 0.8 is four fifths of the speed.
    end_factor : float or None
        With ``times`` above 1: the factor of the last time through, the ones between in equal steps. None stays.
    times : int, 1 to 1000
        How often it is played through.
    first, last : BarPlace or None
        Only these bars, as first played from there. Without ``last``, to the end of the part; without both, all.
    count_in_beats : int, 0 to 64
        Taps before the music, instead of the opening.
    drones, drum_pulse, chanter : bool
        What sounds. A count-in is heard without the pulse, too.

    Raises
    ------
    SoundError
        If a value is out of its range.
    """

    tempo_factor: float = 1.0
    end_factor: float | None = None
    times: int = 1
    first: BarPlace | None = None
    last: BarPlace | None = None
    count_in_beats: int = 0
    drones: bool = True
    drum_pulse: bool = True
    chanter: bool = True

    def __post_init__(self) -> None:
        for factor in (self.tempo_factor, self.end_factor):
            if factor is not None and not (math.isfinite(factor) and _SLOWEST_FACTOR <= factor <= _FASTEST_FACTOR):
                raise SoundError(
                    f"A tempo factor of {factor!r} cannot be played; use {_SLOWEST_FACTOR} to {_FASTEST_FACTOR:g}, "
                    "such as 0.8 for four fifths of the speed."
                )
        if not 1 <= self.times <= _MOST_TIMES:
            raise SoundError(f"{self.times} times through cannot be rendered; use 1 to {_MOST_TIMES}.")
        if not 0 <= self.count_in_beats <= _MOST_COUNT_IN:
            raise SoundError(f"A count-in of {self.count_in_beats} beats cannot be; use 0 to {_MOST_COUNT_IN}.")
        if self.last is not None and self.first is None:
            raise SoundError(f"The loop ends at {self.last} but has no beginning. Give its first bar, too.")

    def factors(self) -> list[float]:
        """Return the tempo factor of each time through.

        Examples
        --------
        >>> Practice(tempo_factor=0.5, end_factor=1.0, times=3).factors()
        [0.5, 0.75, 1.0]
        """
        end = self.tempo_factor if self.end_factor is None else self.end_factor
        return [float(factor) for factor in np.linspace(self.tempo_factor, end, self.times)]


def loop_named(text: str) -> tuple[BarPlace, BarPlace | None]:
    """Return the first and last bar that a text such as ``1.2.1-1.2.4`` names: tune, part and bar of each.

    Raises
    ------
    SoundError
        If the text has another form.

    Examples
    --------
    >>> first, last = loop_named("1.2.1-1.2.4")
    >>> str(first), str(last)
    ('tune 1, part 2, bar 1', 'tune 1, part 2, bar 4')
    """
    match = _LOOP.fullmatch(text.strip())
    if match is None:
        raise SoundError(
            f"The bars {text!r} are not understood; write TUNE.PART.BAR-TUNE.PART.BAR, such as 1.2.1-1.2.4."
        )
    numbers = [int(number) for number in match.groups() if number is not None]
    return BarPlace(*numbers[:3]), BarPlace(*numbers[3:]) if len(numbers) == 6 else None


def practice_band(band: Band, practice: Practice) -> Band:
    """Return the band without what the practice leaves out, and with taps in place of rolls when it counts in."""
    drums = band.drums or Drums(pulse=False, opening="none")
    opening = "taps" if practice.count_in_beats else (drums.opening if practice.drum_pulse else "none")
    return replace(
        band,
        chanter=band.chanter and practice.chanter,
        drones=band.drones if practice.drones else None,
        drums=replace(drums, pulse=drums.pulse and practice.drum_pulse, opening=opening),
    )
