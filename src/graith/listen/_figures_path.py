"""The likeliest way through a figure: which gracenotes sound, from when and for how long.

Around each melody note the frames are cut into the note before, any of the gracenotes in order, and the melody note.
From each cut on, the new note's share is expected to rise, and those of all others to fall from where they stand, as
they do in this recording's plain note changes; how far the frames are from that is the cut's weight. All cuts are
weighed (a segmental Viterbi search, forward and backward), so that for each gracenote the best cut with it can be
held against the best without it, and every length against the best length.

References
----------
M. Ostendorf, V. Digalakis, O. Kimball, "From HMMs to segment models", IEEE Transactions on Speech and Audio
Processing 4 (1996) 360-378.
"""

from __future__ import annotations

import numpy as np

from graith.listen._compiled import njit
from graith.listen._figures_frames import LEVELS_BEFORE

SHORTEST, LONGEST = 4, 48
"""Of a gracenote, in frames."""

_NEVER = -1.0e9


@njit(cache=True, fastmath=True)
def search(  # type: ignore[no-untyped-def]
    shares, first_row, n_frames, note_frame, pitches, first_state, n_states, expected,
    rise, fall, weight, log_weight, cap, log_width, log_absent, onset_width, drop, out_grace, out_note,
):  # fmt: skip
    """Fill one row of ``out_grace`` for each gracenote and one of ``out_note`` for each figure.

    Parameters
    ----------
    shares : float32 array, shape (frames, 9)
    first_row, n_frames : int arrays, shape (figures,)
        The figure's frames.
    note_frame : float array, shape (figures,)
        Where the aligner has the melody note, in frames from the figure's first.
    pitches : int8 array
        Of the note before, the gracenotes and the melody note, figure after figure; -1 is unknown.
    first_state, n_states : int arrays, shape (figures,)
    expected : float array, shape of ``pitches``
        Lengths of gracenotes in frames.
    rise, fall : float arrays, shape (9, ages)
        Shares after a cut, from 0 to 1 and from 1 to 0.
    weight, log_weight : float arrays, shape (9, ages)
        Of a squared deviation, evidence and the half in it; and its logarithm's part.
    cap, log_width, log_absent, onset_width : float
    drop : float
        By how much the log-likelihood falls at the ends of an interval.
    out_grace : float array, shape of ``pitches`` by 5
        Log-likelihood ratio present to absent; onset, its uncertainty, length, its uncertainty (frames).
    out_note : float array, shape (figures, 3)
        Onset of the melody note, its uncertainty, and the best path's misfit a frame and note.
    """
    most_states = 0
    most_frames = 0
    for figure in range(n_states.size):
        most_states = max(most_states, n_states[figure])
        most_frames = max(most_frames, n_frames[figure])
    n_ages = rise.shape[1]
    seg = np.zeros((most_states, most_frames + 1, LONGEST + 1), dtype=np.float32)
    forward = np.zeros((most_states, most_frames + 1))
    arrive = np.zeros((most_states, most_frames + 1))
    enter = np.zeros((most_states, most_frames + 1))
    leave = np.zeros((most_states, most_frames + 1))
    length_prior = np.zeros((most_states, LONGEST + 1))
    by_length = np.zeros(LONGEST + 1)
    by_start = np.zeros(most_frames + 1)
    obs = np.zeros((9, most_frames), dtype=np.float32)
    costs = np.zeros(most_frames + 1, dtype=np.float32)
    norms = np.zeros(n_ages)
    unrisen = np.zeros((9, most_frames + 1), dtype=np.float32)
    falls = np.zeros((9, most_frames + 1), dtype=np.float32)
    weights = np.zeros((9, most_frames + 1), dtype=np.float32)
    for p in range(9):
        for age in range(most_frames + 1):
            a = min(age, n_ages - 1)
            unrisen[p, age], falls[p, age], weights[p, age] = 1.0 - rise[p, a], fall[p, a], weight[p, a]
    local = np.zeros(most_states, dtype=np.int64)
    pitch_of = np.zeros(9, dtype=np.int64)
    for figure in range(n_states.size):
        n, t_end, s0 = n_states[figure], n_frames[figure], first_state[figure]
        row = first_row[figure]
        last = n - 1
        # the notes that take part
        n_own = 0
        for k in range(n):
            p = pitches[s0 + k]
            local[k] = -1
            if p < 0:
                continue
            for m in range(n_own):
                if pitch_of[m] == p:
                    local[k] = m
            if local[k] < 0:
                pitch_of[n_own] = p
                local[k] = n_own
                n_own += 1
        for m in range(n_own):
            for t in range(t_end):
                obs[m, t] = shares[row + t, pitch_of[m]]
        for age in range(n_ages):
            total = 0.0
            for m in range(n_own):
                total += log_weight[pitch_of[m], age]
            norms[age] = total
        # weights of segments
        for k in range(n):
            own = local[k]
            starts = 1 if k == 0 else t_end + 1
            for t in range(starts):
                most = t_end - t if (k == 0 or k == last) else min(LONGEST, t_end - t)
                for age in range(most):
                    costs[age] = 0.0
                for m in range(n_own):
                    level = obs[m, max(0, min(t - LEVELS_BEFORE, t_end - 1))]
                    p = pitch_of[m]
                    if m == own:
                        for age in range(most):
                            x = obs[m, t + age] - 1.0 + (1.0 - level) * unrisen[p, age]
                            costs[age] += x * x * weights[p, age]
                    else:
                        level = max(level, np.float32(0.0))
                        for age in range(most):
                            x = obs[m, t + age] - level * falls[p, age]
                            costs[age] += x * x * weights[p, age]
                total = 0.0
                if k == 0:
                    forward[0, 0] = 0.0
                for age in range(most):
                    total += norms[min(age, n_ages - 1)] - min(costs[age], cap)
                    if k == 0:
                        forward[0, age + 1] = total
                    elif k < last:
                        seg[k, t, age + 1] = total
                if k == last:
                    x = (t - note_frame[figure]) / onset_width
                    enter[last, t] = total - min(0.5 * x * x, 3.0)
                    leave[last, t] = _NEVER
        for k in range(1, last):
            norm = 0.0
            for d in range(SHORTEST, LONGEST + 1):
                x = np.log(d / expected[s0 + k]) / log_width
                length_prior[k, d] = np.exp(-0.5 * x * x) / d
                norm += length_prior[k, d]
            for d in range(SHORTEST, LONGEST + 1):
                length_prior[k, d] = np.log(length_prior[k, d] / (norm + 1e-300) + 1e-30)
            for t in range(t_end + 1):
                for d in range(SHORTEST, min(LONGEST, t_end - t) + 1):
                    seg[k, t, d] += length_prior[k, d]
        # forward
        for k in range(1, n):
            for t in range(t_end + 1):
                best = _NEVER
                for i in range(k):
                    same = pitches[s0 + i] == pitches[s0 + k] and not (i == 0 and k == last)
                    if not same:
                        best = max(best, forward[i, t] + log_absent * _lost(i, k, last))
                arrive[k, t] = best
                forward[k, t] = _NEVER
            if k < last:
                for t in range(t_end + 1):
                    a = arrive[k, t]
                    if a < _NEVER / 2:
                        continue
                    for d in range(SHORTEST, min(LONGEST, t_end - t) + 1):
                        value = a + seg[k, t, d]
                        if value > forward[k, t + d]:
                            forward[k, t + d] = value
        # backward: enter[k, t] is the best from t on, state k beginning at t; leave[k, t], state k having ended at t
        for k in range(last - 1, -1, -1):
            for t in range(t_end + 1):
                best = _NEVER
                for m in range(k + 1, n):
                    same = pitches[s0 + m] == pitches[s0 + k] and not (k == 0 and m == last)
                    if not same:
                        best = max(best, enter[m, t] + log_absent * _lost(k, m, last))
                leave[k, t] = best
            if k > 0:
                for t in range(t_end + 1):
                    best = _NEVER
                    for d in range(SHORTEST, min(LONGEST, t_end - t) + 1):
                        best = max(best, seg[k, t, d] + leave[k, t + d])
                    enter[k, t] = best
        # the melody note's onset
        best, at = _NEVER, 0
        for t in range(t_end + 1):
            by_start[t] = arrive[last, t] + enter[last, t]
            if by_start[t] > best:
                best, at = by_start[t], t
        out_note[figure, 2] = best / max(1, t_end * n_own)
        out_note[figure, 0], out_note[figure, 1] = _peak(by_start, at, 0, t_end, drop)
        # each gracenote
        for k in range(1, last):
            for d in range(LONGEST + 1):
                by_length[d] = _NEVER
            for t in range(t_end + 1):
                by_start[t] = _NEVER
                a = arrive[k, t]
                if a < _NEVER / 2:
                    continue
                for d in range(SHORTEST, min(LONGEST, t_end - t) + 1):
                    value = a + seg[k, t, d] + leave[k, t + d]
                    by_length[d] = max(by_length[d], value)
                    by_start[t] = max(by_start[t], value)
            d_best, t_best = SHORTEST, 0
            for d in range(SHORTEST, LONGEST + 1):
                if by_length[d] > by_length[d_best]:
                    d_best = d
            for t in range(t_end + 1):
                if by_start[t] > by_start[t_best]:
                    t_best = t
            absent = _NEVER
            for i in range(k):
                for m in range(k + 1, n):
                    same = pitches[s0 + i] == pitches[s0 + m] and not (i == 0 and m == last)
                    if same:
                        continue
                    for t in range(t_end + 1):
                        absent = max(absent, forward[i, t] + enter[m, t] + log_absent * _lost(i, m, last))
            out_grace[s0 + k, 0] = by_length[d_best] - absent
            out_grace[s0 + k, 1], out_grace[s0 + k, 2] = _peak(by_start, t_best, 0, t_end, drop)
            out_grace[s0 + k, 3], out_grace[s0 + k, 4] = _peak(by_length, d_best, SHORTEST, LONGEST, drop)


@njit(cache=True)
def _lost(i, k, last):  # type: ignore[no-untyped-def]
    """Return how many gracenotes count as left out between two states; a whole figure left out counts as one."""
    return min(k - i - 1, 1) if i == 0 and k == last else k - i - 1


@njit(cache=True)
def _peak(values, at, low, high, drop):  # type: ignore[no-untyped-def]
    """Return a peak's place between the samples, and half the width over which it falls by ``drop``."""
    place = float(at)
    if low < at < high:
        left, right = values[at] - values[at - 1], values[at] - values[at + 1]
        if left + right > 1e-12 and left < 1e8 and right < 1e8:
            place += 0.5 * (left - right) / (left + right)
    wanted = values[at] - drop
    up = float(high) - at
    for t in range(at + 1, high + 1):
        if values[t] < wanted:
            up = t - at - (wanted - values[t]) / (values[t - 1] - values[t])
            break
    down = float(at) - low
    for t in range(at - 1, low - 1, -1):
        if values[t] < wanted:
            down = at - t - (wanted - values[t]) / (values[t + 1] - values[t])
            break
    return place, 0.5 * (up + down)
