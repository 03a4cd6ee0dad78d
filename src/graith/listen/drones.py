"""The drones: pitch of basses and tenors, how far apart they are, how they drift, when they came in and stopped.

A bass drone's even partials lie on the tenors', so the tenors cannot be read off their own lines. The bass is measured
on its odd partials, where no tenor is. Its pitch being known, the tenors' lines are explained as a sum of two sources,
one at the bass's pitch and one at a pitch to be found. Where the drones stand so still that single ones are told apart
in the spectrum of the whole performance, they are listed one by one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from graith.errors import ListenError
from graith.listen.drone_edges import entry_and_stop
from graith.listen.lines import (
    Complexes,
    Indices,
    jackknife_sd,
    lagged,
    left_out,
    line_strengths,
    mean_shift_hz,
    stretches,
    window_samples,
    windows_within,
)
from graith.listen.model import WORKING_RATE_HZ, Alignment, DroneHeard, Drones, Floats, Singles
from graith.sound.scale import HARMONIC

Bools = npt.NDArray[np.bool_]

_WINDOW_S, _HOP_S = 0.100, 0.050
_SETTLED_AFTER_S, _BEFORE_STOP_S = 1.0, 0.1
_SHORTEST_S = 1.5
_GUESS_WITHIN_CENTS = 60.0
_COARSE_SAMPLES = 8_192
_MOST_COARSE = 160
_MOST_UNCERTAIN_CENTS, _LEAST_COHERENT, _LEAST_LOUD = 6.0, 0.2, 1e-5
_LEAST_ABOVE_FLOOR_DB = 10.0
_LEAST_BESIDE_BASS_DB = 6.0
_LEAST_OF_ALL_DB = -45.0
_N_GROUPS = 12
_N_LAGS = 40
_BASS_PARTIALS = (1, 3, 5, 7)
_TENOR_PARTIALS = (1, 2, 3, 4, 5)
_ALWAYS_FREE_HZ_SHARE = 0.8  # of low A: below low G no chanter sounds
_NOTE_KEEPS_OFF_HZ = 22.0
_90_PERCENT = 1.645
_TENOR_REACH_S = 0.6  # longer lags tell where most tenors are, not their mean
_BASS_TAPER = 2.0  # of the spread: lags at which the line has hardly decayed yet, for the same reason
_TENOR_WITHIN_CENTS = 30.0
_HOLDS_BASS = 0.3
_EVEN_TO_ODD = 0.4
_MOST_ATOMS = 24
_ATOM_LEAST_SHARE = 0.002
_STEADY_SHARE = 0.9
_FEW_ATOMS = 6
_ALWAYS_FEW = 4
_ALIKE = 3
_BASS_APART_CENTS, _MIXED_UNCERTAINTY_CENTS = 3.0, 1.2
_ATOM_STRONG_SHARE, _ATOM_SOME_SHARE = 0.015, 0.005
_EVEN_OFF_CENTS = 1.6
_LEAST_LEFT = 0.03
_SAME_LINE_BINS = 2.5
_DRIFT_WINDOWS = 200
_DRIFT_LAGS = 9
_IN_UNCERTAINTY_S, _OUT_UNCERTAINTY_S = 0.10, 0.20
_LEAST_ERROR_CENTS = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Lines of a kind of drone: strengths in every window, and which windows each line may be read in."""

    partials: tuple[int, ...]
    base_hz: float
    strengths: Complexes
    usable: Bools
    products: npt.NDArray[np.complex128]
    powers: Floats
    pairs: Floats

    @property
    def turns_s(self) -> Floats:
        """Partial times lag, shape (lags, lines)."""
        turns_s: Floats = np.multiply.outer(np.arange(_N_LAGS) * _HOP_S, np.array(self.partials, dtype=np.float64))
        return turns_s


@dataclass(frozen=True, slots=True)
class _Found:
    """Which kinds of drone stand out, and a quarter of low A by them."""

    bass: bool
    tenor: bool
    quarter_hz: float


