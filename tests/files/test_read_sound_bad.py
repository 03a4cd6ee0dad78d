"""Bad recordings: one clear sentence, or what could be read with a note; nothing hangs and nothing crashes."""

from __future__ import annotations

import os
import struct
import time
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from files.made_recordings import WAYS, Way, known_sound
from graith.errors import FileError
from graith.files.read_sound import read_recording, working_blocks

FOUR_S = known_sound(44_100, 4.0)
M4A = Way("aac.m4a", 44_100, "PyAV", "ipod", "aac")
MP3 = Way("sound.mp3", 44_100, "soundfile", "MP3", "MPEG_LAYER_III")
OPUS = Way("opus.ogg", 48_000, "PyAV", "ogg", "libopus")
WEBM = Way("opus.webm", 48_000, "PyAV", "webm", "libopus")
WAV = Way("pcm16.wav", 44_100, "soundfile", "WAV", "PCM_16")
FLAC = Way("sound.flac", 44_100, "soundfile", "FLAC", "PCM_16")


def wav_header(n_channels: int, rate_hz: int, *, coding: int = 1, n_bytes: int = 4_000) -> bytes:
    """Return a WAV file of zeros whose header claims what it is told to."""
    block = (2 * n_channels) & 0xFFFF
    form = struct.pack("<HHIIHH", coding, n_channels, rate_hz, (rate_hz * block) & 0xFFFFFFFF, block, 16)
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", n_bytes) + bytes(n_bytes)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def caf_header(n_channels: int) -> bytes:
    """Return a Core Audio file, whose header has room for 10^9 channels."""
    form = struct.pack(">dIIIIII", 44_100.0, 0x6C70636D, 0, 2, 1, n_channels, 16)
    return b"caff\0\1\0\0desc" + struct.pack(">q", 32) + form + b"data" + struct.pack(">qI", 1004, 0) + bytes(1000)


BAD_CONTENTS = {
    "empty.wav": (b"", "the file is empty"),
    "text.mp3": (b"Four parts, then the strathspey.\n" * 400, "not a sound file that Graith can read"),
    "picture.m4a": (b"\x89PNG\r\n\x1a\n" + bytes(500), r"a picture \(PNG\)"),
    "letter.pdf": (b"%PDF-1.7\n1 0 obj\n" + bytes(500), "a PDF document"),
    "notes.mid": (b"MThd\0\0\0\6\0\1\0\1\1\xe0", "holds notes and no sound"),
    "list.m3u8": (b"#EXTM3U\n#EXTINF:9,\nhttp://127.0.0.1/x.ts\n", "a playlist"),
    "noise.mp3": (np.random.default_rng(1).bytes(50_000), "not a sound file|damaged"),
    "half_header.wav": (wav_header(1, 44_100)[:20], "begins like a WAV file"),
    "no_sound.wav": (wav_header(1, 44_100, n_bytes=0), "its length is zero"),
    "many.wav": (wav_header(65_535, 44_100), "channels; from 1 to 32"),
    "hundred.wav": (wav_header(100, 44_100), "it claims 100 channels"),
    "milliard.caf": (caf_header(10**9), "channels; from 1 to 32"),
    "slow.wav": (wav_header(1, 1), "it claims 1 samples a second"),
    "fast.wav": (wav_header(1, 2**31 - 1), "it claims 2,147,483,647 samples a second"),
    "unknown.wav": (wav_header(1, 44_100, coding=0x1234), "cannot be decoded"),
}


@pytest.mark.parametrize("name", BAD_CONTENTS)
def test_what_is_no_recording_is_refused_in_one_sentence(tmp_path: Path, name: str) -> None:
    content, says = BAD_CONTENTS[name]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(FileError, match=says) as refused:
        read_recording(tmp_path / name)
    message = str(refused.value)
    assert message.startswith(str(tmp_path / name))
    assert "\n" not in message
    assert message.endswith(".")


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    for path, says in (
        (tmp_path / "not there.wav", "there is no such file"),
        (tmp_path, "this is a folder"),
        (tmp_path / "pipe.wav", "a device or a pipe"),
        (tmp_path / "nul\0.wav", "cannot be read"),
    ):
        with pytest.raises(FileError, match=says):
            read_recording(path)


