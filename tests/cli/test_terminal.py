"""How answers look: in a terminal, in a pipe, on a full disk, and when nobody reads to the end."""

import json
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest

from conftest_types import Run
from graith.cli import show
from graith.errors import Place, Problem

GRAITH = [sys.executable, "-m", "graith"]


def test_json_has_no_infinity_and_no_nan(capsys: pytest.CaptureFixture[str]) -> None:
    show.print_json({"bound": float("inf"), "gap": float("nan"), "beats": Fraction(1, 3), "list": (1.5, -float("inf"))})
    answer = json.loads(capsys.readouterr().out, parse_constant=lambda word: pytest.fail(word))
    assert answer == {"bound": None, "gap": None, "beats": "1/3", "list": [1.5, None]}


def test_a_problem_is_one_line_where_it_may_be_searched(capsys: pytest.CaptureFixture[str]) -> None:
    show.print_problems([Problem(Place("book.abc", 7), "bar length", "too long " * 60, "Shorten a note.")])
    assert capsys.readouterr().out.count("\n") == 1


def test_the_text_of_a_problem_is_cut_where_it_is_told_and_kept_whole() -> None:
    problem = Problem(Place("book.abc", 7), "bar length", "too long", text="A" * 5000)
    assert len(str(problem)) < 200
    assert len(show.problem_json(problem)["text"]) == 5000


def test_in_a_terminal_lines_are_broken_between_words_and_only_the_mark_is_coloured(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(show, "is_terminal", lambda _stream: True)
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.delenv("NO_COLOR", raising=False)
    show.print_problems([Problem(Place("book.abc", 7), "bar length", "the bar is too long " * 5)])
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 2
    assert "\x1b[" in lines[0]
    assert all("\x1b[" not in line for line in lines[1:])


def test_the_answer_says_which_marks_are_errors_and_which_warnings(graith_run: Run, tunes: Path) -> None:
    out = graith_run("tune", "check", tunes.parent / "faulty").out
    assert "errors (✗)" in out
    assert "warnings (•)" in out


def test_a_set_that_cannot_be_told_names_the_option_that_is_missing(graith_run: Run, sets: Path) -> None:
    assert "Say who plays with --roster" in graith_run("set", "check", sets / "medley.toml").out


def test_notes_of_a_set_are_told_with_its_clock(graith_run: Run, sets: Path) -> None:
    assert "Notes: The hornpipe opens" in graith_run("set", "time", sets / "medley.toml").out


def test_a_reader_who_goes_away_is_no_error(tunes: Path) -> None:
    command = [*GRAITH, "tune", "show", str(tunes / "marches.abc"), "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        said = process.stderr.read()
        assert process.wait(timeout=60) == 0
    assert said == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full disk to write to")
@pytest.mark.parametrize("more", [(), ("--json",)])
def test_an_answer_onto_a_full_disk_is_one_sentence(sets: Path, more: tuple[str, ...]) -> None:
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(
            [*GRAITH, "set", "check", str(sets / "medley.toml"), *more],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert ran.returncode == 2
    assert ran.stderr.count("\n") == 1
    assert "cannot be given" in ran.stderr


def test_a_terminal_that_lacks_a_sign_still_gets_the_answer(sets: Path) -> None:
    import os

    ran = subprocess.run(
        [*GRAITH, "set", "check", str(sets / "medley.toml")],
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0
    assert "current book" in ran.stdout
