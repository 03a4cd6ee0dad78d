"""A set finds its tunes, and every tempo is settled before anything is laid on a clock."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import pytest

from graith.errors import SetError
from graith.music.model import Metre, Part, Tempo, Tune
from graith.music.read_abc import read_book
from graith.music.tune_types import tune_type_named
from graith.sets.model import Ending, Link, Opening, PlannedSet, Set, SetTune
from graith.sets.plan_set import plan_set, usual_tempo_bpm

CROTCHET, DOTTED_CROTCHET, MINIM = Fraction(1, 4), Fraction(3, 8), Fraction(1, 2)


@dataclass(frozen=True)
class _Book:
    tunes: tuple[Tune, ...]


def _tune(number: int, rhythm: str, metre: Metre | None, tempo: Tempo | None = None, n_parts: int = 4) -> Tune:
    return Tune(number, (f"Tune {number}",), tuple(Part(()) for _ in range(n_parts)), metre, rhythm=rhythm, tempo=tempo)


BOOK = _Book(
    (
        _tune(1, "march", Metre(2, 4)),
        _tune(2, "strathspey", Metre(4, 4), Tempo(118, CROTCHET)),
        _tune(3, "reel", Metre(2, 2), Tempo(168, CROTCHET)),
        _tune(4, "jig", Metre(6, 8), Tempo(116, DOTTED_CROTCHET), n_parts=2),
        _tune(5, "", Metre(6, 8)),
        _tune(6, "reel", Metre(6, 8)),
        _tune(7, "march", Metre(2, 4), Tempo(400, CROTCHET)),
        _tune(8, "jig", Metre(5, 4)),
        _tune(9, "", None),
        _tune(10, "jig", Metre(6, 8)),
        _tune(10, "jig", Metre(6, 8)),
    )
)


def _planned(*tunes: SetTune, **more: object) -> PlannedSet:
    return plan_set(Set("A set", tunes, **more), {"a.abc": BOOK}, "a-set.toml")  # type: ignore[arg-type]


def test_tunes_are_found_by_book_and_number_with_their_types() -> None:
    planned = _planned(SetTune("a.abc", 1), SetTune("a.abc", 3))
    assert [tune.tune.title for tune in planned.tunes] == ["Tune 1", "Tune 3"]
    assert [tune.tune_type.name for tune in planned.tunes] == ["2/4 march", "reel"]


def test_parts_repeats_links_opening_and_ending_go_through_unchanged() -> None:
    link, opening, ending = Link(Fraction(1)), Opening(6, 3, 5), Ending(Fraction(2))
    planned = _planned(
        SetTune("a.abc", 1, parts=(2, 1), repeats=False),
        SetTune("a.abc", 2),
        links=(link,),
        opening=opening,
        ending=ending,
    )
    assert (planned.tunes[0].parts, planned.tunes[0].repeats) == ((2, 1), False)
    assert (planned.name, planned.links, planned.opening, planned.ending) == ("A set", (link,), opening, ending)


@pytest.mark.parametrize(
    ("wanted", "tempi_bpm"),
    [
        (SetTune("a.abc", 2, tempo_bpm=110.0), (110.0, 110.0)),
        (SetTune("a.abc", 2, tempo_bpm=110.0, tempo_end_bpm=116.0), (110.0, 116.0)),
        (SetTune("a.abc", 2), (118.0, 118.0)),
        (SetTune("a.abc", 3), (84.0, 84.0)),
        (SetTune("a.abc", 4), (116.0, 116.0)),
        (SetTune("a.abc", 1), (78.0, 78.0)),
    ],
)
def test_a_tempo_is_the_sets_else_the_tunes_else_its_types(wanted: SetTune, tempi_bpm: tuple[float, float]) -> None:
    (tune,) = _planned(wanted).tunes
    assert (tune.tempo_bpm, tune.tempo_end_bpm) == tempi_bpm


@pytest.mark.parametrize(
    ("name", "bpm", "of", "beats_bpm"),
    [
        ("reel", 168, CROTCHET, 84.0),
        ("reel", 84, MINIM, 84.0),
        ("jig", 348, Fraction(1, 8), 116.0),
        ("6/8 march", 84, DOTTED_CROTCHET, 84.0),
        ("2/4 march", 160, Fraction(1, 8), 80.0),
    ],
)
def test_a_tunes_own_tempo_is_counted_in_its_types_beat(name: str, bpm: float, of: Fraction, beats_bpm: float) -> None:
    """Hand counts: a minim holds two crotchets, a dotted crotchet three quavers."""
    tune = Tune(1, ("T",), (), None, tempo=Tempo(bpm, of))
    assert usual_tempo_bpm(tune, tune_type_named(name)) == beats_bpm


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        (SetTune("b.abc", 1), r'a-set\.toml: tune 1: there is no book "b\.abc"\. Did you mean "a\.abc"'),
        (SetTune("a.abc", 20), r'a\.abc has no tune X:20\. Of its 11 tunes the nearest are .*X:9 "Tune 9", X:10'),
        (SetTune("a.abc", 10), r'a\.abc has 2 tunes X:10, "Tune 10" and "Tune 10"\. Give each tune a number'),
        (
            SetTune("a.abc", 4, parts=(1, 3)),
            r'"Tune 4" \(X:4 of a\.abc\) has 2 parts, no part 3\. Choose parts from 1 to 2',
        ),
        (
            SetTune("a.abc", 5),
            r"no R: and M:6/8, which make no tune type\. In 6/8 write R:.* or R:jig or R:slow air",
        ),
        (SetTune("a.abc", 6), r"R:reel and M:6/8, which make no tune type"),
        (SetTune("a.abc", 8), r"No tune type stands in 5/4; correct its M:"),
        (SetTune("a.abc", 9), r"no R: and no metre, which make no tune type"),
        (SetTune("a.abc", 7), r"is 400 beats a minute of its 2/4 march beat, outside 20 to 300.*Correct its Q:"),
    ],
)
def test_what_cannot_be_found_is_told_with_what_there_is(wanted: SetTune, told: str) -> None:
    with pytest.raises(SetError, match=told):
        _planned(wanted)


def test_every_tune_that_cannot_be_found_is_told() -> None:
    with pytest.raises(SetError, match=r"tune 1: .* \(and 1 more problem\)") as caught:
        _planned(SetTune("a.abc", 20), SetTune("a.abc", 1), SetTune("b.abc", 1))
    assert [problem.kind for problem in caught.value.problems] == ["missing tune", "missing file"]


def test_an_empty_book_says_so() -> None:
    with pytest.raises(SetError, match="It has no tunes at all"):
        plan_set(Set("A set", (SetTune("a.abc", 1),)), {"a.abc": _Book(())}, "a-set.toml")


def test_a_link_too_many_is_refused() -> None:
    with pytest.raises(SetError, match="a set of 1 tunes has 0 links, not 2"):
        _planned(SetTune("a.abc", 1), links=(Link(), Link()))


@pytest.mark.parametrize("metre", ["2/4", "3/4", "4/4", "6/8", "9/8", "C|"])
def test_every_remedy_that_the_message_names_works(metre: str) -> None:
    text = f"X:1\nT:Untyped\nM:{metre}\nL:1/8\nK:HP\nA8|\n"
    wanted = Set("A set", (SetTune("a.abc", 1),))
    with pytest.raises(SetError, match="which make no tune type") as caught:
        plan_set(wanted, {"a.abc": read_book(text, "a.abc")}, "a-set.toml")
    remedy = caught.value.problems[0].remedy
    rhythms = remedy.split(" write ")[1].removesuffix(" in the tune's head.").split(" or ")
    assert len(rhythms) >= 2
    for rhythm in rhythms:
        typed = text.replace("M:", f"{rhythm}\nM:", 1)
        assert plan_set(wanted, {"a.abc": read_book(typed, "a.abc")}, "a-set.toml").tunes[0].tune_type
