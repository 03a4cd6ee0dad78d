"""A set's report, and one tune laid on the clock."""

from pathlib import Path

import pytest

import graith.demo
from graith.errors import SetError
from graith.files.read_files import load_rulebook, load_set_with_books
from graith.music.read_abc import read_tune
from graith.services.lay_music import planned_tune_alone
from graith.services.time_set import report_set, time_set

SETS = Path(graith.demo.__path__[0]) / "sets"


def test_what_the_reader_could_not_read_is_among_a_sets_problems(tmp_path: Path) -> None:
    (tmp_path / "book.abc").write_text("X:1\nT:Lossy\nR:march\nM:2/4\nL:1/8\nK:HP\n{g}A4 & {g}c4 | {g}B4 |]\n")
    (tmp_path / "set.toml").write_text('name = "s"\n[[tunes]]\nfile = "book.abc"\nindex = 1\n')
    wanted, planned, books = load_set_with_books(tmp_path / "set.toml")
    rules = load_rulebook("common-practice")
    grade, event = "lowest grade", "quick march medley"
    report = report_set(wanted, planned, rules, grade=grade, event=event, books=books.values())
    assert books["book.abc"].problems[0] in report.problems
    assert not report.is_fine


def test_a_report_keeps_who_plays_as_far_as_it_is_known() -> None:
    wanted, planned, _ = load_set_with_books(SETS / "medley.toml")
    report = report_set(wanted, planned, load_rulebook(wanted.rulebook))
    assert report.roster.pipers is None


def test_a_spread_of_nothing_is_certainty() -> None:
    _, planned, _ = load_set_with_books(SETS / "medley.toml")
    assert time_set(planned, spread_s=0.0).facts.spread_s == 0.0


@pytest.mark.parametrize("tempo_bpm", [0.0, -80.0, float("nan"), float("inf"), 19.9])
def test_no_tune_is_played_at_a_tempo_that_cannot_be(tempo_bpm: float) -> None:
    tune = read_tune("X:1\nT:T\nR:march\nM:2/4\nL:1/8\nK:HP\n{g}A4 |]\n", "t.abc")
    with pytest.raises(SetError, match="20 to 300"):
        planned_tune_alone(tune, tempo_bpm=tempo_bpm)
