"""How far apart the players were in each bar, from how their note changes blur.

When the players of a band are apart, a note begins and ends gradually, and a gracenote, which each plays for about
45 ms, is never played by all at once. The model says what the band's spectrum should be in each short frame around a
change, as a sum of the recording's own notes, each with the share of the players who hold it, for players normally
distributed about the change. The spread under which what was heard is likeliest, over all changes of a bar, is the
bar's. The recording's room enters as an exponential tail that the recording itself chooses.

What it reaches stands in ``docs/listening-together.md``.

References
----------
Powers of partials in a frame follow an exponential distribution about the expected power when several players' phases
are independent (Itakura-Saito likelihood: C. Févotte, N. Bertin and J.-L. Durrieu, Neural Computation 21 (2009)
793-830); here with a heavier tail, so that a drum stroke counts little.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from graith.listen.model import BAR_TOGETHER_DTYPE, HOP_S, WORKING_RATE_HZ, Alignment, Singles, Tempo
from graith.timeline.model import StructuredArray, Timeline

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

_WINDOW, _FFT = 289, 512
_BIN_HZ = WORKING_RATE_HZ / _FFT
_HIGHEST_HZ = 5_200.0
_BLOCK = 256
_SPREADS_MS = np.array([2.5, 5.0, 8.0, 11.0, 15.0, 20.0, 27.0, 36.0, 48.0])
_MIDDLE = 3
_SHIFTS_S = np.array([-0.014, -0.007, 0.0, 0.007, 0.014])
_REACH_S = 0.045
_LENGTHS_S = np.arange(0.010, 0.1201, 0.005)
_TIMES_S = np.arange(-0.200, 0.2005, 0.001)
_ROOMS = ((0.0, 0.060), (0.08, 0.060), (0.16, 0.080), (0.30, 0.080), (0.45, 0.100))
"""Share of a note's power that dies away late, and its time constant in seconds."""

_NEVER = (("start_s", 0.0), ("stop_s", 1.0))

_TRIED = 30
"""Changes from which the room is chosen."""

_MOST_FRAMES = 500
_TEMPER = 20.0
_LEAST_CHANGES = 3
_ALONE_MS = 5.0
_ENOUGH_BARS, _VARIED, _AGREED = 20, 0.35, 0.1
_HIDDEN = 1.35
"""How much of the spread a room hides, by the share of the power it holds back: from recordings of our own sound."""

_MODEL_WIDTH = 0.17
"""What the model itself leaves uncertain, as a standard deviation of the spread's logarithm."""

_NINETY = 1.645

_LEAST_SWING = 1.38
"""Below it one player is heard: several beat, and the power of their partials swings (1.57 when there are many)."""


def _bins(note_hz: Floats) -> tuple[Indices, Indices]:
    """Return the FFT bin of each note's partials, and whose they are."""
    numbers = [np.arange(1, int(_HIGHEST_HZ / hz) + 1) for hz in note_hz]
    bins = np.concatenate([np.rint(number * hz / _BIN_HZ) for number, hz in zip(numbers, note_hz, strict=True)])
    owners = np.repeat(np.arange(note_hz.size), [number.size for number in numbers])
    return bins.astype(np.int64), owners.astype(np.int64)


def _partials(samples: Singles, bins: Indices) -> Singles:
    """Return the power around each bin every 5 ms, shape (frames, bins)."""
    from scipy.fft import rfft

    from graith.listen._together_loops import read_partials

    step = round(HOP_S * WORKING_RATE_HZ)
    window = np.hanning(_WINDOW + 2)[1:-1]
    window = (window / window.sum()).astype(np.float32)
    padded = np.pad(np.asarray(samples, dtype=np.float32), _WINDOW // 2)
    windows = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)[::step]
    power = np.empty((windows.shape[0], bins.size), dtype=np.float32)
    tapered = np.zeros((_BLOCK, _FFT), dtype=np.float32)
    for first in range(0, power.shape[0], _BLOCK):
        block = power[first : first + _BLOCK]
        np.multiply(windows[first : first + _BLOCK], window, out=tapered[: len(block), :_WINDOW])
        read_partials(rfft(tapered[: len(block)], axis=1), bins, block)
    return power


