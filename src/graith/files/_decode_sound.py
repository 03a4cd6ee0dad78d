"""Sound decoded by FFmpeg (through PyAV), a second at a time, with every channel and at its own rate.

FFmpeg leaves out what a coder put before the first sample where the file tells how much that is. Time is kept where
packets are damaged or missing: the hole is filled with silence, as long as the file's own clock says.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from graith.errors import FileError

if TYPE_CHECKING:
    from av.audio.frame import AudioFrame
    from av.audio.stream import AudioStream
    from av.container.input import InputContainer
    from av.packet import Packet

    from graith.listen.model import Singles

LEAST_RATE_HZ, MOST_RATE_HZ = 4_000, 768_000
MOST_CHANNELS = 32
_FULL_SCALE = {"u8": 128.0, "s16": 2.0**15, "s32": 2.0**31, "s64": 2.0**63, "flt": 1.0, "dbl": 1.0}
_LEAST_HOLE_S, _LONGEST_HOLE_S = 0.015, 30.0  # WebM's clock ticks in milliseconds
_LONGEST_END_SAMPLES = 8_192  # what coders add to fill their last frame
_MOST_FRESH_STARTS = 50
_JUDGED_AFTER = 200  # packets


@dataclass(slots=True)
class Trouble:
    """What went wrong while a file was decoded.

    Attributes
    ----------
    n_packets, n_damaged : int
    filled_s : float
        Silence put in for what was missing.
    stopped : str
        Why reading ended early; empty when it did not.
    """

    n_packets: int = 0
    n_damaged: int = 0
    filled_s: float = 0.0
    stopped: str = ""


@dataclass(slots=True)
class OpenedSound:
    """A file opened for decoding.

    Attributes
    ----------
    path : Path
    rate_hz, n_channels : int
        As the header says, until the first frame is decoded; then as decoded.
    claimed_s : float or None
        The length that the file's header tells; ``None`` when it tells none, or only an estimate from the file's size.
    guessed_s : float or None
        The same, or that estimate.
    container, coding : str
        Short names, such as ``"mp4"`` and ``"aac"``.
    is_lossy : bool
    lacks_its_end : bool
        Whether it is an Ogg file without its last page, or a WAV file shorter than its header says.
    is_fine : bool
        Whether a sample has more than eight bits.
    trouble : Trouble
    """

    path: Path
    rate_hz: int
    n_channels: int
    claimed_s: float | None
    guessed_s: float | None
    container: str
    coding: str
    is_lossy: bool
    is_fine: bool
    lacks_its_end: bool
    trouble: Trouble
    _input: InputContainer = field(repr=False)
    _stream: AudioStream = field(repr=False)

    def blocks(self) -> Iterator[Singles]:
        """Yield the sound, float32 arrays of shape (channels, samples), each of exactly a second but for the last.

        Raises
        ------
        FileError
            If the file holds no sound that can be decoded, or more than half of its packets are damaged.
        """
        held: _Held | None = None
        n_done = 0
        for frame, hole_s in self._timed_frames():
            if held is None:
                held = _Held(self.n_channels, self.rate_hz)
            held.add_silence(round(hole_s * self.rate_hz))
            held.add(frame)
            while held.n_samples >= self.rate_hz + _LONGEST_END_SAMPLES:
                yield held.taken(self.rate_hz)
                n_done += self.rate_hz
        n_left = 0 if held is None else self._without_the_coders_end(n_done + held.n_samples) - n_done
        if held is None or not n_done + n_left:
            raise FileError(self._nothing())
        while n_left > 0:
            yield held.taken(min(n_left, self.rate_hz))
            n_left -= self.rate_hz

    def _nothing(self) -> str:
        why = "none of its sound can be decoded" if self.trouble.n_damaged else "it holds no sound, its length is zero"
        return f"{self.path}: {why}. Record or copy it again."

    def _without_the_coders_end(self, n_samples: int) -> int:
        """Return how many samples there are without what an MP4's coder added to fill its last frame."""
        if self.claimed_s is None or self.container != "mp4":
            return n_samples
        n_claimed = round(self.claimed_s * self.rate_hz)
        return n_claimed if 0 < n_samples - n_claimed <= _LONGEST_END_SAMPLES else n_samples

    def _timed_frames(self) -> Iterator[tuple[AudioFrame, float]]:
        """Yield each frame with the length in seconds of the hole before it, mostly 0."""
        ends_s: float | None = None
        heard_s = tick_s = 0.0
        for frame in self._frames():
            if not heard_s:
                self._believe(frame)
                tick_s = 0.0 if frame.time_base is None else float(frame.time_base)
            if frame.sample_rate != self.rate_hz:
                self.trouble.n_damaged += 1
                continue
            begins_s = None if frame.pts is None else frame.pts * tick_s
            hole_s = 0.0 if begins_s is None or ends_s is None else begins_s - ends_s
            if not _LEAST_HOLE_S < hole_s <= _LONGEST_HOLE_S or self.trouble.filled_s > 60.0 + heard_s:
                hole_s = 0.0
            self.trouble.filled_s += hole_s
            length_s = frame.samples / self.rate_hz
            heard_s += length_s
            ends_s = None if begins_s is None else begins_s + length_s
            yield frame, hole_s

    def _believe(self, frame: AudioFrame) -> None:
        """Take rate and channels from the first frame: some coders tell half of both in the header."""
        self.rate_hz, self.n_channels = frame.sample_rate, len(frame.layout.channels)
        check_format(self.path, self.rate_hz, self.n_channels)

    def _frames(self) -> Iterator[AudioFrame]:
        for packet in self._packets():
            self.trouble.n_packets += packet.size > 0
            try:
                frames = packet.decode()
            except ffmpeg_raises() as error:
                if not isinstance(error, EOFError):
                    self.trouble.n_damaged += 1
                frames = []
            yield from frames
            if self.trouble.n_packets > _JUDGED_AFTER:
                self._judge()
        self._judge()

    def _packets(self) -> Iterator[Packet[AudioStream]]:
        """Yield the packets; where the container is damaged, look for the next one behind the damage."""
        for _ in range(_MOST_FRESH_STARTS):
            try:
                yield from self._input.demux(self._stream)
                return
            except ffmpeg_raises() as error:
                self.trouble.n_packets += 1
                self.trouble.n_damaged += 1
                reason = getattr(error, "strerror", None) or str(error)
        self.trouble.stopped = reason

    def _judge(self) -> None:
        trouble = self.trouble
        if trouble.n_damaged * 2 > trouble.n_packets:
            raise FileError(
                f"{self.path}: {trouble.n_damaged} of its {trouble.n_packets} packets of sound are damaged, more than "
                "half. Copy the file again from where it was recorded, or take another recording."
            )