@dataclass(frozen=True, slots=True)
class _Kind:
    """All basses or all tenors.

    ``atoms`` are the pitch and power of those told apart, ``powers`` the mean power of each partial measured.
    """

    is_bass: bool
    hz: float
    uncertainty_cents: float
    spread_cents: float
    atoms: tuple[tuple[float, float], ...]
    powers: dict[int, float]


def drones_heard(
    samples: Singles, *, low_a_hz: float, start_s: float, stop_s: float, alignment: Alignment | None = None
) -> Drones:
    """Return what is heard of the drones.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
        Mono at :data:`graith.listen.model.WORKING_RATE_HZ`.
    low_a_hz : float, 200 to 800
        The chanters' low A, known to about 40 cents.
    start_s, stop_s : float
        Where the set lies; the drones may come in before, and go on after.
    alignment : Alignment, optional
        Which notes sound when: opens more of the tenors' partials to measurement.

    Returns
    -------
    Drones
        ``heard`` is empty and the pitches are None where no drone stands out.

    Raises
    ------
    ListenError
        If ``low_a_hz`` is no chanter's, or the stretch is empty or lies outside the sound.

    Examples
    --------
    >>> time_s = np.arange(120_000) / 12_000
    >>> tenor, bass = np.sin(2 * np.pi * 240.2 * time_s), np.sin(2 * np.pi * 119.9 * time_s)
    >>> heard = drones_heard((tenor + bass).astype(np.float32), low_a_hz=476.0, start_s=0.0, stop_s=10.0)
    >>> round(heard.tenor_hz, 2), round(heard.bass_hz, 2)
    (240.2, 119.9)
    """
    _check(samples, low_a_hz, start_s, stop_s)
    begin = window_samples(max(0.0, start_s + _SETTLED_AFTER_S))
    end = min(window_samples(stop_s - _BEFORE_STOP_S), samples.size)
    if end - begin < window_samples(_SHORTEST_S):
        begin, end = window_samples(max(0.0, start_s)), min(window_samples(stop_s), samples.size)
    if end - begin < window_samples(_SHORTEST_S):
        return _none_heard()
    stretch = samples[begin:end]
    found = _found(stretch, low_a_hz)
    if not (found.bass or found.tenor):
        return _none_heard()
    return _measured(samples, begin, end, found, start_s, stop_s, alignment)


def _check(samples: Singles, low_a_hz: float, start_s: float, stop_s: float) -> None:
    if not (math.isfinite(low_a_hz) and 200.0 <= low_a_hz <= 800.0):
        raise ListenError(f"A low A of {low_a_hz!r} Hz is no chanter's; use 200 to 800 Hz.")
    length_s = samples.size / WORKING_RATE_HZ
    if not (math.isfinite(start_s) and math.isfinite(stop_s) and start_s < stop_s and start_s < length_s):
        raise ListenError(
            f"The stretch from {start_s!r} to {stop_s!r} s holds nothing of a recording of {length_s:.1f} s; "
            "were the times in seconds?"
        )


def _none_heard() -> Drones:
    nothing = np.zeros(0)
    return Drones((), None, None, 0.0, 0.0, None, None, nothing, nothing.copy(), None, None, 0.0, 0.0)


