"""The demo band's sets: each is as legal and as long as it was made to be.

The times are worked out by hand below, from bars, beats and tempi, and stand beside each number.
"""

from __future__ import annotations

from itertools import pairwise
from math import log
from pathlib import Path

import pytest

import graith
from graith.files.read_files import load_planned_set, load_rulebook
from graith.music.tune_types import tune_type_named
from graith.music.unfold import played_bars
from graith.rules.model import Verdict
from graith.services.time_set import SetReport, report_set
from graith.sets.model import PlannedTune

SETS = Path(graith.__file__).parent / "demo" / "sets"
LEGAL = ["quick-march-medley", "march-strathspey-reel", "medley"]
RAMP_116_TO_120_S = 60 * 128 * log(120 / 116) / 4  # 128 beats whose tempo rises in a straight line


def _report(name: str) -> SetReport:
    wanted, planned = load_planned_set(SETS / f"{name}.toml")
    return report_set(wanted, planned, load_rulebook(wanted.rulebook))


def _failing(report: SetReport) -> list[str]:
    return [ruling.rule for ruling in report.rulings if ruling.verdict is Verdict.FAILS]


@pytest.mark.parametrize("name", LEGAL)
def test_a_set_made_to_be_legal_breaks_no_rule_and_has_no_wrong_music(name: str) -> None:
    report = _report(name)
    assert _failing(report) == []
    assert report.problems == ()


def test_the_long_medley_breaks_two_rules_on_purpose() -> None:
    assert sorted(_failing(_report("medley-too-long"))) == ["number of tunes", "time"]


@pytest.mark.parametrize(
    ("name", "lasts_s"),
    [
        # 8 roll beats; 16 + 16 bars of 4; 16 + 16 bars of 2; 3 x 16 bars of 2: 296 beats at 80.
        ("quick-march-medley", (8 + 128 + 64 + 96) * 60 / 80),
        # 8 roll beats and 64 bars of 2 at 74; 32 bars of 4 from 116 to 120; 32 bars of 2 at 82, the last held one beat.
        ("march-strathspey-reel", (8 + 128) * 60 / 74 + RAMP_116_TO_120_S + (64 + 1) * 60 / 82),
    ],
)
def test_a_set_lasts_as_long_as_its_beats_say(name: str, lasts_s: float) -> None:
    # Pick-ups move a fraction of a beat from one tune's tempo to the next's, never half a second in all.
    assert _report(name).timing.timeline.playing_s == pytest.approx(lasts_s, abs=0.5)


def test_the_medley_lies_well_inside_three_to_five_minutes() -> None:
    assert 210 < _report("medley").timing.timeline.playing_s < 270


def test_the_long_medley_is_more_than_three_minutes_too_long() -> None:
    assert _report("medley-too-long").timing.timeline.playing_s > 300 + 180


def test_the_medley_varies_its_tune_types() -> None:
    _, planned = load_planned_set(SETS / "medley.toml")
    types = [tune.tune_type for tune in planned.tunes]
    assert len(set(types)) == 5
    assert tune_type_named("slow air") in types


def test_the_quick_march_medley_has_six_to_eight_parts_at_one_step() -> None:
    _, planned = load_planned_set(SETS / "quick-march-medley.toml")
    assert sum(len(tune.tune.parts) for tune in planned.tunes) == 7
    assert {tune.tempo_bpm for tune in planned.tunes} == {80.0}


def _joined(before: PlannedTune, after: PlannedTune) -> bool:
    last = played_bars(before.tune, before.parts, before.repeats)[-1].bar.notes[-1]
    first = played_bars(after.tune, after.parts, after.repeats)[0].bar.notes[0]
    return last.pitches == first.pitches and not first.graces


@pytest.mark.parametrize("name", [*LEGAL, "medley-too-long"])
def test_a_tune_change_is_heard_even_on_the_same_note(name: str) -> None:
    _, planned = load_planned_set(SETS / f"{name}.toml")
    assert not any(_joined(before, after) for before, after in pairwise(planned.tunes))
