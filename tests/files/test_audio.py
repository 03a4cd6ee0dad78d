"""Sound files, read back by soundfile; AAC, which it does not read, by PyAV."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from graith.errors import FileError
from graith.files.audio import AUDIO_FORMATS, audio_format, usual_rate_hz, write_audio

SECONDS = 2.5


def tone(rate_hz: int, channels: int = 1, block_samples: int = 10_000) -> Iterator[np.ndarray]:
    time_s = np.arange(round(SECONDS * rate_hz)) / rate_hz
    sound = (0.4 * np.sin(2 * np.pi * 480 * time_s)).astype(np.float32)
    whole = sound if channels == 1 else np.stack([sound, 0.5 * sound], axis=1)
    for start in range(0, len(whole), block_samples):
        yield whole[start : start + block_samples]


@pytest.mark.parametrize("form", [one for one in AUDIO_FORMATS if one.name != "m4a"], ids=lambda form: form.name)
@pytest.mark.parametrize("channels", [1, 2])
def test_every_format_reads_back_with_its_length_pitch_and_title(tmp_path: Path, form, channels: int) -> None:
    rate_hz = usual_rate_hz(form)
    path = tmp_path / f"tone{form.suffixes[0] if form.suffixes else '.wav'}"
    written = write_audio(path, tone(rate_hz, channels), rate_hz, form=form, title="Là-bas", comment="by Graith")
    with soundfile.SoundFile(path) as file:
        sound = file.read(always_2d=True)
        assert (file.samplerate, file.channels, file.title, file.comment) == (rate_hz, channels, "Là-bas", "by Graith")
        assert (file.format, file.subtype) == (form.container, form.coding)
    assert written == round(SECONDS * rate_hz)
    assert abs(len(sound) - written) <= 1
    spectrum = np.abs(np.fft.rfft(sound[:, 0] * np.hanning(len(sound))))
    assert np.argmax(spectrum) * rate_hz / len(sound) == pytest.approx(480, abs=0.5)
    assert np.abs(sound[1000:-1000, 0]).max() == pytest.approx(0.4, abs=0.03)


@pytest.mark.parametrize("channels", [1, 2])
def test_aac_reads_back_with_its_length_pitch_and_title(tmp_path: Path, channels: int) -> None:
    path = tmp_path / "tone.m4a"
    written = write_audio(path, tone(44_100, channels), 44_100, title="Là-bas", comment="by Graith")
    with av.open(str(path)) as file:
        assert (file.metadata["title"], file.metadata["comment"]) == ("Là-bas", "by Graith")
        sound = np.concatenate([frame.to_ndarray() for frame in file.decode(audio=0)], axis=1)
    assert (sound.shape[0], written) == (channels, round(SECONDS * 44_100))
    assert 0 <= sound.shape[1] - written < 2 * 1024
    spectrum = np.abs(np.fft.rfft(sound[0] * np.hanning(sound.shape[1])))
    assert np.argmax(spectrum) * 44_100 / sound.shape[1] == pytest.approx(480, abs=0.5)
    assert np.abs(sound[0, 2000:-2000]).max() == pytest.approx(0.4, abs=0.03)


@pytest.mark.parametrize(("name", "bits"), [("wav", 16), ("wav24", 24), ("flac", 16), ("flac24", 24)])
def test_whole_number_formats_are_right_to_their_last_bit(tmp_path: Path, name: str, bits: int) -> None:
    path = tmp_path / "tone.audio"
    write_audio(path, tone(44_100), 44_100, form=audio_format(path, name))
    read = soundfile.read(path)[0]
    assert np.abs(read - np.concatenate(list(tone(44_100)))).max() <= 1.01 * 2.0 ** (1 - bits)


def test_float_samples_are_kept_exactly(tmp_path: Path) -> None:
    path = tmp_path / "tone.wav"
    write_audio(path, tone(44_100), 44_100, form=audio_format(path, "wav-float"))
    assert (soundfile.read(path, dtype="float32")[0] == np.concatenate(list(tone(44_100)))).all()


def test_blocks_of_any_size_may_come(tmp_path: Path) -> None:
    """One huge block, too: the Vorbis encoder keeps each piece on its stack."""
    write_audio(tmp_path / "tone.ogg", iter([np.zeros(3_000_000, dtype=np.float32)]), 44_100)
    assert soundfile.info(tmp_path / "tone.ogg").frames == 3_000_000


def test_progress_counts_samples_and_what_it_raises_leaves_no_file(tmp_path: Path) -> None:
    told: list[int] = []
    write_audio(tmp_path / "tone.wav", tone(8_000), 8_000, progress=told.append)
    assert told == [10_000, 20_000]

    def stop(n_samples: int) -> None:
        if n_samples > 10_000:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_audio(tmp_path / "other.flac", tone(8_000), 8_000, progress=stop)
    assert [one.name for one in tmp_path.iterdir()] == ["tone.wav"]


def test_an_error_in_making_the_sound_leaves_no_file(tmp_path: Path) -> None:
    def breaks_off() -> Iterator[np.ndarray]:
        yield np.zeros(100, dtype=np.float32)
        raise ValueError("broken")

    with pytest.raises(ValueError, match="broken"):
        write_audio(tmp_path / "tone.mp3", breaks_off(), 44_100)
    assert list(tmp_path.iterdir()) == []


def test_the_format_follows_the_ending_whatever_its_case() -> None:
    assert audio_format("A/Set.FLAC").name == "flac"
    assert audio_format("set.anything", "opus").coding == "OPUS"
    assert usual_rate_hz(audio_format("set.opus")) == 48_000


def test_what_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"the ending '\.xyz' is no sound format"):
        write_audio(tmp_path / "tone.xyz", tone(44_100), 44_100)
    with pytest.raises(FileError, match="There is no sound format 'mp4'"):
        audio_format("tone.wav", "mp4")
    with pytest.raises(FileError, match=r"opus takes only sampling rates of .* not 44100 Hz"):
        write_audio(tmp_path / "tone.opus", tone(44_100), 44_100)
    with pytest.raises(FileError, match="there is no sound to write"):
        write_audio(tmp_path / "tone.wav", iter(()), 44_100)
    with pytest.raises(FileError, match="cannot be written as mp3"):
        write_audio(tmp_path / "tone.mp3", iter([np.zeros((10, 7), dtype=np.float32)]), 44_100)
    assert list(tmp_path.iterdir()) == []
