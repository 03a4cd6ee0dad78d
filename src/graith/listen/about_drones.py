"""What is worth saying of the drones: apart from each other, moving, coming in and stopping."""

from __future__ import annotations

import math

from graith.listen._words import amount, give_or_take, length_words
from graith.listen.about_bars import is_begun_again
from graith.listen.audible import PITCH_CENTS, weight
from graith.listen.heard import Heard
from graith.listen.model import Drones, Finding, Floats
from graith.timeline.model import Timeline
from graith.units import cents_above

LEFT_SOUNDING_S = 0.5
"""How long drones may sound after the cut-off before it is said; common practice, no source. Room tails are shorter."""

OFF_PLAN_S = 0.5
"""How far from their beat the drones may come in before it is said; common practice, no source."""

_FEWEST_WINDOWS = 6
_NORMAL_90 = 1.645


def drone_findings(heard: Heard, timeline: Timeline) -> list[Finding]:
    """Return what is worth saying of the drones."""
    drones = heard.drones
    if drones is None:
        return []
    found = [*_apart(drones), *_bass_and_tenors(drones), *_drift(drones)]
    return [*found, *_coming_in(heard, drones, timeline), *_left_sounding(heard, drones)]


def _apart(drones: Drones) -> list[Finding]:
    """Return whether the tenors beat faster than two of them 5 cents apart."""
    if drones.beating_hz is None or drones.tenor_hz is None:
        return []
    a_cent_hz = drones.tenor_hz * math.log(2.0) / 1200.0
    uncertainty_hz = drones.tenor_uncertainty_cents * a_cent_hz
    limit_hz = PITCH_CENTS * a_cent_hz
    heavy = weight(drones.beating_hz, uncertainty_hz, limit_hz)
    if heavy < 1:
        return []
    says = (
        f"The tenor drones beat {amount(drones.beating_hz)} times a second{give_or_take(uncertainty_hz)}, which is "
        f"{amount(drones.beating_hz / a_cent_hz)} cents apart: tune them to one tenor until the beat stands still."
    )
    return [Finding("tenors apart", drones.beating_hz, "Hz", uncertainty_hz, says, heavy)]


def _bass_and_tenors(drones: Drones) -> list[Finding]:
    if drones.tenor_hz is None or drones.bass_hz is None:
        return []
    cents = cents_above(2.0 * drones.bass_hz, drones.tenor_hz)
    uncertainty = math.hypot(drones.tenor_uncertainty_cents, drones.bass_uncertainty_cents)
    heavy = weight(cents, uncertainty, PITCH_CENTS)
    if heavy < 1:
        return []
    side, do = ("sharp", "lengthen") if cents > 0 else ("flat", "shorten")
    says = (
        f"The bass drones are {amount(cents)} cents {side} of the tenors' octave{give_or_take(uncertainty)}: "
        f"{do} them to the tenors."
    )
    return [Finding("bass and tenors", cents, "cents", uncertainty, says, heavy)]


def _drift(drones: Drones) -> list[Finding]:
    """Return whether the drones move in one direction over the performance, by a straight line through the windows."""
    if drones.drift_s.size < _FEWEST_WINDOWS:
        return []
    change, uncertainty = _line_change(drones.drift_s, drones.drift_cents)
    heavy = weight(change, uncertainty, PITCH_CENTS)
    if heavy < 1:
        return []
    way = "rise" if change > 0 else "fall"
    says = (
        f"The drones {way} by {amount(change)} cents from beginning to end{give_or_take(uncertainty)}: "
        "blow them in longer before you tune, and hold the pressure."
    )
    return [Finding("drones drift", change, "cents", uncertainty, says, heavy, time_s=float(drones.drift_s[0]))]


def _line_change(times_s: Floats, cents: Floats) -> tuple[float, float]:
    """Return the change along a least-squares line from the first time to the last, and its uncertainty."""
    centred = times_s - times_s.mean()
    power = float(centred @ centred)
    slope = float(centred @ cents) / power
    rest = cents - cents.mean() - slope * centred
    error = math.sqrt(float(rest @ rest) / (times_s.size - 2) / power)
    length_s = float(times_s[-1] - times_s[0])
    return slope * length_s, _NORMAL_90 * error * length_s


def _coming_in(heard: Heard, drones: Drones, timeline: Timeline) -> list[Finding]:
    """Return whether the drones came in off their beat, told from the chanters' first note."""
    edges = heard.start_stop
    has_strike_in = timeline.notes.size > 0 and int(timeline.notes["bar"][0]) < 0
    if edges is None or edges.start is None or drones.in_s is None or not has_strike_in:
        return []
    if heard.alignment is not None and is_begun_again(heard.alignment, timeline):
        return []  # they came in for the first beginning
    planned_s = timeline.strike_in_s - timeline.drones_in_s
    late_s = planned_s - (edges.start.time_s - drones.in_s)
    uncertainty_s = math.hypot(drones.in_uncertainty_s, edges.start.uncertainty_ms / 1000.0)
    heavy = weight(late_s, uncertainty_s, OFF_PLAN_S)
    if heavy < 1 or drones.in_s < OFF_PLAN_S:  # a recording that begins with drones does not tell when they came in
        return []
    side = "late" if late_s > 0 else "early"
    says = (
        f"The drones come in {length_words(1000.0 * late_s)} {side}{give_or_take(uncertainty_s)}, told from the first "
        "note: count the rolls, and strike in all at once on the beat."
    )
    return [Finding("drones in", late_s, "s", uncertainty_s, says, heavy, time_s=drones.in_s)]


def _left_sounding(heard: Heard, drones: Drones) -> list[Finding]:
    edges = heard.start_stop
    if edges is None or edges.stop is None or edges.drones_after_s is None:
        return []
    after_s, uncertainty_s = edges.drones_after_s, drones.out_uncertainty_s
    heavy = weight(after_s, uncertainty_s, LEFT_SOUNDING_S)
    if heavy < 1:
        return []
    says = (
        f"Drones are left sounding for {length_words(1000.0 * after_s)}{give_or_take(uncertainty_s)} after the stop: "
        "take the arm off the bag on the last beat."
    )
    return [Finding("drones after", after_s, "s", uncertainty_s, says, heavy, time_s=edges.stop.time_s)]
