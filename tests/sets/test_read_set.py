"""A set file becomes a set, and whatever is wrong with it is told with its line."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from graith.errors import SetError
from graith.music.model import ChanterNote
from graith.sets.model import Ending, Link, Opening, Set, SetTune
from graith.sets.read_set import read_set, usual_opening

MEDLEY = """\
name = "Summer medley"
rulebook = "common-practice"
grade = "next grade"
event = "medley"
notes = "Breathe before the reel."

[[tunes]]
file = "marches.abc"
index = 4
parts = [1, 2]
tempo_bpm = 80

[[tunes]]
file = "strathspeys.abc"
index = 2
repeats = false
tempo_ramp_bpm = [118, 122.5]

[[tunes]]
file = "reels.abc"
index = 11

[[links]]
after = 2
hold_beats = "1/2"
ease_beats = 4
ease_to_bpm = 100

[opening]
roll_beats = 6
strike_in_note = "low A"
tempo_bpm = 78

[ending]
hold_beats = 1.5
slow_beats = 2
slow_to_bpm = 60
"""


def _error_of(text: str) -> SetError | None:
    """Return the room's own error, or None; let anything else through."""
    try:
        read_set(text, "fuzz.toml")
    except SetError as error:
        return error
    return None


def _problems(text: str) -> list[str]:
    with pytest.raises(SetError) as caught:
        read_set(text, "medley.toml")
    return [str(problem) for problem in caught.value.problems]


def test_everything_a_set_file_says_is_in_the_set() -> None:
    assert read_set(MEDLEY, "medley.toml") == Set(
        name="Summer medley",
        tunes=(
            SetTune("marches.abc", 4, parts=(1, 2), tempo_bpm=80.0),
            SetTune("strathspeys.abc", 2, repeats=False, tempo_bpm=118.0, tempo_end_bpm=122.5),
            SetTune("reels.abc", 11),
        ),
        links=(Link(), Link(Fraction(1, 2), Fraction(4), 100.0)),
        rulebook="common-practice",
        grade="next grade",
        event="medley",
        opening=Opening(6, 3, 5, ChanterNote.LOW_A, 78.0),
        ending=Ending(Fraction(3, 2), Fraction(2), 60.0),
        notes="Breathe before the reel.",
    )


def test_what_a_short_file_does_not_say_is_usual() -> None:
    short = read_set('name = "One"\ntunes = [{ file = "a.abc", index = 1 }]', "one.toml")
    assert (short.opening, short.ending, short.links) == (Opening(), Ending(), ())


@pytest.mark.parametrize("note", list(ChanterNote))
def test_the_strike_in_note_is_any_of_the_nine_by_its_trade_name(note: ChanterNote) -> None:
    text = MEDLEY.replace('"low A"', f'"{note.label}"')
    assert read_set(text, "medley.toml").opening.strike_in_note is note


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("index = 4", "indx = 4", r'medley\.toml:9: tune 1 has no key "indx"\. Did you mean "index"\?'),
        ("tempo_bpm = 80", "tempo = 80", r'medley\.toml:11: .*"tempo"\. Did you mean "tempo_bpm"\?'),
        ("[opening]", "[openning]", r'medley\.toml:29: a set file has no key "openning"\. Did you mean "opening"\?'),
        ("index = 4", 'index = "4"', r"medley\.toml:9: .*index = \"4\"\. Write a whole number"),
        ("index = 4", "index = 4.0", r"medley\.toml:9: .*Write a whole number"),
        ("index = 4", "index = true", r"medley\.toml:9: .*index = true\. Write a whole number"),
        ("parts = [1, 2]", "parts = []", r"medley\.toml:10: .*a list that is not empty"),
        ("parts = [1, 2]", "parts = [1, 0]", r"medley\.toml:10: .*parts number 2 = 0, outside 1 to 99"),
        ("tempo_bpm = 80", "tempo_bpm = 8000", r"medley\.toml:11: .*outside 20 to 300 beats a minute"),
        ("tempo_bpm = 80", "tempo_bpm = nan", r"medley\.toml:11: .*Write a number"),
        ("tempo_bpm = 80", "tempo_bpm = 80\ntempo_ramp_bpm = [80, 84]", "both tempo_bpm and tempo_ramp_bpm"),
        ("[118, 122.5]", "[118]", r"medley\.toml:17: .*a list of 2 numbers"),
        ("[118, 122.5]", "[118, 500]", r"medley\.toml:17: .*tempo_ramp_bpm number 2 = 500, outside 20 to 300"),
        ("after = 2", "after = 3", r"medley\.toml:24: link 1 has after = 3, outside 1 to 2"),
        ('"1/2"', '"1/0"', r"medley\.toml:25: .*a number of beats"),
        ('"1/2"', '"half"', r"medley\.toml:25: .*a number of beats"),
        ('"1/2"', "-1", r"medley\.toml:25: .*outside 0 to 64 beats"),
        ("ease_beats = 4\n", "", r"medley\.toml:26: link 1 has ease_to_bpm but no ease_beats"),
        ('"low A"', '"low B"', r'medley\.toml:31: .*not one of the words it can be\. Did you mean "low [AG]"\?'),
        ("roll_beats = 6", "roll_beats = 6\nstrike_in_beat = 7", r"medley\.toml:31: .*outside 1 to 6"),
        ("roll_beats = 6", "roll_beats = 6\nstrike_in_beat = 2\ndrones_in_beat = 3", "after the strike-in note"),
        ("roll_beats = 6", "roll_beats = 0\ndrones_in_beat = 1", "without a roll there is no such beat"),
        ("slow_to_bpm = 60\n", "", r"medley\.toml:36: the ending has slow_beats but no slow_to_bpm"),
        ('name = "Summer medley"\n', "", r'medley\.toml: a set file has no "name"'),
        ('name = "Summer medley"', 'name = "  "', r'medley\.toml:1: a set file has an empty "name"'),
        ('name = "Summer medley"', "name = 1979-05-27", r'medley\.toml:1: .*a date or time at "name"'),
        ("repeats = false", 'repeats = "no"', r"medley\.toml:16: .*true or false"),
        ('file = "reels.abc"\n', "", r'medley\.toml:19: tune 3 has no "file"'),
    ],
)
def test_what_is_wrong_is_told_with_its_line_and_what_to_do(old: str, new: str, told: str) -> None:
    assert old in MEDLEY
    with pytest.raises(SetError, match=told):
        read_set(MEDLEY.replace(old, new, 1), "medley.toml")


