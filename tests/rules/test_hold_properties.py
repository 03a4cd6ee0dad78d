"""What must be true of every ruling, whatever the rule and the facts."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from graith.music.tune_types import TUNE_TYPES
from graith.rules.hold import is_legal, rulings_on_roster, rulings_on_set
from graith.rules.hold_duration import LIMIT_TOLERANCE_S, chance_inside
from graith.rules.model import RosterFacts, Ruling, SetFacts, TuneFacts, Verdict
from graith.rules.read_rule import TYPE_WORDS
from graith.rules.rulebook import (
    ClockStart,
    DurationRule,
    Event,
    Grade,
    Instrument,
    MetreRule,
    PartTotalRule,
    PlayersRule,
    Rule,
    Rulebook,
    ShapeRule,
    TuneCountRule,
    TunePartsRule,
    TypesRule,
    VarietyRule,
)

_TYPES = [tune_type.name for tune_type in TUNE_TYPES]
_type_words = st.sampled_from(TYPE_WORDS)
_metres = st.sampled_from(["2/4", "4/4", "6/8"])
_shared = {"name": st.just("rule"), "source": st.just("invented for the test")}


@st.composite
def _limits(draw: st.DrawFn, values: st.SearchStrategy[float]) -> tuple[float | None, float | None]:
    least, most = sorted((draw(values), draw(values)))
    which = draw(st.integers(0, 2))
    return (least if which != 1 else None), (most if which != 2 else None)


def _bounded(
    kind: type[Rule], least: str, most: str, values: st.SearchStrategy[float], **more: object
) -> st.SearchStrategy[Rule]:
    return _limits(values).flatmap(
        lambda pair: st.builds(kind, **_shared, **{least: st.just(pair[0]), most: st.just(pair[1])}, **more)
    )  # type: ignore[arg-type]


_counts = st.integers(0, 12)
_set_rules = st.one_of(
    _bounded(DurationRule, "min_s", "max_s", st.floats(0, 600), clock_from=st.sampled_from(ClockStart)),
    _bounded(TuneCountRule, "least", "most", _counts),
    _bounded(PartTotalRule, "least", "most", _counts),
    st.builds(
        TunePartsRule, **_shared, tune_type=_type_words, allowed=st.lists(st.integers(1, 6), min_size=1).map(tuple)
    ),
    st.builds(MetreRule, **_shared, tune_type=_type_words, allowed=st.lists(_metres, min_size=1).map(tuple)),
    st.builds(
        ShapeRule, **_shared, patterns=st.lists(st.lists(_type_words, max_size=3).map(tuple), min_size=1).map(tuple)
    ),
    st.builds(TypesRule, **_shared, allowed=st.lists(_type_words, min_size=1).map(tuple)),
    st.builds(VarietyRule, **_shared, least_types=st.integers(1, 4)),
)


@st.composite
def _tunes(draw: st.DrawFn) -> TuneFacts:
    parts = tuple(draw(st.lists(st.integers(1, 4), min_size=1, max_size=5)))
    return TuneFacts("A tune", draw(st.sampled_from(_TYPES)), len(set(parts)), parts, draw(_metres))


@st.composite
def _whole_facts(draw: st.DrawFn) -> SetFacts:
    seconds = st.floats(0, 600)
    return SetFacts(
        tuple(draw(st.lists(_tunes(), max_size=4))), draw(seconds), draw(seconds), draw(st.none() | st.floats(0, 20))
    )


@st.composite
def _whole_and_partial(draw: st.DrawFn) -> tuple[SetFacts, SetFacts]:
    whole = draw(_whole_facts())
    hide = st.booleans()
    tunes = tuple(
        replace(
            tune,
            tune_type=None if draw(hide) else tune.tune_type,
            parts_played=() if draw(hide) else tune.parts_played,
            metre=None if draw(hide) else tune.metre,
        )
        for tune in whole.tunes or ()
    )
    partial = SetFacts(
        None if draw(st.integers(0, 4)) == 0 else tunes,
        None if draw(hide) else whole.roll_to_cut_off_s,
        None if draw(hide) else whole.first_note_to_cut_off_s,
        None,
    )
    return whole, partial


def _rulings(rules: list[Rule], facts: SetFacts) -> tuple[Ruling, ...]:
    book = Rulebook("Test book", (Grade("grade", (Event("event", tuple(rules)),)),))
    return rulings_on_set(book, "grade", "event", facts)


@given(_set_rules, _whole_facts())
def test_the_sign_of_the_margin_agrees_with_the_verdict(rule: Rule, facts: SetFacts) -> None:
    (ruling,) = _rulings([rule], facts)
    assert ruling.verdict is not Verdict.CANNOT_TELL
    if ruling.margin is not None:
        assert (ruling.margin >= 0) == (ruling.verdict is Verdict.HOLDS)
        assert ruling.unit


@given(_set_rules)
def test_nothing_known_never_holds(rule: Rule) -> None:
    (ruling,) = _rulings([rule], SetFacts())
    assert ruling.verdict is Verdict.CANNOT_TELL


@given(_set_rules, _whole_and_partial())
def test_what_is_told_from_part_of_the_facts_stays_true_with_all_of_them(
    rule: Rule, facts: tuple[SetFacts, SetFacts]
) -> None:
    whole, partial = facts
    (ruled,), (guessed,) = _rulings([rule], whole), _rulings([rule], partial)
    assert guessed.verdict in (Verdict.CANNOT_TELL, ruled.verdict)


@given(st.lists(_set_rules, min_size=1, max_size=5), _whole_facts(), st.integers(0, 4))
def test_taking_a_rule_away_never_makes_a_legal_set_fail(rules: list[Rule], facts: SetFacts, index: int) -> None:
    before = is_legal(_rulings(rules, facts))
    fewer = [rule for position, rule in enumerate(rules) if position != index % len(rules)]
    after = is_legal(_rulings(fewer, facts))
    if before is Verdict.HOLDS:
        assert after is (Verdict.HOLDS if fewer else Verdict.CANNOT_TELL)
    if after is Verdict.FAILS:
        assert before is Verdict.FAILS


@given(_set_rules, _whole_facts())
def test_every_ruling_speaks(rule: Rule, facts: SetFacts) -> None:
    for known in (facts, SetFacts()):
        (ruling,) = _rulings([rule], known)
        assert ruling.asks
        assert ruling.measured
        assert ruling.source == rule.source


@given(
    st.sampled_from(Instrument).flatmap(
        lambda instrument: _bounded(PlayersRule, "least", "most", _counts, instrument=st.just(instrument))
    ),
    st.integers(0, 15),
)
def test_a_roster_holds_exactly_between_its_limits(rule: PlayersRule, count: int) -> None:
    book = Rulebook("Test book", (Grade("grade", (), (rule,)),))
    (ruling,) = rulings_on_roster(book, "grade", None, RosterFacts(**{rule.instrument.value: count}))
    assert (ruling.verdict is Verdict.HOLDS) == ((rule.least or 0) <= count <= (99 if rule.most is None else rule.most))
    (unknown,) = rulings_on_roster(book, "grade", None, RosterFacts())
    assert unknown.verdict is Verdict.CANNOT_TELL


@given(st.floats(0, 600), st.floats(0.01, 60), st.floats(0, 600), st.floats(0, 300))
def test_the_chance_inside_is_that_of_an_independent_normal_distribution(
    mean_s: float, spread_s: float, min_s: float, width_s: float
) -> None:
    wanted = norm.cdf(min_s + width_s, mean_s, spread_s) - norm.cdf(min_s, mean_s, spread_s)
    assert abs(chance_inside(mean_s, spread_s, min_s, min_s + width_s) - wanted) < 1e-12


@given(st.floats(0, 600), st.floats(0, 600))
def test_with_no_spread_the_chance_is_all_or_nothing(duration_s: float, max_s: float) -> None:
    assert chance_inside(duration_s, 0.0, None, max_s) == (1.0 if duration_s <= max_s else 0.0)


@given(st.floats(0, 600), st.floats(0, 300), st.floats(0, 300))
def test_a_duration_holds_exactly_within_its_limits_but_for_rounding(
    duration_s: float, min_s: float, width_s: float
) -> None:
    rule = DurationRule(name="time", source="test", min_s=min_s, max_s=min_s + width_s)
    (ruling,) = _rulings([rule], SetFacts(roll_to_cut_off_s=duration_s))
    if ruling.verdict is Verdict.HOLDS:
        assert min_s - LIMIT_TOLERANCE_S <= duration_s <= min_s + width_s + LIMIT_TOLERANCE_S
    else:
        assert not min_s <= duration_s <= min_s + width_s