def ffmpeg_raises() -> tuple[type[Exception], ...]:
    """Return what PyAV raises for a bad file: FFmpeg's own errors, and Python's for numbers that cannot be."""
    from av.error import FFmpegError

    return (FFmpegError, ArithmeticError, EOFError, LookupError, MemoryError, NotImplementedError, OSError, ValueError)


def check_format(path: Path, rate_hz: int, n_channels: int) -> None:
    """Refuse what cannot be a recording.

    Raises
    ------
    FileError
        If there are no or very many channels, or the rate is too low or too high.
    """
    if not 1 <= n_channels <= MOST_CHANNELS:
        raise FileError(
            f"{path}: it claims {n_channels or 'no, or impossibly many,'} channels; from 1 to {MOST_CHANNELS} can be "
            "read. The file is damaged, or no recording: give another."
        )
    if not LEAST_RATE_HZ <= rate_hz <= MOST_RATE_HZ:
        raise FileError(
            f"{path}: it claims {rate_hz:,} samples a second; from {LEAST_RATE_HZ:,} to {MOST_RATE_HZ:,} can be "
            "listened to. The file is damaged, or no recording of music: give another."
        )


class _Held:
    """Sound decoded and not yet taken: float32, each frame copied in once."""

    def __init__(self, n_channels: int, rate_hz: int) -> None:
        self.n_samples = 0
        self._sound = np.empty((n_channels, 2 * rate_hz + 2 * _LONGEST_END_SAMPLES), dtype=np.float32)

    def add_silence(self, n_samples: int) -> None:
        """Add zeros."""
        if n_samples > 0:
            self._room(n_samples)[:] = 0.0

    def add(self, frame: AudioFrame) -> None:
        """Add a frame; where a file changes between mono and stereo midway, its mean in each channel."""
        kind, is_packed, n_channels = frame.format.name.removesuffix("p"), frame.format.is_packed, len(self._sound)
        n_given = frame.layout.nb_channels
        if kind == "flt" and not is_packed and n_given == n_channels:
            room = self._room(frame.samples)
            for channel, plane in enumerate(frame.planes):
                room[channel] = np.frombuffer(memoryview(plane), dtype=np.float32, count=frame.samples)
            return
        samples = frame.to_ndarray()
        if is_packed:
            samples = samples.reshape(-1, n_given).T
        if n_given != n_channels:
            samples = samples.mean(axis=0, keepdims=True)
        room = self._room(frame.samples)
        with np.errstate(over="ignore", invalid="ignore"):  # of numbers that are none; they are counted later
            room[:] = samples
            if kind == "u8":
                room -= np.float32(128.0)
            room *= np.float32(1.0 / _FULL_SCALE[kind])

    def taken(self, n_samples: int) -> Singles:
        """Take the first samples away and return them."""
        block = self._sound[:, :n_samples].copy()
        n_rest = self.n_samples - n_samples
        self._sound[:, :n_rest] = self._sound[:, n_samples : self.n_samples].copy()
        self.n_samples = n_rest
        return block

    def _room(self, n_samples: int) -> Singles:
        """Return a view of the next samples, to be written; the memory grows when a hole or a frame is long."""
        end = self.n_samples + n_samples
        if end > self._sound.shape[1]:
            larger = np.empty((len(self._sound), 2 * end), dtype=np.float32)
            larger[:, : self.n_samples] = self._sound[:, : self.n_samples]
            self._sound = larger
        room = self._sound[:, self.n_samples : end]
        self.n_samples = end
        return room
