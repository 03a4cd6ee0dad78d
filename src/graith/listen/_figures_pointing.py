"""Pointing: how a player shares the time of a dotted pair between its long and its short note."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from graith.errors import ListenError
from graith.listen._figures_beat import begins_s
from graith.listen.model import Alignment, Floats
from graith.timeline.model import StructuredArray, Timeline

POINTING_DTYPE = np.dtype(
    [
        ("bar", np.int32),  # index in the timeline's bars; -1 for all of them together
        ("long_first", np.bool_),
        ("written", np.float64),  # long to short: 3 in a dotted pair, 2 in compound time
        ("n_pairs", np.int32),
        ("ratio", np.float64),  # long to short as played
        ("uncertainty", np.float64),  # of the bar's own pairs; over all bars, of the player's usual ratio
        ("model", np.float64),  # what it is held against: the band's usual ratio, else as written
    ]
)
"""One row for each bar and kind of pair, in order, then one for each kind over all bars."""

_NORMAL_90 = 1.645
_LEAST_S = 0.008
_LEAST_UNCERTAINTY_MS = 1.0
_T_90 = (6.314, 2.920, 2.353, 2.132, 2.015, 1.943, 1.895, 1.860, 1.833, 1.812)
_COMPOUND = 3


def pointing(
    timeline: Timeline,
    alignment: Alignment,
    *,
    model: StructuredArray | None = None,
    graces: StructuredArray | None = None,
    before: bool = False,
) -> StructuredArray:
    """Return the played ratio of the long to the short note of dotted pairs, bar by bar and over all.

    Parameters
    ----------
    timeline : Timeline
    alignment : Alignment
    model : structured array of ``POINTING_DTYPE``, optional
        What :func:`learnt_pointing` gave of another recording, such as the band's; without it the written ratios.
    graces : structured array with ``heard`` and ``onset_s``, optional
        One player's gracenotes as measured (``PlayerFigures.graces``); without it where the aligner has them.
    before : bool
        Whether gracenotes take their time from the note before, as in the timeline's model of gracenotes; else a
        note's time begins with its first gracenote.

    Returns
    -------
    structured array of ``POINTING_DTYPE``
        Empty when no dotted pair was heard. ``uncertainty`` is half the width of a 90 % interval.

    Raises
    ------
    ListenError
        If the alignment does not belong to the timeline.
    """
    if alignment.notes.size != timeline.notes.size:
        raise ListenError(
            f"The alignment has {alignment.notes.size} melody notes, but the timeline {timeline.notes.size}. "
            "Give the timeline that was aligned."
        )
    pairs = _pairs(timeline, alignment, graces, before=before)
    rows: list[tuple[int, bool, float, int, float, float, float]] = []
    kinds = sorted({(float(pair["written"]), bool(pair["long_first"])) for pair in pairs})
    for bar in np.unique(pairs["bar"]).tolist():
        for written, long_first in kinds:
            own = pairs[_of_kind(pairs, written, long_first) & (pairs["bar"] == bar)]
            if own.size:
                rows.append((bar, long_first, written, own.size, *_of_bar(own), _held(model, written, long_first)))
    for written, long_first in kinds:
        own = pairs[_of_kind(pairs, written, long_first)]
        rows.append((-1, long_first, written, own.size, *_usual(own), _held(model, written, long_first)))
    return np.array(rows, dtype=POINTING_DTYPE)


def learnt_pointing(
    timeline: Timeline, alignment: Alignment, *, graces: StructuredArray | None = None, before: bool = False
) -> StructuredArray:
    """Return a recording's usual ratios, to hold others against: one row a kind of pair.

    Parameters and errors as in :func:`pointing`.
    """
    rows = pointing(timeline, alignment, graces=graces, before=before)
    usual: StructuredArray = rows[rows["bar"] == -1]
    return usual


def held_against(rows: StructuredArray, model: StructuredArray) -> StructuredArray:
    """Return the same rows held against another recording's usual ratios.

    Parameters
    ----------
    rows, model : structured arrays of ``POINTING_DTYPE``
        Of the model only the rows over all bars count; kinds that it lacks stay held against the written ratio.
    """
    held = rows.copy()
    held["model"] = [_held(model, float(row["written"]), bool(row["long_first"])) for row in rows]
    return held


def usual_pointing(result: Mapping[str, Any]) -> StructuredArray:
    """Return the usual ratios that an earlier result, as JSON, has of its dotted pairs.

    Parameters
    ----------
    result : mapping
        As docs/schema/listening.schema.json describes.

    Raises
    ------
    ListenError
        If it is no such result, or has no dotted pairs over all bars.
    """
    given = result.get("pointing") if isinstance(result, Mapping) else None
    try:
        rows = [tuple(one[name] for name in POINTING_DTYPE.names or ()) for one in given or () if one["bar"] == -1]
        usual: StructuredArray = np.array(rows, dtype=POINTING_DTYPE)
    except (KeyError, TypeError, ValueError):
        raise ListenError("It is no result of listening; give the file that --json wrote.") from None
    if not usual.size:
        raise ListenError("It tells of no dotted pairs; give the result of a recording of a tune that has them.")
    return usual


_PAIR_DTYPE = np.dtype(
    [
        ("bar", np.int32),
        ("long_first", np.bool_),
        ("written", np.float64),
        ("log_ratio", np.float64),
        ("variance", np.float64),  # of the logarithm, from the onsets' uncertainty
    ]
)


def _of_kind(pairs: StructuredArray, written: float, long_first: bool) -> npt.NDArray[np.bool_]:
    own: npt.NDArray[np.bool_] = (pairs["written"] == written) & (pairs["long_first"] == long_first)
    return own


def _held(model: StructuredArray | None, written: float, long_first: bool) -> float:
    if model is None:
        return written
    own = model[_of_kind(model, written, long_first) & (model["bar"] == -1)]
    return float(own["ratio"][0]) if own.size else written


def _written_pairs(timeline: Timeline) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_], Floats]:
    """Return the first note of each dotted pair, whether it is the long one, and the written ratio long to short."""
    notes = timeline.notes
    num, den = notes["beats_num"].astype(np.int64), notes["beats_den"].astype(np.int64)
    first, second = num[:-1] * den[1:], num[1:] * den[:-1]  # to one denominator
    long, short = np.maximum(first, second), np.minimum(first, second)
    compound = (den[:-1] % _COMPOUND == 0) & (den[1:] % _COMPOUND == 0)
    dotted = (long == 3 * short) | ((long == 2 * short) & compound)
    lengths = num / den
    pair_beats = lengths[:-1] + lengths[1:]
    place = _in_beat(timeline)[:-1]
    parts = place / pair_beats
    whole = (np.abs(parts - np.round(parts)) < 1e-6) & (place + pair_beats < 1.0 + 1e-6)
    same_bar = (notes["bar"][:-1] == notes["bar"][1:]) & (notes["bar"][:-1] >= 0)
    sounding = (notes["chanter_note"][:-1] >= 0) & (notes["chanter_note"][1:] >= 0)
    at = np.flatnonzero(dotted & whole & same_bar & sounding)
    return at, first[at] > second[at], long[at] / short[at]


def _in_beat(timeline: Timeline) -> Floats:
    """Return where in its beat each note begins, 0 to 1: counted from its bar, a pick-up's from the bar after it."""
    notes, bars = timeline.notes, timeline.bars
    full = np.minimum(np.arange(bars.size) + (bars["number"] == 0), bars.size - 1)
    begins = (bars["start_num"] / bars["start_den"])[full]
    after = notes["start_num"] / notes["start_den"] - begins[np.maximum(notes["bar"], 0)]
    place = np.mod(after, 1.0)
    return np.where(place > 1.0 - 1e-6, 0.0, place)


