"""``graith listen``: a rendered recording in, findings out; every bad recording is one sentence and status 1."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile
from pypdf import PdfReader

from conftest_types import Run
from graith.cli.gather_music import timelines_of_book
from graith.files.audio import write_audio
from graith.listen.listening_schema import listening_schema
from graith.sound.master import mastered_blocks
from graith.sound.model import Band, band_of
from graith.sound.perform import performance
from graith.sound.scale import HARMONIC
from graith.timeline.make_timeline import timeline_of
from heard_by_hand import one_tune

LOW_G_CENTS = 14.0
RATE_HZ = 44_100


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two parts of a march played by three pipers whose low G is 14 cents sharp, with a second's silence around."""
    path = tmp_path_factory.mktemp("recordings") / "night.wav"
    scale = HARMONIC.with_offsets([LOW_G_CENTS, *[0.0] * 8])
    players = replace(band_of(3, 3), onset_spread_ms=8.0, pitch_spread_cents=0.5)
    played = performance(
        timeline_of(one_tune(parts=(1, 2))), Band(players=players, scale=scale, low_a_hz=478.0, room=None)
    )
    silence = np.zeros(RATE_HZ, dtype=np.float32)
    write_audio(path, [silence, *mastered_blocks(played), silence], RATE_HZ)
    return path


@pytest.fixture
def march(tunes: Path) -> tuple[object, ...]:
    """The options that name the tune which was played."""
    return ("--tune", tunes / "marches.abc", "--index", 1, "--parts", "1,2")


def wave(path: Path, samples: np.ndarray[Any, Any], rate_hz: int = RATE_HZ, **how: Any) -> Path:
    soundfile.write(path, samples, rate_hz, **how)
    return path


def test_a_recording_is_told_in_words_as_json_and_as_pages(
    graith_run: Run, recording: Path, march: tuple[object, ...], tmp_path: Path
) -> None:
    answer, pages = tmp_path / "night.json", tmp_path / "night.pdf"
    ran = graith_run("listen", recording, *march, "--players", 3, "--json", answer, "--pages", pages)
    assert (ran.status, ran.err) == (0, "")
    assert "low G is 1" in ran.out
    told = json.loads(answer.read_text("utf-8"), parse_constant=lambda word: pytest.fail(word))
    jsonschema.validate(told, listening_schema())
    assert told["low_a_hz"] == pytest.approx(478.0, abs=0.5)
    assert told["scale_cents"]["low G"] == pytest.approx(LOW_G_CENTS, abs=2.0)
    text = "".join(page.extract_text() for page in PdfReader(pages).pages)
    assert "What is worth your time" in text


def test_json_on_standard_output_is_all_that_stands_there(
    graith_run: Run, recording: Path, march: tuple[object, ...]
) -> None:
    ran = graith_run("listen", recording, *march, "--json", "-")
    assert ran.status == 0
    assert json.loads(ran.out)["trusted"] is True


def test_one_players_dotted_pairs_are_held_against_the_bands(graith_run: Run, tunes: Path, tmp_path: Path) -> None:
    strathspey = ("--tune", tunes / "strathspeys.abc", "--index", 1, "--parts", "1")
    played = performance(timeline_of(one_tune("strathspeys", 1, parts=(1,))), Band(room=None, drums=None))
    night, band, one = (tmp_path / name for name in ("night.wav", "band.json", "one.json"))
    write_audio(night, mastered_blocks(played), RATE_HZ)
    assert graith_run("listen", night, *strathspey, "--players", 3, "--json", band).status == 0
    assert graith_run("listen", night, *strathspey, "--players", 1, "--against", band, "--json", one).status == 0
    usual = {(row["written"], row["long_first"]): row["ratio"] for row in pairs_of(band) if row["bar"] == -1}
    assert usual
    for row in pairs_of(one):
        assert row["model"] == pytest.approx(usual.get((row["written"], row["long_first"]), row["written"]))


