"""The chanters' tuning: the mean pitch of each of the nine notes, how far apart the players are, how it drifts.

Each sounding of a note gives its partials' strengths, window by window, each on a line near its frequency. Their lagged
products, less those which the same lines have while other notes sound (drones, noise, hum), are the Fourier transform
of the players' pitches: the angle is the mean, the decay the spread. All partials tell of the same pitches, the tenth
ten times as finely as the first; they are combined by how well each agrees with itself over groups of soundings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from graith.errors import ListenError
from graith.listen.lines import (
    Indices,
    jackknife_sd,
    lagged,
    left_out,
    line_strengths,
    mean_shift_hz,
    window_samples,
    windows_within,
)
from graith.listen.model import (
    NOTE_TUNING_DTYPE,
    WORKING_RATE_HZ,
    Alignment,
    Drones,
    Floats,
    Singles,
    Tuning,
)
from graith.sound.scale import Scale, checked_low_a_hz

Bools = npt.NDArray[np.bool_]
Products = npt.NDArray[np.complex128]

# Short enough to hear a player who is far off, 60 Hz at the highest partial: a longer window leans to the others.
_WINDOW_S, _HOP_S = 0.016, 0.004
_N_LAGS = 16
_SKIP_S, _BEFORE_END_S = 0.025, 0.005
_LEAST_SOUNDING_S = _WINDOW_S + _HOP_S
_HIGHEST_HZ = 5_500.0
_N_STRETCHES = 6
_N_GROUPS = 2 * _N_STRETCHES
_MOST_OTHERS = 40
_KEEPS_OFF_HZ = 80.0
_COARSE_WITHIN_CENTS = 70.0
_NO_NOTE_BEYOND_CENTS = 66.0
_COARSE_SAMPLES = 1_024
_COARSE_SOUNDINGS = 40
_COARSE_PARTIALS = 8
_SPACING_HZ = WORKING_RATE_HZ / (4 * _COARSE_SAMPLES)
_90_PERCENT = 1.645
_LEAST_SHARE = 0.5
_LEAST_LINES = 2
_LINE_WINDOW_HZ = 0.72 / _WINDOW_S / math.sqrt(2.0 * math.log(2.0))  # a Hann window's response as if normal
_MEAN_TAPER_CENTS = 40.0
_SPREAD_REACH = 1.3
_SPREAD_FROM_ELSEWHERE_CENTS = 1.0  # rooms, vibrato and notes' starts widen a single player's lines by so much
_LEAST_SPREAD_CENTS = 0.3
_MEAN_LAGS = 8
_MOST_ERROR_CENTS = 8.0
_LOUDNESS_POWER, _SEVERAL_CENTS = 0.25, 2.0
_LEVELS_SHARE = 0.15
_CHANCE_SHARE = 0.35
_LEAST_ERROR_CENTS = 0.1
_CENTS = 1200.0 / math.log(2.0)


@dataclass(frozen=True, slots=True, eq=False)
class _Soundings:
    """Where melody notes sound long enough to be measured, in samples, by time."""

    notes: npt.NDArray[np.int8]
    starts: Indices
    stops: Indices

    def of(self, note: int) -> _Soundings:
        """Return those of one note."""
        own = self.notes == note
        return _Soundings(self.notes[own], self.starts[own], self.stops[own])

    def beside(self, note: int, most: int) -> _Soundings:
        """Return up to ``most`` soundings of each other note, spread over the performance."""
        kept = []
        for other in np.unique(self.notes[self.notes != note]):
            own = np.flatnonzero(self.notes == other)
            kept.append(own[:: max(1, own.size // most)][:most])
        some = np.sort(np.concatenate(kept)) if kept else np.zeros(0, dtype=np.int64)
        return _Soundings(self.notes[some], self.starts[some], self.stops[some])


@dataclass(frozen=True, slots=True, eq=False)
class _NoteLines:
    """Lagged products of a note's lines, group by group, the usual ones of the same lines taken out."""

    base_hz: float
    partials: Floats
    products: Products  # (groups, lags, lines)
    powers: Floats
    pairs: Floats  # (groups, lags)
    share: Floats  # (lines,) of the power that is the note's own
    sounding_s: float

    @property
    def turns_s(self) -> Floats:
        """Partial times lag, shape (lags, lines)."""
        turns_s: Floats = np.multiply.outer(np.arange(self.products.shape[1]) * _HOP_S, self.partials)
        return turns_s