def test_a_file_name_may_hold_anything(tmp_path: Path) -> None:
    for name in ("a:b%d?#.wav", "Là-bas 🎵.wav", os.fsdecode(b"bad\xff.wav")):
        WAV.write(tmp_path, FOUR_S).rename(tmp_path / name)
        assert read_recording(tmp_path / name).length_s == 4.0


def write_video(path: Path, sound: np.ndarray | None) -> None:
    with av.open(str(path), "w") as file:
        pictures = file.add_stream("mpeg4", rate=25)
        pictures.width = pictures.height = 64
        pictures.pix_fmt = "yuv420p"
        voice = file.add_stream("aac", rate=44_100, layout="mono") if sound is not None else None
        for _ in range(100):
            file.mux(pictures.encode(av.VideoFrame(64, 64, "yuv420p")))
        file.mux(pictures.encode(None))
        if voice is not None and sound is not None:
            frames = av.AudioResampler(format="fltp", layout="mono", rate=44_100, frame_size=1024)
            frame = av.AudioFrame.from_ndarray(sound[np.newaxis], format="fltp", layout="mono")
            frame.sample_rate = 44_100
            for ready in [*frames.resample(frame), *frames.resample(None)]:
                file.mux(voice.encode(ready))
            file.mux(voice.encode(None))


def test_a_video_gives_its_sound_and_without_sound_says_so(tmp_path: Path) -> None:
    write_video(tmp_path / "band.mp4", FOUR_S)
    assert read_recording(tmp_path / "band.mp4").length_s == pytest.approx(4.0, abs=0.03)
    write_video(tmp_path / "mute.mp4", None)
    with pytest.raises(FileError, match="a video without sound"):
        read_recording(tmp_path / "mute.mp4")


@pytest.mark.parametrize("way", [MP3, OPUS, WEBM, WAV, FLAC], ids=lambda way: way.name)
@pytest.mark.parametrize("share", [0.4, 0.9])
def test_a_recording_cut_off_gives_what_is_there_and_says_so(tmp_path: Path, way: Way, share: float) -> None:
    path = way.write(tmp_path, known_sound(way.rate_hz, 4.0))
    content = path.read_bytes()
    path.write_bytes(content[: int(share * len(content))])
    heard = read_recording(path)
    assert 4.0 * share - 1.1 < heard.length_s < 4.0 * share + 0.2
    assert any("some are missing" in note or "cut off" in note for note in heard.notes)


def test_a_phone_recording_without_its_index_says_that(tmp_path: Path) -> None:
    path = M4A.write(tmp_path, FOUR_S)
    path.write_bytes(path.read_bytes()[:-2_000])
    with pytest.raises(FileError, match="cut off before its recorder wrote the index"):
        read_recording(path)


def test_a_recording_of_which_more_than_half_is_damaged_is_given_up(tmp_path: Path) -> None:
    path = M4A.write(tmp_path, FOUR_S)
    content = bytearray(path.read_bytes())
    begin = content.index(b"mdat") + 4
    middle = slice(begin, begin + 24_000)
    content[middle] = np.random.default_rng(3).bytes(24_000)
    path.write_bytes(content)
    with pytest.raises(FileError, match="packets of sound are damaged, more than half"):
        read_recording(path)


def test_numbers_that_are_none_become_silence_with_a_note(tmp_path: Path) -> None:
    sound = FOUR_S.copy()
    sound[1_000:1_010] = np.nan
    sound[5_000], sound[6_000] = np.inf, 1e30
    soundfile.write(tmp_path / "nan.wav", sound, 44_100, subtype="FLOAT")
    heard = read_recording(tmp_path / "nan.wav")
    assert np.isfinite(heard.samples).all()
    assert heard.levels.n_not_finite == 12
    assert "12 samples are no numbers" in heard.notes[0]


def test_channels_against_each_other_are_turned_round_and_said(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "crossed.wav", np.stack([FOUR_S, -FOUR_S], axis=1), 44_100)
    soundfile.write(tmp_path / "mono.wav", FOUR_S, 44_100)
    heard = read_recording(tmp_path / "crossed.wav")
    np.testing.assert_allclose(heard.samples, read_recording(tmp_path / "mono.wav").samples, atol=1e-4)
    assert "poles crossed" in heard.notes[0]


