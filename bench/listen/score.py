"""A result held against the truth: every measure of accuracy, one recording at a time.

A result is the JSON that ``graith listen --json`` writes. Errors are what was measured less what is true. What a
measure is taken from is kept whole (arrays of errors), so that a table can pool recordings.

mir_eval is used where it has the measure: onset F-measure with windows of 25 and 50 ms, and the absolute errors of an
alignment.

References
----------
C. Raffel et al., "mir_eval: a transparent implementation of common MIR metrics", ISMIR 2014.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import mir_eval
import numpy as np
import numpy.typing as npt
from scipy import stats

from bench.listen.truth import Truth
from graith.music.model import ChanterNote
from graith.timeline.model import Timeline

Floats = npt.NDArray[np.float64]
Result = dict[str, Any]

NEAR_MS, FAR_MS = 25.0, 150.0
LOST_MS = 100.0
LEAST_NOTE_S = 0.5
LEAST_LONER_MS = 120.0
_LONER_MATCH_MS = 100.0
_EMPTY: Floats = np.zeros(0)


@dataclass(slots=True, eq=False)
class Score:
    """All measures of one recording.

    Attributes
    ----------
    trusted : bool
    reason : str or None
    onset_ms : float array, shape (notes heard and played,)
        Errors of melody notes' onsets; of a bar played twice, from the nearer playing.
    onset_less_rise_ms : float array, same shape
        The same against where each note has half of its amplitude.
    n_notes, n_not_heard, n_not_played : int
        Notes played; of them not heard; notes that were not played but heard all the same.
    bars_lost : int
        Longest run of played bars in which half the notes or more are off by over 100 ms or not heard.
    onset_f25, onset_f50, alignment_mean_ms : float
        By mir_eval.
    note_cents, note_against_drones_cents : float arrays
        Errors of the mean pitch of each note that sounds for half a second or more in all; the true mean is weighted by
        the players' power, since that is what sounds.
    spread_ratio : float array
        Spread over the players, as a share of the true one (standard deviation with n - 1).
    tenor_cents, bass_cents, low_a_cents : float
    drones_in_ms, drones_out_ms, start_ms, stop_ms : float
    start_spread_ms, stop_spread_ms : tuple of (float, float)
        Measured and true.
    loners_found, loners_missed, loners_invented : int
    tempo_share : float array, shape (bars,)
        Errors of each bar's tempo as a share.
    bar_spread_ms : float array, shape (bars, 2)
        Measured and true spread of each bar for which there is a measured one.
    togetherness : float
        Their rank correlation (Spearman).
    figures : dict of str to int
        Counts of figures: found and there, missed and missing, and the two mistakes.
    held : dict of str to list of float
        For each kind of measure, the errors as shares of the stated uncertainty: up to 1 the 90 % interval holds it.
    """

    name: str
    trusted: bool
    reason: str | None = None
    onset_ms: Floats = field(default_factory=lambda: _EMPTY)
    onset_less_rise_ms: Floats = field(default_factory=lambda: _EMPTY)
    n_notes: int = 0
    n_not_heard: int = 0
    n_not_played: int = 0
    bars_lost: int = 0
    onset_f25: float = 0.0
    onset_f50: float = 0.0
    alignment_mean_ms: float = float("nan")
    note_cents: Floats = field(default_factory=lambda: _EMPTY)
    note_against_drones_cents: Floats = field(default_factory=lambda: _EMPTY)
    spread_ratio: Floats = field(default_factory=lambda: _EMPTY)
    tenor_cents: float = float("nan")
    bass_cents: float = float("nan")
    low_a_cents: float = float("nan")
    drones_in_ms: float = float("nan")
    drones_out_ms: float = float("nan")
    start_ms: float = float("nan")
    stop_ms: float = float("nan")
    start_spread_ms: tuple[float, float] = (float("nan"), float("nan"))
    stop_spread_ms: tuple[float, float] = (float("nan"), float("nan"))
    loners_found: int = 0
    loners_missed: int = 0
    loners_invented: int = 0
    tempo_share: Floats = field(default_factory=lambda: _EMPTY)
    bar_spread_ms: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    togetherness: float = float("nan")
    figures: dict[str, int] = field(default_factory=dict)
    held: dict[str, list[float]] = field(default_factory=dict)


def score(name: str, result: Result, truth: Truth) -> Score:
    """Return every measure of one result.

    Parameters
    ----------
    name : str
        The case's.
    result : dict
        As JSON has it.
    truth : Truth
    """
    scored = Score(name, bool(result["trusted"]), result.get("reason"))
    _score_notes(scored, result, truth)
    if not scored.trusted:
        return scored
    _score_pitches(scored, result, truth)
    _score_drones(scored, result, truth)
    _score_edges(scored, result, truth)
    _score_loners(scored, result, truth)
    _score_tempo(scored, result, truth)
    _score_togetherness(scored, result, truth)
    _score_figures(scored, result, truth)
    return scored


def _holds(scored: Score, kind: str, error: float, uncertainty: float | None) -> None:
    """Note the error as a share of the uncertainty that was stated, if one was."""
    if uncertainty is not None and np.isfinite(error):
        share = abs(error) / uncertainty if uncertainty > 0 else float("inf") if error else 0.0
        scored.held.setdefault(kind, []).append(share)


# Notes


def _score_notes(scored: Score, result: Result, truth: Truth) -> None:
    scored.n_notes = int(truth.played.sum())
    notes = result.get("notes") or []
    if len(notes) != truth.played.size:
        scored.n_not_heard = scored.n_notes
        scored.bars_lost = int(truth.bar_played.sum())
        return
    heard = np.array([bool(note["played"]) and note["onset_s"] is not None for note in notes])
    onset_s = np.array([note["onset_s"] if ok else np.nan for note, ok in zip(notes, heard, strict=True)], dtype=float)
    last_ms, first_ms = (onset_s - truth.onset_s) * 1e3, (onset_s - truth.first_onset_s) * 1e3
    error_ms = np.where(np.abs(first_ms) < np.abs(last_ms), first_ms, last_ms)
    both = heard & truth.played
    scored.onset_ms = error_ms[both]
    scored.onset_less_rise_ms = (error_ms - truth.rise_ms[truth.plan.notes["chanter_note"]])[both]
    scored.n_not_heard = int((truth.played & ~heard).sum())
    scored.n_not_played = int((heard & ~truth.played).sum())
    scored.bars_lost = _bars_lost(truth, np.where(both, np.abs(error_ms), np.inf))
    for note, error, ok in zip(notes, error_ms, both, strict=True):
        if ok:
            _holds(scored, "onset", float(error), note.get("uncertainty_ms"))
    _score_by_mir_eval(scored, onset_s[heard], truth, both, error_ms)


def _score_by_mir_eval(
    scored: Score, heard_s: Floats, truth: Truth, both: npt.NDArray[np.bool_], error_ms: Floats
) -> None:
    every_s = np.unique(np.concatenate([truth.onset_s[truth.played], truth.first_onset_s[truth.played]]))
    heard_s = np.sort(heard_s)
    scored.onset_f25 = mir_eval.onset.f_measure(every_s, heard_s, window=0.025)[0]
    scored.onset_f50 = mir_eval.onset.f_measure(every_s, heard_s, window=0.050)[0]
    true_s = truth.onset_s[both]
    order = np.argsort(true_s)
    estimated_s = np.maximum(true_s + error_ms[both] / 1e3, 0.0)[order]
    if order.size > 1 and np.all(np.diff(estimated_s) >= 0):
        scored.alignment_mean_ms = float(mir_eval.alignment.absolute_error(true_s[order], estimated_s)[1]) * 1e3


def _bars_lost(truth: Truth, error_ms: Floats) -> int:
    """Return the longest run of played bars, in the order played, in which half the notes are lost."""
    bars = truth.plan.notes["bar"]
    run = longest = 0
    for bar in np.argsort(truth.bar_s)[: int(truth.bar_played.sum())]:
        within = (bars == bar) & truth.played
        if not within.any():
            continue
        run = run + 1 if np.mean(error_ms[within] > LOST_MS) >= 0.5 else 0
        longest = max(longest, run)
    return longest


# Pitches


def cents_between(heard_hz: Floats | float, true_hz: Floats | float) -> Floats:
    """Return how far a pitch lies above the true one, in cents."""
    between: Floats = 1200.0 * np.log2(np.asarray(heard_hz, dtype=float) / np.asarray(true_hz, dtype=float))
    return between


def _mean_hz(pitches_hz: Floats, power: Floats | None = None) -> float:
    """Return the mean pitch, as the mean of cents, weighted by power when that is given."""
    sounding = np.isfinite(pitches_hz)
    if not sounding.any():
        return float("nan")
    return float(np.exp(np.average(np.log(pitches_hz[sounding]), weights=None if power is None else power[sounding])))


def _score_pitches(scored: Score, result: Result, truth: Truth) -> None:
    errors, against, ratios = [], [], []
    drones = result.get("drones") or {}
    tenors_hz = drones.get("tenor_hz") or []
    heard_tenor_hz = drones.get("tenor_mean_hz") or (_mean_hz(np.array(tenors_hz, dtype=float)) if tenors_hz else None)
    spreads = result.get("scale_spread_cents") or {}
    for note in ChanterNote:
        heard_hz = (result.get("scale_hz") or {}).get(note.label)
        if heard_hz is None or truth.note_s[int(note)].mean() < LEAST_NOTE_S:
            continue
        true_hz = _mean_hz(truth.note_hz[int(note)], truth.player_power)
        error = float(cents_between(heard_hz, true_hz))
        errors.append(error)
        _holds(scored, "note pitch", error, (result.get("scale_uncertainty_cents") or {}).get(note.label))
        if heard_tenor_hz and truth.tenor_hz.size:
            against.append(error - float(cents_between(heard_tenor_hz, _mean_hz(truth.tenor_hz))))
        if truth.note_hz.shape[1] > 1 and spreads.get(note.label) is not None:
            true_spread = float(np.std(1200.0 * np.log2(truth.note_hz[int(note)]), ddof=1))
            ratios.append(spreads[note.label] / true_spread)
            uncertainty = (result.get("scale_spread_uncertainty_cents") or {}).get(note.label)
            _holds(scored, "pitch spread", spreads[note.label] - true_spread, uncertainty)
    scored.note_cents, scored.note_against_drones_cents = np.array(errors), np.array(against)
    scored.spread_ratio = np.array(ratios)
    if result.get("low_a_hz"):
        scored.low_a_cents = float(cents_between(result["low_a_hz"], _low_a_hz(truth)))
        _holds(scored, "low A", scored.low_a_cents, result.get("low_a_uncertainty_cents"))


def _low_a_hz(truth: Truth) -> float:
    """Return the chanters' low A, or the drones' where the music has none."""
    heard_hz = _mean_hz(truth.note_hz[int(ChanterNote.LOW_A)], truth.player_power)
    return heard_hz if np.isfinite(heard_hz) else truth.low_a_hz


def _score_drones(scored: Score, result: Result, truth: Truth) -> None:
    drones = result.get("drones") or {}
    tenors_hz = drones.get("tenor_hz") or []
    tenor_hz = drones.get("tenor_mean_hz") or (_mean_hz(np.array(tenors_hz, dtype=float)) if tenors_hz else None)
    if tenor_hz and truth.tenor_hz.size:
        scored.tenor_cents = float(cents_between(tenor_hz, _mean_hz(truth.tenor_hz)))
        _holds(scored, "drones", scored.tenor_cents, drones.get("tenor_uncertainty_cents"))
    if drones.get("bass_hz") and truth.bass_hz.size:
        scored.bass_cents = float(cents_between(drones["bass_hz"], _mean_hz(truth.bass_hz)))
        _holds(scored, "drones", scored.bass_cents, drones.get("bass_uncertainty_cents"))
    if drones.get("in_s") is not None:
        scored.drones_in_ms = (drones["in_s"] - truth.drones_in_s) * 1e3
        _holds(scored, "drones in and out", scored.drones_in_ms, _ms(drones.get("in_uncertainty_s")))
    if drones.get("out_s") is not None:
        scored.drones_out_ms = (drones["out_s"] - truth.drones_out_s) * 1e3
        _holds(scored, "drones in and out", scored.drones_out_ms, _ms(drones.get("out_uncertainty_s")))


def _ms(seconds: float | None) -> float | None:
    return None if seconds is None else seconds * 1e3


# Start, stop, tempo, togetherness


def _score_edges(scored: Score, result: Result, truth: Truth) -> None:
    for edge in ("start", "stop"):
        true_s, heard_s = getattr(truth, f"{edge}_s"), result.get(f"{edge}_s")
        if heard_s is not None and np.isfinite(true_s):
            setattr(scored, f"{edge}_ms", (heard_s - true_s) * 1e3)
            _holds(scored, "start and stop", (heard_s - true_s) * 1e3, result.get(f"{edge}_uncertainty_ms"))
        heard_ms, true_ms = result.get(f"{edge}_spread_ms"), getattr(truth, f"{edge}_spread_ms")
        if heard_ms is not None and np.isfinite(true_s):
            setattr(scored, f"{edge}_spread_ms", (heard_ms, true_ms))
            _holds(scored, "start and stop spread", heard_ms - true_ms, result.get(f"{edge}_spread_uncertainty_ms"))


def _score_loners(scored: Score, result: Result, truth: Truth) -> None:
    heard = [(bool(one["is_early"]), float(one["time_s"])) for one in result.get("lone") or []]
    planted = [(True, float(at_s), float(by)) for at_s, by in zip(truth.early_s, truth.early_by_ms, strict=True)]
    planted += [(False, float(at), float(by)) for at, by in zip(truth.straggler_s, truth.straggler_by_ms, strict=True)]
    for is_early, at_s, by_ms in planted:
        near = [one for one in heard if one[0] == is_early and abs(one[1] - at_s) * 1e3 <= _LONER_MATCH_MS]
        if near:
            heard.remove(near[0])
            scored.loners_found += 1
        elif by_ms >= LEAST_LONER_MS:
            scored.loners_missed += 1
    scored.loners_invented = len(heard)


def bar_indices(plan: Timeline, rows: list[Result]) -> list[int]:
    """Return the index in the plan's bars of each row: its ``played_bar``, else its count over full bars."""
    full = np.flatnonzero(plan.bars["number"] > 0)
    return [int(row["played_bar"]) if "played_bar" in row else int(full[row["bar"]]) if row["bar"] >= 0 else -1
            for row in rows]  # fmt: skip


