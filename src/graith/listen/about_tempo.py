"""What is worth saying of the tempo: against the plan, drifting, surging, unsteady."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from graith.listen._words import amount, give_or_take
from graith.listen.audible import AFTER_FOUR, BEST, tempo_limit, weight
from graith.listen.heard import Heard
from graith.listen.model import Finding, Floats
from graith.listen.places import Integers, Stretch, bar_beats, place_of, stretch_words, tune_words
from graith.timeline.model import Timeline

_FEWEST_BARS = 8
_NORMAL_90 = 1.645
_MOST_OF_A_TUNE = 0.6
_MOST_SURGES = 4  # with more of them, it is the whole tune that is unsteady
_NO_SURGE = 0.12  # common practice, no source: no band runs that much away and comes back, but a bar goes missing
_WHOLE_BAR = 0.7
_BREAKDOWN = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class _Played:
    """One tune's full bars that were heard, but for the set's last, whose end is the cut-off; shape (bars,).

    Attributes
    ----------
    bars : int array
        Indices in the timeline's bars.
    beats, bpm, planned_bpm : float arrays
    faster : float array
        Natural logarithm of played over planned tempo: 0.01 is one per cent faster.
    uncertainty : float array
        Of ``faster``.
    time_s : float array
    """

    tune: int
    bars: Integers
    beats: Floats
    bpm: Floats
    planned_bpm: Floats
    faster: Floats
    uncertainty: Floats
    time_s: Floats

    @property
    def share(self) -> Floats:
        """Each bar's share of the tune's beats."""
        shares: Floats = self.beats / self.beats.sum()
        return shares


def tempo_findings(heard: Heard, timeline: Timeline) -> list[Finding]:
    """Return what is worth saying of the tempo, tune by tune; limits in :mod:`graith.listen.audible`."""
    if heard.tempo is None:
        return []
    tunes = [_played(heard, timeline, tune) for tune in range(len(timeline.tunes))]
    tunes = [played for played in tunes if played.bars.size]
    whole = _whole_set(tunes) if len(tunes) > 1 else []
    usual = whole[0].size / 100.0 if whole else 0.0
    return [*whole, *(finding for played in tunes for finding in _of_tune(played, timeline, usual))]


def _whole_set(tunes: Sequence[_Played]) -> list[Finding]:
    """Return whether all tunes together are faster or slower than planned; each tune is then held against that."""
    planned_s, took_s = (sum(pair) for pair in zip(*(_seconds(played) for played in tunes), strict=True))
    faster = math.log(planned_s / took_s)
    doubts_s = [_mean_uncertainty(played) * _seconds(played)[1] for played in tunes]
    uncertainty = math.hypot(*doubts_s) / took_s
    heavy = weight(faster, uncertainty, AFTER_FOUR)
    if heavy < 1:
        return []
    says = (
        f"The set as a whole is played {amount(100 * faster)} % {_way(faster)} than planned"
        f"{give_or_take(100 * uncertainty)}: set the tempo from the pulse before the first roll, or change the plan."
    )
    return [Finding("tempo", 100 * faster, "%", 100 * uncertainty, says, heavy)]


def _of_tune(played: _Played, timeline: Timeline, usual: float) -> list[Finding]:
    lost, played = _without_lost_bars(played, timeline)
    if not played.bars.size:
        return lost
    found = [*lost, *_against_plan(played, timeline, usual)]
    drift = _drift(played, timeline)
    rest = played.faster - _expected(played, has_drift=bool(drift))
    surges = sorted(_surges(played, rest, timeline), key=lambda finding: -finding.weight)
    if 0 < len(surges) <= _MOST_SURGES:
        return [*found, *drift, *surges]
    return [*found, *drift, *_unsteady(played, rest, timeline), *surges[:_MOST_SURGES]]


def _without_lost_bars(played: _Played, timeline: Timeline) -> tuple[list[Finding], _Played]:
    """Return what looks like bars left out or put in though the notes could be followed, and the other bars.

    Where a stretch takes less than its time by a bar or more, and by more than any band runs away, a bar is missing.
    """
    rest = played.faster - _expected(played, has_drift=False)
    found = []
    kept = np.ones(played.bars.size, dtype=np.bool_)
    for sign in (1.0, -1.0):
        for run in _unbroken(played.bars):
            for start, stop in maximal_stretches(sign * rest[run] - _NO_SURGE / 2.0):
                at = slice(run.start + start, run.start + stop)
                off_beats = float(played.beats[at] @ -np.expm1(-rest[at]))
                n_bars = abs(off_beats) / float(np.median(played.beats))
                if n_bars >= _WHOLE_BAR and abs(float(np.mean(rest[at]))) >= _NO_SURGE:
                    found.append(_lost_bars(played, at, n_bars, timeline, is_missing=sign > 0))
                if abs(float(np.mean(rest[at]))) >= _NO_SURGE:
                    kept[at] = False
    if kept.all():
        return [], played
    return found, _Played(
        played.tune,
        played.bars[kept],
        played.beats[kept],
        played.bpm[kept],
        played.planned_bpm[kept],
        played.faster[kept],
        played.uncertainty[kept],
        played.time_s[kept],
    )


def _lost_bars(played: _Played, at: slice, n_bars: float, timeline: Timeline, *, is_missing: bool) -> Finding:
    stretch = Stretch(int(played.bars[at][0]), int(played.bars[at][-1]))
    count = "one bar" if round(n_bars) <= 1 else f"{n_bars:.0f} bars"
    takes, whose = ("takes", "its") if stretch.n_bars == 1 else ("take", "their")
    less, left_out = ("less", "left out") if is_missing else ("more", "played again")
    says = (
        f"{stretch_words(timeline, stretch)} {takes} about {count} {less} than {whose} time: something was {left_out} "
        "there."
    )
    kind, size = ("left out" if is_missing else "repeated"), float(max(1, round(n_bars)))
    place = place_of(timeline, int(played.bars[at][0]))
    return Finding(kind, size, "bars", 0.5, says, _BREAKDOWN, time_s=float(played.time_s[at][0]), **place)


def _near_jumps(heard: Heard, timeline: Timeline) -> Integers:
    """Return the bars at which the playing breaks off or goes on elsewhere, and those beside them.

    No tempo holds there.
    """
    if heard.alignment is None or heard.alignment.passages.size < 2:
        return np.zeros(0, dtype=np.int64)
    passages = heard.alignment.passages
    edges = np.concatenate([passages["last_note"][:-1], passages["first_note"][1:]])
    bars = timeline.notes["bar"][edges].astype(np.int64)
    return np.unique(np.concatenate([bars - 1, bars, bars + 1]))


def _played(heard: Heard, timeline: Timeline, tune: int) -> _Played:
    assert heard.tempo is not None
    rows = heard.tempo.bars
    bars = timeline.bars[rows["bar"]]
    full = (bars["tune"] == tune) & (bars["number"] != 0) & (rows["bar"] < timeline.bars.size - 1)
    full &= ~np.isin(rows["bar"], _near_jumps(heard, timeline))
    rows = rows[full & rows["heard"] & (rows["bpm"] > 0) & (rows["planned_bpm"] > 0)]
    return _Played(
        tune,
        rows["bar"].astype(np.int64),
        np.maximum(bar_beats(timeline)[rows["bar"]], 1e-6),
        rows["bpm"],
        rows["planned_bpm"],
        np.log(rows["bpm"] / rows["planned_bpm"]),
        rows["uncertainty_bpm"] / rows["bpm"],
        rows["time_s"],
    )


def _seconds(played: _Played) -> tuple[float, float]:
    """Return how long the bars were planned to last and how long they took, in seconds."""
    return 60.0 * float((played.beats / played.planned_bpm).sum()), 60.0 * float((played.beats / played.bpm).sum())


def _mean_uncertainty(played: _Played) -> float:
    """Return the uncertainty of the bars' mean tempo, as a share of it."""
    return float(np.sqrt(((played.share * played.uncertainty) ** 2).sum()))


