import json
from collections.abc import Callable
from pathlib import Path

import mido
import pytest
import soundfile
from pypdf import PdfReader

from conftest_types import Run
from graith.music.read_abc import read_book

GENERAL = "X:1\nT:In D\nM:4/4\nL:1/4\nK:D\nD2 F2 | A4 | d2 A2 | D4 |]\n"


def test_checking_the_bands_book_finds_nothing_wrong(graith_run: Run, tunes: Path) -> None:
    ran = graith_run("tune", "check", tunes)
    assert ran.status == 0
    assert "0 errors" in ran.out


def test_checking_faulty_tunes_names_file_line_column_part_bar_and_text(graith_run: Run, tunes: Path) -> None:
    ran = graith_run("tune", "check", tunes.parent / "faulty", "--json")
    problems = json.loads(ran.out)["problems"]
    assert ran.status == 1
    bar = next(one for one in problems if one["kind"] == "bar length")
    assert (bar["line"], bar["part"], bar["bar"]) == (12, 1, 3)
    assert "5/8" in bar["sentence"]
    assert bar["text"].strip() in (tunes.parent / "faulty" / "mistakes.abc").read_text()


def test_one_wrong_tune_does_not_stop_the_others(graith_run: Run, tmp_path: Path) -> None:
    good = "X:{0}\nT:Good {0}\nM:2/4\nL:1/8\nR:march\nK:HP\n{{g}}A4 | {{g}}A4 |]\n\n"
    (tmp_path / "book.abc").write_text(good.format(1) + good.format(2).replace("A4 |]", "A9 |]") + good.format(3))
    answer = json.loads(graith_run("tune", "check", tmp_path, "--json").out)
    assert (answer["tunes"], answer["errors"]) == (3, 1)


def test_showing_a_tune_tells_its_type_time_difficulty_and_figures(graith_run: Run, tunes: Path) -> None:
    ran = graith_run("tune", "show", tunes / "marches.abc", "--index", 1, "--json")
    (answer,) = json.loads(ran.out)
    assert answer["tune_type"] == "2/4 march"
    assert len(answer["parts"]) == 4
    assert answer["bars_played"] >= 64
    assert 0 < answer["difficulty"] <= 10
    assert answer["figures"]["doubling"] > 0


def test_a_general_tune_is_moved_onto_the_chanter_and_written(graith_run: Run, tmp_path: Path) -> None:
    (tmp_path / "in-d.abc").write_text(GENERAL)
    ran = graith_run("tune", "fit", tmp_path / "in-d.abc", "--write", tmp_path / "moved.abc", "--json")
    (answer,) = json.loads(ran.out)
    moved = read_book((tmp_path / "moved.abc").read_text()).tunes[0]
    sounded = {note.chanter_note for part in moved.parts for bar in part.bars for note in bar.notes}
    assert ran.status == 0
    assert answer["moves"][0]["semitones"] == 7
    assert None not in sounded


def test_a_tune_that_fits_nowhere_says_which_notes_do_not(graith_run: Run, tmp_path: Path) -> None:
    (tmp_path / "wide.abc").write_text(GENERAL.replace("D4 |]", "D,4 |]"))
    ran = graith_run("tune", "fit", tmp_path / "wide.abc", "--json")
    assert ran.status == 1
    assert json.loads(ran.out)[0]["misfits"][0]["notes"]


@pytest.mark.parametrize(("paper", "width_mm"), [("a4", 210), ("letter", 215.9), ("pocket", 74)])
def test_a_sheet_has_the_papers_size(graith_run: Run, tunes: Path, tmp_path: Path, paper: str, width_mm: float) -> None:
    out = tmp_path / "reel.pdf"
    assert graith_run("tune", "sheet", tunes / "reels.abc", "--index", 1, "-o", out, "--paper", paper).status == 0
    page = PdfReader(out).pages[0]
    assert float(page.mediabox.width) == pytest.approx(width_mm / 25.4 * 72, abs=0.5)


