import json
from pathlib import Path

import mido
import pytest
from pypdf import PdfReader

from conftest_types import Run


def test_timing_a_set_tells_the_clock_of_every_tune(graith_run: Run, sets: Path) -> None:
    answer = json.loads(graith_run("set", "time", sets / "quick-march-medley.toml", "--json").out)
    assert answer["playing_s"] == pytest.approx(222.0)  # 8 + 128 + 64 + 96 beats of 80 a minute, counted by hand
    assert [one["tune_type"] for one in answer["tunes"]] == ["4/4 march", "2/4 march", "6/8 march"]
    assert "bars" not in answer


def test_timing_can_give_every_beat_bar_and_note(graith_run: Run, sets: Path) -> None:
    answer = json.loads(graith_run("set", "time", sets / "quick-march-medley.toml", "--json", "--beats").out)
    assert len(answer["beats"]) == 8 + int(float(answer["total_beats"]))
    assert answer["notes"][-1]["stop_s"] == pytest.approx(answer["cut_off_s"])


def test_a_legal_set_with_its_roster_holds_every_rule(graith_run: Run, sets: Path) -> None:
    ran = graith_run("set", "check", sets / "medley.toml", "--roster", "8,3,2,1", "--json")
    answer = json.loads(ran.out)
    assert ran.status == 0
    assert answer["verdict"] == "holds"
    assert all(one["source"] for one in answer["rulings"])
    assert "current book" in answer["advice"]


def test_without_a_roster_it_cannot_tell_and_says_so(graith_run: Run, sets: Path) -> None:
    ran = graith_run("set", "check", sets / "medley.toml")
    assert ran.status == 0
    assert "cannot" in ran.out


def test_a_set_that_is_too_long_fails_by_how_much(graith_run: Run, sets: Path) -> None:
    ran = graith_run("set", "check", sets / "medley-too-long.toml", "--json")
    failed = [one for one in json.loads(ran.out)["rulings"] if one["verdict"] == "fails"]
    time = next(one for one in failed if one["unit"] == "s")
    assert ran.status == 1
    assert time["margin"] < 0


def test_an_unknown_key_names_the_line_and_the_nearest_key(graith_run: Run, sets: Path, tmp_path: Path) -> None:
    text = (sets / "medley.toml").read_text().replace("hold_beats = 1\n\n[ending]", "hold_beat = 1\n\n[ending]")
    (tmp_path / "typo.toml").write_text(text)
    ran = graith_run("set", "time", tmp_path / "typo.toml")
    assert ran.status == 2
    assert "hold_beats" in ran.err
    assert f"typo.toml:{text.splitlines().index('hold_beat = 1') + 1}" in ran.err.replace(", line ", ":")


def test_a_tune_that_is_not_in_the_book_is_named(graith_run: Run, tunes: Path, tmp_path: Path) -> None:
    (tmp_path / "set.toml").write_text(f'name = "x"\n[[tunes]]\nfile = "{tunes / "reels.abc"}"\nindex = 77\n')
    ran = graith_run("set", "time", tmp_path / "set.toml")
    assert ran.status == 1
    assert "77" in ran.err


def test_an_unknown_grade_lists_the_grades(graith_run: Run, sets: Path) -> None:
    ran = graith_run("set", "check", sets / "medley.toml", "--grade", "Grade 9")
    assert ran.status == 2
    assert "Grade 4" in ran.err


def test_a_set_sheet_carries_its_name_tunes_and_times(graith_run: Run, sets: Path, tmp_path: Path) -> None:
    assert graith_run("set", "sheet", sets / "medley.toml", "-o", tmp_path / "medley.pdf").status == 0
    text = "\n".join(page.extract_text() for page in PdfReader(tmp_path / "medley.pdf").pages)
    assert "Auchterwhin medley" in text
    assert "Amazing Grace" in text
    assert "3:48" in text


def test_a_sets_midi_lasts_as_long_as_the_set(graith_run: Run, sets: Path, tmp_path: Path) -> None:
    graith_run("set", "sound", sets / "quick-march-medley.toml", "-o", tmp_path / "set.mid")
    assert mido.MidiFile(tmp_path / "set.mid").length == pytest.approx(222.0, abs=0.01)


def test_a_book_has_contents_and_every_tune(graith_run: Run, tunes: Path, tmp_path: Path) -> None:
    ran = graith_run("book", "sheet", tunes, "-o", tmp_path / "book.pdf", "--title", "Our book")
    reader = PdfReader(tmp_path / "book.pdf")
    assert ran.status == 0
    assert "Our book" in reader.pages[0].extract_text()
    assert "The Cane Reed" in "\n".join(page.extract_text() for page in reader.pages)


BUILD = ("--rulebook", "dalmorrow-league", "--grade", "Grade 4", "--event", "medley")


def test_built_sets_are_proven_told_why_and_written_as_set_files(graith_run: Run, tunes: Path, tmp_path: Path) -> None:
    ran = graith_run("set", "build", tunes, *BUILD, "--target", "4:30", "--write", tmp_path / "built")
    assert ran.status == 0
    assert "Proven" in ran.out
    assert "Why the first" in ran.out
    files = sorted((tmp_path / "built").iterdir())
    assert len(files) == 10
    assert graith_run("set", "check", files[0], "--roster", "8,3,2,1").status == 0


def test_the_builders_answer_as_data_has_ten_distinct_sets_and_a_bound(graith_run: Run, tunes: Path) -> None:
    answer = json.loads(graith_run("set", "build", tunes, *BUILD, "--json").out)
    keys = [tuple(tune["key"] for tune in one["tunes"]) for one in answer["sets"]]
    assert len(set(keys)) == 10
    assert answer["proven"]
    assert answer["bound"] == pytest.approx(answer["sets"][0]["value"])


def test_the_impossible_names_the_smallest_clash(graith_run: Run, tunes: Path) -> None:
    ran = graith_run("set", "build", tunes, *BUILD, "--tunes", "2", "2", "--json")
    clash = json.loads(ran.out)["clash"]
    assert ran.status == 1
    assert clash["is_smallest"]
    assert {one["kind"] for one in clash["demands"]} == {"rule", "number of tunes"}


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (("--open-with", "The Wet Bonet"), "The Wet Bonnet"),
        (("--event", "piobaireachd"), "medley"),
        (("--target", "soon"), "4:30"),
        (("--readiness", "nowhere.toml"), "no such file"),
    ],
)
def test_a_build_that_cannot_be_asked_is_one_sentence(
    graith_run: Run, tunes: Path, more: tuple[str, ...], sentence: str
) -> None:
    ran = graith_run("set", "build", tunes, *BUILD, *more)
    assert ran.status == 2
    assert sentence in ran.err
