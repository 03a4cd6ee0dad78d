"""``graith listen folder``: an archive in, a result for each recording and a table of all out."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from archive_by_hand import NAMES, TABLE, write_archive
from conftest_types import Run


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four recordings, of which a table lists two."""
    folder = write_archive(tmp_path_factory.mktemp("season"))
    (folder / "recordings.toml").write_text(TABLE)
    return folder


@pytest.fixture
def texts(tmp_path: Path, archive: Path) -> Path:
    """A folder of six files that are called recordings and hold no sound, so that listening to them takes no time."""
    folder = tmp_path / "texts"
    folder.mkdir()
    for letter in "abcdef":
        (folder / f"{letter}.wav").write_text(f"no sound {letter}")
    (folder / "two-parts.toml").write_text((archive / "two-parts.toml").read_text())
    return folder


def test_the_table_tells_what_was_played_and_a_second_run_has_nothing_to_do(
    graith_run: Run, archive: Path, tmp_path: Path
) -> None:
    out = tmp_path / "heard"
    ran = graith_run("listen", "folder", archive, "--out", out, "--workers", 1)
    assert ran.status == 0
    assert "Listened to 2 recordings. 2 of 2 can be trusted." in ran.out
    assert "2 more recordings, which therefore were left out: a note.wav, third.flac." in ran.err
    told = json.loads((out / "results" / "2031" / "second.flac.json").read_bytes())
    assert (told["music"], told["trusted"], told["settings"]["low_a_hz"]) == ("Two parts", True, 478)
    assert json.loads((out / "results" / "first.flac.json").read_bytes())["settings"]["n_players"] == 1
    assert len((out / "summary.tsv").read_text("utf-8").splitlines()) == 3
    before = {path: path.stat().st_mtime_ns for path in (out / "results").rglob("*.json")}
    again = graith_run("listen", "folder", archive, "--out", out)
    assert "Listened to 0 recordings; 2 stood there from an earlier run." in again.out
    assert before == {path: path.stat().st_mtime_ns for path in (out / "results").rglob("*.json")}


def test_a_book_is_asked_where_nobody_told_and_a_bad_recording_is_one_sentence(
    graith_run: Run, archive: Path, texts: Path, tmp_path: Path, tunes: Path
) -> None:
    (texts / "third.flac").write_bytes((archive / "third.flac").read_bytes())
    out = tmp_path / "heard"
    ran = graith_run("listen", "folder", texts, "--out", out, "--workers", 1, "--book", tunes / "airs.abc")
    assert ran.status == 1
    assert len(ran.err.splitlines()) == 7
    assert "c.wav: this is not a sound file" in ran.err
    assert "airs" not in json.loads((out / "results" / "third.flac.json").read_bytes())["reason"]
    rows = json.loads((out / "summary.json").read_bytes())["recordings"]
    assert [row["recording"] for row in rows] == [*(f"{letter}.wav" for letter in "abcdef"), "third.flac"]


def test_a_stop_leaves_whole_files_and_the_next_run_does_the_rest(archive: Path, tmp_path: Path) -> None:
    out = tmp_path / "heard"
    arguments = ["folder", str(archive), "-o", str(out), "--workers", "1", "--set", str(archive / "two-parts.toml")]
    command = [sys.executable, "-m", "graith", "listen", *arguments]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 120
    while not list(out.rglob("*.json")) and time.monotonic() < deadline:
        assert process.poll() is None, "it ended before it wrote anything"
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Stopped" in said
    assert "Traceback" not in said
    whole = sorted(path.relative_to(out / "results").as_posix() for path in out.rglob("*") if path.is_file())
    assert 1 <= len(whole) < len(NAMES)
    assert all(json.loads((out / "results" / name).read_bytes())["recording"] == name[:-5] for name in whole)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "nobody told what was played in its 6 recordings"),
        (("--set", "a.toml", "--book", "b"), "Give one of --set, --tune and --book"),
        (("--set", "a.toml", "--index", "1"), "go with --tune"),
        (("--set", "not-there.toml"), "no such file"),
        (("--scale", "piano"), "no scale called 'piano'"),
        (("--workers", "0"), "from 1 to 256"),
        (("--shared",), "go with --cluster"),
        (("--tls-ca", "ca.pem"), "go with --cluster"),
        (("--cluster", "tcp://host:8786", "--workers", "2"), "without --cluster"),
        (("--cluster", "http://host:8786"), "not a scheduler's address"),
        (("--cluster", "tls://host:8786"), "needs --tls-ca, --tls-cert and --tls-key"),
        (("--cluster", "host:8786", "--tls-key", "key.pem"), "needs --tls-ca, --tls-cert and --tls-key"),
    ],
)
def test_wrong_usage_is_told_before_anything_is_listened_to(
    graith_run: Run, texts: Path, tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    ran = graith_run("listen", "folder", texts, "--out", tmp_path / "heard", *arguments)
    assert ran.status == 2
    assert says in ran.err
    assert not (tmp_path / "heard").exists()


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("[[recording]]\nfile = 'a.wav'\nsett = 'x.toml'", 'recordings.toml:3: recording 1 has no key "sett"'),
        ("[[recording]]\nfile = 'a.wav'\nset = 'x.toml'\ntune = 'b.abc'", "recording 1 has a set and a tune"),
        ("[[recording]]\nfile = 'a.wav'\nset = 'none.toml'", "What was played in a.wav cannot be read: "),
        ("[[recording]]\nfile = 'a.wav'\nindex = 2", 'recording 1 has "index" but no tune'),
        ("[[recording]]\nfile = '../a.wav'", "outside its folder"),
        ("[[recording]]\nset = 'two-parts.toml'", 'recording 1 has no "file"'),
        ("[[recording]]\nfile = 'a.wav'\n[[recording]]\nfile = './a.wav'", '"a.wav" stands there twice'),
        ("[[recording]]\nfile = 'a.wav'\npitch_hz = 4.8", "outside 400 to 560 Hz"),
        ("[[recording]\n", "recordings.toml:1"),
    ],
)
def test_what_is_wrong_in_the_table_is_one_sentence_with_its_line(
    graith_run: Run, texts: Path, tmp_path: Path, table: str, says: str
) -> None:
    (texts / "recordings.toml").write_text(table)
    ran = graith_run("listen", "folder", texts, "--out", tmp_path / "heard", "--set", texts / "two-parts.toml")
    assert ran.status == 2
    assert says in ran.err
    assert len(ran.err.splitlines()) == 1


def test_a_folder_that_is_not_there_or_empty_is_wrong_usage(graith_run: Run, tmp_path: Path) -> None:
    assert "no such folder" in graith_run("listen", "folder", tmp_path / "none", "-o", tmp_path / "out").err
    ran = graith_run("listen", "folder", tmp_path, "-o", tmp_path / "out")
    assert ran.status == 2
    assert "there is no recording in it" in ran.err


def test_a_listed_recording_that_is_missing_is_told_and_the_others_are_listened_to(
    graith_run: Run, texts: Path, tmp_path: Path
) -> None:
    (texts / "recordings.toml").write_text('[[recording]]\nfile = "gone.wav"\nset = "two-parts.toml"\n')
    ran = graith_run("listen", "folder", texts, "-o", tmp_path / "heard", "--workers", 1)
    assert ran.status == 1
    assert "gone.wav: there is no such file." in ran.err


def test_help_warns_of_a_cluster_without_tls(graith_run: Run) -> None:
    assert "unless TLS is on" in " ".join(graith_run("listen", "folder", "--help").out.split())
