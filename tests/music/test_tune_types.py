from fractions import Fraction

import pytest

from graith.errors import MusicError
from graith.music.read_abc import read_tune
from graith.music.tune_types import TUNE_TYPES, tune_type_named, tune_type_of


def tune_in(metre: str, rhythm: str) -> str:
    return f"X:1\nT:A tune\nM:{metre}\nL:1/8\nR:{rhythm}\nK:HP\nA2 |]\n"


@pytest.mark.parametrize(
    ("metre", "rhythm", "name", "beat_length"),
    [
        ("2/4", "march", "2/4 march", Fraction(1, 4)),
        ("6/8", "Quick March", "6/8 march", Fraction(3, 8)),
        ("3/4", "retreat march", "3/4 march", Fraction(1, 4)),
        ("C|", "reel", "reel", Fraction(1, 2)),
        ("C", "strathspey", "strathspey", Fraction(1, 4)),
        ("6/8", "jig", "jig", Fraction(3, 8)),
        ("3/4", "slow air", "slow air", Fraction(1, 4)),
        ("6/8", "slow air", "slow air", Fraction(3, 8)),
    ],
)
def test_the_words_and_the_metre_together_name_the_type(
    metre: str, rhythm: str, name: str, beat_length: Fraction
) -> None:
    tune_type = tune_type_of(read_tune(tune_in(metre, rhythm), "t.abc"))
    assert tune_type is not None
    assert (tune_type.name, tune_type.beat_length) == (name, beat_length)


@pytest.mark.parametrize(("metre", "rhythm"), [("6/8", ""), ("5/4", "march"), ("6/8", "reel")])
def test_a_metre_alone_or_a_word_that_does_not_agree_names_none(metre: str, rhythm: str) -> None:
    assert tune_type_of(read_tune(tune_in(metre, rhythm), "t.abc")) is None


def test_every_usual_tempo_lies_in_its_range_and_every_row_has_a_source() -> None:
    for tune_type in TUNE_TYPES:
        assert tune_type.slow_bpm <= tune_type.usual_bpm <= tune_type.fast_bpm
        assert tune_type.source


def test_an_unknown_type_lists_the_known() -> None:
    with pytest.raises(MusicError, match="strathspey"):
        tune_type_named("polka")
