"""Hold a duration against its limits: how far inside, and with what probability."""

from __future__ import annotations

import math

from graith.rules._say import margin_within, ruling
from graith.rules.model import Ruling, SetFacts, Verdict
from graith.rules.rulebook import ClockStart, DurationRule

LIMIT_TOLERANCE_S = 1e-6
"""A duration this close to a limit stands on it: rounding in the sums must not break a rule."""


def ruling_on_duration(rule: DurationRule, facts: SetFacts) -> Ruling:
    """Return the ruling on a set's duration, its margin in seconds and, with a spread known, its probability."""
    from_roll = rule.clock_from is ClockStart.FIRST_ROLL
    duration_s = facts.roll_to_cut_off_s if from_roll else facts.first_note_to_cut_off_s
    clock = f"from the {rule.clock_from} to the cut-off"
    asks = f"{_time_limits(rule.min_s, rule.max_s)} {clock}"
    if duration_s is None:
        return ruling(rule, asks, Verdict.CANNOT_TELL, f"the time {clock} is not known")
    margin_s = margin_within(duration_s, rule.min_s, rule.max_s)
    if abs(margin_s) < LIMIT_TOLERANCE_S:
        margin_s = 0.0
    measured = f"{minutes_and_seconds(duration_s)} {clock}, {_margin_words(duration_s, margin_s, rule)}"
    if facts.spread_s is not None:
        chance = chance_inside(duration_s, facts.spread_s, rule.min_s, rule.max_s)
        likely = _chance_words(chance, facts.spread_s)
        measured += f"; with the band's own spread of {facts.spread_s:.3g} s it is inside with probability {likely}"
    verdict = Verdict.HOLDS if margin_s >= 0 else Verdict.FAILS
    return ruling(rule, asks, verdict, measured, margin_s, "s")


def _chance_words(chance: float, spread_s: float) -> str:
    """Return a probability in words that never call certain what is only likely."""
    if spread_s > 0 and chance < 0.001:
        return "below 0.1%"
    return "above 99.9%" if spread_s > 0 and chance > 0.999 else f"{chance:.1%}"


def _time_limits(min_s: float | None, max_s: float | None) -> str:
    if min_s is None:
        return f"at most {_limit(max_s or 0.0)}"
    return f"at least {_limit(min_s)}" if max_s is None else f"{_limit(min_s)} to {_limit(max_s)}"


def _limit(seconds: float) -> str:
    return minutes_and_seconds(seconds).removesuffix(".0")


def _margin_words(duration_s: float, margin_s: float, rule: DurationRule) -> str:
    if margin_s >= 0:
        return f"{margin_s:.1f} s inside the nearest limit"
    side = "short" if rule.min_s is not None and duration_s < rule.min_s else "long"
    return f"{-margin_s:.3g} s too {side}"


def chance_inside(duration_s: float, spread_s: float, min_s: float | None, max_s: float | None) -> float:
    """Return the probability that a duration with a normal spread falls from ``min_s`` to ``max_s``.

    Parameters
    ----------
    duration_s : float
        The planned duration, taken as the mean.
    spread_s : float, >= 0
        Standard deviation; 0 means that it never strays.
    min_s, max_s : float or None
        Limits in seconds; None is no limit.

    References
    ----------
    Normal distribution function through the error function, ``(1 + erf(z / sqrt 2)) / 2``.

    Examples
    --------
    >>> round(chance_inside(300.0, 10.0, 290.0, 310.0), 4)
    0.6827
    """
    if spread_s == 0.0:
        is_inside = (min_s is None or duration_s >= min_s) and (max_s is None or duration_s <= max_s)
        return 1.0 if is_inside else 0.0
    below = 0.0 if min_s is None else _normal_share_below((min_s - duration_s) / spread_s)
    above = 0.0 if max_s is None else _normal_share_below((duration_s - max_s) / spread_s)
    return max(0.0, 1.0 - below - above)


def minutes_and_seconds(seconds: float) -> str:
    """Return a duration as a timekeeper says it, to a tenth of a second.

    Examples
    --------
    >>> minutes_and_seconds(312.34), minutes_and_seconds(59.97)
    ('5:12.3', '1:00.0')
    """
    tenths = round(seconds * 10)
    minutes, rest = divmod(tenths, 600)
    return f"{minutes}:{rest // 10:02d}.{rest % 10}"


def _normal_share_below(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