def _score_tempo(scored: Score, result: Result, truth: Truth) -> None:
    rows = result.get("tempo") or []
    errors = []
    for bar, row in zip(bar_indices(truth.plan, rows), rows, strict=True):
        if bar < 0 or truth.plan.bars["number"][bar] == 0 or not np.isfinite(truth.bar_bpm[bar]):
            continue
        errors.append(row["bpm"] / truth.bar_bpm[bar] - 1.0)
        _holds(scored, "tempo", row["bpm"] - float(truth.bar_bpm[bar]), row.get("uncertainty_bpm"))
    scored.tempo_share = np.array(errors)


def _score_togetherness(scored: Score, result: Result, truth: Truth) -> None:
    rows = result.get("togetherness") or []
    pairs = []
    for bar, row in zip(bar_indices(truth.plan, rows), rows, strict=True):
        if bar >= 0 and np.isfinite(truth.bar_spread_ms[bar]):
            pairs.append((float(row["spread_ms"]), float(truth.bar_spread_ms[bar])))
            _holds(scored, "togetherness", pairs[-1][0] - pairs[-1][1], row.get("uncertainty_ms"))
    scored.bar_spread_ms = np.array(pairs).reshape(-1, 2)
    if len(pairs) > 3 and np.ptp(scored.bar_spread_ms, axis=0).min() > 0:
        scored.togetherness = float(stats.spearmanr(*scored.bar_spread_ms.T).statistic)


