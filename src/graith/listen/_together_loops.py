"""The loops of togetherness: partials read from short spectra, and how likely each change is at each spread."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from graith.listen._compiled import njit

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Indices = npt.NDArray[np.int64]


@njit(cache=True, fastmath=True)
def read_partials(spectrum: npt.NDArray[np.complex64], bins: Indices, out: Singles) -> None:
    """Write the power around each bin, shape (frames, bins), a bin each side counting for 0.6."""
    for frame in range(spectrum.shape[0]):
        for place in range(bins.size):
            middle = spectrum[frame, bins[place]]
            below = spectrum[frame, bins[place] - 1]
            above = spectrum[frame, bins[place] + 1]
            beside = below.real**2 + below.imag**2 + above.real**2 + above.imag**2
            out[frame, place] = middle.real**2 + middle.imag**2 + np.float32(0.6) * beside


@njit(cache=True, fastmath=True)
def _read_into(row: Floats, place: float, step: float, out: Floats) -> None:
    """Write the values between two entries of a row at even steps; the ends go on."""
    last = row.size - 1
    for index in range(out.size):
        at = min(max(place + step * index, 0.0), float(last))
        low = min(int(at), last - 1)
        out[index] = row[low] + (row[low + 1] - row[low]) * (at - low)


@njit(cache=True, fastmath=True)
def _shares_into(
    since_s: float, hop_s: float, length_s: float, brief: Floats, rise: Floats, fall: Floats, grid: Floats,
    out: Floats, falling: Floats,
) -> None:  # fmt: skip
    """Write the expected power of a note in each frame, 1 when all hold it.

    ``grid`` is (first time, step, first length, step); ``falling`` is room to work in.
    """
    step = hop_s / grid[1]
    if length_s < grid[2] + grid[3] * (brief.shape[0] - 1):
        row = min(max(int((length_s - grid[2]) / grid[3] + 0.5), 0), brief.shape[0] - 1)
        _read_into(brief[row], (since_s - grid[0]) / grid[1], step, out)
    else:
        _read_into(rise, (since_s - grid[0]) / grid[1], step, out)
        _read_into(fall, (since_s - length_s - grid[0]) / grid[1], step, falling)
        for index in range(out.size):
            out[index] *= falling[index]
    for index in range(out.size):
        if since_s + hop_s * index >= grid[0]:
            break
        out[index] = 0.0


@njit(cache=True, fastmath=True)
def _likelihood(
    frames: Floats,
    first_frame: int,
    hop_s: float,
    shift_s: float,
    starts_s: Floats,
    stops_s: Floats,
    templates: Floats,
    base: Floats,
    brief: Floats,
    rise: Floats,
    fall: Floats,
    grid: Floats,
    shares: Floats,
) -> float:
    """Return the logarithm of the likelihood of some frames; ``templates`` has a row for each note of the passage.

    ``shares`` is room to work in, shape (notes + 1, frames).
    """
    n_frames, n_partials = frames.shape
    from_s = first_frame * hop_s - shift_s
    n_notes = starts_s.size
    for note in range(n_notes):
        length_s = stops_s[note] - starts_s[note]
        _shares_into(from_s - starts_s[note], hop_s, length_s, brief, rise, fall, grid, shares[note], shares[n_notes])
    expected = np.empty(n_partials)
    levels, heard = np.ones(n_partials), np.ones(n_partials)  # products over some frames: a logarithm takes long
    total = 0.0
    for frame in range(n_frames):
        expected[:] = base
        for note in range(n_notes):
            share = shares[note, frame]
            if share > 1e-5:
                for place in range(n_partials):
                    expected[place] += share * templates[note, place]
        for place in range(n_partials):
            levels[place] *= expected[place]
            heard[place] *= expected[place] + 0.5 * frames[frame, place]
        if frame % 12 == 11 or frame == n_frames - 1:
            for place in range(n_partials):
                total += 2.0 * np.log(levels[place]) - 3.0 * np.log(heard[place])
            levels[:] = 1.0
            heard[:] = 1.0
    return total


@njit(cache=True, fastmath=True)
def change_likelihoods(
    power: Singles,
    hop_s: float,
    changes: Indices,
    notes: Indices,
    starts_s: Floats,
    stops_s: Floats,
    templates: Floats,
    base: Floats,
    owners: Indices,
    brief: Floats,
    rise: Floats,
    fall: Floats,
    grid: Floats,
    shifts_s: Floats,
    reach_s: float,
    middle: int,
) -> Floats:
    """Return the log-likelihood of each change at each spread, its time fitted; a row of zeros where it cannot be told.

    Parameters
    ----------
    power : float32 array, shape (frames, partials)
    changes : int array, shape (changes, 2)
        First and last step (gracenotes, then the melody note) that begin together.
    notes, starts_s, stops_s : arrays, shape (steps,)
    templates : float array, shape (9, partials)
        Power of each note above ``base``.
    brief : float array, shape (spreads, lengths, times)
    rise, fall : float arrays, shape (spreads, times)
    middle : int
        Index of the spread at which the time is fitted.
    """
    n_spreads = rise.shape[0]
    out = np.zeros((changes.shape[0], n_spreads))
    for change in range(changes.shape[0]):
        first, last = changes[change, 0], changes[change, 1]
        low, high = max(first - 3, 0), min(last + 3, notes.size)
        used = np.zeros(9, dtype=np.bool_)
        for step in range(first - 1, last + 1):
            if notes[step] >= 0:
                used[notes[step]] = True
        chosen = np.zeros(base.size, dtype=np.int64)
        n_chosen = 0
        for place in range(base.size):
            if not used[owners[place]]:
                continue
            least, most = np.inf, 0.0
            for note in range(9):
                if used[note]:
                    level = base[place] + templates[note, place]
                    least, most = min(least, level), max(most, level)
            if most > 3.0 * least:
                chosen[n_chosen] = place
                n_chosen += 1
        first_frame = max(int((starts_s[first] - reach_s) / hop_s) + 1, 0)
        last_frame = min(int((starts_s[last] + reach_s) / hop_s) + 1, power.shape[0])
        if n_chosen < 3 or last_frame - first_frame < 8:
            continue
        # Filled up to a multiple of eight with partials that say nothing: the processor takes eight at once.
        n_filled = (n_chosen + 7) // 8 * 8
        frames = np.zeros((last_frame - first_frame, n_filled))
        own = np.zeros((high - low, n_filled))
        own_base = np.ones(n_filled)
        shares = np.empty((high - low + 1, last_frame - first_frame))
        for place in range(n_chosen):
            own_base[place] = base[chosen[place]]
            for frame in range(frames.shape[0]):
                frames[frame, place] = power[first_frame + frame, chosen[place]]
            for step in range(low, high):
                if notes[step] >= 0:
                    own[step - low, place] = templates[notes[step], chosen[place]]
        from_s, to_s = starts_s[low:high], stops_s[low:high]
        best, shift_s = -np.inf, 0.0
        for trial in range(shifts_s.size):
            worth = _likelihood(
                frames, first_frame, hop_s, shifts_s[trial], from_s, to_s, own, own_base,
                brief[middle], rise[middle], fall[middle], grid, shares,
            )  # fmt: skip
            if worth > best:
                best, shift_s = worth, shifts_s[trial]
        for spread in range(n_spreads):
            out[change, spread] = _likelihood(
                frames, first_frame, hop_s, shift_s, from_s, to_s, own, own_base,
                brief[spread], rise[spread], fall[spread], grid, shares,
            )  # fmt: skip
    return out