def _against_plan(played: _Played, timeline: Timeline, usual: float) -> list[Finding]:
    """Return whether the tune as a whole is faster or slower than planned, by more than the set is."""
    planned_s, took_s = _seconds(played)
    faster, uncertainty = math.log(planned_s / took_s), _mean_uncertainty(played)
    heavy = weight(faster - usual, uncertainty, AFTER_FOUR)
    if heavy < 1:
        return []
    bpm, planned_bpm = (60.0 * float(played.beats.sum()) / seconds for seconds in (took_s, planned_s))
    says = (
        f"{tune_words(timeline, played.tune)} is played at {bpm:.1f} beats a minute on average"
        f"{give_or_take(uncertainty * bpm)} where {planned_bpm:.1f} was planned, {amount(100 * faster)} % "
        f"{_way(faster)}: set it from the pulse before the tune, or change the plan."
    )
    return [_finding("tempo", faster, uncertainty, says, heavy, played, timeline, 0)]


def _drift(played: _Played, timeline: Timeline) -> list[Finding]:
    """Return whether the tempo moves away from the plan from beginning to end, by a straight line over the beats."""
    if played.bars.size < _FEWEST_BARS:
        return []
    change, uncertainty = _line_change(played)
    heavy = weight(change, uncertainty, AFTER_FOUR)
    if heavy < 1:
        return []
    line = _expected(played, has_drift=True)
    does = "speeds up" if change > 0 else "slows down"
    says = (
        f"{tune_words(timeline, played.tune)} {does} by {amount(100 * change)} % against the plan"
        f"{give_or_take(100 * uncertainty)}: it begins {_off_plan(float(line[0]))} and ends "
        f"{_off_plan(float(line[-1]))}. Practise it to a steady pulse, the last part first."
    )
    return [_finding("tempo drift", change, uncertainty, says, heavy, played, timeline, 0)]