# Figures


def _score_figures(scored: Score, result: Result, truth: Truth) -> None:
    """Count figures said to be whole or to lack gracenotes against the truth; one that cannot be told is neither."""
    figures = (result.get("figures") or {}).get("figures") or []
    counts = dict.fromkeys(("there_found", "missing_found", "there_lost", "missing_lost", "not_told", "crushed_found",
                            "crushed_lost", "crushed_invented"), 0)  # fmt: skip
    for figure in figures:
        first, last = figure["first_grace"], figure["first_grace"] + figure["n_graces"]
        if not truth.played[figure["note"]]:
            continue
        there = bool(truth.grace_played[0, first:last].all())
        crushed = there and bool(truth.grace_crushed[0, first:last].any())
        verdict = figure["verdict"]
        if verdict == "cannot tell":
            counts["not_told"] += 1
            continue
        missing = verdict == "gracenotes missing"
        counts[("there" if there else "missing") + ("_found" if there != missing else "_lost")] += 1
        if crushed or verdict == "crushed":
            both = crushed and verdict == "crushed"
            counts["crushed_found" if both else "crushed_lost" if crushed else "crushed_invented"] += 1
    scored.figures = counts if figures else {}


def f1(found: int, lost: int, invented: int) -> float:
    """Return the F1 of found against lost and invented; NaN when there was nothing to find."""
    return 2.0 * found / (2.0 * found + lost + invented) if found + lost + invented else float("nan")
