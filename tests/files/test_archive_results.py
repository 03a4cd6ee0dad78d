"""An archive listened to by several processes: the bytes of a plain run, and nothing is lost with a process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

import archive_work
from archive_by_hand import NAMES, all_asked, two_parts, write_archive
from archive_work import cluster_here, one_by_one
from graith.errors import FileError
from graith.files._archive_cluster import done_on_cluster
from graith.files._archive_workers import Done, done_here
from graith.files.archive_results import (
    Task,
    archive_results,
    made_with,
    measured,
    recordings_below,
    result_bytes,
    result_path,
    sha256_of,
    write_summary,
)
from graith.services.listen_to_archive import SUMMARY_COLUMNS, HowToHear


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_archive(tmp_path_factory.mktemp("season"))


@pytest.fixture(scope="module")
def serial(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The results of a plain run in one process with one thread, one recording after the other."""
    out = tmp_path_factory.mktemp("serial")
    one_thread = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": os.pathsep.join(sys.path)}
    command = "import sys, archive_work; archive_work.run_one_by_one(*sys.argv[1:])"
    subprocess.run([sys.executable, "-c", command, archive, out], check=True, env={**os.environ, **one_thread})
    return out


def files_of(out: Path) -> dict[str, bytes]:
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in out.rglob("*") if path.is_file()}


def test_two_processes_of_which_one_is_killed_give_the_bytes_of_a_plain_run(
    archive: Path, serial: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GRAITH_TEST_FOLDER", str(tmp_path))
    out = tmp_path / "out"
    run = partial(done_here, n_workers=2)
    results = list(archive_results(all_asked(), archive, out, run, work=archive_work.measured_after_a_loss))
    assert (tmp_path / "lost").exists()
    assert sorted(one.recording for one in results) == sorted(NAMES)
    assert files_of(out) == files_of(serial)


def test_a_cluster_of_two_workers_of_which_one_is_killed_gives_the_bytes_of_a_plain_run(
    archive: Path, serial: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GRAITH_TEST_FOLDER", str(tmp_path))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(sys.path))
    out = tmp_path / "out"
    with cluster_here(n_workers=2) as cluster:
        run = partial(done_on_cluster, cluster=cluster)
        again = archive_work.measured_after_a_loss
        results = list(archive_results(all_asked(), archive, out, run, send=True, work=again))
    assert (tmp_path / "lost").exists()
    assert sorted(one.recording for one in results) == sorted(NAMES)
    assert files_of(out) == files_of(serial)


def test_each_recording_gets_a_file_and_a_bad_one_its_one_sentence(serial: Path) -> None:
    told = {name: json.loads(result_path(serial, name).read_bytes()) for name in NAMES}
    bad = told.pop("a note.wav")
    assert (bad["trusted"], bad["listening"]) == (False, None)
    assert bad["reason"].startswith("a note.wav: this is not a sound file")
    assert all(one["trusted"] and one["music"] == two_parts().name for one in told.values())
    assert told["2031/second.flac"]["listening"]["low_a_hz"] == pytest.approx(478.0, abs=2.0)


def test_what_holds_from_an_earlier_run_is_kept_and_the_rest_is_done(archive: Path, tmp_path: Path) -> None:
    asked = [replace(all_asked()[1], recording=f"{letter}.wav") for letter in "abc"]
    for one in asked:
        (tmp_path / one.recording).write_bytes((archive / "a note.wav").read_bytes())
    first = archive_results(asked, tmp_path, tmp_path / "out", one_by_one)
    assert next(first).is_new
    first.close()
    again = archive_results(asked, tmp_path, tmp_path / "out", one_by_one)
    assert sorted((one.recording, one.is_new) for one in again) == [("a.wav", False), ("b.wav", True), ("c.wav", True)]


def test_a_result_no_longer_holds_when_what_it_depends_on_has_changed(archive: Path, tmp_path: Path) -> None:
    def n_new(**how: object) -> int:
        asked = replace(all_asked(HowToHear(**how))[1], recording="copy.wav")  # type: ignore[arg-type]
        return sum(one.is_new for one in archive_results([asked], tmp_path, tmp_path / "out", one_by_one))

    copy = tmp_path / "copy.wav"
    copy.write_bytes((archive / "a note.wav").read_bytes())
    assert [n_new(), n_new(), n_new(low_a_hz=480.0), n_new(low_a_hz=480.0), n_new(n_players=2)] == [1, 0, 1, 0, 1]
    copy.write_bytes(b"other bytes")
    assert (n_new(n_players=2), n_new(n_players=2)) == (1, 0)


def test_a_recording_that_is_not_there_is_told_and_tried_again(tmp_path: Path) -> None:
    asked = [replace(all_asked()[0], recording="gone.wav")]
    for _ in range(2):
        (result,) = archive_results(asked, tmp_path, tmp_path / "out", one_by_one)
        assert result.is_new
        assert result.reason == "gone.wav: there is no such file. Check the name and the folder."


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b"\xff\xfe", b'{"key": null}'])
def test_a_damaged_result_is_made_again(archive: Path, serial: Path, tmp_path: Path, damage: bytes) -> None:
    path = result_path(tmp_path, "a note.wav")
    path.parent.mkdir(parents=True)
    path.write_bytes(damage)
    (result,) = archive_results(all_asked()[1:2], archive, tmp_path, one_by_one)
    assert result.is_new
    assert path.read_bytes() == result_path(serial, "a note.wav").read_bytes()


