"""Recordings made by PyAV and soundfile, of a sound that is a closed formula and so is known at every rate."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import av
import numpy as np
import soundfile

HIGHEST_HZ = 3_300.0
_BLOCK_SAMPLES = 44_100


@lru_cache(maxsize=8)
def known_sound(rate_hz: int, seconds: float = 3.0, seed: int = 1) -> np.ndarray:
    """Return a sum of 60 cosines from 150 to 3300 Hz, noise to the ear, sampled at that rate."""
    generator = np.random.default_rng(seed)
    pitches_hz = generator.uniform(150.0, HIGHEST_HZ, 60)
    phases = generator.uniform(0.0, 2.0 * np.pi, 60)
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    sound = sum(np.cos(2.0 * np.pi * hz * time_s + phase) for hz, phase in zip(pitches_hz, phases, strict=True))
    return (0.027 * sound).astype(np.float32)


def lag_ms(heard: np.ndarray, wanted: np.ndarray, rate_hz: int) -> float:
    """Return how late one sound is, by the highest point of the cross-correlation, between samples by a parabola."""
    size = 1 << int(np.ceil(np.log2(heard.size + wanted.size)))
    correlation = np.fft.irfft(np.fft.rfft(heard, size) * np.conj(np.fft.rfft(wanted, size)), size)
    top = int(np.argmax(correlation))
    before, at, after = correlation[top - 1], correlation[top], correlation[(top + 1) % size]
    between = 0.5 * (before - after) / (before - 2.0 * at + after)
    return 1000.0 * ((top if top < size // 2 else top - size) + between) / rate_hz


@dataclass(frozen=True, slots=True)
class Way:
    """One way to write a recording.

    Attributes
    ----------
    name : str
        The file's name.
    rate_hz : int
    writer : str
        ``"soundfile"`` or ``"PyAV"``.
    container, coding : str
        As that library names them.
    late_ms : float
        How late the sound is, because the file does not tell what the coder put before it.
    """

    name: str
    rate_hz: int
    writer: str
    container: str
    coding: str
    late_ms: float = 0.0

    def write(self, folder: Path, sound: np.ndarray) -> Path:
        """Write sound of shape (samples,) or (channels, samples)."""
        path = folder / f"{self.rate_hz}-{self.writer}-{self.name}"
        if self.writer == "soundfile":
            soundfile.write(path, sound.T, self.rate_hz, format=self.container, subtype=self.coding)
        else:
            write_by_pyav(path, np.atleast_2d(sound), self)
        return path


def write_by_pyav(path: Path, sound: np.ndarray, way: Way) -> None:
    """Encode sound of shape (channels, samples)."""
    layout = "mono" if sound.shape[0] == 1 else "stereo"
    with av.open(str(path), "w", format=way.container) as file:
        stream = file.add_stream(way.coding, rate=way.rate_hz, layout=layout)
        if not way.coding.startswith(("pcm", "flac", "alac")):
            stream.bit_rate = 64_000 * sound.shape[0] if way.rate_hz > 16_000 else 24_000
        stream.codec_context.open()
        frames = av.AudioResampler(
            format=stream.codec_context.format.name,
            layout=layout,
            rate=way.rate_hz,
            frame_size=stream.codec_context.frame_size or 1024,
        )
        for begin in range(0, sound.shape[1], _BLOCK_SAMPLES):
            block = np.ascontiguousarray(sound[:, begin : begin + _BLOCK_SAMPLES], dtype=np.float32)
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout=layout)
            frame.sample_rate, frame.pts, frame.time_base = way.rate_hz, begin, Fraction(1, way.rate_hz)
            for ready in frames.resample(frame):
                file.mux(stream.encode(ready))
        for ready in frames.resample(None):
            file.mux(stream.encode(ready))
        file.mux(stream.encode(None))


def _ways() -> tuple[Way, ...]:
    wav = [Way("pcm16.wav", rate, "soundfile", "WAV", "PCM_16") for rate in (8_000, 22_050, 44_100, 48_000, 96_000)]
    others = []
    for rate in (44_100, 48_000):
        others += [
            Way("sound.flac", rate, "soundfile", "FLAC", "PCM_16"),
            Way("sound.mp3", rate, "soundfile", "MP3", "MPEG_LAYER_III"),
            Way("vorbis.ogg", rate, "soundfile", "OGG", "VORBIS"),
            Way("sound.mp3", rate, "PyAV", "mp3", "mp3"),
            Way("aac.m4a", rate, "PyAV", "ipod", "aac"),
            Way("alac.m4a", rate, "PyAV", "ipod", "alac"),
            Way("aac.mov", rate, "PyAV", "mov", "aac"),
            Way("aac.mka", rate, "PyAV", "matroska", "aac"),
            Way("adts.aac", rate, "PyAV", "adts", "aac", late_ms=1000.0 * 1024 / rate),
            Way("aac.ts", rate, "PyAV", "mpegts", "aac", late_ms=1000.0 * 1024 / rate),
            Way("sound.ac3", rate, "PyAV", "ac3", "ac3", late_ms=1000.0 * 256 / rate),
        ]
    opus = [
        Way("opus.opus", 48_000, "soundfile", "OGG", "OPUS"),
        Way("opus.ogg", 48_000, "PyAV", "ogg", "libopus"),
        Way("opus.webm", 48_000, "PyAV", "webm", "libopus"),
        Way("opus.mp4", 48_000, "PyAV", "mp4", "libopus"),
        Way("opus.opus", 16_000, "soundfile", "OGG", "OPUS"),
        Way("aac.m4a", 8_000, "PyAV", "ipod", "aac"),
        Way("sound.mp3", 16_000, "soundfile", "MP3", "MPEG_LAYER_III"),
        Way("aac.m4a", 96_000, "PyAV", "ipod", "aac"),
    ]
    exact = [
        Way(f"{coding}.wav".lower(), 44_100, "soundfile", "WAV", coding)
        for coding in ("PCM_U8", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ULAW")
    ]
    return (*wav, *others, *opus, *exact, Way("sound.aiff", 44_100, "PyAV", "aiff", "pcm_s16be"))


WAYS = _ways()
"""Every kind of file that the reader promises to take."""
