"""Rules held against facts, each case small enough to be judged by eye."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from graith.errors import RulesError
from graith.rules.hold import is_legal, rulings_on_roster, rulings_on_set
from graith.rules.hold_duration import chance_inside, minutes_and_seconds
from graith.rules.look_up import event_rules
from graith.rules.model import RosterFacts, Ruling, SetFacts, TuneFacts, Verdict
from graith.rules.rulebook import (
    ClockStart,
    DressTerm,
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

HOLDS, FAILS, CANNOT_TELL = Verdict.HOLDS, Verdict.FAILS, Verdict.CANNOT_TELL
SOURCE = "invented for the test"

MSR = ShapeRule(name="order", source=SOURCE, patterns=(("2/4 march", "strathspey", "reel"),))
MARCHES = TypesRule(name="types", source=SOURCE, allowed=("march",))
THREE_TO_FIVE = DurationRule(name="time", source=SOURCE, min_s=180.0, max_s=300.0)
SIX_TO_EIGHT = PartTotalRule(name="parts", source=SOURCE, least=6, most=8)
REEL_PARTS = TunePartsRule(name="reel", source=SOURCE, tune_type="reel", allowed=(2, 4))
HORNPIPES = MetreRule(name="hornpipes", source=SOURCE, tune_type="hornpipe", allowed=("2/4",))
VARIETY = VarietyRule(name="variety", source=SOURCE, least_types=3)
TUNES = TuneCountRule(name="tunes", source=SOURCE, least=2, most=3)


def _book(*rules: Rule) -> Rulebook:
    return Rulebook("Test book", (Grade("Grade 4", (Event("medley", rules),), rules),))


def _tune(tune_type: str | None, n_parts: int = 4, metre: str | None = None) -> TuneFacts:
    return TuneFacts(f"The {tune_type}", tune_type, n_parts, tuple(range(1, n_parts + 1)), metre)


def _tunes(*types: str | None) -> tuple[TuneFacts, ...]:
    return tuple(_tune(tune_type) for tune_type in types)


def _ruling(rule: Rule, facts: SetFacts) -> Ruling:
    (ruling,) = rulings_on_set(_book(rule), "Grade 4", "medley", facts)
    return ruling


def _verdict(rule: Rule, tunes: Sequence[TuneFacts]) -> Verdict:
    return _ruling(rule, SetFacts(tuple(tunes))).verdict


@pytest.mark.parametrize(
    ("seconds", "verdict", "margin_s"),
    [
        (179.9, FAILS, -0.1),
        (180.0, HOLDS, 0.0),
        (240.0, HOLDS, 60.0),
        (290.0, HOLDS, 10.0),
        (300.0, HOLDS, 0.0),
        (301.5, FAILS, -1.5),
    ],
)
def test_a_duration_holds_between_its_limits_and_on_them(seconds: float, verdict: Verdict, margin_s: float) -> None:
    ruling = _ruling(THREE_TO_FIVE, SetFacts(roll_to_cut_off_s=seconds))
    assert (ruling.verdict, ruling.unit) == (verdict, "s")
    assert ruling.margin == pytest.approx(margin_s, abs=1e-9)


def test_a_rounding_error_at_a_limit_does_not_break_a_rule() -> None:
    ruling = _ruling(THREE_TO_FIVE, SetFacts(roll_to_cut_off_s=180.0 - 1e-9))
    assert (ruling.verdict, ruling.margin) == (HOLDS, 0.0)


@pytest.mark.parametrize(("clock_from", "verdict"), [(ClockStart.FIRST_ROLL, FAILS), (ClockStart.FIRST_NOTE, HOLDS)])
def test_the_clock_starts_where_the_rule_says(clock_from: ClockStart, verdict: Verdict) -> None:
    rule = DurationRule(name="time", source=SOURCE, max_s=300.0, clock_from=clock_from)
    facts = SetFacts(roll_to_cut_off_s=304.0, first_note_to_cut_off_s=298.0)
    assert _ruling(rule, facts).verdict is verdict


def test_a_duration_that_is_not_known_cannot_be_told() -> None:
    ruling = _ruling(THREE_TO_FIVE, SetFacts(first_note_to_cut_off_s=200.0))
    assert (ruling.verdict, ruling.margin) == (CANNOT_TELL, None)
    assert ruling.measured == "the time from the first roll to the cut-off is not known"


def test_a_duration_ruling_reads_as_a_timekeeper_speaks() -> None:
    ruling = _ruling(THREE_TO_FIVE, SetFacts(roll_to_cut_off_s=312.34))
    assert ruling.asks == "3:00 to 5:00 from the first roll to the cut-off"
    assert ruling.measured == "5:12.3 from the first roll to the cut-off, 12.3 s too long"


def test_the_bands_own_spread_makes_the_margin_a_probability() -> None:
    ruling = _ruling(THREE_TO_FIVE, SetFacts(roll_to_cut_off_s=290.0, spread_s=10.0))
    assert ruling.verdict is HOLDS
    assert ruling.measured.endswith("with the band's own spread of 10 s it is inside with probability 84.1%")


@pytest.mark.parametrize(
    ("sigmas", "share"), [(0.0, 0.0), (0.5, 0.3829), (1.0, 0.6827), (1.96, 0.9500), (2.0, 0.9545), (3.0, 0.9973)]
)
def test_chances_agree_with_the_printed_table_of_the_normal_distribution(sigmas: float, share: float) -> None:
    chance = chance_inside(300.0, 10.0, 300.0 - 10.0 * sigmas, 300.0 + 10.0 * sigmas)
    assert chance == pytest.approx(share, abs=5e-5)


def test_an_almost_certain_chance_is_not_called_certain() -> None:
    assert "above 99.9%" in _ruling(THREE_TO_FIVE, SetFacts(roll_to_cut_off_s=240.0, spread_s=10.0)).measured
    assert "below 0.1%" in _ruling(THREE_TO_FIVE, SetFacts(roll_to_cut_off_s=400.0, spread_s=10.0)).measured


@pytest.mark.parametrize("seconds", [-1.0, float("nan"), float("inf")])
def test_a_duration_that_cannot_be_is_refused(seconds: float) -> None:
    with pytest.raises(RulesError, match="cannot be"):
        rulings_on_set(_book(THREE_TO_FIVE), "Grade 4", "medley", SetFacts(roll_to_cut_off_s=seconds))


@pytest.mark.parametrize(
    ("seconds", "words"), [(0.0, "0:00.0"), (59.94, "0:59.9"), (59.96, "1:00.0"), (3600.0, "60:00.0")]
)
def test_seconds_are_carried_over_into_minutes(seconds: float, words: str) -> None:
    assert minutes_and_seconds(seconds) == words


@pytest.mark.parametrize(
    ("types", "verdict"),
    [
        (("2/4 march", "strathspey", "reel"), HOLDS),
        (("strathspey", "2/4 march", "reel"), FAILS),
        (("6/8 march", "strathspey", "reel"), FAILS),
        (("2/4 march", "strathspey"), FAILS),
        (("2/4 march", "strathspey", "reel", "reel"), FAILS),
        (("2/4 march", None, "reel"), CANNOT_TELL),
        (("2/4 march", None, "jig"), FAILS),
        ((), FAILS),
    ],
)
def test_tunes_stand_in_the_order_that_is_asked(types: tuple[str | None, ...], verdict: Verdict) -> None:
    assert _verdict(MSR, _tunes(*types)) is verdict


def test_one_of_several_orders_is_enough() -> None:
    rule = ShapeRule(name="order", source=SOURCE, patterns=(("jig",), ("march", "any")))
    assert _verdict(rule, _tunes("9/8 march", "slow air")) is HOLDS


@pytest.mark.parametrize(
    ("types", "verdict"),
    [
        (("2/4 march", "6/8 march"), HOLDS),
        (("2/4 march", "jig"), FAILS),
        (("2/4 march", None), CANNOT_TELL),
        (("jig", None), FAILS),
    ],
)
def test_march_means_any_march_and_nothing_else(types: tuple[str | None, ...], verdict: Verdict) -> None:
    assert _verdict(MARCHES, _tunes(*types)) is verdict


@pytest.mark.parametrize(
    ("n_parts", "verdict", "margin"), [(5, FAILS, -1), (6, HOLDS, 0), (7, HOLDS, 1), (8, HOLDS, 0), (9, FAILS, -1)]
)
def test_parts_in_all_are_counted_over_the_tunes(n_parts: int, verdict: Verdict, margin: int) -> None:
    tunes = (_tune("2/4 march", 4), _tune("6/8 march", n_parts - 4))
    ruling = _ruling(SIX_TO_EIGHT, SetFacts(tunes))
    assert (ruling.verdict, ruling.margin, ruling.unit) == (verdict, margin, "parts")
    assert ruling.measured == f"{n_parts} parts played (4 + {n_parts - 4})"


def test_a_part_that_comes_back_counts_again_in_all_but_not_for_its_tune() -> None:
    back = TuneFacts("Round", "reel", 2, (1, 2, 1, 2, 1, 2))
    assert _verdict(SIX_TO_EIGHT, [back]) is HOLDS
    assert _verdict(REEL_PARTS, [back]) is HOLDS


def test_parts_that_are_not_known_leave_the_total_in_doubt_unless_it_is_too_many_already() -> None:
    unknown = TuneFacts("Unknown", "reel", 4, ())
    assert _verdict(SIX_TO_EIGHT, [_tune("reel", 7), unknown]) is CANNOT_TELL
    assert _verdict(SIX_TO_EIGHT, [_tune("reel", 9), unknown]) is FAILS


@pytest.mark.parametrize(
    ("n_parts", "verdict", "margin"), [(2, HOLDS, 0), (3, FAILS, -1), (4, HOLDS, 0), (6, FAILS, -2)]
)
def test_each_tune_of_a_type_has_one_of_the_allowed_numbers_of_parts(
    n_parts: int, verdict: Verdict, margin: int
) -> None:
    ruling = _ruling(REEL_PARTS, SetFacts((_tune("2/4 march", 3), _tune("reel", n_parts), _tune("reel", 4))))
    assert (ruling.verdict, ruling.margin) == (verdict, margin)


def test_a_rule_for_reels_holds_where_there_is_none_and_says_so() -> None:
    assert _ruling(REEL_PARTS, SetFacts(_tunes("jig"))).measured == "the set has no reel"


def test_a_tune_of_unknown_type_is_in_doubt_only_if_it_could_break_the_rule() -> None:
    assert _verdict(REEL_PARTS, [_tune(None, 3)]) is CANNOT_TELL
    assert _verdict(REEL_PARTS, [_tune(None, 4)]) is HOLDS


@pytest.mark.parametrize(("metre", "verdict"), [("2/4", HOLDS), ("4/4", FAILS), (None, CANNOT_TELL)])
def test_a_metre_is_asked_of_the_tunes_of_its_type(metre: str | None, verdict: Verdict) -> None:
    assert _verdict(HORNPIPES, [_tune("hornpipe", 4, metre), _tune("reel", 4, "2/2")]) is verdict


@pytest.mark.parametrize(
    ("types", "verdict"),
    [
        (("reel", "jig", "strathspey"), HOLDS),
        (("reel", "jig", "reel"), FAILS),
        (("reel", "jig", None), CANNOT_TELL),
        (("reel", None), FAILS),
        (("reel", "jig", "hornpipe", None), HOLDS),
    ],
)
def test_variety_counts_different_types(types: tuple[str | None, ...], verdict: Verdict) -> None:
    assert _verdict(VARIETY, _tunes(*types)) is verdict


@pytest.mark.parametrize(("n_tunes", "verdict"), [(1, FAILS), (2, HOLDS), (3, HOLDS), (4, FAILS)])
def test_the_number_of_tunes_is_counted(n_tunes: int, verdict: Verdict) -> None:
    assert _verdict(TUNES, [_tune("reel")] * n_tunes) is verdict


@pytest.mark.parametrize("rule", [MSR, MARCHES, SIX_TO_EIGHT, REEL_PARTS, HORNPIPES, VARIETY, TUNES, THREE_TO_FIVE])
def test_what_is_not_measured_is_never_held(rule: Rule) -> None:
    ruling = _ruling(rule, SetFacts())
    assert ruling.verdict is CANNOT_TELL
    assert ruling.measured.endswith("not known")


@pytest.mark.parametrize(
    ("snares", "verdict", "margin"),
    [(1, FAILS, -1), (2, HOLDS, 0), (5, HOLDS, 1), (7, FAILS, -1), (None, CANNOT_TELL, None)],
)
def test_players_are_counted_by_instrument(snares: int | None, verdict: Verdict, margin: int | None) -> None:
    rule = PlayersRule(name="snares", source=SOURCE, instrument=Instrument.SNARES, least=2, most=6)
    (ruling,) = rulings_on_roster(_book(rule, THREE_TO_FIVE), "Grade 4", None, RosterFacts(pipers=9, snares=snares))
    assert (ruling.verdict, ruling.margin) == (verdict, margin)


def test_a_roster_of_minus_one_is_refused() -> None:
    rule = PlayersRule(name="basses", source=SOURCE, instrument=Instrument.BASSES, least=1)
    with pytest.raises(RulesError, match="-1 basses cannot be"):
        rulings_on_roster(_book(rule), "Grade 4", "medley", RosterFacts(basses=-1))


def test_terms_and_players_give_no_ruling_on_a_set() -> None:
    dress = DressTerm(name="dress", source=SOURCE, items=("kilt",))
    pipers = PlayersRule(name="pipers", source=SOURCE, instrument=Instrument.PIPERS, least=5)
    assert rulings_on_set(_book(dress, pipers), "Grade 4", "medley", SetFacts(())) == ()


def test_a_rules_own_words_and_source_stand_in_its_ruling() -> None:
    rule = VarietyRule(name="variety", source="Book of 2031, page 4", text="Tunes must vary.", least_types=2)
    ruling = _ruling(rule, SetFacts(_tunes("reel", "jig")))
    assert ruling == Ruling(
        "variety",
        "at least 2 different tune types: Tunes must vary.",
        "2 different: jig, reel",
        HOLDS,
        "Book of 2031, page 4",
        0.0,
        "tune types",
    )


@pytest.mark.parametrize(
    ("verdicts", "whole"),
    [
        ((HOLDS, HOLDS), HOLDS),
        ((HOLDS, FAILS, CANNOT_TELL), FAILS),
        ((HOLDS, CANNOT_TELL), CANNOT_TELL),
        ((), CANNOT_TELL),
    ],
)
def test_one_failing_rule_fails_all_and_one_doubt_leaves_all_in_doubt(
    verdicts: tuple[Verdict, ...], whole: Verdict
) -> None:
    assert is_legal(Ruling("r", "a", "m", verdict, SOURCE) for verdict in verdicts) is whole


def test_an_events_rules_come_sorted_by_kind() -> None:
    rules = event_rules(_book(MSR, THREE_TO_FIVE, REEL_PARTS, VARIETY), "grade 4", "Medley")
    assert (rules.grade, rules.event) == ("Grade 4", "medley")
    assert (rules.shapes, rules.durations, rules.tune_parts, rules.varieties) == (
        (MSR,),
        (THREE_TO_FIVE,),
        (REEL_PARTS,),
        (VARIETY,),
    )
    assert rules.players == rules.terms == rules.types == ()


def test_a_grade_or_event_that_is_not_there_names_the_nearest() -> None:
    with pytest.raises(RulesError, match=r'has no grade "Grade 44"\. Did you mean "Grade 4"\?'):
        event_rules(_book(MSR), "Grade 44", "medley")
    with pytest.raises(RulesError, match=r'has no event "medly" in "Grade 4"\. Did you mean "medley"\?'):
        event_rules(_book(MSR), "Grade 4", "medly")
