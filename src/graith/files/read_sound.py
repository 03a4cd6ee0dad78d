"""Read a recording: any usual sound file, or a phone's video, as mono sound at the rate that listening works on.

Sample 0 is the first sample that was recorded, and time stays true to the file's end; what is done for that, how true
it is for each format, and what happens to bad files is told in docs/listening-input.md.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from graith.errors import FileError
from graith.files._decode_sound import OpenedSound
from graith.files._open_sound import opened_sound
from graith.files._resample_sound import Resampler, Stretch
from graith.listen.levels import (
    Tally,
    empty_tally,
    levels_of,
    made_finite,
    opposed_channels,
    silent_channels,
    tallied,
)
from graith.listen.model import Levels, Recording
from graith.services.take_recording import recording_of

if TYPE_CHECKING:
    from graith.listen.model import Singles

Progress = Callable[[float, float | None], object]
"""Called with the seconds read so far and, where the file tells it, the seconds in all."""

_LOOKED_AT_S = 10
_LOOKED_AT_BYTES = 16 * 1024 * 1024
_CANCELLED = 0.1
_LEAST_MISSING_S = 0.1


@dataclass(frozen=True, slots=True)
class SoundInfo:
    """What a sound file says of itself.

    Attributes
    ----------
    label : str
        The file's name.
    rate_hz, n_channels : int
    claimed_s : float or None
        Its length; ``None`` where the header does not tell it.
    container, coding : str
        Such as ``"mp4"`` and ``"aac"``, ``"wav"`` and ``"pcm_s16le"``.
    """

    label: str
    rate_hz: int
    n_channels: int
    claimed_s: float | None
    container: str
    coding: str


def sound_info(path: Path | str) -> SoundInfo:
    """Return what a sound file says of itself; nothing of the sound is decoded but what is needed for that.

    Raises
    ------
    FileError
        As :func:`working_blocks` before its first block.
    """
    with opened_sound(path) as sound:
        return _info(sound)


def read_recording(
    path: Path | str, *, start_s: float = 0.0, stop_s: float | None = None, progress: Progress | None = None
) -> Recording:
    """Return a recording, or a stretch of it, as mono float32 at ``WORKING_RATE_HZ``.

    Parameters
    ----------
    path : Path or str
    start_s, stop_s : float
        The stretch wanted, in seconds from the file's first sample; by default all. The samples are the same as in the
        whole, from ``round(start_s * WORKING_RATE_HZ)`` on; the levels are those of the stretch.
    progress : callable, optional
        Given the seconds read so far and in all; what it raises stops the reading.

    Raises
    ------
    FileError
        As :func:`working_blocks`.
    """
    blocks = working_blocks(path, start_s=start_s, stop_s=stop_s, progress=progress)
    pieces = list(blocks)
    samples = np.concatenate(pieces) if pieces else np.empty(0, dtype=np.float32)
    return recording_of(blocks, samples, start_s)


def working_blocks(
    path: Path | str, *, start_s: float = 0.0, stop_s: float | None = None, progress: Progress | None = None
) -> WorkingBlocks:
    """Return a recording's blocks of mono float32 sound at ``WORKING_RATE_HZ``, to be run through once.

    About a second of sound is held at a time, so a recording may be of any length. Parameters as in
    :func:`read_recording`; together the blocks are its samples.

    Raises
    ------
    FileError
        Here, if the file is not there, no sound file or a video without sound, or claims what cannot be; while running,
        if nothing of it can be decoded, more than half is damaged, or it ends before ``start_s``. One sentence each.
    """
    return WorkingBlocks(Path(path), start_s, stop_s, progress)


class WorkingBlocks(Iterator["Singles"]):
    """The blocks of one recording; what is known of it at the end stands in ``levels`` and ``notes``.

    Attributes
    ----------
    info : SoundInfo
        As the file says; after the first block, with the rate and the channels it really has.
    """

    def __init__(self, path: Path, start_s: float, stop_s: float | None, progress: Progress | None) -> None:
        if not (0.0 <= start_s < float("inf")) or (stop_s is not None and not start_s < stop_s):
            raise FileError(
                f"{path}: a stretch from {start_s} s to {stop_s} s cannot be. Begin at 0 s or later and end after that."
            )
        self._path = path
        self._start_s, self._stop_s = start_s, stop_s
        self._progress = progress
        self._levels: Levels | None = None
        self._notes: tuple[str, ...] = ()
        self.info = sound_info(path)
        self._run = self._blocks()

    def __next__(self) -> Singles:
        """Return the next block."""
        return next(self._run)

    def close(self) -> None:
        """Stop before the end and close the file."""
        self._run.close()

    @property
    def levels(self) -> Levels:
        """The levels of all that was read, at its own rate, channel by channel; known after the last block."""
        if self._levels is None:
            raise ValueError("the levels are known after the last block")
        return self._levels

    @property
    def notes(self) -> tuple[str, ...]:
        """What was amiss in the file and yet could be read, in whole sentences; known after the last block."""
        return self._notes

    def _blocks(self) -> Generator[Singles, None, None]:
        with opened_sound(self._path) as sound:
            finite = _finite_blocks(sound)
            looked_at, opposed = _looked_at(finite)
            self.info = _info(sound)
            stretch = Stretch(self._start_s, self._stop_s, sound.rate_hz)
            resampler = Resampler(sound.rate_hz)
            reading = _Reading(empty_tally(sound.n_channels, is_exact=sound.is_fine and not sound.is_lossy))
            for block, n_not_finite in chain(looked_at, finite):
                begin = reading.n_samples
                reading.n_samples += block.shape[1]
                if stretch.needs(begin, block.shape[1]):
                    mono = _mono(block, opposed)
                    inside = stretch.within(begin, block.shape[1])
                    reading.count(block[:, inside], mono[inside], n_not_finite)
                    yield from stretch.cut(resampler.resampled(mono, at=begin))
                if self._progress is not None:
                    self._progress(reading.n_samples / sound.rate_hz, sound.guessed_s)
                if stretch.is_past(begin):
                    break
            else:
                reading.is_whole = True
                yield from stretch.cut(resampler.rest(reading.n_samples))
            if not reading.tally.n_samples:
                raise FileError(
                    f"{self._path}: the stretch wanted begins at {self._start_s:.1f} s, but the sound ends at "
                    f"{reading.n_samples / sound.rate_hz:.1f} s. Choose an earlier one."
                )
            self._levels = levels_of(reading.tally)
            self._notes = tuple(_notes(sound, reading, opposed))


@dataclass(slots=True)
class _Reading:
    """What was counted while reading: all samples read, those inside the stretch, and the power of their mean."""

    tally: Tally
    n_samples: int = 0
    mono_power: float = 0.0
    is_whole: bool = False

    def count(self, inside: Singles, mono: Singles, n_not_finite: int) -> None:
        self.tally = tallied(self.tally, inside, n_not_finite)
        self.mono_power += float(np.dot(mono, mono))


def _info(sound: OpenedSound) -> SoundInfo:
    return SoundInfo(sound.path.name, sound.rate_hz, sound.n_channels, sound.claimed_s, sound.container, sound.coding)


def _finite_blocks(sound: OpenedSound) -> Iterator[tuple[Singles, int]]:
    for block in sound.blocks():
        yield block, made_finite(block)


def _looked_at(blocks: Iterator[tuple[Singles, int]]) -> tuple[list[tuple[Singles, int]], tuple[int, ...]]:
    """Return the first seconds of sound, and which of its channels move against the others."""
    first: list[tuple[Singles, int]] = []
    for one in blocks:
        first.append(one)
        if len(first) >= _LOOKED_AT_S or sum(block.nbytes for block, _ in first) >= _LOOKED_AT_BYTES:
            break
    return first, opposed_channels(np.concatenate([block for block, _ in first], axis=1))


def _mono(block: Singles, opposed: tuple[int, ...]) -> Singles:
    """Return the plain mean of the channels, opposed ones turned round."""
    total = block[0]
    for number in range(1, len(block)):
        total = total - block[number] if number in opposed else total + block[number]
    mono: Singles = total * np.float32(1.0 / len(block))
    return mono


def _notes(sound: OpenedSound, reading: _Reading, opposed: tuple[int, ...]) -> Iterator[str]:
    trouble, tally = sound.trouble, reading.tally
    read_s = reading.n_samples / sound.rate_hz
    if trouble.n_damaged:
        yield f"{trouble.n_damaged} of the file's {trouble.n_packets} packets of sound are damaged and were left out."
    if trouble.filled_s:
        yield f"{trouble.filled_s:.2f} s of the sound are missing; silence stands in their place."
    claimed_s = sound.claimed_s or 0.0
    if reading.is_whole and claimed_s - read_s > max(_LEAST_MISSING_S, 0.0005 * claimed_s):
        yield f"The file claims {claimed_s:.1f} s of sound, but only {read_s:.1f} s could be read: some are missing."
    elif reading.is_whole and (trouble.stopped or sound.lacks_its_end):
        yield f"The file ends in the middle, after {read_s:.1f} s: it was cut off, or is damaged from there on."
    if tally.n_not_finite:
        yield f"{tally.n_not_finite} samples are no numbers; silence stands in their place."
    for number in silent_channels(tally):
        yield f"Channel {number} of {sound.n_channels} is silent; the mean is that much softer."
    for number in opposed:
        yield f"Channel {number + 1} has its poles crossed (it moves against channel 1); it was turned round."
    power = sum(tally.powers) / sound.n_channels
    if reading.mono_power < _CANCELLED * power and sound.n_channels - len(silent_channels(tally)) > 1:
        yield "The channels cancel one another almost wholly in their mean. Give one of them as a mono recording."
