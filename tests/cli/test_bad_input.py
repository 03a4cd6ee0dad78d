"""Whatever is put in, each command answers in sentences, and one bad thing does not stop the rest."""

import json
from pathlib import Path

import pytest

from conftest_types import Run

HEAD = "X:{number}\nT:{title}\nR:march\nM:2/4\nL:1/8\n{more}K:HP\n"
GOOD = "{g}A4 | {g}B4 |]\n"


def tune(number: int = 1, title: str = "Good", more: str = "", music: str = GOOD) -> str:
    return HEAD.format(number=number, title=title, more=more) + music


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A book of one good tune."""
    path = tmp_path / "book.abc"
    path.write_text(tune())
    return path


@pytest.fixture
def one_set(book: Path) -> Path:
    """A set file beside the book."""
    path = book.with_name("set.toml")
    path.write_text('name = "Set"\n[[tunes]]\nfile = "book.abc"\nindex = 1\n')
    return path


def test_one_file_that_cannot_be_read_does_not_stop_the_others(graith_run: Run, tmp_path: Path) -> None:
    (tmp_path / "a.abc").write_bytes(b"\0\0")
    (tmp_path / "b.abc").write_text(tune(music="{g}A4 | {g}B5 |]\n"))
    (tmp_path / "c.xml").write_text("<a><b>")
    ran = graith_run("tune", "check", tmp_path, "--json")
    answer = json.loads(ran.out)
    assert ran.status == 2
    assert (answer["tunes"], answer["errors"], len(answer["unreadable"])) == (1, 1, 2)
    assert "a.abc" in ran.err
    assert "c.xml" in ran.err


@pytest.mark.usefixtures("book")
def test_a_book_leaves_out_what_cannot_be_read_and_says_so(graith_run: Run, tmp_path: Path) -> None:
    (tmp_path / "bad.abc").write_bytes(b"\0\0")
    ran = graith_run("book", "sheet", tmp_path, "-o", tmp_path / "book.pdf")
    assert ran.status == 1
    assert "bad.abc" in ran.err
    assert "(1 tune)" in ran.out
    assert (tmp_path / "book.pdf").exists()


def test_a_file_without_a_tune_is_an_error(graith_run: Run, tmp_path: Path) -> None:
    (tmp_path / "empty.abc").write_text("")
    ran = graith_run("tune", "check", tmp_path / "empty.abc")
    assert ran.status == 1
    assert "there is no tune in it" in ran.out


def test_a_folder_of_two_books_tells_them_apart_by_their_folders(graith_run: Run, tmp_path: Path) -> None:
    for name in ("old", "new"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "reels.abc").write_text(tune(music="{g}A5 |]\n"))
    out = graith_run("tune", "check", tmp_path).out
    assert "new/reels.abc:7:" in out
    assert "old/reels.abc:7:" in out


@pytest.mark.usefixtures("book")
def test_hidden_files_are_passed_over(graith_run: Run, tmp_path: Path) -> None:
    (tmp_path / "._book.abc").write_bytes(b"\0\5")
    assert graith_run("tune", "check", tmp_path).status == 0


@pytest.mark.parametrize(
    "title", ["[red]Jig[/red] [/]", ":heart: of oak", "[link=x]", "#set $x *b* _i_ @r <l> `c`", "<b>x</b> \"'"]
)
def test_a_name_is_shown_as_it_is_even_when_it_looks_like_markup(
    graith_run: Run, book: Path, one_set: Path, title: str
) -> None:
    book.write_text(tune(title=title))
    one_set.write_text(one_set.read_text().replace('"Set"', f"'''{title}'''"))
    assert title in graith_run("tune", "show", book).out
    timed = graith_run("set", "time", one_set)
    assert timed.status == 0
    assert timed.out.count(title) == 2
    assert graith_run("set", "sheet", one_set, "-o", one_set.with_suffix(".pdf")).status == 0


def test_no_text_of_a_file_can_steer_the_terminal(graith_run: Run, book: Path) -> None:
    book.write_text(tune(title="Evil \x1b]0;owned\x07 \x9b31m", music="{g}A3 \x1b[2J |]\n"))
    for command in ("check", "show", "fit"):
        ran = graith_run("tune", command, book)
        assert not set("\x1b\x07\x9b") & set(ran.out + ran.err)


def test_a_title_from_an_old_windows_file_keeps_its_quotes(graith_run: Run, book: Path) -> None:
    book.write_bytes(tune(title="O\u2019Brien\u2019s").encode("cp1252"))
    assert "O\u2019Brien\u2019s" in graith_run("tune", "show", book).out


def test_a_tune_that_cannot_be_played_does_not_stop_the_others_from_being_shown(graith_run: Run, book: Path) -> None:
    wrong = [tune(2, "Order", "P:A999999999\n"), tune(3, "Low", music="{g}F,4 |]\n"), tune(4, "Fast", "Q:1/4=5000\n")]
    book.write_text("\n".join([tune(), *wrong, tune(5, "Last")]))
    ran = graith_run("tune", "show", book, "--json")
    shown = {one["title"]: one for one in json.loads(ran.out)}
    assert ran.status == 1
    assert shown["Last"]["bars_played"] == 2
    assert all(shown[title]["cannot_play"] for title in ("Order", "Low", "Fast"))
    assert "cannot be told" in graith_run("tune", "show", book, "--index", 4).out


def test_a_pick_up_is_no_bar_and_an_ending_none_more(graith_run: Run, book: Path) -> None:
    book.write_text(tune(music="|: {g}A | B4 | {g}A4 | B4 |1 {g}A3 :|2 {g}A4 |]\n"))
    out = graith_run("tune", "show", book).out
    assert "8 bars played" in out
    assert "1 of 4 bars" in out


def test_what_is_lost_of_a_tune_is_told_when_its_set_is_timed(graith_run: Run, book: Path, one_set: Path) -> None:
    book.write_text(tune(music="{g}A4 | {g}B4 & {g}c4 | {g}B4 |]\n"))
    for command in (("set", "time", one_set, "--json"), ("set", "sound", one_set, "-o", one_set.with_suffix(".mid"))):
        ran = graith_run(*command)
        assert ran.status == 1
        assert "book.abc:7:" in ran.err
    assert json.loads(graith_run("set", "time", one_set, "--json").out)["playing_s"] > 0


def test_a_length_that_no_clock_can_count_names_its_bar(graith_run: Run, book: Path, one_set: Path) -> None:
    book.write_text(tune(music="{g}A4 | {g}B99999999999999 | {g}B4 |]\n"))
    ran = graith_run("set", "time", one_set)
    assert ran.status == 1
    assert "book.abc:7:" in ran.err
    assert "part 1, bar 2" in ran.err


@pytest.mark.parametrize("out", ["page.pdf", "page.svg", "tune.mid", "tune.abc", "tune.musicxml"])
def test_a_tune_with_an_error_is_still_written_and_the_error_told(
    graith_run: Run, book: Path, tmp_path: Path, out: str
) -> None:
    book.write_text(tune(music="{g}A4 | {g}B5 |]\n"))
    command = "sheet" if out.startswith("page") else "convert"
    ran = graith_run("tune", command, book, "-o", tmp_path / out)
    assert ran.status == 1
    assert "one quaver too long" in ran.err
    assert (tmp_path / out).exists()


def test_a_warning_alone_leaves_the_status_fine(graith_run: Run, book: Path, tmp_path: Path) -> None:
    book.write_text(tune(music="{gfe}A4 | {g}B4 |]\n"))
    ran = graith_run("tune", "convert", book, "-o", tmp_path / "tune.mid")
    assert (ran.status, ran.err) == (0, "")


def test_every_problem_of_a_set_file_is_told(graith_run: Run, one_set: Path) -> None:
    one_set.write_text('nme = "x"\n[[tunes]]\nfile = "book.abc"\nindex = "1"\ntempo_bpm = -3\n')
    ran = graith_run("set", "time", one_set)
    assert ran.status == 2
    assert all(word in ran.err for word in ("nme", "index", "tempo_bpm"))
    assert "more problem" not in ran.err


def test_a_set_that_names_no_grade_is_told_the_options(graith_run: Run, one_set: Path) -> None:
    ran = graith_run("set", "check", one_set)
    assert ran.status == 2
    assert "--grade and --event" in ran.err


def test_a_file_that_lies_beside_a_rulebook_does_not_disturb_it(graith_run: Run, one_set: Path) -> None:
    (one_set.parent / "photo.toml").write_bytes(b"\0\1")
    ours = one_set.parent / "ours.toml"
    ours.write_text('name = "Ours"\nextends = "common-practice"\n')
    options = ("--rulebook", ours, "--grade", "lowest grade", "--event", "quick march medley", "--json")
    assert json.loads(graith_run("set", "check", one_set, *options).out)["rulebook"] == "Ours"


@pytest.mark.parametrize(
    "text",
    [
        '"Good" = nan',
        '"Good" = 1.5',
        '"Good" = true',
        "Good.by = 1",
        f'"Good" = 0x{"f" * 5000}',
        f'"Good" = {"9" * 5000}',
        f"a = {'[' * 3000}",
        "Good ready",
    ],
)
def test_a_readiness_file_that_cannot_be_meant_is_one_sentence(graith_run: Run, book: Path, text: str) -> None:
    ready = book.with_name("ready.toml")
    ready.write_text(text)
    options = ("--grade", "lowest grade", "--event", "quick march medley", "--readiness", ready)
    ran = graith_run("set", "build", book, *options)
    assert ran.status == 2
    assert ran.err.startswith("ready.toml")
    assert len(ran.err) < 400


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--tempo", "nan"), "from 20 to 300"),
        (("--tempo", 0), "from 20 to 300"),
        (("--tempo-factor", "inf"), "0.1 to 4"),
        (("--end-factor", 1), "--times"),
        (("--times", 0), "1 to 1000"),
        (("--times", 10**12), "1 to 1000"),
        (("--times", 1000, "--tempo", 20, "--parts", ",".join(["1"] * 90)), "That would last"),
        (("--bars", ""), "1.2.1-1.2.4"),
        (("--bars", "1.1.1-1.9.9"), "no tune 1, part 9"),
        (("--count-in", -1), "0 to 64"),
        (("--players", 0), "1 to 200"),
        (("--low-a", "nan"), "200 to 800 Hz"),
        (("--scale", "tempered"), "harmonic"),
        (("--grace-ms", 0), "from 1 to 1000"),
        (("--seed", -1), "a whole number from 0"),
        (("--no-chanter", "--no-drones", "--no-drum"), "nothing sounds"),
        (("--parts", "1,x"), "1,2,1"),
    ],
)
def test_practice_that_cannot_be_is_wrong_usage(
    graith_run: Run, book: Path, tmp_path: Path, options: tuple[object, ...], sentence: str
) -> None:
    ran = graith_run("tune", "sound", book, "-o", tmp_path / "tune.wav", *options)
    assert ran.status == 2
    assert sentence in ran.err
    assert not (tmp_path / "tune.wav").exists()


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--bars-a-line", 0), "1 to 16"),
        (("--staff-mm", "nan"), "2.5 to 12 mm"),
        (("--paper", "a3"), "pocket"),
    ],
)
def test_a_page_that_cannot_be_is_wrong_usage(
    graith_run: Run, book: Path, tmp_path: Path, options: tuple[object, ...], sentence: str
) -> None:
    ran = graith_run("tune", "sheet", book, "-o", tmp_path / "tune.pdf", *options)
    assert ran.status == 2
    assert sentence in ran.err


def test_the_name_of_a_paper_may_have_capitals(graith_run: Run, book: Path, tmp_path: Path) -> None:
    assert graith_run("tune", "sheet", book, "-o", tmp_path / "tune.pdf", "--paper", "A4").status == 0


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--roster", "1,2"), "8,3,2,1"),
        (("--roster", "9" * 5000 + ",1,1,1"), "8,3,2,1"),
        (("--roster", "²,1,1,1"), "8,3,2,1"),
        (("--spread", "nan"), "seconds from 0"),
        (("--rulebook", "n" * 300), "no rulebook of that name"),
    ],
)
def test_a_check_that_cannot_be_is_wrong_usage(
    graith_run: Run, one_set: Path, options: tuple[object, ...], sentence: str
) -> None:
    ran = graith_run("set", "check", one_set, *options)
    assert ran.status == 2
    assert sentence in ran.err
    assert len(ran.err) < 600


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (("--target", "4:75"), "4:30"),
        (("--target", "inf"), "4:30"),
        (("--tunes", 0, 3), "from 1 to 99"),
        (("--tunes", 5, 2), "5 to 2"),
        (("--level", "nan"), "from 0 to 10"),
        (("--best", 0), "from 1 to 100"),
        (("--time-limit", "nan"), "seconds"),
        (("--time-limit", -1), "seconds"),
        (("--open-with", ""), "no usable tune"),
    ],
)
def test_a_question_that_cannot_be_is_wrong_usage(
    graith_run: Run, book: Path, options: tuple[object, ...], sentence: str
) -> None:
    ran = graith_run("set", "build", book, "--grade", "lowest grade", "--event", "quick march medley", *options)
    assert ran.status == 2
    assert sentence in ran.err


def test_a_book_of_which_nothing_can_be_used_says_why(graith_run: Run, book: Path) -> None:
    book.write_text(tune(music="{g}A5 |]\n"))
    ran = graith_run("set", "build", book, "--grade", "lowest grade", "--event", "quick march medley", "--json")
    assert (ran.status, ran.out) == (2, "")
    assert "Left out: Good" in ran.err
    assert "No tune of these books can be used" in ran.err