def _found(stretch: Singles, low_a_hz: float) -> _Found:
    """Return whether basses and tenors stand out, and a quarter of low A by them, to a cent or two."""
    from scipy.fft import rfft

    length = min(_COARSE_SAMPLES, stretch.size)
    firsts = np.arange(0, stretch.size - length + 1, length)
    firsts = firsts[:: max(1, firsts.size // _MOST_COARSE)]
    hann = np.hanning(length).astype(np.float32)
    spacing_hz = WORKING_RATE_HZ / (2 * length)
    power = np.empty((firsts.size, int((0.75 * low_a_hz * 1.04 + 50.0) / spacing_hz)), dtype=np.float32)
    for row, first in zip(power, firsts, strict=True):  # one by one: whole spectra of all would be large
        spectrum = rfft(stretch[first : first + length] * hann, 2 * length)[: row.size]
        row[:] = spectrum.real**2 + spectrum.imag**2
    usual = np.median(power, axis=0) + 1e-20
    bins_hz = np.arange(usual.size) * spacing_hz
    cents = np.arange(-_GUESS_WITHIN_CENTS, _GUESS_WITHIN_CENTS + 0.5, 0.5)
    quarters_hz = low_a_hz / 4.0 * np.exp2(cents / 1200.0)
    above_db = {}
    for partial in (1, 2, 3):
        middle_hz = partial * low_a_hz / 4.0
        around = (np.abs(bins_hz - middle_hz) < 45.0) & (np.abs(bins_hz - middle_hz) > 14.0)
        level = np.log10(np.interp(partial * quarters_hz, bins_hz, usual) / np.median(usual[around]))
        above_db[partial] = 10.0 * level
    # A line's share of all the power: its height over that of a sinusoid of the same power.
    energy = sum(float(np.square(block, dtype=np.float64).sum()) for block in np.array_split(stretch, 64))
    all_db = 10.0 * math.log10(energy / stretch.size + 1e-20)
    line_db = {
        partial: 10.0 * math.log10(float(np.interp(partial * quarters_hz, bins_hz, usual).max()) * 8.0 / length**2)
        for partial in (1, 2, 3)
    }
    stands = {
        partial: above_db[partial].max() > _LEAST_ABOVE_FLOOR_DB and line_db[partial] - all_db > _LEAST_OF_ALL_DB
        for partial in (1, 2, 3)
    }
    # One line alone may be a drum's ring: a bass shows two odd partials, or one beside tenors.
    has_bass = (stands[1] and stands[3]) or (stands[2] and (stands[1] or stands[3]))
    # A room may all but silence the tenors' first partial at one place; beside a bass less is asked of it.
    stands[2] = stands[2] or (has_bass and above_db[2].max() > _LEAST_BESIDE_BASS_DB)
    score = sum(above_db[partial] for partial in (1, 2, 3) if stands[partial])
    best = int(np.argmax(score)) if np.ndim(score) else cents.size // 2
    return _Found(bool(has_bass), bool(stands[2]), float(quarters_hz[best]))


def _lines(stretch: Singles, firsts: Indices, partials: tuple[int, ...], base_hz: float, usable: Bools) -> _Lines:
    strengths = line_strengths(
        stretch, firsts, base_hz * np.array(partials, dtype=np.float64), window_samples(_WINDOW_S)
    )
    groups = (np.arange(firsts.size) * (4 * _N_GROUPS) // max(1, firsts.size)) % _N_GROUPS
    products, powers, pairs = [], [], []
    for line in range(len(partials)):
        product, power, pair = lagged(
            strengths[:, line : line + 1], stretches(usable[:, line]), groups, _N_GROUPS, _N_LAGS
        )
        products.append(product)
        powers.append(power)
        pairs.append(pair[:, :, None])
    return _Lines(
        partials,
        base_hz,
        strengths,
        usable,
        np.concatenate(products, axis=2),
        np.concatenate(powers, axis=2),
        np.concatenate(pairs, axis=2),
    )


def _free_windows(firsts: Indices, begin: int, lines_hz: Floats, low_a_hz: float, alignment: Alignment | None) -> Bools:
    """Return where no note that sounds has a partial near a line, shape (windows, lines)."""
    always = lines_hz < _ALWAYS_FREE_HZ_SHARE * low_a_hz
    free = np.repeat(always[None, :], firsts.size, axis=0)
    if alignment is None or not alignment.steps.size:
        return free
    notes_hz = HARMONIC.note_hz(low_a_hz)
    partials = np.arange(1, 40)[:, None, None]
    apart_hz = np.abs(partials * notes_hz[:, None] - lines_hz).min(axis=0)
    covered = apart_hz < _NOTE_KEEPS_OFF_HZ
    steps = alignment.steps
    starts_s, stops_s = steps["start_s"] - 0.03, steps["stop_s"] + 0.25
    first_s = (begin + firsts) / WORKING_RATE_HZ
    last_s = first_s + _WINDOW_S
    free[:] = True
    heard_from, heard_to = (
        float(steps["start_s"][steps["heard"]].min(initial=np.inf)),
        float(steps["stop_s"][steps["heard"]].max(initial=-np.inf)),
    )
    for note in range(9):
        own = steps["chanter_note"] == note
        if not own.any() or not covered[note].any():
            continue
        low = np.searchsorted(first_s, starts_s[own] - _WINDOW_S)
        high = np.searchsorted(first_s, stops_s[own])
        edges = np.zeros(firsts.size + 1)
        np.add.at(edges, low, 1.0)
        np.add.at(edges, high, -1.0)
        sounding = np.cumsum(edges)[:-1] > 0.5
        free &= ~(sounding[:, None] & covered[note])
    # Outside what was aligned anything may sound.
    outside = (first_s < heard_from) | (last_s > heard_to)
    free &= ~outside[:, None] | always
    free |= always
    return free


def _measured(
    samples: Singles,
    begin: int,
    end: int,
    found: _Found,
    start_s: float,
    stop_s: float,
    alignment: Alignment | None,
) -> Drones:
    stretch, quarter_hz = samples[begin:end], found.quarter_hz
    firsts, _ = windows_within(
        np.array([0]), np.array([stretch.size]), window_samples(_WINDOW_S), window_samples(_HOP_S)
    )

    def lines_of(partials: tuple[int, ...], base_hz: float) -> _Lines:
        free = _free_windows(firsts, begin, base_hz * np.array(partials), 4.0 * quarter_hz, alignment)
        return _lines(stretch, firsts, partials, base_hz, free)

    bass_lines, tenor_lines = lines_of(_BASS_PARTIALS, quarter_hz), lines_of(_TENOR_PARTIALS, 2.0 * quarter_hz)
    bass = _if_certain(_bass(bass_lines)) if found.bass else None
    tenor = _tenor(tenor_lines, bass) if found.tenor else None
    if tenor is not None:
        tenor, bass = _one_by_one(tenor, bass, tenor_lines, bass_lines)
    tenor = _if_certain(tenor)
    if bass is None and tenor is None:
        return _none_heard()
    drift_s, drift_cents = _drift(tenor_lines if tenor else bass_lines, begin / WORKING_RATE_HZ)
    in_s, out_s = entry_and_stop(samples, quarter_hz, begin, end, start_s, stop_s)
    return Drones(
        heard=_listed(bass, tenor),
        tenor_hz=tenor.hz if tenor else None,
        bass_hz=bass.hz if bass else None,
        tenor_uncertainty_cents=tenor.uncertainty_cents if tenor else 0.0,
        bass_uncertainty_cents=bass.uncertainty_cents if bass else 0.0,
        beating_hz=_beating_hz(tenor),
        spread_cents=tenor.spread_cents if tenor else None,
        drift_s=drift_s,
        drift_cents=drift_cents,
        in_s=in_s,
        out_s=out_s,
        in_uncertainty_s=_IN_UNCERTAINTY_S if in_s is not None else 0.0,
        out_uncertainty_s=_OUT_UNCERTAINTY_S if out_s is not None else 0.0,
    )


def _if_certain(kind: _Kind | None) -> _Kind | None:
    """Return a kind of drone unless its pitch is not one: a drum's ring or a hum passes for no drone."""
    return kind if kind is not None and kind.uncertainty_cents < _MOST_UNCERTAIN_CENTS else None


def _bass(lines: _Lines) -> _Kind | None:
    """Return the basses from their odd partials, each weighed by how well it agrees with itself over time.

    None where no line keeps its phase from one window to the next but one, as a drum's ring or noise does not.
    """
    spread_hz = 0.001 * lines.base_hz
    turns_s = lines.turns_s
    loud = lines.powers[:, 1].sum(axis=0) / np.maximum(lines.pairs[:, 1].sum(axis=0), 1.0)
    for _ in range(2):
        shifts: list[float] = []
        errors: list[float] = []
        widths: list[float] = []
        for line in range(len(lines.partials)):
            products, powers = lines.products[:, 1:, line : line + 1], lines.powers[:, 1:, line : line + 1]
            if powers[:, 0].sum() <= 0.0 or np.count_nonzero(powers[:, 0, 0]) < 3:
                continue
            coherence = products.sum(axis=0) / np.maximum(powers.sum(axis=0), 1e-30)
            if abs(complex(coherence[1, 0])) < _LEAST_COHERENT or loud[line] < _LEAST_LOUD * loud.max():
                continue
            others = left_out(products) / np.maximum(left_out(powers), 1e-30)
            both = np.concatenate([coherence[None], others])
            shift = mean_shift_hz(both, turns_s[1:, line : line + 1], _BASS_TAPER * spread_hz)
            shifts.append(float(shift[0]))
            errors.append(float(jackknife_sd(shift[1:])))
            widths.append(_width_hz(coherence[:, 0], turns_s[1:, line], spread_hz))
        if not shifts:
            return None
        weights = 1.0 / (np.array(errors) ** 2 + (0.3 * spread_hz) ** 2 + 1e-12)
        spread_hz = max(float(np.average(widths, weights=weights)), 2e-5 * lines.base_hz)
    shift_hz = float(np.average(shifts, weights=weights))
    apart = float(np.sqrt(np.average((np.array(shifts) - shift_hz) ** 2, weights=weights) / max(1, len(shifts) - 1)))
    hz = lines.base_hz + shift_hz
    chance = float(1.0 / np.sqrt(np.sum(1.0 / (np.array(errors) ** 2 + 1e-12))))
    error_hz = math.sqrt(apart**2 + chance**2 + (0.25 * spread_hz) ** 2 + (_LEAST_ERROR_CENTS / 1731.0 * hz) ** 2)
    counted = np.maximum(lines.pairs[:, 1].sum(axis=0), 1.0)
    steady = np.abs(lines.products[:, 1].sum(axis=0)) / counted
    heard = {partial: float(power) for partial, power in zip(lines.partials, steady, strict=True) if power > 0.0}
    return _Kind(True, hz, _90_PERCENT * _cents(error_hz, hz), _cents(spread_hz, hz), ((hz, 1.0),), heard)


def _width_hz(coherence: npt.NDArray[np.complex128], turns_s: Floats, about_hz: float) -> float:
    """Return the standard deviation of a line from how its lagged products decay, over its first e-fold or so."""
    near = turns_s < max(0.25 / (2.0 * np.pi * about_hz) * 4.0, 4.0 * float(turns_s[0]))
    lost = -np.log(np.clip(np.abs(coherence[near]), 1e-6, None))
    squares = turns_s[near] ** 2
    slope = np.polyfit(squares, lost, 1)[0] if squares.size > 1 else 0.0
    return float(np.sqrt(max(slope, 0.0) / 2.0) / np.pi)


def _tenor(lines: _Lines, bass: _Kind | None) -> _Kind:
    """Return the tenors: the pitch and width which, with the bass's, explain the tenors' lines best."""
    turns_s = lines.turns_s[1:]
    weights = (turns_s <= _TENOR_REACH_S).astype(np.float64)
    products, powers = lines.products[:, 1:], lines.powers[:, 1:]
    summed = np.concatenate([products.sum(axis=0)[None], left_out(products)])
    scale = np.concatenate([powers.sum(axis=0)[None], left_out(powers)])
    coherence = summed / np.maximum(scale, 1e-30)
    cents = np.arange(-_TENOR_WITHIN_CENTS, _TENOR_WITHIN_CENTS + 0.1, 0.2)
    spreads_cents = np.array([0.2, 0.4, 0.6, 0.8, 1.0, 1.3, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.5])
    shifts_hz = lines.base_hz * (np.exp2(cents / 1200.0) - 1.0)
    spreads_hz = lines.base_hz * (np.exp2(spreads_cents / 1200.0) - 1.0)
    explained = np.zeros((coherence.shape[0], spreads_hz.size, cents.size))
    for line in range(len(lines.partials)):
        at_s, weight = turns_s[:, line], weights[:, line]
        kept = weight > 0
        if not kept.any() or scale[0, 0, line] <= 0.0:
            continue
        at_s = at_s[kept]
        decays = np.exp(-2.0 * (np.pi * np.multiply.outer(spreads_hz, at_s)) ** 2)
        turning = np.exp(-2j * np.pi * np.multiply.outer(shifts_hz, at_s))
        models = (decays[:, None, :] * turning[None]).reshape(-1, at_s.size)  # conjugates
        own = (np.abs(models) ** 2).sum(axis=1)
        heard = (coherence[:, kept, line] @ models.T).real
        if bass is None:
            gain = np.maximum(heard, 0.0) ** 2 / own
        else:
            likely = _likely_bass_share(lines, line, bass)
            turning_bass = _bass_turning(lines, bass, at_s)
            gain = _explained_by_two(coherence[:, kept, line], models, own, heard, turning_bass, likely)
        share = scale[0, 0, line] / scale[0, 0].max()
        explained += (np.sqrt(share) * gain / at_s.size).reshape(explained.shape)
    flat = explained.max(axis=1)
    best = flat.argmax(axis=1)
    shifts = np.array([_top(row, int(at)) for row, at in zip(flat, best, strict=True)]) * 0.2 - _TENOR_WITHIN_CENTS
    spread = float(spreads_cents[int(explained[0, :, best[0]].argmax())])
    hz = lines.base_hz * 2.0 ** (float(shifts[0]) / 1200.0)
    error = math.hypot(float(jackknife_sd(shifts[1:])), 0.1 + 0.25 * spread)
    return _Kind(False, hz, _90_PERCENT * error, spread, ((hz, 1.0),), {})


def _bass_turning(lines: _Lines, bass: _Kind, at_s: Floats) -> npt.NDArray[np.complex128]:
    """Return how the basses' even partials turn on the tenors' lines, conjugated."""
    shift_hz = 2.0 * bass.hz - lines.base_hz
    spread_hz = 2.0 * bass.hz * (2.0 ** (bass.spread_cents / 1200.0) - 1.0)
    turning: npt.NDArray[np.complex128] = np.exp(-2j * np.pi * shift_hz * at_s - 2.0 * (np.pi * spread_hz * at_s) ** 2)
    return turning


def _explained_by_two(
    coherence: npt.NDArray[np.complex128],
    models: npt.NDArray[np.complex128],
    own: Floats,
    heard: Floats,
    bass: npt.NDArray[np.complex128],
    likely: float,
) -> Floats:
    """Return how much of the squared coherence a tenor model and the bass explain with strengths of at least 0.

    The bass's share is held near the likely one, loosely: an even partial is seldom far stronger than its odd
    neighbours, and without that two tenors about the bass would be told from one tenor and a bass by nothing.
    """
    hold = _HOLDS_BASS / likely**2
    of_bass = float((np.abs(bass) ** 2).sum()) + hold
    both = (models @ bass.conj()).real
    heard_bass = (coherence @ bass).real[:, None] + hold * likely
    determinant = np.maximum(own * of_bass - both**2, 1e-9 * own * of_bass)
    tenor_part = (heard * of_bass - heard_bass * both) / determinant
    bass_part = (heard_bass * own - heard * both) / determinant
    two = tenor_part * heard + bass_part * heard_bass
    one = np.maximum(heard, 0.0) ** 2 / own
    lone_bass = np.maximum(heard_bass, 0.0) ** 2 / of_bass + 0.0 * own
    gain: Floats = np.where(tenor_part < 0.0, lone_bass, np.where(bass_part < 0.0, one, two))
    return gain


def _likely_bass_share(lines: _Lines, line: int, bass: _Kind) -> float:
    """Return the power that the bass's even partial is likely to have on a tenors' line, as a share of the line's."""
    even = 2 * lines.partials[line]
    odd = np.array(sorted(bass.powers))
    neighbours = [bass.powers[int(odd[np.abs(odd - near).argmin()])] for near in (even - 1, even + 1)]
    heard = float(lines.powers[:, 1, line].sum() / max(float(lines.pairs[:, 1, line].sum()), 1.0))
    fades = 0.7 ** max(0, even - 1 - int(odd[-1]))
    return float(np.clip(_EVEN_TO_ODD * fades * np.mean(neighbours) / max(heard, 1e-30), 0.01, 0.7))


def _top(row: Floats, at: int) -> float:
    """Return where a parabola through the highest value and its neighbours has its top."""
    if at in (0, row.size - 1):
        return float(at)
    below, top, above = row[at - 1 : at + 2]
    bend = below - 2.0 * top + above
    return at + (0.5 * (below - above) / bend if bend < 0 else 0.0)


def _cents(difference_hz: float, hz: float) -> float:
    return 1200.0 / math.log(2.0) * difference_hz / hz


def _one_by_one(
    tenor: _Kind, bass: _Kind | None, tenor_lines: _Lines, bass_lines: _Lines
) -> tuple[_Kind, _Kind | None]:
    """Return tenors and basses with single drones told apart, where they stand still enough for it."""
    basses: tuple[tuple[float, float], ...] = ()
    if bass is not None:
        third = bass_lines.partials.index(3)
        has_third = bass.powers.get(3, 0.0) > 10.0 * _LEAST_LOUD * max(bass.powers.values(), default=0.0)
        found = (_atoms(bass_lines, third) if has_third else ()) or _atoms(bass_lines, 0)
        basses = tuple(atom for atom in found if abs(_cents(atom[0] - bass.hz, bass.hz)) < 12.0)
        if basses:
            bass = replace(bass, atoms=basses)
        else:
            basses = ((bass.hz, 1.0),)
    tolerance_hz = _SAME_LINE_BINS / (len(tenor_lines.strengths) * _HOP_S)
    atoms = _without_basses(_atoms(tenor_lines, 0), [hz for hz, _ in basses], tolerance_hz)
    if not atoms:
        return tenor, bass
    pitches, powers = np.array(atoms).T
    # A room strengthens one drone's line and weakens another's, so a few told apart count alike.
    powers = np.ones(len(atoms)) if len(atoms) <= _ALIKE else np.sqrt(powers)
    hz = float(np.average(pitches, weights=powers))
    beside_bass = bass is not None and abs(_cents(2.0 * bass.hz - hz, hz)) < _BASS_APART_CENTS
    if len(atoms) > _FEW_ATOMS and beside_bass:
        # So many tenors about the basses: which line is whose cannot be told one by one.
        uncertainty = max(tenor.uncertainty_cents, _MIXED_UNCERTAINTY_CENTS)
        return replace(tenor, atoms=tuple(atoms), uncertainty_cents=uncertainty), bass
    spread_cents = _cents(float(np.sqrt(np.average((pitches - hz) ** 2, weights=powers))), hz)
    several = len(atoms) > 2 or len(basses) > 1
    uncertainty = 0.3 + 1.2 * spread_cents / math.sqrt(len(atoms)) if several else 0.05 + 0.2 * spread_cents
    return _Kind(False, hz, uncertainty, spread_cents, tuple(atoms), tenor.powers), bass


def _without_basses(
    atoms: tuple[tuple[float, float], ...], basses_hz: list[float], tolerance_hz: float
) -> list[tuple[float, float]]:
    """Return a tenors' line's sinusoids without the basses' even partial; all where nothing else would be left.

    An even partial may be a little off twice the pitch that the odd ones give: where none is within the tolerance, a
    single sinusoid that makes up half of all and is close is taken for it.
    """
    whole = sum(power for _, power in atoms)
    strong = [atom for atom in atoms if atom[1] > _ATOM_SOME_SHARE * whole]
    off_hz = [min((abs(2.0 * bass - hz) for bass in basses_hz), default=math.inf) for hz, _ in strong]
    kept = [atom for atom, off in zip(strong, off_hz, strict=True) if off > tolerance_hz]
    if len(kept) == len(strong) and len(strong) > 1:
        is_bass = [
            power > 0.5 * whole and _cents(off, hz) < _EVEN_OFF_CENTS
            for (hz, power), off in zip(strong, off_hz, strict=True)
        ]
        kept = [atom for atom, bass in zip(strong, is_bass, strict=True) if not bass]
    left = sum(power for _, power in kept)
    return kept if left > _LEAST_LEFT * whole else strong


def _atoms(lines: _Lines, line: int) -> tuple[tuple[float, float], ...]:
    """Return pitch and power of each steady sinusoid on a line, flattest first; none where the line is no sum of few.

    The strongest is taken out, then the next, and so on until what is left is small.
    """
    from scipy.fft import fft

    heard = np.where(lines.usable[:, line], lines.strengths[:, line], 0.0).astype(np.complex128)
    n = heard.size
    taper = np.hanning(n + 2)[1:-1]
    size = 1 << math.ceil(math.log2(4 * n))
    left = heard.copy()
    whole = float(np.sum(taper * np.abs(heard) ** 2)) + 1e-30
    time = np.arange(n)
    atoms: list[tuple[float, float]] = []
    explained = 0.0
    for _ in range(_MOST_ATOMS):
        height = np.abs(fft(left * taper, size))
        at = int(height.argmax())
        around = np.log(np.take(height, [at - 1, at, at + 1], mode="wrap") + 1e-30)
        turn = (at + _top(around, 1) - 1.0) / size
        turning = np.exp(2j * np.pi * turn * time)
        amplitude = complex(np.sum(left * taper * turning.conj()) / taper.sum())
        share = abs(amplitude) ** 2 * float(taper.sum()) / whole
        if share < _ATOM_LEAST_SHARE:
            break
        left -= amplitude * turning
        explained += share
        turn -= round(turn)
        atoms.append((lines.base_hz + turn / _HOP_S / lines.partials[line], share))
    if explained < _STEADY_SHARE or not _are_few(atoms, n * _HOP_S * lines.partials[line]):
        return ()
    return tuple(sorted(atoms))


def _are_few(atoms: list[tuple[float, float]], turns_s: float) -> bool:
    """Return whether these are so few that a wandering pitch would not be described by them as well.

    Any sound of a bandwidth ``B`` and a length ``T`` is a sum of about ``B T`` sinusoids.
    """
    strong = sorted(hz for hz, share in atoms if share > _ATOM_STRONG_SHARE)
    return len(strong) <= _ALWAYS_FEW or 3 * len(strong) < (strong[-1] - strong[0]) * turns_s


def _listed(bass: _Kind | None, tenor: _Kind | None) -> tuple[DroneHeard, ...]:
    heard = []
    for kind in (bass, tenor):
        if kind is None:
            continue
        strongest = max(power for _, power in kind.atoms)
        for hz, power in sorted(kind.atoms):
            uncertainty = kind.uncertainty_cents if len(kind.atoms) == 1 else 0.1
            heard.append(DroneHeard(kind.is_bass, float(hz), uncertainty, float(power / strongest)))
    return tuple(heard)


def _beating_hz(tenor: _Kind | None) -> float | None:
    """Return how often the tenors beat a second: only where two, and no more, were told apart."""
    if tenor is None or len(tenor.atoms) < 2:
        return None
    strong = sorted(tenor.atoms, key=lambda atom: -atom[1])
    if len(strong) > 2 and strong[2][1] > 0.15 * strong[1][1]:
        return None
    return float(abs(strong[0][0] - strong[1][0]))


def _drift(lines: _Lines, begin_s: float) -> tuple[Floats, Floats]:
    """Return the middle of each window of about 10 s, and the drones' pitch in it from the mean of all, in cents."""
    n = len(lines.strengths)
    n_groups = max(1, n // _DRIFT_WINDOWS)
    groups = np.minimum(np.arange(n) * n_groups // n, n_groups - 1)
    free = [line for line, partial in enumerate(lines.partials) if lines.usable[:, line].all()][:2]
    coherence, turns_s = [], []
    for line in free:
        products, powers, _ = lagged(
            lines.strengths[:, line : line + 1], np.zeros(n, dtype=np.int64), groups, n_groups, _DRIFT_LAGS
        )
        coherence.append(products[:, 1:] / np.maximum(powers[:, 1:], 1e-30))
        turns_s.append(lines.turns_s[1:_DRIFT_LAGS, line])
    if not free:
        return np.zeros(0), np.zeros(0)
    shift_hz = mean_shift_hz(np.concatenate(coherence, axis=2), np.array(turns_s).T, 0.0)
    middles = (np.arange(n_groups) + 0.5) * n / n_groups * _HOP_S + 0.5 * _WINDOW_S
    return begin_s + middles, 1200.0 / math.log(2.0) * (shift_hz - shift_hz.mean()) / lines.base_hz
