"""How loud a recording is and where it was cut off, counted block by block in the sound as it came.

What a microphone or a recorder cannot hold is cut off: the wave runs into a ceiling and stays there for some samples.

- In sound that is kept exactly (WAV, FLAC) such a flat top is a run of three or more samples at the highest level of
  all. At full scale every run counts. Below full scale (a microphone that gave out before the converter did) a run
  counts only where the wave runs into the ceiling at an edge, by more than 0.3 % of it in one sample: the round top of
  any wave that stays within 1/4096 of its peak for three samples has at most 0.1 % to its next sample.
- A lossy coder (MP3, AAC, Opus) makes flat tops wavy and moves them to either side of full scale. There, runs of three
  or more samples of at least 0.92 count: on pipe sound cut off by 3 to 9 dB and coded with 64 and 128 kbit/s that is
  half to all of the samples that had been cut off, and less than 0.03 % where nothing had. A ceiling below that cannot
  be seen after such a coder.

The numbers 3, 1/4096, 0.3 %, 0.92 are choices of ours, no standard.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
import numpy.typing as npt

from graith.listen.model import Levels, Singles

SHORTEST_RUN = 3
_TOLERANCE = 1.0 / 4096.0
_STEEP = 0.003
_LOWEST_CEILING = 0.25
_NEAR_FULL_SCALE = 0.92
_OPPOSED = -0.8
_LARGEST = 1e9


@dataclass(frozen=True, slots=True)
class Ceiling:
    """The highest level on one side of one channel, and how many samples were cut off there.

    Attributes
    ----------
    level : float
    n_clipped : int
        In runs that have ended.
    n_open : int
        Samples of the run that reaches the end of the last block.
    is_open_steep : bool
        Whether that run was entered at an edge.
    last : float
        The last sample.
    """

    level: float
    n_clipped: int = 0
    n_open: int = 0
    is_open_steep: bool = False
    last: float = 0.0


@dataclass(frozen=True, slots=True)
class Tally:
    """What was counted so far.

    Attributes
    ----------
    is_exact : bool
        Whether the samples are the recorder's own: no lossy coder, and more than 8 bits.
    ceilings : tuple of Ceiling
        Upper and lower side of each channel.
    powers : tuple of float
        Sum of squares of each channel.
    peak : float
    n_samples, n_not_finite : int
    """

    is_exact: bool
    ceilings: tuple[Ceiling, ...]
    powers: tuple[float, ...]
    peak: float = 0.0
    n_samples: int = 0
    n_not_finite: int = 0


def empty_tally(n_channels: int, *, is_exact: bool) -> Tally:
    """Return a tally before the first block."""
    ceiling = Ceiling(_LOWEST_CEILING if is_exact else _NEAR_FULL_SCALE)
    return Tally(is_exact, (ceiling,) * (2 * n_channels), (0.0,) * n_channels)


def made_finite(block: Singles) -> int:
    """Put 0 for every sample of a block that is no number or beyond 1e9, in place; return how many there were.

    Only files of floating-point samples, and damaged ones, can hold such; 1 is full scale.
    """
    flat = block.reshape(-1)
    with np.errstate(over="ignore", invalid="ignore"):
        if np.dot(flat, flat) < _LARGEST * _LARGEST:
            return 0
        wrong = ~(np.abs(block) <= _LARGEST)
    block[wrong] = 0.0
    return int(np.count_nonzero(wrong))


def tallied(tally: Tally, block: Singles, n_not_finite: int = 0) -> Tally:
    """Return the tally with one more block.

    Parameters
    ----------
    tally : Tally
    block : float32 array, shape (channels, samples)
        The sound at its own rate, finite; 1 is full scale.
    n_not_finite : int
        What :func:`made_finite` found in it.

    Examples
    --------
    >>> block = np.array([[0.0, 1.0, 1.0, 1.0, 0.2]], dtype=np.float32)
    >>> levels_of(tallied(empty_tally(1, is_exact=True), block)).n_clipped
    3
    """
    if not block.shape[1]:
        return tally
    ceilings, powers, peak = [], [], tally.peak
    for channel, wave in enumerate(block):
        highest, lowest = float(wave.max()), float(wave.min())
        upper, lower = tally.ceilings[2 * channel : 2 * channel + 2]
        ceilings.append(_touched(upper, wave, highest, 1.0, tally.is_exact))
        ceilings.append(_touched(lower, wave, -lowest, -1.0, tally.is_exact))
        peak = max(peak, highest, -lowest)
        powers.append(tally.powers[channel] + _power(wave))
    return replace(
        tally,
        ceilings=tuple(ceilings),
        powers=tuple(powers),
        peak=peak,
        n_samples=tally.n_samples + block.shape[1],
        n_not_finite=tally.n_not_finite + n_not_finite,
    )


def levels_of(tally: Tally) -> Levels:
    """Return the levels of all that was counted."""
    rms = sqrt(sum(tally.powers) / max(1, tally.n_samples * len(tally.powers)))
    n_clipped = sum(_closed(one, 0.0, tally.is_exact).n_clipped for one in tally.ceilings)
    return Levels(tally.peak, rms, tally.n_samples, n_clipped, tally.n_not_finite)


def silent_channels(tally: Tally) -> tuple[int, ...]:
    """Return the channels, from 1, that hold nothing (under a thousandth of the strongest one's amplitude)."""
    strongest = max(tally.powers, default=0.0)
    return tuple(number for number, power in enumerate(tally.powers, 1) if power <= 1e-6 * strongest)


def opposed_channels(block: Singles) -> tuple[int, ...]:
    """Return the channels, from 0, which move against the first one that sounds, so that a mean would cancel them.

    A channel is opposed where its correlation with that first one is below -0.8; two microphones side by side stay far
    from that, a cable soldered the wrong way round gives -1.

    Parameters
    ----------
    block : float32 array, shape (channels, samples)

    Examples
    --------
    >>> wave = np.sin(np.arange(100, dtype=np.float32))
    >>> opposed_channels(np.stack([wave, 0.5 * wave, -wave]))
    (2,)
    """
    powers = [_power(wave) for wave in block]
    sounding = [number for number, power in enumerate(powers) if power > 1e-6 * max(powers)]
    if len(sounding) < 2:
        return ()
    first = sounding[0]
    likeness = {
        number: float(np.dot(block[first], block[number])) / sqrt(powers[first] * powers[number])
        for number in sounding[1:]
    }
    return tuple(number for number, value in likeness.items() if value < _OPPOSED)


def _power(wave: Singles) -> float:
    return float(np.dot(wave, wave))


def _touched(ceiling: Ceiling, wave: Singles, highest: float, side: float, is_exact: bool) -> Ceiling:
    """Return a ceiling after a block; ``side`` is -1 for the lower one, whose levels are counted downwards."""
    if is_exact and highest > ceiling.level * (1.0 + _TOLERANCE):
        ceiling = Ceiling(highest, last=ceiling.last)
    least = ceiling.level * (1.0 - _TOLERANCE) if is_exact else ceiling.level
    last = side * float(wave[-1])
    if highest < least:
        return replace(_closed(ceiling, side * float(wave[0]), is_exact), last=last)
    at = np.flatnonzero(wave >= least) if side > 0 else np.flatnonzero(wave <= -least)
    starts, stops = _runs(at)
    padded = np.concatenate(([ceiling.last], side * wave, [ceiling.level]))
    is_steep = ceiling.level - np.minimum(padded[starts], padded[stops + 1]) > _STEEP * ceiling.level
    if starts[0] > 0:
        ceiling = _closed(ceiling, side * float(wave[0]), is_exact)
    lengths = stops - starts
    if ceiling.n_open:
        lengths[0] += ceiling.n_open
        is_steep[0] = ceiling.is_open_steep or ceiling.level - padded[stops[0] + 1] > _STEEP * ceiling.level
    is_open = stops[-1] == wave.size
    counted = (lengths >= SHORTEST_RUN) & (is_steep | _counts_anyway(ceiling.level, is_exact))
    n_clipped = int(lengths[: lengths.size - is_open][counted[: lengths.size - is_open]].sum())
    return Ceiling(
        ceiling.level,
        ceiling.n_clipped + n_clipped,
        int(lengths[-1]) if is_open else 0,
        bool(is_steep[-1]) if is_open else False,
        last,
    )


def _runs(at: npt.NDArray[np.intp]) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Return where runs of neighbouring indices start and stop (exclusive)."""
    breaks = np.flatnonzero(np.diff(at) > 1)
    return at[np.concatenate(([0], breaks + 1))], at[np.concatenate((breaks, [at.size - 1]))] + 1


def _counts_anyway(level: float, is_exact: bool) -> bool:
    return not is_exact or 0.999 <= level <= 1.0 + _TOLERANCE


def _closed(ceiling: Ceiling, following: float, is_exact: bool) -> Ceiling:
    """Return a ceiling whose open run has ended before a sample of the following level."""
    if not ceiling.n_open:
        return ceiling
    is_steep = ceiling.is_open_steep or ceiling.level - following > _STEEP * ceiling.level
    counts = ceiling.n_open >= SHORTEST_RUN and (is_steep or _counts_anyway(ceiling.level, is_exact))
    n_clipped = ceiling.n_clipped + (ceiling.n_open if counts else 0)
    return Ceiling(ceiling.level, n_clipped, last=ceiling.last)
