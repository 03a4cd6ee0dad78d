"""The words and numbers that all rulings share."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from graith.rules.model import Ruling, Verdict
from graith.rules.rulebook import Rule


def ruling(
    rule: Rule, asks: str, verdict: Verdict, measured: str, margin: float | None = None, unit: str = ""
) -> Ruling:
    words = f"{asks}: {rule.text}" if rule.text else asks
    return Ruling(rule.name, words, measured, verdict, rule.source, margin, unit if margin is not None else "")


def ruling_on_count(rule: Rule, count: int, least: int | None, most: int | None, unit: str, words: str) -> Ruling:
    margin = float(margin_within(count, least, most))
    verdict = Verdict.HOLDS if margin >= 0 else Verdict.FAILS
    return ruling(rule, count_limits(least, most, unit), verdict, words, margin, unit)


def count_limits(least: int | None, most: int | None, unit: str) -> str:
    if least is not None and least == most:
        return f"exactly {counted(least, unit)}"
    if least is None:
        return f"at most {counted(most or 0, unit)}"
    return f"at least {counted(least, unit)}" if most is None else f"{least} to {counted(most, unit)}"


def counted(count: int, unit: str) -> str:
    if count != 1:
        return f"{count} {unit}"
    return f"1 {'bass' if unit == 'basses' else unit.removesuffix('s')}"


def margin_within(value: float, least: float | None, most: float | None) -> float:
    above = math.inf if least is None else value - least
    below = math.inf if most is None else most - value
    return min(above, below)


def any_of(words: Iterable[str]) -> str:
    return " or ".join(words)


def listed(words: Sequence[str]) -> str:
    shown = [f'"{word}"' for word in dict.fromkeys(words)]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"
