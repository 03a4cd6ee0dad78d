"""What is worth saying of one player: figures not whole, crushed or late; how pointed the dotted pairs are."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from graith.listen._figures_rows import CRUSHED, LATE, MISSING
from graith.listen._words import amount, give_or_take
from graith.listen.audible import DISPLACED, displaced_ms, weight
from graith.listen.heard import Heard
from graith.listen.model import Finding
from graith.listen.places import bar_words, beat_of_note, place_of, tune_words
from graith.timeline.model import StructuredArray, Timeline

_KNOWN, _SURE, _SURE_ALONE = 0.8, 0.95, 0.99
"""How sure a verdict must be to count; to be said, of figures alike in several places; and of one alone."""

_MOST_PLACES = 3
_SAID = 1.5  # a figure not whole is no deviation that a limit of the ear measures


@dataclass(frozen=True, slots=True)
class _Fault:
    """How one verdict on a figure is told: its kind, and what the player does."""

    verdict: str
    kind: str
    does: str
    do: str


_FAULTS = (
    _Fault(MISSING, "figure missing", "lacks gracenotes", "Play it slowly until each gracenote is heard."),
    _Fault(CRUSHED, "figure crushed", "is crushed", "Give each gracenote the same time, slowly first."),
    _Fault(LATE, "figure late", "comes late", "Begin the figure before the beat is on you."),
)


def figure_findings(heard: Heard, timeline: Timeline) -> list[Finding]:
    """Return what is worth saying of one player's figures, one finding for each kind of figure and fault."""
    found: list[Finding] = []
    if heard.figures is not None:
        for fault in _FAULTS:
            found += _of_fault(heard.figures.figures, fault, timeline)
    if heard.pointing is not None and heard.n_players == 1:  # a band's own way is the model, not a fault
        found += _pointing(heard.pointing)
    return found


def _of_fault(figures: StructuredArray, fault: _Fault, timeline: Timeline) -> Iterator[Finding]:
    sure = np.where(figures["verdict"] == fault.verdict, _SURE, _KNOWN)
    known = figures[figures["confidence"] >= sure]
    for name in dict.fromkeys(known["name"].tolist()):
        alike = known[known["name"] == name]
        faulty = alike[alike["verdict"] == fault.verdict]
        if fault.verdict == LATE:
            faulty = faulty[[_late_weight(row, timeline) >= 1 for row in faulty]]
        if faulty.size > 1 or (faulty["confidence"] >= _SURE_ALONE).any():
            yield _finding(name, faulty, alike.size, fault, timeline)


def _finding(name: str, faulty: StructuredArray, n_alike: int, fault: _Fault, timeline: Timeline) -> Finding:
    words = f"{name}" if name else "group of gracenotes without a name"
    places = _places([int(note) for note in faulty["note"]], timeline)
    if fault.verdict != LATE and 1 < faulty.size == n_alike:
        says = (
            f"Your {words} cannot be made out as written in any of its {n_alike} places: {places}. Either it is played "
            "otherwise, or the recording hides it: record it once more, close by."
        )
    else:
        late = f" by {amount(float(np.median(faulty['late_ms'])))} ms" if fault.verdict == LATE else ""
        does = "is not heard" if fault.verdict == MISSING and (faulty["n_graces"] == 1).all() else fault.does
        says = f"Your {words} {does}{late} in {faulty.size} of {n_alike} places: {places}. {fault.do}"
    heavy = _SAID * float(np.sqrt(faulty.size))
    if fault.verdict == LATE:
        heavy = max(_late_weight(row, timeline) for row in faulty)
    note = int(faulty["note"][0])
    place = place_of(timeline, int(faulty["bar"][0]))
    return Finding(
        fault.kind, float(faulty.size), "figures", 0.0, says, heavy, beat=beat_of_note(timeline, note),
        time_s=float(faulty["onset_s"][0]) if np.isfinite(faulty["onset_s"][0]) else None, **place,
    )  # fmt: skip


def _places(notes: Sequence[int], timeline: Timeline) -> str:
    bars = list(dict.fromkeys(int(timeline.notes["bar"][note]) for note in notes))
    words: list[str] = []
    title = ""
    for bar in bars[:_MOST_PLACES]:
        whole = bar_words(timeline, bar)
        words.append(whole.removeprefix(title))
        title = f"{tune_words(timeline, int(timeline.bars['tune'][bar]))}, " if bar >= 0 else ""
    more = len(bars) - _MOST_PLACES
    return "; ".join([*words, *([f"and {more} more"] if more > 0 else [])])


def _late_weight(row: np.void, timeline: Timeline) -> float:
    """Return how far a figure's lateness is above a displaced note of its own length."""
    if not row["late_known"]:
        return 0.0
    note = timeline.notes[int(row["note"])]
    limit_ms = displaced_ms(1000.0 * float(note["stop_s"] - note["start_s"]))
    return weight(row["late_ms"], row["late_uncertainty_ms"], limit_ms)


def _pointing(pairs: StructuredArray) -> Iterator[Finding]:
    """Yield the kinds of dotted pairs whose inner note is displaced over all bars, against the model."""
    for row in pairs[pairs["bar"] < 0]:
        ratio, uncertainty, model = float(row["ratio"]), float(row["uncertainty"]), float(row["model"])
        off = _share(ratio) - _share(model)
        doubt = max(abs(_share(ratio + side * uncertainty) - _share(ratio)) for side in (-1.0, 1.0))
        heavy = weight(off, doubt, DISPLACED)
        if heavy < 1:
            continue
        which = "long note first" if row["long_first"] else "short note first"
        against = "is written" if model == row["written"] else "is the band's way"
        way = "more pointed" if off > 0 else "rounder"
        says = (
            f"Your dotted pairs, {which}, are played {amount(ratio)} to 1{give_or_take(uncertainty)} where "
            f"{amount(model)} to 1 {against}: {way}. Hold it against the band's way with the tune."
        )
        yield Finding("pointing", ratio - model, "ratio", uncertainty, says, heavy)


def _share(ratio: float) -> float:
    """Return the long note's share of a pair."""
    return max(ratio, 0.0) / (1.0 + max(ratio, 0.0))