def test_channels_that_cancel_later_are_said(tmp_path: Path) -> None:
    silent = np.zeros((12 * 8_000, 2))
    sound = known_sound(8_000, 4.0)
    soundfile.write(tmp_path / "late.wav", np.concatenate([silent, np.stack([sound, -sound], axis=1)]), 8_000)
    assert "cancel one another" in read_recording(tmp_path / "late.wav").notes[0]


def test_a_dead_channel_is_said(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "dead.wav", np.stack([FOUR_S, 0.0 * FOUR_S], axis=1), 44_100)
    heard = read_recording(tmp_path / "dead.wav")
    assert "Channel 2 of 2 is silent" in heard.notes[0]
    assert np.std(heard.samples) == pytest.approx(0.5 * np.std(FOUR_S), rel=0.01)


def test_a_stretch_that_is_not_there_is_refused(tmp_path: Path) -> None:
    path = WAV.write(tmp_path, FOUR_S)
    with pytest.raises(FileError, match=r"begins at 5.0 s, but the sound ends at 4.0 s"):
        read_recording(path, start_s=5.0)
    for start_s, stop_s in ((2.0, 1.0), (-1.0, 2.0), (float("nan"), None)):
        with pytest.raises(FileError, match=r"cannot be\. Begin at 0 s or later"):
            read_recording(path, start_s=start_s, stop_s=stop_s)


def test_progress_tells_seconds_and_what_it_raises_stops_the_reading(tmp_path: Path) -> None:
    path = WAV.write(tmp_path, known_sound(44_100, 15.0))
    told: list[tuple[float, float | None]] = []
    read_recording(path, progress=lambda done_s, total_s: told.append((done_s, total_s)))
    assert told[0] == (1.0, 15.0)
    assert told[-1] == (15.0, 15.0)

    def stop(*_seconds: float | None) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        read_recording(path, progress=stop)
    blocks = working_blocks(path)
    next(blocks)
    blocks.close()
    assert list(blocks) == []


KINDS = tuple(way for way in WAYS if way.rate_hz in (44_100, 48_000) and way.coding not in ("PCM_32", "DOUBLE", "ULAW"))


@pytest.fixture(scope="module")
def contents(tmp_path_factory: pytest.TempPathFactory) -> list[bytes]:
    """Return a small file of each kind."""
    folder = tmp_path_factory.mktemp("whole")
    return [way.write(folder, known_sound(way.rate_hz, 1.0)).read_bytes() for way in KINDS]


def damaged(contents: list[bytes], seed: int) -> bytes:
    """Return one file flipped, cut, spliced with another, zeroed or repeated in places; mostly in its header."""
    draw = np.random.default_rng(seed)
    content = bytearray(contents[seed % len(contents)])
    for _ in range(int(draw.integers(1, 4))):
        size = len(content)
        reach = int(draw.choice([min(200, size), size]))
        at = int(draw.integers(0, max(1, reach)))
        match int(draw.integers(0, 6)):
            case 0:
                for place in draw.integers(0, max(1, reach), int(draw.integers(1, 30))):
                    content[int(place) % size] ^= 1 << int(draw.integers(0, 8))
            case 1:
                content[at : at + int(draw.integers(1, 9))] = draw.bytes(int(draw.integers(1, 9)))
            case 2:
                del content[max(16, at) :]
            case 3:
                other = contents[int(draw.integers(0, len(contents)))]
                content[at:] = other[int(draw.integers(0, len(other))) :]
            case 4:
                content[at : at + 4] = draw.choice([b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff"])
            case _:
                content[at:at] = content[at : at + int(draw.integers(1, 2_000))]
        content = content or bytearray(b"\0")
    return bytes(content)


@pytest.mark.parametrize("hundred", range(4))
def test_damaged_files_never_crash_or_hang(
    tmp_path: Path, contents: list[bytes], hundred: int, capfd: pytest.CaptureFixture[str]
) -> None:
    n_read = 0
    sentences: set[str] = set()
    for seed in range(100 * hundred, 100 * hundred + 100):
        path = tmp_path / "damaged"
        path.write_bytes(damaged(contents, seed))
        begin = time.process_time()
        try:
            heard = read_recording(path)
            n_read += 1
            assert np.isfinite(heard.samples).all(), seed
            assert heard.length_s < 200.0, seed
        except FileError as error:
            sentences.add(str(error))
        assert time.process_time() - begin < 5.0, seed
    assert 20 < n_read < 100
    assert not any("\n" in sentence for sentence in sentences)
    assert capfd.readouterr() == ("", "")
