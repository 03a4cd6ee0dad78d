"""The inner loops of listening, compiled: arrays in, arrays out."""

from __future__ import annotations

import numpy as np

from graith.listen._compiled import njit

_SOFTENED_FRAMES = 24


@njit(cache=True, nogil=True)
def keep_power(spectrum, first, power):  # type: ignore[no-untyped-def]
    """Write the power of each frame's bins, from the first one on, as many as there is room for."""
    for t in range(power.shape[0]):
        for k in range(power.shape[1]):
            value = spectrum[t, first + k]
            power[t, k] = value.real * value.real + value.imag * value.imag


@njit(cache=True, nogil=True, fastmath=True)
def stand_out(power, floors, floor_frames, delay, keep, share, least):  # type: ignore[no-untyped-def]
    """Replace power, in place, by log(1 + (power - echo) / floor); the echo is a delayed, decaying average."""
    n_frames, n_bins = power.shape
    echo = np.zeros(n_bins, dtype=np.float32)
    past = np.zeros((delay + 1, n_bins), dtype=np.float32)
    for t in range(n_frames):
        row = t % (delay + 1)
        old = (t + 1) % (delay + 1)
        stretch = t // floor_frames
        part = np.float32(t - stretch * floor_frames) / np.float32(floor_frames) - np.float32(0.5)
        other = min(max(stretch + (1 if part > 0 else -1), 0), floors.shape[0] - 1)
        weight = abs(part)
        for k in range(n_bins):
            value = power[t, k]
            past[row, k] = value
            echo[k] = keep * echo[k] + (np.float32(1.0) - keep) * past[old, k]
            floor = floors[stretch, k] * (np.float32(1.0) - weight) + floors[other, k] * weight
            above = max(value - share * echo[k], least * value)
            power[t, k] = np.log(np.float32(1.0) + above / floor)


