"""From a recording's own rate to the rate that listening works on, and which samples of a stretch are wanted.

FFmpeg's resampler with a Kaiser-windowed filter of 48 taps at the lower rate: level to 0.01 dB up to 5 kHz, what would
fold back below 5.5 kHz is 95 dB down, no delay.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import gcd, inf
from typing import TYPE_CHECKING, cast

import numpy as np

from graith.listen.model import WORKING_RATE_HZ

if TYPE_CHECKING:
    from av.audio.frame import AudioFrame

    from graith.listen.model import Singles

_FILTER = f"{WORKING_RATE_HZ}:filter_size=48:cutoff=0.93:kaiser_beta=9"
_MOST_EXACT_PHASES = 1024
_RUN_IN_S = 1


@dataclass(frozen=True, slots=True)
class Piece:
    """Working sound that begins at a sample of the whole file's working sound."""

    begin: int
    samples: Singles


class Resampler:
    """Turns mono sound of one rate into working sound, piece by piece."""

    def __init__(self, rate_hz: int) -> None:
        from av.filter import Graph

        self._rate_hz = rate_hz
        self._graph = Graph()
        tick = Fraction(1, rate_hz)
        self._source = self._graph.add_abuffer(sample_rate=rate_hz, format="flt", layout="mono", time_base=tick)
        filter_ = self._graph.add("aresample", _FILTER)
        self._sink = self._graph.add("abuffersink")
        self._source.link_to(filter_)
        filter_.link_to(self._sink)
        self._graph.configure()
        self._next: int | None = None

    def resampled(self, mono: Singles, *, at: int) -> Piece:
        """Return what one more piece of sound gives; ``at`` is its first sample's place in the file."""
        from av.audio import frame as audio_frame

        if self._next is None:
            self._next = at * WORKING_RATE_HZ // self._rate_hz
        frame = audio_frame.AudioFrame.from_ndarray(mono[np.newaxis], format="flt", layout="mono")
        frame.sample_rate, frame.pts, frame.time_base = self._rate_hz, at, Fraction(1, self._rate_hz)
        self._source.push(frame)
        return self._given()

    def rest(self, n_samples: int) -> Piece:
        """Return the last piece of a file with that many samples."""
        if self._next is None:
            return Piece(0, np.empty(0, dtype=np.float32))
        self._source.push(None)
        piece = self._given()
        n_wanted = max(0, round(n_samples * WORKING_RATE_HZ / self._rate_hz) - piece.begin)
        return Piece(piece.begin, piece.samples[:n_wanted])

    def _given(self) -> Piece:
        from av.error import BlockingIOError as NothingYet
        from av.error import EOFError as AtEnd

        found = []
        while True:
            try:
                found.append(cast("AudioFrame", self._sink.pull()).to_ndarray()[0])
            except (NothingYet, AtEnd):
                break
        begin = self._next or 0
        samples = np.concatenate(found) if found else np.empty(0, dtype=np.float32)
        self._next = begin + samples.size
        return Piece(begin, samples)


class Stretch:
    """Which part of a file is wanted, counted in its own samples and in working samples."""

    def __init__(self, start_s: float, stop_s: float | None, rate_hz: int) -> None:
        self._begin = round(start_s * rate_hz)
        self._end = inf if stop_s is None else round(stop_s * rate_hz)
        self._working_begin = round(start_s * WORKING_RATE_HZ)
        self._working_end = inf if stop_s is None else round(stop_s * WORKING_RATE_HZ)
        self._run_in = _RUN_IN_S * rate_hz
        self._may_start_late = WORKING_RATE_HZ // gcd(WORKING_RATE_HZ, rate_hz) <= _MOST_EXACT_PHASES

    def needs(self, begin: int, n_samples: int) -> bool:
        """Return whether a block of the file must be resampled: it is in the stretch, or the filter runs in over it.

        Blocks begin at whole seconds, where the resampler's filter stands in the same phase as at the file's beginning.
        """
        return not self._may_start_late or begin + n_samples > self._begin - self._run_in

    def is_past(self, begin: int) -> bool:
        """Return whether nothing after a block that begins there is needed."""
        return begin >= self._end + self._run_in

    def within(self, begin: int, n_samples: int) -> slice:
        """Return which samples of a block are in the stretch."""
        return slice(min(max(0, self._begin - begin), n_samples), int(min(max(0, self._end - begin), n_samples)))

    def cut(self, piece: Piece) -> Iterator[Singles]:
        """Yield what of a piece is in the stretch, if anything."""
        first = max(0, self._working_begin - piece.begin)
        last = int(min(max(0, self._working_end - piece.begin), piece.samples.size))
        if first < last:
            yield piece.samples[first:last]
