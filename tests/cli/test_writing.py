"""What a command writes: never over what it reads or what may have been changed, and refused before the work."""

import json
from pathlib import Path

import pytest

from conftest_types import Run

BUILD = ("--rulebook", "dalmorrow-league", "--grade", "Grade 4", "--event", "medley", "--best", 2)


@pytest.mark.parametrize("command", [("tune", "convert", "{book}", "-o"), ("tune", "fit", "{book}", "--write")])
@pytest.mark.parametrize("named", ["book.abc", "link.abc", "../{folder}/book.abc"])
def test_no_command_writes_over_the_book_it_reads(
    graith_run: Run, tunes: Path, tmp_path: Path, command: tuple[str, ...], named: str
) -> None:
    book = tmp_path / "book.abc"
    book.write_text((tunes / "reels.abc").read_text())
    (tmp_path / "link.abc").symlink_to(book)
    ran = graith_run(*(word.format(book=book) for word in command), tmp_path / named.format(folder=tmp_path.name))
    assert ran.status == 2
    assert "is the file that is read" in ran.err
    assert book.read_text() == (tunes / "reels.abc").read_text()


def test_a_tune_that_fits_nowhere_is_not_written(graith_run: Run, tmp_path: Path) -> None:
    (tmp_path / "wide.abc").write_text("X:1\nT:Wide\nM:4/4\nL:1/4\nK:D\nD,2 b2 |]\n")
    ran = graith_run("tune", "fit", tmp_path / "wide.abc", "--write", tmp_path / "moved.abc")
    assert ran.status == 1
    assert not (tmp_path / "moved.abc").exists()


def test_sets_built_before_are_not_written_over(graith_run: Run, tunes: Path, tmp_path: Path) -> None:
    assert graith_run("set", "build", tunes, *BUILD, "--write", tmp_path / "built").status == 0
    mine = tmp_path / "built" / "built-01.toml"
    mine.write_text(mine.read_text() + "# my own remark\n")
    ran = graith_run("set", "build", tunes, *BUILD, "--write", tmp_path / "built")
    assert ran.status == 2
    assert "Name a new folder" in ran.err
    assert "my own remark" in mine.read_text()


def test_json_stays_json_when_sets_are_written_too(graith_run: Run, tunes: Path, tmp_path: Path) -> None:
    ran = graith_run("set", "build", tunes, *BUILD, "--write", tmp_path / "built", "--json")
    assert len(json.loads(ran.out)["sets"]) == 2
    assert "Wrote 2 set files" in ran.err


def test_a_missing_folder_is_told_before_the_work(
    graith_run: Run, sets: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import graith.sound.master as master

    monkeypatch.setattr(master, "mastered_blocks", lambda *_a, **_k: pytest.fail("it was rendered first"))
    ran = graith_run("set", "sound", sets / "medley.toml", "-o", tmp_path / "none" / "medley.wav")
    assert ran.status == 2
    assert "Make it first" in ran.err


def test_the_first_of_several_pictures_says_how_many_there_are(graith_run: Run, tmp_path: Path) -> None:
    part = "|: {g}A>B {gcd}c>e | {ag}a2 {gef}e2 | {Gdc}d>f {gef}e>c | {g}A2 {GAG}A2 :|\n"
    (tmp_path / "long.abc").write_text("X:1\nT:Long\nR:march\nM:2/4\nL:1/8\nK:HP\n" + part * 64)
    ran = graith_run("tune", "sheet", tmp_path / "long.abc", "-o", tmp_path / "long.svg")
    assert "page 1 of" in ran.out


def test_a_demo_done_again_keeps_what_was_changed(graith_run: Run, tmp_path: Path) -> None:
    assert graith_run("demo", "-o", tmp_path, "--no-sound").status == 0
    mine = tmp_path / "band" / "sets" / "medley.toml"
    mine.write_text(mine.read_text().replace("hold_beats = 1", "hold_beats = 2"))
    changed = mine.read_text()
    ran = graith_run("demo", "-o", tmp_path, "--no-sound")
    assert ran.status == 0
    assert "is kept as it is" in ran.out
    assert mine.read_text() == changed