def _templates(power: Singles, steps: StructuredArray, owners: Indices) -> tuple[Floats, Floats, Floats, float]:
    """Return each note's power above what sounds anyway, (9, partials), that base, each partial's scale, and a swing.

    The swing is the logarithm of the quartiles' ratio of the strongest partials' power while their note is held.

    Medians, so that drum strokes do not count; the median of an exponential distribution is 0.69 of its mean.
    """
    n_frames = power.shape[0]
    found = np.full((9, power.shape[1]), np.nan)
    swings = []
    steps = steps[steps["heard"]]  # the others have no times
    first = np.ceil((steps["start_s"] + 0.035) / HOP_S).astype(np.int64)
    last = np.minimum(np.floor((steps["stop_s"] - 0.030) / HOP_S).astype(np.int64), n_frames)
    usable = (steps["grace"] < 0) & (last > first)
    for note in range(9):
        chosen = np.flatnonzero(usable & (steps["chanter_note"] == note))
        if not chosen.size:
            continue
        frames = np.concatenate([np.arange(first[step], last[step]) for step in chosen])
        frames = frames[:: max(1, frames.size // _MOST_FRAMES)]
        if frames.size >= 10:
            quartiles = np.quantile(power[frames], (0.25, 0.5, 0.75), axis=0)
            found[note] = quartiles[1] / np.log(2.0)
            own = np.flatnonzero(owners == note)
            own = own[np.argsort(found[note, own])[-4:]]
            swings.append(np.median(np.log((quartiles[2, own] + 1e-30) / (quartiles[0, own] + 1e-30))))
    known = np.isfinite(found[:, 0])
    if known.sum() < 2:
        return np.zeros_like(found), np.ones(power.shape[1]), np.ones(power.shape[1]), 0.0
    scale = np.maximum(found[known].mean(axis=0), 1e-30)
    base = np.maximum(found[known].min(axis=0), 1e-3 * found[known].max(axis=0))
    above = np.where(known[:, None], np.maximum(found - base, 0.0), 0.0)
    return above / scale, np.maximum(base / scale, 1e-6), scale, float(np.median(swings))


def _window_rise(time_s: Floats) -> Floats:
    """Return what the window sees of a tone that begins at 0, as amplitude."""
    window = np.hanning(_WINDOW + 2)[1:-1]
    places_s = (np.arange(_WINDOW) - _WINDOW // 2 + 0.5) / WORKING_RATE_HZ
    rise: Floats = np.interp(time_s, places_s, np.cumsum(window) / window.sum(), left=0.0, right=1.0)
    return rise


def _in_room(power: Floats, share: float, decay_s: float) -> Floats:
    """Return the power with a share of it dying away exponentially."""
    tail = np.exp(-np.arange(0.0, 0.4, 0.001) / decay_s)
    late = np.convolve(np.pad(power, (tail.size, 0), mode="edge"), tail / tail.sum())[tail.size :][: power.size]
    return (1.0 - share) * power + share * late


def _over_players(power: Floats, spread_ms: float) -> Floats:
    """Return the mean power when its time varies by a normal distribution."""
    places_ms = np.arange(-180, 181)
    weights = np.exp(-0.5 * (places_ms / spread_ms) ** 2)
    return np.convolve(np.pad(power, 180, mode="edge"), weights / weights.sum(), "valid")


@lru_cache(maxsize=len(_ROOMS))
def _shares(room: tuple[float, float]) -> tuple[Floats, Floats, Floats]:
    """Return the power over time of brief notes by spread and length, and of a long note's rise and fall by spread."""
    rise = _window_rise(_TIMES_S)
    brief = [_in_room((rise - _window_rise(_TIMES_S - length_s)) ** 2, *room) for length_s in _LENGTHS_S]
    rising, falling = _in_room(rise**2, *room), _in_room((1.0 - rise) ** 2, *room)
    return (
        np.array([[_over_players(one, spread_ms) for one in brief] for spread_ms in _SPREADS_MS]),
        np.array([_over_players(rising, spread_ms) for spread_ms in _SPREADS_MS]),
        np.array([_over_players(falling, spread_ms) for spread_ms in _SPREADS_MS]),
    )


def _changes(steps: StructuredArray) -> tuple[Indices, Indices]:
    """Return the changes that can be heard, shape (changes, 2): first and last step; and the timeline's note of each.

    A note's gracenotes begin with it; a change needs all of them and the note before heard, and another pitch.
    """
    last = np.flatnonzero(steps["grace"] < 0)
    first = np.concatenate([[0], last[:-1] + 1])
    unheard = np.concatenate([[0], np.cumsum(~steps["heard"] | (steps["chanter_note"] < 0))])
    before = np.maximum(first - 1, 0)
    whole = (first > 0) & (unheard[last + 1] == unheard[before])
    moves = (first < last) | (steps["chanter_note"][before] != steps["chanter_note"][last])
    kept = whole & moves
    return np.stack([first[kept], last[kept]], axis=1).astype(np.int64), steps["note"][last[kept]].astype(np.int64)


def _change_worths(samples: Singles, steps: StructuredArray, changes: Indices, note_hz: Floats) -> tuple[Floats, float]:
    """Return the log-likelihood of each change at each spread, and the share of the power that the room holds back."""
    from graith.listen._together_loops import change_likelihoods

    bins, owners = _bins(note_hz)
    power = _partials(samples, bins)
    templates, base, scale, swing = _templates(power, steps, owners)
    if swing < _LEAST_SWING:
        return np.zeros((changes.shape[0], _SPREADS_MS.size)), 0.0
    power /= scale.astype(np.float32)
    grid = np.array([_TIMES_S[0], 0.001, _LENGTHS_S[0], 0.005])
    notes = steps["chanter_note"].astype(np.int64)
    # A step that was not heard has no time: long after all others it says nothing.
    starts_s, stops_s = (np.where(steps["heard"], steps[name], 1e6 + later) for name, later in _NEVER)

    def worths_in(room: tuple[float, float], which: Indices) -> Floats:
        found: Floats = change_likelihoods(
            power, HOP_S, which, notes, starts_s, stops_s, templates, base, owners, *_shares(room), grid, _SHIFTS_S,
            _REACH_S, _MIDDLE,
        )  # fmt: skip
        return found

    tried = changes[:: max(1, changes.shape[0] // _TRIED)]
    room = max(_ROOMS, key=lambda one: float(worths_in(one, tried).sum(axis=0).max()))
    return worths_in(room, changes), room[0]


def _spreads(worths: Floats) -> tuple[Floats, Floats]:
    """Return each row's spread in ms (the mean of its logarithm) and the standard deviation of that logarithm."""
    likely = np.exp((worths - worths.max(axis=1, keepdims=True)) / _TEMPER)
    likely /= likely.sum(axis=1, keepdims=True)
    places = np.log(_SPREADS_MS)
    middle = likely @ places
    width = np.sqrt(np.maximum(likely @ places**2 - middle**2, 0.0))
    return np.exp(middle), width


def _halves_agree(worths: Floats, bars: Indices, n_bars: int) -> float:
    """Return how well every other change of a bar foretells the rest: rank correlation over bars, stepped up to all."""
    halves = np.zeros((2, n_bars, worths.shape[1]))
    counts = np.zeros((2, n_bars))
    place = np.arange(bars.size) % 2
    np.add.at(halves, (place, bars), worths)
    np.add.at(counts, (place, bars), 1)
    both = (counts > 1).all(axis=0)
    if both.sum() < 6:
        return 0.0
    ranks = [np.argsort(np.argsort(_spreads(half[both])[0])) for half in halves]
    agreement = float(np.corrcoef(ranks[0], ranks[1])[0, 1])
    return 2.0 * agreement / (1.0 + agreement) if agreement > 0 else 0.0


def _summed(worths: Floats, bars: Indices, n_bars: int) -> Floats:
    total = np.zeros((n_bars, worths.shape[1]))
    np.add.at(total, bars, worths)
    return total


def _is_told(worths: Floats, bars: Indices, by_bar: Floats, usable: npt.NDArray[np.bool_]) -> bool:
    """Return whether the recording tells bars apart, or that they are alike.

    It does not when nobody is heard apart (one player), or when bars seem to differ much but the two halves of their
    changes do not agree which.
    """
    if not usable.any() or float(_SPREADS_MS[int(by_bar[usable].sum(axis=0).argmax())]) <= _ALONE_MS:
        return False
    varied = float(np.std(np.log(_spreads(by_bar[usable])[0])))
    few = int(usable.sum()) < _ENOUGH_BARS
    return few or varied < _VARIED or _halves_agree(worths, bars, by_bar.shape[0]) > _AGREED


def togetherness_heard(
    samples: Singles,
    timeline: Timeline,
    alignment: Alignment,
    *,
    note_hz: Floats,
    tempo: Tempo | None = None,
) -> StructuredArray:
    """Return how far apart the players were in each played bar of the timeline.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
        Mono at ``WORKING_RATE_HZ``.
    timeline : Timeline
    alignment : Alignment
        Errors of 12 ms do no harm: the time of each change is fitted.
    note_hz : float array, shape (9,)
        The chanters' pitches, low G to high A.
    tempo : Tempo, optional
        Bars that the tempo found not played are left out.

    Returns
    -------
    structured array of ``BAR_TOGETHER_DTYPE``, one row a bar
        ``heard`` is false where a bar has too few changes, and everywhere when the recording does not tell: one player
        alone, or figures that its own two halves do not bear out.
    """
    rows = np.zeros(timeline.bars.size, dtype=BAR_TOGETHER_DTYPE)
    rows["bar"] = np.arange(rows.size)
    changes, notes = _changes(alignment.steps)
    bars = timeline.notes["bar"][notes].astype(np.int64)
    changes, bars = changes[bars >= 0], bars[bars >= 0]
    if changes.shape[0] < _LEAST_CHANGES or not np.all(np.isfinite(note_hz) & (note_hz > 0)):
        return rows
    worths, late_share = _change_worths(samples, alignment.steps, changes, np.asarray(note_hz, dtype=np.float64))
    told = worths.any(axis=1)
    worths, bars = worths[told], bars[told]
    by_bar = _summed(worths, bars, rows.size)
    np.add.at(rows["n_changes"], bars, (changes[:, 1] - changes[:, 0] + 1)[told])
    usable = rows["n_changes"] >= _LEAST_CHANGES
    if tempo is not None and tempo.bars.size == rows.size:
        usable &= tempo.bars["heard"]
    if not _is_told(worths, bars, by_bar, usable):
        return rows
    spread_ms, width = _spreads(by_bar)
    rows["spread_ms"] = np.where(usable, spread_ms * (1.0 + _HIDDEN * min(late_share, 0.3)), 0.0)
    rows["uncertainty_ms"] = _NINETY * np.hypot(width, _MODEL_WIDTH) * rows["spread_ms"]
    rows["heard"] = usable
    return rows