def _middles(played: _Played) -> Floats:
    """Return the middle of each bar from 0 to 1 over the tune's beats."""
    ends = np.cumsum(played.share)
    middles: Floats = ends - played.share / 2.0
    return middles


def _line_change(played: _Played) -> tuple[float, float]:
    """Return the change of ``faster`` along the weighted line from the tune's start to its end, and its uncertainty."""
    at, shares = _middles(played), played.share
    centred = at - shares @ at
    power = float(shares @ centred**2)
    slope = float(shares @ (centred * played.faster)) / power
    rest = played.faster - shares @ played.faster - slope * centred
    from_rest = math.sqrt(float(shares @ rest**2) / power / max(1, played.bars.size - 2))
    from_bars = math.sqrt(float(((shares * centred * played.uncertainty) ** 2).sum())) / power
    return slope, max(_NORMAL_90 * from_rest, from_bars)


def _expected(played: _Played, *, has_drift: bool) -> Floats:
    """Return what ``faster`` would be without surges: the drift's line, else the middle one of all bars."""
    if not has_drift:
        return np.full(played.faster.size, _weighted_median(played.faster, played.share))
    at, (slope, _) = _middles(played), _line_change(played)
    line: Floats = played.share @ played.faster + slope * (at - played.share @ at)
    return line


def _weighted_median(values: Floats, shares: Floats) -> float:
    order = np.argsort(values)
    return float(values[order][np.searchsorted(np.cumsum(shares[order]), 0.5)])


def _surges(played: _Played, rest: Floats, timeline: Timeline) -> Iterator[Finding]:
    """Yield the stretches of bars that run ahead of the tune, or hang behind it."""
    for sign in (1.0, -1.0):
        gains = played.beats * (sign * rest - BEST)
        for run in _unbroken(played.bars):
            for start, stop in maximal_stretches(gains[run]):
                yield from _surge(played, rest, slice(run.start + start, run.start + stop), timeline)