def test_a_sheet_can_be_a_picture_for_the_web(graith_run: Run, tunes: Path, tmp_path: Path) -> None:
    graith_run("tune", "sheet", tunes / "reels.abc", "--index", 1, "-o", tmp_path / "reel.svg")
    assert (tmp_path / "reel.svg").read_text().lstrip().startswith("<")


def test_practice_sound_lasts_as_long_as_the_tune_at_its_tempo(graith_run: Run, tunes: Path, tmp_path: Path) -> None:
    out = tmp_path / "slow.wav"
    options = ("--bars", "1.1.1-1.1.4", "--tempo-factor", 0.5, "--dry", "--no-drones")
    ran = graith_run("tune", "sound", tunes / "reels.abc", "--index", 4, "-o", out, *options)
    four_bars_s = 8 * 60 / (84 * 0.5)
    assert ran.status == 0
    assert soundfile.info(out).duration == pytest.approx(four_bars_s, abs=0.8)
    assert "ears" in ran.out


@pytest.mark.parametrize("suffix", ["abc", "musicxml", "mid"])
def test_a_tune_can_be_written_in_another_form(graith_run: Run, tunes: Path, tmp_path: Path, suffix: str) -> None:
    out = tmp_path / f"reel.{suffix}"
    assert graith_run("tune", "convert", tunes / "reels.abc", "--index", 1, "-o", out).status == 0
    if suffix == "mid":
        assert mido.MidiFile(out).length > 20
    else:
        again = graith_run("tune", "check", out, "--json")
        assert json.loads(again.out)["errors"] == 0


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("tune", "check", "nowhere.abc"), "no such file"),
        (("tune", "show", "{tunes}"), "folder"),
        (("tune", "check"), "Missing argument"),
        (("tune", "sound", "{tunes}/reels.abc", "--index", 1, "-o", "reel.xyz"), "sound format"),
        (("tune", "sheet", "{tunes}/reels.abc", "--index", 1, "-o", "reel.docx"), "ending"),
        (("tune", "sound", "{tunes}/reels.abc", "--index", 1, "--tempo", 5000, "-o", "reel.wav"), "20 to 300"),
    ],
)
def test_wrong_usage_is_one_sentence_and_status_2(
    graith_run: Run, tunes: Path, arguments: tuple[object, ...], sentence: str
) -> None:
    ran = graith_run(*(str(one).replace("{tunes}", str(tunes)) for one in arguments))
    assert ran.status == 2
    assert sentence in ran.err


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("tune", "sheet", "{tunes}/reels.abc", "-o", "reel.pdf"), "--index"),
        (("tune", "show", "{tunes}/reels.abc", "--index", 99), "no tune numbered 99"),
    ],
)
def test_what_cannot_be_done_is_one_sentence_and_status_1(
    graith_run: Run, tunes: Path, arguments: tuple[object, ...], sentence: str
) -> None:
    ran = graith_run(*(str(one).replace("{tunes}", str(tunes)) for one in arguments))
    assert ran.status == 1
    assert sentence in ran.err


def test_a_binary_file_is_refused_in_a_sentence(graith_run: Run, tmp_path: Path) -> None:
    (tmp_path / "song.abc").write_bytes(b"\0\1\2" * 100)
    ran = graith_run("tune", "check", tmp_path)
    assert ran.status == 2
    assert "not a text file" in ran.err


def test_a_stopped_rendering_leaves_no_file(
    graith_run: Run, tunes: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import graith.sound.master as master

    def stopped(*_arguments: object, **_options: object) -> Callable[[], None]:
        raise KeyboardInterrupt

    monkeypatch.setattr(master, "mastered_blocks", stopped)
    ran = graith_run("tune", "sound", tunes / "reels.abc", "--index", 1, "-o", tmp_path / "reel.wav")
    assert ran.status == 130
    assert list(tmp_path.iterdir()) == []