def test_sound_that_is_sent_gives_the_same_result_as_sound_that_is_read(archive: Path, tmp_path: Path) -> None:
    asked = all_asked()[1]
    path = archive / asked.recording
    read = Task(asked, str(path), None, sha256_of(path), made_with())
    sent = replace(read, path=str(tmp_path / "nowhere" / "a note.wav"), sound=path.read_bytes())
    assert result_bytes(measured(read)) == result_bytes(measured(sent))


def test_a_worker_that_sees_another_file_says_so_and_is_not_believed(archive: Path) -> None:
    asked = all_asked()[1]
    told = measured(Task(asked, str(archive / asked.recording), None, "0" * 64, made_with()))
    assert told["key"] is None
    assert "not the same file" in told["reason"]


def test_a_worker_of_another_version_is_refused(archive: Path) -> None:
    asked = all_asked()[1]
    task = Task(asked, str(archive / asked.recording), None, "0" * 64, (("numpy", "0.1"),))
    with pytest.raises(FileError, match=r"has numpy .*, not 0\.1: "):
        measured(task)


def test_a_worker_with_several_threads_is_refused(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "2")
    made_with.cache_clear()
    with pytest.raises(FileError, match="has threads several, not one"):
        list(
            archive_results(
                all_asked()[1:2], archive, tmp_path, lambda work, jobs: (Done(one, work(one)) for one in jobs)
            )
        )
    made_with.cache_clear()


def test_the_summary_has_a_row_for_each_result_in_order_of_name(serial: Path) -> None:
    table, plain = write_summary(serial)
    lines = [line.split("\t") for line in table.read_text("utf-8").splitlines()]
    table.unlink()
    rows = json.loads(plain.read_text("utf-8"))["recordings"]
    plain.unlink()
    assert tuple(lines[0]) == SUMMARY_COLUMNS
    assert [line[0] for line in lines[1:]] == sorted(NAMES) == [row["recording"] for row in rows]
    assert [line[1] for line in lines[1:]] == ["yes", "no", "yes", "yes"]
    assert all(len(line) == len(SUMMARY_COLUMNS) for line in lines)


def test_recordings_are_found_by_their_endings_and_hidden_ones_are_passed_over(archive: Path, tmp_path: Path) -> None:
    assert recordings_below(archive) == NAMES
    for name in ("._night.wav", "night.txt", ".trash/night.wav", "b/NIGHT.WAV"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    assert recordings_below(tmp_path) == ("b/NIGHT.WAV",)
    with pytest.raises(FileError, match="no such folder"):
        recordings_below(tmp_path / "none")