def _surge(played: _Played, rest: Floats, at: slice, timeline: Timeline) -> Iterator[Finding]:
    beats = played.beats[at]
    if beats.sum() > _MOST_OF_A_TUNE * played.beats.sum():
        return
    size = float(beats @ rest[at] / beats.sum())
    uncertainty = float(np.sqrt(((beats * played.uncertainty[at]) ** 2).sum()) / beats.sum())
    heavy = weight(size, uncertainty, tempo_limit(float(beats.sum())))
    if heavy < 1:
        return
    stretch = Stretch(int(played.bars[at][0]), int(played.bars[at][-1]))
    runs = "runs" if stretch.n_bars == 1 else "run"
    says = (
        f"{stretch_words(timeline, stretch)} {runs} {amount(100 * size)} % {_way(size)} than the rest of the tune"
        f"{give_or_take(100 * uncertainty)}: practise this passage to a steady pulse."
    )
    yield _finding("surge", size, uncertainty, says, heavy, played, timeline, at.start)


def _unsteady(played: _Played, rest: Floats, timeline: Timeline) -> list[Finding]:
    """Return whether the tempo varies from bar to bar by more than its measurement does."""
    if played.bars.size < _FEWEST_BARS:
        return []
    noise = float(played.share @ (played.uncertainty / _NORMAL_90) ** 2)
    spread = math.sqrt(max(0.0, float(played.share @ rest**2) - noise))
    uncertainty = _NORMAL_90 * spread / math.sqrt(2.0 * played.bars.size)
    heavy = weight(spread, uncertainty, tempo_limit(float(np.mean(played.beats))))
    if heavy < 1:
        return []
    says = (
        f"{tune_words(timeline, played.tune)} varies by {amount(100 * spread)} % from bar to bar "
        f"(standard deviation{give_or_take(100 * uncertainty).replace(' (', ', ').rstrip(')')}): "
        "practise it with the drums, or to a steady pulse."
    )
    return [_finding("unsteady", spread, uncertainty, says, heavy, played, timeline, 0)]


def _finding(
    kind: str, size: float, uncertainty: float, says: str, heavy: float, played: _Played, timeline: Timeline, at: int
) -> Finding:
    place = place_of(timeline, int(played.bars[at]))
    if kind != "surge":
        place = {"tune": place["tune"], "part": None, "bar": None, "played_bar": None}
    time_s = float(played.time_s[at])
    return Finding(kind, 100 * size, "%", 100 * uncertainty, says, heavy, time_s=time_s, **place)


def _way(faster: float) -> str:
    return "faster" if faster > 0 else "slower"


def _off_plan(faster: float) -> str:
    size = amount(100 * faster)
    return "as planned" if size == "0" else f"{size} % {_way(faster)} than planned"


def _unbroken(bars: Integers) -> Iterator[slice]:
    """Yield the runs of bars that follow each other."""
    cuts = [0, *(np.flatnonzero(np.diff(bars) != 1) + 1).tolist(), bars.size]
    for start, stop in pairwise(cuts):
        yield slice(start, stop)


def maximal_stretches(gains: Floats) -> list[tuple[int, int]]:
    """Return all maximal scoring stretches, as start and stop: those that no stretch around or in them beats.

    References
    ----------
    W. L. Ruzzo and M. Tompa, "A linear time algorithm for finding all maximal scoring subsequences", ISMB 1999.

    Examples
    --------
    >>> maximal_stretches(np.array([4.0, -5.0, 3.0, -3.0, 1.0, 2.0, -2.0, 2.0, -2.0, 1.0, 5.0]))
    [(0, 1), (2, 3), (4, 11)]
    """
    kept: list[tuple[int, int, float, float]] = []  # start, stop, sum before it, sum at its end
    total = 0.0
    for index, gain in enumerate(gains.tolist()):
        before, total = total, total + gain
        if gain <= 0:
            continue
        start, left, right = index, before, total
        while True:
            at = next((k for k in range(len(kept) - 1, -1, -1) if kept[k][2] < left), None)
            if at is None or kept[at][3] >= right:
                break
            start, left = kept[at][0], kept[at][2]
            del kept[at:]
        kept.append((start, index + 1, left, right))
    return [(start, stop) for start, stop, _, _ in kept]
