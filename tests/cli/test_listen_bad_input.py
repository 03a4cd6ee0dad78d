"""``graith listen`` on what is no recording of the set: each time one sentence, exit status 1 and no traceback."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from conftest_types import Run
from graith.files.audio import write_audio
from graith.sound.model import Band
from graith.sound.perform import performance
from graith.sound.render import sound_blocks
from graith.timeline.make_timeline import timeline_of
from heard_by_hand import one_tune

RATE_HZ = 22_050


@pytest.fixture(scope="module")
def march() -> np.ndarray:
    """Two parts of a march on one set of pipes."""
    played = performance(timeline_of(one_tune(parts=(1, 2))), Band(room=None))
    sound = np.concatenate(list(sound_blocks(played, rate_hz=RATE_HZ)))
    return 0.5 * sound / np.abs(sound).max()


def empty(path: Path, _: np.ndarray) -> Path:
    path.write_bytes(b"")
    return path


def not_audio(path: Path, _: np.ndarray) -> Path:
    path.write_bytes(bytes(range(256)) * 400)
    return path


def truncated_m4a(path: Path, march: np.ndarray) -> Path:
    whole = path.with_suffix(".m4a")
    write_audio(whole, iter([march]), RATE_HZ)
    whole.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    return whole


def truncated_wav(path: Path, march: np.ndarray) -> Path:
    soundfile.write(path, march, RATE_HZ)
    path.write_bytes(path.read_bytes()[: 6 * 2 * RATE_HZ])
    return path


def silence(path: Path, _: np.ndarray) -> Path:
    soundfile.write(path, np.zeros(60 * RATE_HZ), RATE_HZ)
    return path


def noise(path: Path, _: np.ndarray) -> Path:
    soundfile.write(path, 0.1 * np.random.default_rng(5).standard_normal(60 * RATE_HZ), RATE_HZ)
    return path


def an_evening_of_noise(path: Path, _: np.ndarray) -> Path:
    """Longer than what is held whole."""
    draws = np.random.default_rng(6)
    with soundfile.SoundFile(path, "w", 12_000, 1) as file:
        for _minute in range(13):
            file.write(0.1 * draws.standard_normal(60 * 12_000))
    return path


def speech(path: Path, _: np.ndarray) -> Path:
    """Syllables of a gliding voice through moving formants, with pauses, for 40 s."""
    draws = np.random.default_rng(7)
    out = np.zeros(40 * RATE_HZ)
    at_s = 0.2
    while at_s < 39.0:
        length = round(draws.uniform(0.1, 0.28) * RATE_HZ)
        pitch_hz = np.linspace(1.1, 0.9, length) * draws.uniform(95, 210)
        buzz = 2.0 * np.mod(np.cumsum(pitch_hz) / RATE_HZ, 1.0) - 1.0
        spectrum, hz = np.fft.rfft(buzz), np.fft.rfftfreq(length, 1 / RATE_HZ)
        formants_hz = draws.uniform([300, 900, 2300], [800, 2300, 3000])
        gain = sum(1.0 / (1.0 + ((hz - formant_hz) / 90.0) ** 2) for formant_hz in formants_hz)
        begin = round(at_s * RATE_HZ)
        out[begin : begin + length] += np.fft.irfft(spectrum * gain, length) * np.hanning(length)
        at_s += length / RATE_HZ + draws.choice([0.03, 0.05, 0.5])
    soundfile.write(path, 0.5 * out / np.abs(out).max(), RATE_HZ)
    return path


def ten_second_clip(path: Path, march: np.ndarray) -> Path:
    soundfile.write(path, march[8 * RATE_HZ : 18 * RATE_HZ], RATE_HZ)
    return path


def telephone(path: Path, march: np.ndarray) -> Path:
    """The march itself, as a telephone passes it on."""
    spectrum = np.fft.rfft(march)
    n = round(march.size * 8_000 / RATE_HZ)
    soundfile.write(path, np.fft.irfft(spectrum[: n // 2 + 1], n) * n / march.size, 8_000)
    return path


def all_no_numbers(path: Path, march: np.ndarray) -> Path:
    soundfile.write(path, np.full_like(march, np.nan), RATE_HZ, subtype="FLOAT")
    return path


def a_tenth_no_numbers(path: Path, march: np.ndarray) -> Path:
    holed = march.astype(np.float32)
    holed[::10] = np.nan
    soundfile.write(path, holed, RATE_HZ, subtype="FLOAT")
    return path


def two_hours_of_zeros(path: Path, _: np.ndarray) -> Path:
    flac = path.with_suffix(".flac")
    with soundfile.SoundFile(flac, "w", 12_000, 1, subtype="PCM_16", format="FLAC") as file:
        for _minute in range(120):
            file.write(np.zeros(60 * 12_000, dtype=np.int16))
    return flac


def a_thousand_million_channels(path: Path, _: np.ndarray) -> Path:
    """The header of NeXT and Sun's format has room for such a number."""
    au = path.with_suffix(".au")
    au.write_bytes(struct.pack(">4sIIIII", b".snd", 24, 48_000, 3, RATE_HZ, 10**9) + bytes(48_000))
    return au