def pairs_of(path: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads(path.read_text("utf-8"))["pointing"]
    return rows


@pytest.mark.parametrize(
    ("text", "says"), [("no JSON", "it is no JSON"), ("[1]", "no dotted pairs"), ('{"pointing": [{}]}', "no result")]
)
def test_what_is_no_earlier_result_cannot_be_held_against(
    graith_run: Run, recording: Path, march: tuple[object, ...], tmp_path: Path, text: str, says: str
) -> None:
    wrong = tmp_path / "wrong.json"
    wrong.write_text(text)
    ran = graith_run("listen", recording, *march, "--against", wrong)
    assert ran.status == 2
    assert says in ran.err
    assert len(ran.err.splitlines()) == 1


def test_another_tune_is_refused_with_the_reason(graith_run: Run, recording: Path, tunes: Path, tmp_path: Path) -> None:
    out = tmp_path / "other.json"
    ran = graith_run("listen", recording, "--tune", tunes / "airs.abc", "--index", 1, "--json", out)
    assert ran.status == 1
    assert len(ran.err.splitlines()) == 1
    told = json.loads(out.read_text("utf-8"))
    assert (told["trusted"], told["findings"]) == (False, [])
    assert told["reason"] in ran.err


def damaged(kind: str, folder: Path) -> Path:
    """Return a recording that no one can measure."""
    path = folder / f"{kind}.wav"
    rng = np.random.default_rng(5)
    long = 40 * RATE_HZ
    times_s = np.arange(long) / RATE_HZ
    if kind == "not-there":
        return path
    if kind == "empty":
        path.write_bytes(b"")
    elif kind == "text":
        path.write_text("This is no sound.\n" * 100)
    elif kind == "header-only":
        wave(path, np.zeros(0, dtype=np.float32))
    elif kind == "silence":
        wave(path, np.zeros(long, dtype=np.float32))
    elif kind == "noise":
        wave(path, 0.1 * rng.standard_normal(long))
    elif kind == "hum":
        wave(path, 0.3 * np.sin(2 * np.pi * 50 * times_s))
    elif kind == "babble":  # vowels whose pitch glides and stops, as speech does
        pitch = 140 + 40 * np.sin(2 * np.pi * 0.6 * times_s) + 20 * np.sin(2 * np.pi * 2.3 * times_s)
        phase = 2 * np.pi * np.cumsum(pitch) / RATE_HZ
        voice = sum(np.sin(k * phase) / k for k in range(1, 20))
        wave(path, 0.1 * voice * (np.sin(2 * np.pi * 1.7 * times_s) > -0.3))
    elif kind == "not-a-number":
        wave(path, np.full(long, np.nan, dtype=np.float32), subtype="FLOAT")
    elif kind == "telephone":
        wave(path, 0.1 * rng.standard_normal(40 * 8000), 8000)
    return path


@pytest.mark.parametrize(
    "kind",
    ["not-there", "empty", "text", "header-only", "silence", "noise", "hum", "babble", "not-a-number", "telephone"],
)
def test_what_is_no_recording_of_pipes_is_one_sentence_and_status_1(
    graith_run: Run, kind: str, march: tuple[object, ...], tmp_path: Path
) -> None:
    ran = graith_run("listen", damaged(kind, tmp_path), *march)
    assert ran.status == 1
    assert len(ran.err.splitlines()) == 1
    assert ran.err.rstrip().endswith(".")


def test_a_clip_of_ten_seconds_is_refused(
    graith_run: Run, recording: Path, march: tuple[object, ...], tmp_path: Path
) -> None:
    samples, rate_hz = soundfile.read(recording, stop=10 * RATE_HZ)
    ran = graith_run("listen", wave(tmp_path / "clip.wav", samples, rate_hz), *march)
    assert ran.status == 1
    assert "too short" in ran.err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "--set SET.toml or --tune"),
        (("--set", "a.toml", "--tune", "b.abc"), "--set SET.toml or --tune"),
        (("--set", "a.toml", "--index", "1"), "go with --tune"),
        (("--tune", "b.abc", "--scale", "piano"), "no scale called 'piano'"),
        (("--tune", "b.abc", "--pitch", "20"), "from 400 to 560"),
        (("--tune", "b.abc", "--players", "0"), "from 1 to 99"),
        (("--tune", "b.abc", "--pages", "out.png"), "Write .pdf"),
        (("--tune", "not-there.abc"), "no such file"),
        (("--tune", "b.abc", "again.wav"), "again.wav"),
    ],
)
def test_wrong_usage_is_told_before_the_sound_is_read(
    graith_run: Run, tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    ran = graith_run("listen", tmp_path / "not-there.wav", *arguments)
    assert ran.status == 2
    assert says in ran.err


def test_what_is_written_may_not_be_what_is_read(graith_run: Run, recording: Path, march: tuple[object, ...]) -> None:
    ran = graith_run("listen", recording, *march, "--json", recording)
    assert ran.status == 2
    assert "is the file that is read" in ran.err


def test_help_shows_the_command_itself_and_what_is_under_it(graith_run: Run) -> None:
    out = graith_run("listen", "--help").out
    assert "graith listen [OPTIONS] RECORDING" in out
    assert "--set" in out
    assert "which" in out


def test_the_book_tells_which_tune_was_played(graith_run: Run, recording: Path, tunes: Path, tmp_path: Path) -> None:
    out = tmp_path / "which.json"
    ran = graith_run("listen", "which", recording, "--book", tunes / "marches.abc", "--json", out)
    assert ran.status == 0
    told = json.loads(out.read_text("utf-8"))
    assert told["best"] == told["candidates"][0]["name"] == "The Auchterwhin Games (marches.abc, 1)"


def test_a_book_without_the_tune_is_told_to_hold_none(graith_run: Run, recording: Path, tunes: Path) -> None:
    ran = graith_run("listen", "which", recording, "--book", tunes / "airs.abc")
    assert ran.status == 1
    assert len(ran.err.splitlines()) == 1


def test_a_book_that_is_not_there_is_wrong_usage(graith_run: Run, recording: Path, tmp_path: Path) -> None:
    assert graith_run("listen", "which", recording, "--book", tmp_path / "none").status == 2


def test_a_folder_gives_its_sets_and_its_tunes(tunes: Path) -> None:
    timelines, unlaid = timelines_of_book(tunes.parent)
    assert "Auchterwhin medley, set (medley.toml)" in timelines
    assert "Bobby Shafto (marches.abc, 4)" in timelines
    assert any("Below the Chanter" in str(error) for error in unlaid)


def test_without_words_help_is_shown(graith_run: Run) -> None:
    assert "graith listen [OPTIONS] RECORDING" in graith_run("listen").err


def test_a_recording_that_is_called_as_a_command_can_be_given(
    graith_run: Run, march: tuple[object, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "which").write_text("no sound")
    ran = graith_run("listen", "./which", *march)
    assert ran.status == 1
    assert ran.err.startswith("which: ")
