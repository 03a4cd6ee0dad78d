"""What is worth saying of the chanters' start and stop: their spread, and players by themselves."""

from __future__ import annotations

from graith.listen._words import give_or_take, length_words
from graith.listen.about_bars import is_begun_again
from graith.listen.audible import ENSEMBLE_MS, ORDER_MS, weight
from graith.listen.heard import Heard
from graith.listen.model import Edge, Finding, Lone
from graith.listen.places import place_of
from graith.timeline.model import Timeline


def edge_findings(heard: Heard, timeline: Timeline) -> list[Finding]:
    """Return what is worth saying of the start and the stop."""
    edges = heard.start_stop
    if edges is None:
        return []
    again = heard.alignment is not None and is_begun_again(heard.alignment, timeline)
    found = [
        _lone(lone, timeline)
        for lone in edges.lone
        if weight(lone.by_ms, lone.uncertainty_ms, ORDER_MS) >= 1 and not (lone.is_early and again)
    ]  # after a false start somebody may still be playing
    if heard.n_players != 1:
        found += _spread(edges.start, timeline, is_start=True)
        found += _spread(edges.stop, timeline, is_start=False)
    return found


def _lone(lone: Lone, timeline: Timeline) -> Finding:
    by = f"{length_words(lone.by_ms)}{give_or_take(lone.uncertainty_ms)}"
    if lone.is_early:
        says = f"A chanter sounds {by} before the others at the start: nobody blows a note before the strike-in beat."
    else:
        says = f"A chanter goes on for {by} after the others have stopped: find who, and practise the cut-off."
    kind = "early chanter" if lone.is_early else "straggler"
    heavy = weight(lone.by_ms, lone.uncertainty_ms, ORDER_MS)
    place = place_of(timeline, 0 if lone.is_early else timeline.bars.size - 1)
    return Finding(kind, lone.by_ms, "ms", lone.uncertainty_ms, says, heavy, time_s=lone.time_s, **place)


def _spread(edge: Edge | None, timeline: Timeline, *, is_start: bool) -> list[Finding]:
    if edge is None or edge.spread_ms is None:
        return []
    heavy = weight(edge.spread_ms, edge.spread_uncertainty_ms, ENSEMBLE_MS)
    if heavy < 1:
        return []
    by = f"{length_words(edge.spread_ms)}{give_or_take(edge.spread_uncertainty_ms)}"
    if is_start:
        says = f"The chanters start spread by {by}, a standard deviation: practise the strike-in until it is one note."
    else:
        says = f"The chanters stop spread by {by}, a standard deviation: practise the cut-off on the beat."
    kind = "start" if is_start else "stop"
    place = place_of(timeline, 0 if is_start else timeline.bars.size - 1)
    return [Finding(kind, edge.spread_ms, "ms", edge.spread_uncertainty_ms, says, heavy, time_s=edge.time_s, **place)]