def test_every_problem_is_kept_and_the_message_counts_them() -> None:
    wrong = (
        MEDLEY.replace("index = 4", "index = -1").replace("slow_beats = 2", "slow_beats = 99").replace("after", "atfer")
    )
    with pytest.raises(SetError, match=r"tune 1 has index = -1.*\(and 2 more problems\)") as caught:
        read_set(wrong, "medley.toml")
    lines = [problem.place.line for problem in caught.value.problems]
    assert lines == sorted(line for line in lines if line is not None) == [9, 24, 36]


def test_two_links_at_one_place_are_refused() -> None:
    twice = MEDLEY + "[[links]]\nafter = 2\n"
    assert _problems(twice) == [
        "medley.toml:39: link 2 comes after tune 2, and so does another. Keep one of them.",
    ]


def test_a_link_of_a_set_with_one_tune_is_refused() -> None:
    text = 'name = "One"\n[[tunes]]\nfile = "a.abc"\nindex = 1\n[[links]]\nafter = 1\n'
    assert "no two tunes to join" in _problems(text)[0]


@pytest.mark.parametrize("text", ['name = "None"', 'name = "None"\ntunes = []'])
def test_a_set_without_tunes_is_refused(text: str) -> None:
    with pytest.raises(SetError, match="the set has no tunes"):
        read_set(text, "none.toml")


@pytest.mark.parametrize(
    "text", ['name = "x"\ntunes = 3', 'name = "x"\n[tunes]\nfile = "a"', 'name = "x"\ntunes = [1]']
)
def test_tunes_that_are_no_list_of_tables_are_refused_without_a_crash(text: str) -> None:
    assert _problems(text)


@pytest.mark.parametrize(("roll_beats", "drones", "strike"), [(0, 1, 1), (2, 1, 1), (6, 3, 5), (8, 5, 7), (16, 13, 15)])
def test_drones_and_strike_in_stand_as_far_before_the_tune_as_usual(roll_beats: int, drones: int, strike: int) -> None:
    usual = usual_opening(roll_beats)
    assert (usual.drones_in_beat, usual.strike_in_beat) == (drones, strike)


def test_drones_come_no_later_than_an_early_strike_in() -> None:
    text = MEDLEY.replace("roll_beats = 6", "roll_beats = 8\nstrike_in_beat = 3")
    assert read_set(text, "medley.toml").opening.drones_in_beat == 3


def test_line_ends_and_control_characters_of_a_file_stay_out_of_the_message() -> None:
    (told,) = _problems('name = "One"\n"od\\n\\u001bd" = 1\ntunes = [{ file = "a.abc", index = 1 }]')
    assert told.startswith('medley.toml:2: a set file has no key "od  d".')
    assert told.isprintable()


_SCRAPS = st.sampled_from(
    [
        "name",
        "tunes",
        "[[tunes]]",
        "[opening]",
        "[[links]]",
        "=",
        "file",
        "index",
        "parts",
        '"a.abc"',
        "3",
        "[1, 2]",
        "true",
        "nan",
        "-1",
        "1e400",
        "1/2",
        '"1/2"',
        "tempo_bpm",
        "tempo_ramp_bpm",
        "after",
        "\n",
        "\n",
        "{",
        "}",
        ",",
        "2031-01-01",
    ]
)


@given(st.lists(_SCRAPS, max_size=40).map(" ".join))
def test_scraps_of_a_set_file_give_a_set_or_a_set_error(text: str) -> None:
    error = _error_of(text)
    assert error is None or (error.problems and str(error).startswith("fuzz.toml"))


_KEYS = st.sampled_from(
    ["name", "tunes", "links", "opening", "ending", "notes", "file", "index", "parts", "after", "hold_beats"]
)
_ODD = st.sampled_from(
    ['"x"', "1", "-5", "2.5", "inf", "nan", "true", "[]", "[1]", '["a"]', "{}", "[{}]", "12:30:00", "1e300"]
)


@given(
    st.lists(st.tuples(_KEYS, _ODD), max_size=6, unique_by=lambda pair: pair[0]),
    st.sampled_from(["", "[opening]\n", "[[tunes]]\n"]),
)
def test_odd_values_anywhere_give_a_set_or_a_set_error(pairs: list[tuple[str, str]], header: str) -> None:
    text = header + "".join(f"{key} = {value}\n" for key, value in pairs)
    error = _error_of(text)
    assert error is None or error.problems
