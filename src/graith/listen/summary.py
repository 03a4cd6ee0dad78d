"""What was measured of the whole, in sentences: low A, the drones, the start and the stop, how together."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from graith.listen._words import amount, cents_words, clock_words, give_or_take
from graith.listen.heard import Heard
from graith.listen.model import Drones, Edge


def summary_of(heard: Heard) -> Iterator[str]:
    """Yield one sentence for each measure of the whole that there is."""
    tuning, edges = heard.tuning, heard.start_stop
    if tuning is not None and tuning.low_a_hz is not None:
        cents = max(tuning.low_a_uncertainty_cents, 0.1)
        yield f"Low A is {tuning.low_a_hz:.1f} Hz (give or take {cents_words(cents)})."
    if heard.drones is not None and heard.drones.heard:
        yield _drones(heard.drones)
    is_one = heard.n_players == 1
    if edges is not None and edges.start is not None:
        yield f"The chanter{' starts' if is_one else 's start'} at {_edge(edges.start, is_one=is_one)}."
    if edges is not None and edges.stop is not None:
        yield f"The chanter{' stops' if is_one else 's stop'} at {_edge(edges.stop, is_one=is_one)}."
    rows = heard.togetherness
    if rows is not None and not is_one and rows["heard"].any():
        usual_ms = float(np.median(rows["spread_ms"][rows["heard"]]))
        yield f"In the usual bar the players are {amount(usual_ms)} ms apart (standard deviation)."
    if heard.figures is not None and heard.figures.habit_learnt:
        yield f"A gracenote usually lasts {amount(1000.0 * heard.figures.habit.grace_s)} ms."


def _drones(drones: Drones) -> str:
    pitches = [
        f"{name} at {hz:.2f} Hz{f' (give or take {cents_words(cents)})' if cents >= 0.05 else ''}"
        for name, hz, cents in (
            ("tenors", drones.tenor_hz, drones.tenor_uncertainty_cents),
            ("bass", drones.bass_hz, drones.bass_uncertainty_cents),
        )
        if hz is not None
    ]
    beat = "" if drones.beating_hz is None else f"; the tenors beat {amount(drones.beating_hz)} times a second"
    return f"Drones: {', '.join(pitches)}{beat}."


def _edge(edge: Edge, *, is_one: bool) -> str:
    if is_one or edge.spread_ms is None or edge.spread_uncertainty_ms >= edge.spread_ms:
        return clock_words(edge.time_s)
    spread = f"spread by {amount(edge.spread_ms)} ms{give_or_take(edge.spread_uncertainty_ms)}"
    return f"{clock_words(edge.time_s)}, {spread}"