def _pairs(
    timeline: Timeline, alignment: Alignment, graces: StructuredArray | None, *, before: bool
) -> StructuredArray:
    """Return the dotted pairs that were heard from the first note's beginning to the next note's."""
    at, long_first, written = _written_pairs(timeline)
    begin_s, heard = begins_s(timeline, alignment.steps, graces, before=before)
    ends = np.append(begin_s, alignment.notes["stop_s"][-1:])
    heard = np.append(heard, heard[-1:])
    first_s, second_s = ends[at + 1] - ends[at], ends[at + 2] - ends[at + 1]
    written_s = timeline.notes["stop_s"][at + 1] - timeline.notes["start_s"][at]
    whole = heard[at] & heard[at + 1] & heard[at + 2]
    whole &= (first_s > _LEAST_S) & (second_s > _LEAST_S) & (first_s + second_s < 2.0 * written_s)
    pairs = np.zeros(at.size, dtype=_PAIR_DTYPE)
    pairs["bar"], pairs["long_first"], pairs["written"] = timeline.notes["bar"][at], long_first, written
    long_s, short_s = np.where(long_first, first_s, second_s), np.where(long_first, second_s, first_s)
    long_s, short_s = np.maximum(long_s, _LEAST_S), np.maximum(short_s, _LEAST_S)
    pairs["log_ratio"] = np.log(long_s / short_s)
    sigma_s = np.maximum(alignment.notes["uncertainty_ms"], _LEAST_UNCERTAINTY_MS)[at] / _NORMAL_90 / 1000.0
    pairs["variance"] = sigma_s**2 * ((1 / long_s + 1 / short_s) ** 2 + 1 / long_s**2 + 1 / short_s**2)
    return pairs[whole]


def _of_bar(own: StructuredArray) -> tuple[float, float]:
    """Return the bar's mean ratio and its uncertainty, which comes from the onsets' alone."""
    ratio = math.exp(float(own["log_ratio"].mean()))
    return ratio, _NORMAL_90 * ratio * math.sqrt(float(own["variance"].mean()) / own.size)


def _usual(own: StructuredArray) -> tuple[float, float]:
    """Return the player's usual ratio and how well it is known, by Student's t over the pairs."""
    ratio, from_onsets = _of_bar(own)
    if own.size < 2:
        return ratio, from_onsets
    t_90 = _T_90[min(own.size - 1, len(_T_90)) - 1] if own.size - 1 <= len(_T_90) else _NORMAL_90 + 1.6 / own.size
    spread = float(own["log_ratio"].std(ddof=1))
    return ratio, max(t_90 * ratio * spread / math.sqrt(own.size), from_onsets)