def most_channels_of_a_wav(path: Path, _: np.ndarray) -> Path:
    head = struct.pack("<4sI4s4sIHHIIHH", b"RIFF", 36 + 480, b"WAVE", b"fmt ", 16, 1, 65_535, 44_100, 88_200, 2, 16)
    path.write_bytes(head + struct.pack("<4sI", b"data", 480) + bytes(480))
    return path


BAD: tuple[tuple[Callable[[Path, np.ndarray], Path], str], ...] = (
    (empty, "empty"),
    (not_audio, "not a sound file"),
    (truncated_m4a, "damaged, or was cut off"),
    (truncated_wav, "too short"),
    (silence, "silent"),
    (noise, ""),
    (an_evening_of_noise, ""),
    (speech, ""),
    (ten_second_clip, "it lasts 10 s"),
    (telephone, "8000 samples a second"),
    (all_no_numbers, "no numbers"),
    (a_tenth_no_numbers, "no numbers"),
    (two_hours_of_zeros, "silent"),
    (a_thousand_million_channels, "not a sound file"),
    (most_channels_of_a_wav, "channels"),
)


@pytest.mark.parametrize(("made", "says"), BAD, ids=[made.__name__ for made, _ in BAD])
def test_it_is_refused_in_one_sentence(
    graith_run: Run,
    march: np.ndarray,
    tunes: Path,
    tmp_path: Path,
    made: Callable[[Path, np.ndarray], Path],
    says: str,
) -> None:
    path = made(tmp_path / "night.wav", march)
    ran = graith_run("listen", path, "--tune", tunes / "marches.abc", "--index", 1, "--parts", "1,2")
    assert ran.status == 1
    assert len(ran.err.splitlines()) == 1
    assert ran.err.startswith(path.name) or str(path) in ran.err
    assert ran.err.rstrip().endswith(".")
    assert says in ran.err


def test_another_tune_is_refused_in_one_sentence(
    graith_run: Run, march: np.ndarray, tunes: Path, tmp_path: Path
) -> None:
    soundfile.write(tmp_path / "night.wav", march, RATE_HZ)
    ran = graith_run("listen", tmp_path / "night.wav", "--tune", tunes / "jigs.abc", "--index", 2)
    assert (ran.status, len(ran.err.splitlines())) == (1, 1)


def test_the_same_march_is_listened_to(graith_run: Run, march: np.ndarray, tunes: Path, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "night.wav", march, RATE_HZ)
    arguments = ("--tune", tunes / "marches.abc", "--index", 1, "--parts", "1,2")
    assert graith_run("listen", tmp_path / "night.wav", *arguments).status == 0