def _soundings(alignment: Alignment, n_samples: int) -> _Soundings:
    steps = alignment.steps
    usable = (steps["grace"] < 0) & (steps["chanter_note"] >= 0) & steps["heard"]
    usable &= steps["stop_s"] - steps["start_s"] >= _SKIP_S + _BEFORE_END_S + _LEAST_SOUNDING_S
    kept = steps[usable]
    kept = kept[np.argsort(kept["start_s"], kind="stable")]
    starts = np.rint((kept["start_s"] + _SKIP_S) * WORKING_RATE_HZ).astype(np.int64)
    stops = np.rint((kept["stop_s"] - _BEFORE_END_S) * WORKING_RATE_HZ).astype(np.int64)
    inside = (starts >= 0) & (stops <= n_samples)
    return _Soundings(kept["chanter_note"][inside], starts[inside], stops[inside])


def _usual_spectrum(samples: Singles, soundings: _Soundings) -> Floats | None:
    """Return the mean power spectrum over soundings, zero-padded four times; None where there is none."""
    from scipy.fft import rfft

    firsts, _ = windows_within(soundings.starts, soundings.stops, _COARSE_SAMPLES, _COARSE_SAMPLES // 2)
    if not firsts.size:
        middles = (soundings.starts + soundings.stops - _COARSE_SAMPLES) // 2
        firsts = middles[(middles >= 0) & (middles + _COARSE_SAMPLES <= samples.size)]
    if not firsts.size:
        return None
    firsts = firsts[:: max(1, firsts.size // _COARSE_SOUNDINGS)]
    windows = np.lib.stride_tricks.sliding_window_view(samples, _COARSE_SAMPLES)[firsts]
    spectra = rfft(windows * np.hanning(_COARSE_SAMPLES).astype(np.float32), 4 * _COARSE_SAMPLES, axis=1)
    power: Floats = (spectra.real**2 + spectra.imag**2).mean(axis=0).astype(np.float64)
    return power


def _coarse_hz(note: int, spectra: dict[int, Floats], nominal_hz: Floats) -> float:
    """Return a note's pitch to a cent or two: where its partials stand out most from what else sounds there."""
    own = spectra[note]
    others = [spectrum for other, spectrum in spectra.items() if other != note]
    usual = np.median(others, axis=0) if others else np.full(own.size, np.median(own))
    out = np.log1p(own / (usual + 1e-3 * own.mean() + 1e-20))
    cents = np.arange(-_COARSE_WITHIN_CENTS, _COARSE_WITHIN_CENTS + 0.5, 1.0)
    partials = np.arange(1, min(_COARSE_PARTIALS, int(_HIGHEST_HZ / nominal_hz[note])) + 1)
    at_hz = np.multiply.outer(nominal_hz[note] * np.exp2(cents / 1200.0), partials)
    score = np.interp(at_hz, np.arange(own.size) * _SPACING_HZ, out).sum(axis=1)
    near_hz = float(nominal_hz[note] * 2.0 ** (cents[int(score.argmax())] / 1200.0))
    for _ in range(2):
        near_hz = _centre_hz(np.maximum(own - usual, 0.0), near_hz, partials)
    return near_hz


def _centre_hz(spectrum: Floats, near_hz: float, partials: npt.NDArray[np.int64]) -> float:
    """Return the pitch by the middles of the hills about a pitch's partials, the higher weighing more."""
    reach = 12
    shifts, weights = [], []
    for partial in partials:
        at = partial * near_hz / _SPACING_HZ
        bins = np.arange(max(0, math.ceil(at - reach)), min(spectrum.size, math.floor(at + reach) + 1))
        hill = spectrum[bins] * np.cos(0.5 * np.pi * (bins - at) / (reach + 1.0)) ** 2
        if hill.sum() > 0.0:
            shifts.append(float(np.average(bins - at, weights=hill)) * _SPACING_HZ / partial)
            weights.append(float(partial) * math.sqrt(float(hill.sum())))
    return near_hz + 1.5 * float(np.average(shifts, weights=weights)) if shifts else near_hz


def tuning_heard(samples: Singles, alignment: Alignment, drones: Drones, *, scale: Scale, low_a_hz: float) -> Tuning:
    """Return the pitch of each of the nine notes, its spread over the players and its drift.

    Parameters
    ----------
    samples : float32 array, shape (samples,)
        Mono at :data:`graith.listen.model.WORKING_RATE_HZ`.
    alignment : Alignment
        Where the melody notes sound. Notes shorter than about 50 ms, and gracenotes, are not measured.
    drones : Drones
        Low A is twice their tenors' pitch, or four times their basses'.
    scale : Scale
        What deviations are taken from.
    low_a_hz : float, 200 to 800
        Low A, about: used where there are no drones.

    Returns
    -------
    Tuning
        ``cents`` is the deviation from the scale on the drones' low A; without drones on the measured low A.

    Raises
    ------
    ListenError
        If the alignment has no steps.
    SoundError
        If low A is no chanter's.
    """
    checked_low_a_hz(low_a_hz)
    if not alignment.steps.size:
        raise ListenError("The alignment has no notes, so no note's pitch can be measured; align the recording first.")
    drones_a_hz = _low_a_by_drones(drones)
    nominal_hz = scale.note_hz(drones_a_hz or low_a_hz)
    soundings = _soundings(alignment, samples.size)
    spectra = {
        int(note): spectrum
        for note in np.unique(soundings.notes)
        if (spectrum := _usual_spectrum(samples, soundings.of(int(note)))) is not None
    }
    about_hz = nominal_hz.copy()
    for note in spectra:
        about_hz[note] = _coarse_hz(note, spectra, nominal_hz)
    rows = np.zeros(9, dtype=NOTE_TUNING_DTYPE)
    for note in spectra:
        if abs(_CENTS * math.log(about_hz[note] / nominal_hz[note])) > _NO_NOTE_BEYOND_CENTS:
            continue  # the search ran into its end: nothing stands out there
        lines = _note_lines(samples, soundings, note, float(about_hz[note]), about_hz)
        if lines is not None:
            rows[note] = _note_row(lines)
    return _on_the_drones(rows, scale, drones, drones_a_hz, low_a_hz)


def _low_a_by_drones(drones: Drones) -> float | None:
    if drones.tenor_hz is not None:
        return 2.0 * drones.tenor_hz
    return None if drones.bass_hz is None else 4.0 * drones.bass_hz


def _on_the_drones(
    rows: npt.NDArray[np.void], scale: Scale, drones: Drones, drones_a_hz: float | None, low_a_hz: float
) -> Tuning:
    """Return the rows with their deviations from the scale, and low A."""
    low_a = rows[1]
    base_hz = drones_a_hz or (float(low_a["hz"]) if low_a["heard"] else low_a_hz)
    heard = rows["heard"]
    rows["cents"][heard] = _CENTS * np.log(rows["hz"][heard] / scale.note_hz(base_hz)[heard])
    if low_a["heard"]:
        return Tuning(rows, float(low_a["hz"]), float(low_a["uncertainty_cents"]))
    uncertainty = drones.tenor_uncertainty_cents if drones.tenor_hz is not None else drones.bass_uncertainty_cents
    return Tuning(rows, drones_a_hz, uncertainty if drones_a_hz is not None else 0.0)


def _note_lines(
    samples: Singles, soundings: _Soundings, note: int, base_hz: float, heard_hz: Floats
) -> _NoteLines | None:
    partials = np.arange(1.0, max(2.0, math.floor(_HIGHEST_HZ / base_hz) + 1.0))
    lines_hz = base_hz * partials
    length, hop = window_samples(_WINDOW_S), window_samples(_HOP_S)
    own = soundings.of(note)
    firsts, owners = windows_within(own.starts, own.stops, length, hop)
    if not firsts.size:
        return None
    strengths = line_strengths(samples, firsts, lines_hz, length)
    # Two groups, even and odd soundings, in each stretch of the performance.
    groups = owners * _N_STRETCHES // max(1, own.starts.size) * 2 + owners % 2
    products, powers, pairs = lagged(strengths, owners, groups, _N_GROUPS, _N_LAGS)
    beside = soundings.beside(note, _MOST_OTHERS)
    firsts, owners = windows_within(beside.starts, beside.stops, length, hop)
    whole = powers[:, 1].sum(axis=0)
    if firsts.size:
        strengths = line_strengths(samples, firsts, lines_hz, length)
        theirs = beside.notes[owners].astype(np.int64)
        other_products, other_powers, other_pairs = lagged(strengths, owners, theirs, 9, _N_LAGS)
        free = np.abs(np.arange(1, 30)[:, None, None] * heard_hz[:, None] - lines_hz).min(axis=0) > _KEEPS_OFF_HZ
        counted = np.maximum(other_pairs.T @ free, 1e-9)  # (lags, lines)
        products = products - pairs[:, :, None] * (np.einsum("nkl,nl->kl", other_products, free) / counted)
        powers = powers - pairs[:, :, None] * (np.einsum("nkl,nl->kl", other_powers, free) / counted)
    share = powers[:, 1].sum(axis=0) / np.maximum(whole, 1e-30)
    sounding_s = float((own.stops - own.starts).sum()) / WORKING_RATE_HZ
    return _NoteLines(base_hz, partials, products, powers, pairs, share, sounding_s)


def _note_row(lines: _NoteLines) -> tuple[bool, float, float, float, float, float, float, float]:
    """Return a row of ``NOTE_TUNING_DTYPE``; the deviation from the scale is left 0."""
    nothing = (False, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    usable = lines.share > _LEAST_SHARE
    if usable.sum() < _LEAST_LINES:
        return nothing
    filled = lines.pairs[:, 1] > 0.0
    products, powers = lines.products[filled][:, :, usable], lines.powers[filled][:, :, usable]
    turns_s, partials = lines.turns_s[:, usable], lines.partials[usable]
    whole, whole_powers = products.sum(axis=0), powers.sum(axis=0)
    spread = _spread_cents(whole, whole_powers, turns_s, partials, lines.base_hz)
    shifts = _line_shifts_cents(products, powers, turns_s, lines.base_hz)
    total = _line_shifts_cents(whole[None], whole_powers[None], turns_s, lines.base_hz)[0]
    widened = 1.0 + (partials * spread * lines.base_hz / _CENTS / _LINE_WINDOW_HZ) ** 2
    total, shifts = total * np.minimum(widened, 3.0), shifts * np.minimum(widened, 3.0)
    n_groups = int(filled.sum())
    others = _line_shifts_cents(left_out(products), left_out(powers), turns_s, lines.base_hz) * np.minimum(widened, 3.0)
    errors = jackknife_sd(others) if n_groups > 2 else np.full(partials.size, 2.0 + spread)
    weights = _loudness(whole_powers[1], spread) / (errors**2 + ((0.3 + 0.3 * spread) * widened) ** 2)
    mean, weights = _robust_mean(total, weights, 0.75 + 0.75 * spread)
    chance = float(jackknife_sd((others * weights).sum(axis=1))) if n_groups > 2 else 1.0 + 0.3 * spread
    apart = float(np.sqrt((weights**2 * (total - mean) ** 2).sum()))
    beyond = math.sqrt(max(spread**2 - _SPREAD_FROM_ELSEWHERE_CENTS**2, 0.0))
    error = math.sqrt(_CHANCE_SHARE * (chance**2 + apart**2) + (_LEVELS_SHARE * beyond) ** 2 + _LEAST_ERROR_CENTS**2)
    if error > _MOST_ERROR_CENTS:
        return nothing
    spreads = np.array(
        [
            _spread_cents(*both, turns_s, partials, lines.base_hz)
            for both in zip(left_out(products), left_out(powers), strict=True)
        ]
    )
    spread_error = math.hypot(float(jackknife_sd(spreads)) if n_groups > 2 else 0.3 * spread, 0.15 * spread + 0.35)
    return (
        True,
        lines.base_hz * 2.0 ** (mean / 1200.0),
        0.0,
        _90_PERCENT * error,
        beyond,
        _90_PERCENT * spread_error,
        _drift_cents((shifts * weights).sum(axis=1), np.flatnonzero(filled)),
        lines.sounding_s,
    )


def _loudness(powers: Floats, spread: float) -> Floats:
    """Return how much partials weigh by their loudness.

    A single player's loudest partials tell most. Of several players the room holds now one's partial louder, now
    another's: the mean over all of them is freest of that when they count alike.
    """
    loudness: Floats = np.maximum(powers, 0.0) ** (_LOUDNESS_POWER / (1.0 + (spread / _SEVERAL_CENTS) ** 2))
    return loudness


def _line_shifts_cents(products: Products, powers: Floats, turns_s: Floats, base_hz: float) -> Floats:
    """Return each line's own shift for each set of products, in cents, shape (sets, lines).

    Only the shortest lags count: their angle is the mean over power, whatever the players' distribution; longer ones
    lean to where most players are.
    """
    coherence = np.where(powers > 0.0, products / np.maximum(powers, 1e-30), 0.0)
    taper_hz = _MEAN_TAPER_CENTS * base_hz / _CENTS
    shifts_hz = [
        mean_shift_hz(coherence[:, 1:_MEAN_LAGS, line, None], turns_s[1:_MEAN_LAGS, line, None], taper_hz)
        for line in range(turns_s.shape[1])
    ]
    return np.stack(shifts_hz, axis=1) * (_CENTS / base_hz)


def _robust_mean(values: Floats, weights: Floats, far: float) -> tuple[float, Floats]:
    """Return a weighted mean in which values farther than ``far`` from it count less (Huber), and the weights used.

    References
    ----------
    P. J. Huber, "Robust estimation of a location parameter", Ann. Math. Statist. 35 (1964) 73-101.
    """
    used = weights / weights.sum()
    mean = float((values * used).sum())
    for _ in range(4):
        used = weights * np.minimum(1.0, far / np.maximum(np.abs(values - mean), 1e-9))
        used = used / used.sum()
        mean = float((values * used).sum())
    return mean, used


def _spread_cents(products: Products, powers: Floats, turns_s: Floats, partials: Floats, base_hz: float) -> float:
    """Return the standard deviation of the pitches that sound together, from how fast the lagged products decay.

    Of pitches with standard deviation ``s`` the products decay as ``exp(-2 (π s turns_s)²)`` while that is above about
    a half, whatever the distribution; later the distribution's form counts, and no lag is used.
    """
    from graith.listen._line_loops import spread_hz

    coherence = np.where(powers > 0.0, np.abs(products) / np.maximum(powers, 1e-30), 0.0)
    first_hz, least_hz = 8.0 * base_hz / _CENTS, _LEAST_SPREAD_CENTS * base_hz / _CENTS
    found_hz = spread_hz(coherence, turns_s, partials, _LINE_WINDOW_HZ, first_hz, least_hz, _SPREAD_REACH)
    return float(found_hz) * _CENTS / base_hz


def _drift_cents(shifts: Floats, groups: npt.NDArray[np.intp]) -> float:
    """Return the standard deviation over the performance of the players' mean, what chance makes of it taken out."""
    pairs = [
        (shifts[groups == 2 * stretch][0], shifts[groups == 2 * stretch + 1][0])
        for stretch in range(_N_STRETCHES)
        if (groups == 2 * stretch).any() and (groups == 2 * stretch + 1).any()
    ]
    if len(pairs) < 3:
        return 0.0
    even, odd = np.array(pairs).T
    chance = float(((even - odd) ** 2).mean()) / 4.0
    return math.sqrt(max(float((0.5 * (even + odd)).var(ddof=1)) - chance, 0.0))