@njit(cache=True, nogil=True)
def follow(  # type: ignore[no-untyped-def]
    scores, classes, stay, leave, begins, ends, enter, quit, jump_cost, other, moves, jumped_from, left_from, gates
):
    """Fill ``moves`` with the best way into each note at each frame, and return the best path's total.

    Parameters
    ----------
    scores : float32 (frames, classes)
        Log-likelihoods.
    classes : int8 (notes,)
    stay, leave : float32 (notes,)
        Logarithms of the chance to stay in a note, or to go on, from one frame to the next.
    begins, ends : bool (notes,)
        Whether a bar begins or ends with the note: jumps go from ends to beginnings.
    enter, quit : float32 (notes,)
        What it costs to enter the set here from other sound, or to leave it for other sound.
    jump_cost, other : float
        ``other`` is the log-likelihood of a frame of other sound.
    moves : uint8 (frames, a quarter of the notes or more), out
        0 stay, 1 from the note before, 2 from the one before that, 3 a jump or from other sound: two bits a note, for
        these are the most memory that listening takes. Note ``i`` stands in byte ``i % width``.
    jumped_from : int32 (frames,), out
        The note that a jump into this frame comes from.
    left_from : int32 (frames,), out
        The note after which other sound goes on here, or -1 while it is other sound already.
    gates : float32 (frames, 2), out
        A note is entered from other sound here if that costs less than the first, and it is other sound amid the set
        (all stopped, and began again) if the second is not 0.
    """
    n_frames = scores.shape[0]
    n = classes.size
    width = moves.shape[1]
    minus = np.float32(-1e30)
    best = np.full(n, minus, dtype=np.float32)
    gone = np.full(n + 2, minus, dtype=np.float32)  # two rows of nothing before the first note
    heard = np.empty(n, dtype=np.float32)
    own_class = classes.view(np.uint8)
    jump_to = np.where(begins, np.float32(0.0), minus)
    enter_at = np.where(begins, -enter, minus)
    last_of_bar = np.flatnonzero(ends)
    before = np.float32(0.0)
    after = minus
    for t in range(n_frames):
        _go_on(best, leave, gone[2:])
        top_end = minus
        top_from = -1
        for last in last_of_bar:
            if gone[last + 2] > top_end:
                top_end = gone[last + 2]
                top_from = int(last)
        jumped_from[t] = top_from
        top_any = _top_difference(gone[2:], quit)
        _hear(scores[t], own_class, heard)
        jumping, outside = top_end - jump_cost, max(before, after)
        gates[t, 0], gates[t, 1] = outside - jumping, np.float32(after > before)
        moves[t] = 0
        for first in range(0, n, width):
            own = slice(first, min(first + width, n))
            _move(
                best[own], gone[first + 1 :], gone[first:], stay[own], jumping, jump_to[own], outside, enter_at[own],
                heard[own], moves[t], 2 * (first // width),
            )  # fmt: skip
        left_from[t] = -1
        if top_any > after:
            after = top_any
            left_from[t] = _where_difference(gone[2:], quit, top_any)
        after += other
        before += other
        best[:] = heard
    top = -1
    for i in range(n):
        if best[i] - quit[i] > after:
            after = best[i] - quit[i]
            top = i
    return after, top, before


# The inner loops of ``follow``: without branches, so that the processor takes sixteen notes at once.


@njit(cache=True, nogil=True)
def _go_on(best, leave, gone):  # type: ignore[no-untyped-def]
    """Write what it is worth to have gone on from each note."""
    for i in range(best.size):
        gone[i] = best[i] + leave[i]


@njit(cache=True, nogil=True)
def _hear(now, own_class, heard):  # type: ignore[no-untyped-def]
    """Write each note's own score."""
    for i in range(heard.size):
        heard[i] = now[own_class[i]]


@njit(cache=True, nogil=True)
def _top_difference(values, less):  # type: ignore[no-untyped-def]
    """Return the greatest difference."""
    tops = np.full(16, np.float32(-1e30), dtype=np.float32)
    whole = values.size // 16 * 16
    for first in range(0, whole, 16):
        some, some_less = values[first : first + 16], less[first : first + 16]
        for lane in range(16):
            value = some[lane] - some_less[lane]
            tops[lane] = value if value > tops[lane] else tops[lane]
    top = tops.max()
    for i in range(whole, values.size):
        top = max(top, values[i] - less[i])
    return top


@njit(cache=True, nogil=True)
def _where_difference(values, less, wanted):  # type: ignore[no-untyped-def]
    """Return the first place with that difference."""
    first = 0
    for first in range(0, values.size, 16):
        some, some_less = values[first : first + 16], less[first : first + 16]
        hits = 0
        for lane in range(some.size):
            hits += some[lane] - some_less[lane] == wanted
        if hits:
            break
    while values[first] - less[first] != wanted:
        first += 1
    return first


@njit(cache=True, nogil=True, fastmath={"nnan", "nsz"})
def _move(best, gone, gone_before, stay, jumping, jump_to, outside, enter_at, heard, row, shift):  # type: ignore[no-untyped-def]
    """Add to ``heard`` the best way into each note, and write which it is, two bits from ``shift`` on."""
    for i in range(best.size):
        worth = best[i] + stay[i]
        follows = gone[i]
        skips = gone_before[i] - np.float32(4.0)
        elsewhere = max(jumping + jump_to[i], outside + enter_at[i])
        move = np.uint8(1) if follows > worth else np.uint8(0)
        worth = follows if follows > worth else worth
        move = np.uint8(2) if skips > worth else move
        worth = skips if skips > worth else worth
        move = np.uint8(3) if elsewhere > worth else move
        row[i] |= move << np.uint8(shift)
        heard[i] += elsewhere if elsewhere > worth else worth


@njit(cache=True, nogil=True)
def locate(scores, classes, stay, leave, begins, ends, enter, jump_cost, other):  # type: ignore[no-untyped-def]
    """Return the gain over other sound, first and last frame, and first and last note, of the best path.

    The same search as ``follow``, without a memory of it: each state carries where its path entered the set.
    """
    n = classes.size
    minus = np.float32(-1e30)
    best = np.full(n, minus, dtype=np.float32)
    fresh = np.empty(n, dtype=np.float32)
    entered = np.zeros(n, dtype=np.int32)
    came = np.zeros(n, dtype=np.int32)
    entered_fresh = np.zeros(n, dtype=np.int32)
    came_fresh = np.zeros(n, dtype=np.int32)
    top_gain = minus
    top_first, top_last, top_from, top_to = 0, 0, 0, 0
    for t in range(scores.shape[0]):
        jump = minus
        jump_from = 0
        for i in range(n):
            if ends[i] and best[i] + leave[i] > jump:
                jump = best[i] + leave[i]
                jump_from = i
        for i in range(n):
            value = best[i] + stay[i]
            source = i
            if i > 0 and best[i - 1] + leave[i - 1] > value:
                value = best[i - 1] + leave[i - 1]
                source = i - 1
            if i > 1 and best[i - 2] + leave[i - 2] - np.float32(4.0) > value:
                value = best[i - 2] + leave[i - 2] - np.float32(4.0)
                source = i - 2
            if begins[i]:
                if jump - jump_cost > value:
                    value = jump - jump_cost
                    source = jump_from
                if -enter[i] > value:
                    value = -enter[i]
                    source = -1
            fresh[i] = value + scores[t, classes[i]] - other
            if source < 0:
                entered_fresh[i] = t
                came_fresh[i] = i
            else:
                entered_fresh[i] = entered[source]
                came_fresh[i] = min(came[source], i)
        for i in range(n):
            best[i] = fresh[i]
            entered[i] = entered_fresh[i]
            came[i] = came_fresh[i]
            if best[i] > top_gain:
                top_gain = best[i]
                top_first = entered[i]
                top_last = t
                top_from = came[i]
                top_to = i
    return top_gain, top_first, top_last, top_from, top_to


@njit(cache=True, nogil=True)
def trace(moves, jumped_from, left_from, gates, enter, top, path):  # type: ignore[no-untyped-def]
    """Write the best path: the note of each frame, or -1 where it is other sound."""
    t = moves.shape[0] - 1
    i = top
    while t >= 0:
        path[t] = i
        if i < 0:
            i = left_from[t]
            t -= 1
            continue
        move = moves[t, i % moves.shape[1]] >> 2 * (i // moves.shape[1]) & 3
        if move < 3:
            i -= move
        elif gates[t, 0] <= enter[i]:
            i = jumped_from[t]
        elif gates[t, 1] != 0:
            i = -1
        else:
            t -= 1
            break
        t -= 1
    while t >= 0:
        path[t] = -1
        t -= 1


@njit(cache=True, nogil=True)
def _off(away):  # type: ignore[no-untyped-def]
    """Return the log-likelihood of a deviation: normal near 0, with straight tails beyond two standard deviations."""
    size = abs(away)
    return np.float32(-0.5) * size * size if size < 2.0 else np.float32(2.0) - np.float32(2.0) * size


@njit(cache=True, nogil=True)
def lay_steps(cumulative, onsets, classes, expected, width, left_out, where, hold, low, span, whence):  # type: ignore[no-untyped-def]
    """Return the best frame of each step's start, and of the last one's end, for steps of uncertain length.

    Parameters
    ----------
    cumulative : float32 (frames + 1, classes)
        Sums of log-likelihoods up to each frame.
    onsets : float32 (frames + 1, classes)
        What it is worth that a note begins at a frame.
    classes : int8 (steps,)
    expected : float32 (steps,)
        Lengths in frames.
    width : float32 (steps,)
        Standard deviation of the logarithm of the length.
    left_out : float32 (steps,)
        Price of a step that does not sound at all; huge where it must.
    where, hold : float32 (steps,)
        About where each starts, and 1 over the standard deviation of that in frames; 0 where it is free.
    low : int32 (steps + 1,)
        First frame that each start may have; it may have ``span`` of them.
    whence : int16 (steps + 1, span), out
        Best start of the step that ends there, in its own window.
    """
    n = classes.size
    n_frames = cumulative.shape[0] - 1
    most = int(3.0 * expected.max()) + 2 * span
    logs = np.log(np.maximum(np.arange(most), 1).astype(np.float32))
    best = np.empty(span, dtype=np.float32)
    begun = np.empty(span, dtype=np.float32)
    price = np.empty(most, dtype=np.float32)
    top = np.empty(span, dtype=np.float32)
    top_from = np.empty(span, dtype=np.int32)
    for a in range(span):
        best[a] = cumulative[min(max(low[0] + a, 0), n_frames), 9]
    for k in range(n):
        c = classes[k]
        shortest = min(max(low[k + 1], 0), n_frames) - min(max(low[k] + span, 0), n_frames)
        longest = min(max(low[k + 1] + span, 0), n_frames) - min(max(low[k], 0), n_frames)
        price[0] = -left_out[k]
        for d in range(max(1, shortest), min(most, longest + 1)):
            price[d] = _off((logs[d] - np.log(expected[k])) / width[k])
        for a in range(span):
            start = min(max(low[k] + a, 0), n_frames)
            begun[a] = best[a] - cumulative[start, c] + _off((start - where[k]) * hold[k])
        top[:] = np.float32(-1e30)
        top_from[:] = 0
        if low[k] >= 0 and max(low[k], low[k + 1]) + span <= n_frames + 1:
            _best_starts(begun, price, onsets[low[k] : low[k] + span, c], low[k + 1] - low[k], top, top_from)
        else:
            _best_starts_at_an_end(begun, price, onsets[:, c], low[k], low[k + 1], top, top_from)
        for b in range(span):
            best[b] = top[b] + cumulative[min(max(low[k + 1] + b, 0), n_frames), c]
            whence[k + 1, b] = top_from[b]
    at = 0
    for b in range(span):
        top[b] = best[b] - cumulative[min(max(low[n] + b, 0), n_frames), 9]
        if top[b] > top[at]:
            at = b
    starts = np.empty(n + 1, dtype=np.int32)
    for k in range(n, -1, -1):
        starts[k] = min(max(low[k] + at, 0), n_frames)
        at = whence[k, at]
    return starts


@njit(cache=True, nogil=True)
def _best_starts(begun, price, onsets, later, top, top_from):  # type: ignore[no-untyped-def]
    """Find, for each frame that a step may end at, its best start; the inner loop has no branches, so that it is quick.

    ``later`` is how many frames the first end lies after the first start.
    """
    span, most = begun.size, price.size
    for a in range(span):
        ahead = later - a
        if 0 <= -ahead < span and begun[a] + price[0] > top[-ahead]:
            top[-ahead] = begun[a] + price[0]
            top_from[-ahead] = a
        first, stop = max(0, 1 - ahead), min(span, most - ahead)
        if stop <= first:
            continue
        prices, tops, froms = price[first + ahead : stop + ahead], top[first:stop], top_from[first:stop]
        own, worth = begun[a], onsets[a]
        for b in range(prices.size):
            value = own + prices[b] + worth
            is_better = value > tops[b]
            tops[b] = value if is_better else tops[b]
            froms[b] = a if is_better else froms[b]


@njit(cache=True, nogil=True)
def _best_starts_at_an_end(begun, price, onsets, low, next_low, top, top_from):  # type: ignore[no-untyped-def]
    """Do the same where the recording begins or ends within the frames looked at."""
    n_frames = onsets.size - 1
    for a in range(begun.size):
        start = min(max(low + a, 0), n_frames)
        for b in range(begun.size):
            d = min(max(next_low + b, 0), n_frames) - start
            if d < 0 or d >= price.size:
                continue
            value = begun[a] + price[d]
            if d > 0:
                value += onsets[start]
            if value > top[b]:
                top[b] = value
                top_from[b] = a


@njit(cache=True, nogil=True, fastmath=True)
def least_squares_shares(wanted, products, sweeps):  # type: ignore[no-untyped-def]
    """Return non-negative least-squares shares, shape (frames, notes), by coordinate descent from the frame before.

    ``wanted`` float32 (frames, notes), each frame's product with each note's spectrum; ``products`` float32 (notes,
    notes), the spectra's products with each other.
    """
    n_frames, m = wanted.shape
    out = np.empty((n_frames, m), dtype=np.float32)
    rows = np.zeros((m, 16), dtype=np.float32)  # a note a row, filled up to a width that the processor adds at once
    rows[:, :m] = products.T
    over = np.empty(m, dtype=np.float32)
    for i in range(m):
        over[i] = np.float32(1.0) / products[i, i]
    now = np.zeros(m, dtype=np.float32)
    rest = np.zeros(16, dtype=np.float32)
    for t in range(n_frames):
        rest[:m] = wanted[t]
        for i in range(m):
            _take(rest, rows[i], now[i])
        for _ in range(sweeps):
            for i in range(m):
                share = max(now[i] + rest[i] * over[i], np.float32(0.0))
                if share != now[i]:
                    _take(rest, rows[i], share - now[i])
                    now[i] = share
        out[t] = now
    return out


@njit(cache=True, nogil=True, fastmath=True)
def _take(rest, row, share):  # type: ignore[no-untyped-def]
    """Subtract a share of a row of sixteen, in place."""
    for j in range(16):
        rest[j] -= row[j] * share


@njit(cache=True, nogil=True)
def soften_starts(cumulative, onsets, classes, expected, width, where, hold, starts, means, errors):  # type: ignore[no-untyped-def]
    """Write each start's mean and standard deviation by its likelihood between its neighbours, in frames.

    Arguments as for ``lay_steps``, of steps that sound only; ``starts`` int32 (steps + 1,) its
    answer; ``means``, ``errors`` float64 (steps,), out.
    """
    n_frames = cumulative.shape[0] - 1
    worth = np.empty(2 * _SOFTENED_FRAMES + 1, dtype=np.float64)
    for k in range(classes.size):
        c = classes[k]
        before = int(np.round(means[k - 1])) if k > 0 else starts[k] - 4 * _SOFTENED_FRAMES
        after = starts[k + 1]
        old = classes[k - 1] if k > 0 else 9
        low = max(max(before + 1, starts[k] - _SOFTENED_FRAMES), 0)
        high = min(min(after - 1, starts[k] + _SOFTENED_FRAMES), n_frames)
        means[k] = starts[k]
        errors[k] = 1.0
        if high <= low:
            continue
        top = -1e30
        for frame in range(low, high + 1):
            value = cumulative[frame, old] - cumulative[frame, c] + onsets[frame, c]
            value += _off((frame - where[k]) * hold[k])
            value += _off((np.log(after - frame) - np.log(expected[k])) / width[k])
            if k > 0:
                value += _off((np.log(frame - before) - np.log(expected[k - 1])) / width[k - 1])
            worth[frame - low] = value
            top = max(top, value)
        total = mean = square = 0.0
        for frame in range(low, high + 1):
            weight = np.exp(worth[frame - low] - top)
            total += weight
            mean += weight * (frame - starts[k])
            square += weight * (frame - starts[k]) ** 2
        means[k] = starts[k] + mean / total
        errors[k] = np.sqrt(max(square / total - (mean / total) ** 2, 0.0))
