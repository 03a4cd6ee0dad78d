"""Small invented books and questions for the builder's tests, and every set that could be made of them."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import permutations, product

from hypothesis import strategies as st

from graith.builder.demands import Condition, all_asked
from graith.builder.explain import built_set, obeys
from graith.builder.model import MOST_TUNES, BuiltSet, Candidate, ChosenTune, Cut, Locks, Question, Weights
from graith.music.model import ChanterNote
from graith.rules.rulebook import (
    ClockStart,
    DurationRule,
    EventRules,
    MetreRule,
    PartTotalRule,
    ShapeRule,
    TuneCountRule,
    TunePartsRule,
    TypesRule,
    VarietyRule,
)
from graith.sets.model import Opening

INVENTED = "invented for the test"
TYPE_NAMES = ("2/4 march", "strathspey", "reel", "jig")
TEMPI_BPM = {"2/4 march": 80.0, "strathspey": 120.0, "reel": 84.0, "jig": 112.0, "slow air": 60.0}


def cut(n_parts: int, *, of: int, beats: int = 32, **rest: object) -> Cut:
    parts = None if n_parts == of else tuple(range(1, n_parts + 1))
    whole = Fraction(beats * n_parts)
    return Cut(parts, n_parts, n_parts, whole, whole, **rest)  # type: ignore[arg-type]


def candidate(key: str, tune_type: str = "reel", *, n_parts: int = 2, beats: int = 32, **rest: object) -> Candidate:
    fields: dict[str, object] = {
        "title": key.title(),
        "tempo_bpm": TEMPI_BPM[tune_type],
        "cuts": (cut(n_parts, of=n_parts, beats=beats),),
        "metre": "2/4",
        "tonal_centre": ChanterNote.LOW_A,
    }
    return Candidate(key=key, tune_type=tune_type, n_parts=n_parts, **(fields | rest))  # type: ignore[arg-type]


def every_set(question: Question, conditions: list[Condition] | None = None) -> Iterator[BuiltSet]:
    """Yield every set of a question that obeys the conditions: each order of tunes with each choice of cuts."""
    asked = [one.condition for one in all_asked(question)] if conditions is None else conditions
    for n_tunes in range(1, min(len(question.candidates), MOST_TUNES) + 1):
        for order in permutations(question.candidates, n_tunes):
            for cuts in product(*(one.cuts for one in order)):
                tunes = [ChosenTune(one, chosen) for one, chosen in zip(order, cuts, strict=True)]
                if all(obeys(condition, question, tunes) for condition in asked):
                    yield built_set(question, tunes)


def best_of_each_order(sets: Iterator[BuiltSet]) -> list[BuiltSet]:
    """Return the best set of each order of tunes, the best first."""
    best: dict[tuple[str, ...], BuiltSet] = {}
    for one in sets:
        if one.keys not in best or one.billionths > best[one.keys].billionths:
            best[one.keys] = one
    return sorted(best.values(), key=lambda one: -one.billionths)


_NOTES = st.sampled_from(list(ChanterNote))
_BEATS = st.sampled_from([8, 12, 16, 24])


@st.composite
def cuts(draw: st.DrawFn, n_parts: int) -> Cut:
    played = draw(st.integers(1, n_parts))
    beats = draw(_BEATS) * played
    pickup = draw(st.sampled_from([Fraction(0), Fraction(1, 2), Fraction(1)]))
    return Cut(
        parts=None if played == n_parts else tuple(range(1, played + 1)),
        n_parts=played,
        n_played=played + draw(st.integers(0, 1)),
        beats=Fraction(beats),
        closing_beats=beats - draw(st.sampled_from([Fraction(0), Fraction(1, 2)])),
        pickup_beats=pickup,
        last_beats=draw(st.sampled_from([Fraction(1, 2), Fraction(1), Fraction(2)])),
        first_note=draw(st.one_of(st.none(), _NOTES)),
        last_note=draw(_NOTES),
    )


@st.composite
def candidates(draw: st.DrawFn, key: str, type_names: tuple[str, ...] = TYPE_NAMES) -> Candidate:
    tune_type = draw(st.sampled_from(type_names))
    n_parts = draw(st.sampled_from([2, 4]))
    return Candidate(
        key=key,
        title=key.upper(),
        tune_type=tune_type,
        tempo_bpm=TEMPI_BPM[tune_type] + draw(st.sampled_from([-4.0, 0.0, 2.5])),
        cuts=tuple(draw(st.lists(cuts(n_parts), min_size=1, max_size=2))),
        n_parts=n_parts,
        metre=draw(st.sampled_from([None, "2/4", "4/4"])),
        readiness=draw(st.sampled_from([0.2, 0.5, 0.77, 1.0])),
        difficulty=draw(st.sampled_from([2.0, 5.5, 8.0])),
        tonal_centre=draw(st.one_of(st.none(), st.sampled_from(list(ChanterNote)[:7]))),
    )


@st.composite
def event_rules(draw: st.DrawFn, *, most: int = 3) -> EventRules:
    words = st.sampled_from((*TYPE_NAMES, "march", "any"))
    shapes = st.lists(st.lists(words, min_size=1, max_size=4).map(tuple), min_size=1, max_size=3).map(tuple)
    low = st.sampled_from([None, 15.0, 30.0, 60.0])
    high = st.sampled_from([None, 40.0, 70.0, 100.0])

    def named(kind: type, name: str, **fields: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
        return st.builds(kind, name=st.just(name), source=st.just(INVENTED), **fields)

    def one(rule: st.SearchStrategy[object]) -> st.SearchStrategy[tuple[object, ...]]:
        return st.tuples(rule)

    limits = {"least": st.sampled_from([None, 2, 3]), "most": st.sampled_from([None, 3, 4, 6])}
    duration = named(DurationRule, "time", min_s=low, max_s=high, clock_from=st.sampled_from(list(ClockStart)))
    kinds = {
        "shapes": one(named(ShapeRule, "shape", patterns=shapes)),
        "types": one(named(TypesRule, "types", allowed=st.lists(words, min_size=1, max_size=3).map(tuple))),
        "tune_counts": one(named(TuneCountRule, "count", **limits)),
        "part_totals": one(named(PartTotalRule, "parts", **limits)),
        "tune_parts": one(
            named(TunePartsRule, "tune parts", tune_type=words, allowed=st.sampled_from([(2,), (4,), (2, 4)]))
        ),
        "metres": one(named(MetreRule, "metre", tune_type=words, allowed=st.just(("2/4",)))),
        "durations": st.lists(duration, min_size=1, max_size=2).map(tuple),
        "varieties": one(named(VarietyRule, "variety", least_types=st.integers(1, 3))),
    }
    in_force = draw(st.sets(st.sampled_from(sorted(kinds)), max_size=most))
    return EventRules("grade", "event", **{kind: draw(kinds[kind]) for kind in sorted(in_force)})  # type: ignore[arg-type]


@st.composite
def locks(draw: st.DrawFn, keys: list[str], *, most: int = 2) -> Locks:
    key = st.sampled_from(keys)
    every_pair = [(one, other) for one in keys for other in keys if one != other]
    pairs = st.lists(st.sampled_from(every_pair), max_size=most).map(tuple) if every_pair else st.just(())
    kinds = {
        "opens_with": key,
        "closes_with": key,
        "contains": st.lists(key, min_size=1, max_size=most).map(tuple),
        "leaves_out": st.lists(key, min_size=1, max_size=1).map(tuple),
        "not_with": pairs,
        "at_slot": st.lists(st.tuples(st.integers(1, 3), key), min_size=1, max_size=1).map(tuple),
        "not_after": pairs,
    }
    in_force = draw(st.sets(st.sampled_from(sorted(kinds)), max_size=most))
    return Locks(**{kind: draw(kinds[kind]) for kind in sorted(in_force)})  # type: ignore[arg-type]


@st.composite
def questions(draw: st.DrawFn, *, most_tunes: int = 5, ruled: bool = True, locked: bool = True) -> Question:
    keys = [f"tune {number}" for number in range(draw(st.integers(1, most_tunes)))]
    least = draw(st.integers(1, 3))
    type_names = TYPE_NAMES[: draw(st.sampled_from([1, 2, 4]))]
    points = st.sampled_from([0.0, 0.5, 3.0, 12.0])
    return Question(
        candidates=tuple(draw(candidates(key, type_names)) for key in keys),
        rules=draw(event_rules()) if ruled else EventRules("", ""),
        n_tunes=(least, least + draw(st.integers(0, 2))),
        target_s=draw(st.sampled_from([None, None, 25.0, 61.3])),
        locks=draw(locks(keys)) if locked else Locks(),
        weights=draw(st.builds(Weights, **dict.fromkeys(Weights.__dataclass_fields__, points))),
        level=draw(st.sampled_from([None, 4.0])),
        opening=Opening(roll_beats=draw(st.sampled_from([0, 2, 8]))),
        hold_beats=draw(st.sampled_from([Fraction(0), Fraction(1)])),
        ending_hold_beats=draw(st.sampled_from([Fraction(0), Fraction(1)])),
    )
