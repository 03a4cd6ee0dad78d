"""Hold the tunes of a set against rules: their number, types, order, parts and metres."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from graith.rules._say import any_of, count_limits, counted, listed, ruling, ruling_on_count
from graith.rules.model import Ruling, TuneFacts, Verdict
from graith.rules.rulebook import (
    MetreRule,
    PartTotalRule,
    Rule,
    ShapeRule,
    TuneCountRule,
    TunePartsRule,
    TypesRule,
    VarietyRule,
    answers_to,
)

_HOPE = (Verdict.FAILS, Verdict.CANNOT_TELL, Verdict.HOLDS)


def ruling_on_tunes(rule: Rule, tunes: Sequence[TuneFacts] | None) -> Ruling | None:
    """Return the ruling on the tunes of a set, or None when the rule asks nothing of them."""
    for kind, hold in _HOLD_BY_KIND:
        if isinstance(rule, kind):
            return hold(rule, tunes)
    return None


def _no_tunes(rule: Rule, asks: str) -> Ruling:
    return ruling(rule, asks, Verdict.CANNOT_TELL, "the tunes of the set are not known")


def _ruling_on_tune_count(rule: TuneCountRule, tunes: Sequence[TuneFacts] | None) -> Ruling:
    if tunes is None:
        return _no_tunes(rule, count_limits(rule.least, rule.most, "tunes"))
    return ruling_on_count(
        rule, len(tunes), rule.least, rule.most, "tunes", f"the set has {counted(len(tunes), 'tunes')}"
    )


def _ruling_on_part_total(rule: PartTotalRule, tunes: Sequence[TuneFacts] | None) -> Ruling:
    asks = count_limits(rule.least, rule.most, "parts")
    if tunes is None:
        return _no_tunes(rule, asks)
    total = sum(len(tune.parts_played) for tune in tunes)
    unknown = [tune.title for tune in tunes if not tune.parts_played]
    if not unknown:
        each = " + ".join(str(len(tune.parts_played)) for tune in tunes)
        words = f"{counted(total, 'parts')} played" + (f" ({each})" if len(tunes) > 1 else "")
        return ruling_on_count(rule, total, rule.least, rule.most, "parts", words)
    words = f"{counted(total, 'parts')} played without {listed(unknown)}, of which the parts played are not known"
    if rule.most is not None and total > rule.most:
        return ruling(rule, asks, Verdict.FAILS, words, float(rule.most - total), "parts")
    return ruling(rule, asks, Verdict.CANNOT_TELL, words)


def _ruling_on_variety(rule: VarietyRule, tunes: Sequence[TuneFacts] | None) -> Ruling:
    asks = f"at least {rule.least_types} different tune types"
    if tunes is None:
        return _no_tunes(rule, asks)
    known = sorted({tune.tune_type for tune in tunes if tune.tune_type is not None})
    untyped = [tune.title for tune in tunes if tune.tune_type is None]
    words = f"{len(known)} different: {', '.join(known)}" if known else "no tune type is known"
    words += f"; the type of {listed(untyped)} is not known" if untyped else ""
    if len(known) >= rule.least_types or len(known) + len(untyped) < rule.least_types:
        at_best = len(known) if len(known) >= rule.least_types else len(known) + len(untyped)
        margin = float(at_best - rule.least_types)
        return ruling(rule, asks, Verdict.HOLDS if margin >= 0 else Verdict.FAILS, words, margin, "tune types")
    return ruling(rule, asks, Verdict.CANNOT_TELL, words)


def _ruling_on_shape(rule: ShapeRule, tunes: Sequence[TuneFacts] | None) -> Ruling:
    asks = " or ".join(" – ".join(pattern) for pattern in rule.patterns) + ", in this order"
    if tunes is None:
        return _no_tunes(rule, asks)
    verdict = max((_fit(pattern, tunes) for pattern in rule.patterns), key=_HOPE.index)
    return ruling(rule, asks, verdict, _types_in_order(tunes))


def _types_in_order(tunes: Sequence[TuneFacts]) -> str:
    return " – ".join(tune.tune_type or f'"{tune.title}" of no known type' for tune in tunes) or "no tunes"


def _fit(pattern: Sequence[str], tunes: Sequence[TuneFacts]) -> Verdict:
    if len(pattern) != len(tunes):
        return Verdict.FAILS
    fits = (_answer((word,), tune.tune_type) for word, tune in zip(pattern, tunes, strict=True))
    return min(fits, key=_HOPE.index, default=Verdict.HOLDS)


def _answer(type_words: Sequence[str], tune_type: str | None) -> Verdict:
    if tune_type is None:
        return Verdict.CANNOT_TELL
    return Verdict.HOLDS if any(answers_to(word, tune_type) for word in type_words) else Verdict.FAILS


def _ruling_on_types(rule: TypesRule, tunes: Sequence[TuneFacts] | None) -> Ruling:
    asks = f"every tune a {any_of(rule.allowed)}"
    if tunes is None:
        return _no_tunes(rule, asks)
    answers = [(tune, _answer(rule.allowed, tune.tune_type)) for tune in tunes]
    others = [f'"{tune.title}" is a {tune.tune_type}' for tune, answer in answers if answer is Verdict.FAILS]
    untyped = [f'the type of "{tune.title}" is not known' for tune, answer in answers if answer is Verdict.CANNOT_TELL]
    verdict = min((answer for _, answer in answers), key=_HOPE.index, default=Verdict.HOLDS)
    return ruling(rule, asks, verdict, "; ".join(others + untyped) or _types_in_order(tunes))


def _ruling_on_tune_parts(rule: TunePartsRule, tunes: Sequence[TuneFacts] | None) -> Ruling:
    asks = f"{_every(rule.tune_type)} played with {any_of(str(count) for count in rule.allowed)} parts"
    if tunes is None:
        return _no_tunes(rule, asks)
    concerned = [tune for tune in tunes if tune.tune_type is not None and answers_to(rule.tune_type, tune.tune_type)]
    distances = [min(abs(tune.n_parts - count) for count in rule.allowed) for tune in concerned]
    words = "; ".join(f'"{tune.title}" has {counted(tune.n_parts, "parts")}' for tune in concerned)
    doubtful = [tune for tune in tunes if tune.tune_type is None and tune.n_parts not in rule.allowed]
    if any(distances):
        return ruling(rule, asks, Verdict.FAILS, words, -float(max(distances)), "parts")
    return _among(rule, asks, words, doubtful, 0.0 if concerned else None, "parts")


def _ruling_on_metre(rule: MetreRule, tunes: Sequence[TuneFacts] | None) -> Ruling:
    asks = f"{_every(rule.tune_type)} in {any_of(rule.allowed)}"
    if tunes is None:
        return _no_tunes(rule, asks)
    concerned = [tune for tune in tunes if tune.tune_type is not None and answers_to(rule.tune_type, tune.tune_type)]
    words = "; ".join(f'"{tune.title}" is in {tune.metre or "a metre not known"}' for tune in concerned)
    if any(tune.metre is not None and tune.metre not in rule.allowed for tune in concerned):
        return ruling(rule, asks, Verdict.FAILS, words)
    if any(tune.metre is None for tune in concerned):
        return ruling(rule, asks, Verdict.CANNOT_TELL, words)
    doubtful = [tune for tune in tunes if tune.tune_type is None and tune.metre not in rule.allowed]
    return _among(rule, asks, words, doubtful)


def _among(
    rule: TunePartsRule | MetreRule,
    asks: str,
    words: str,
    doubtful: Sequence[TuneFacts],
    margin: float | None = None,
    unit: str = "",
) -> Ruling:
    if doubtful:
        unknown = f"the type of {listed([tune.title for tune in doubtful])} is not known"
        return ruling(rule, asks, Verdict.CANNOT_TELL, f"{words}; {unknown}" if words else unknown)
    return ruling(rule, asks, Verdict.HOLDS, words or f"the set has no {_type_noun(rule.tune_type)}", margin, unit)


def _every(type_word: str) -> str:
    return f"every {_type_noun(type_word)}"


def _type_noun(type_word: str) -> str:
    return "tune" if type_word == "any" else type_word


_HOLD_BY_KIND: tuple[tuple[type[Rule], Callable[..., Ruling]], ...] = (
    (ShapeRule, _ruling_on_shape),
    (TypesRule, _ruling_on_types),
    (TuneCountRule, _ruling_on_tune_count),
    (PartTotalRule, _ruling_on_part_total),
    (TunePartsRule, _ruling_on_tune_parts),
    (MetreRule, _ruling_on_metre),
    (VarietyRule, _ruling_on_variety),
)
