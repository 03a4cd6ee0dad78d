"""AAC in an MPEG-4 file, as phones record: by PyAV, for libsndfile writes none."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt
    from av import AudioFrame

    Singles = npt.NDArray[np.float32]

_BITS_A_SECOND = 96_000


def write_aac(path: Path, blocks: Iterable[Singles], rate_hz: int, channels: int, *, title: str, comment: str) -> None:
    """Write blocks of sound, of shape (samples,) or (samples, channels), at 96 kbit/s a channel.

    Raises
    ------
    OSError
        If it cannot be written; PyAV's own errors are OSErrors or ValueErrors.
    """
    import av

    layout = "mono" if channels == 1 else "stereo"
    with av.open(str(path), "w", format="ipod") as file:
        file.metadata.update({name: text for name, text in (("title", title), ("comment", comment)) if text})
        stream = file.add_stream("aac", rate=rate_hz, layout=layout)
        stream.bit_rate = _BITS_A_SECOND * channels
        stream.codec_context.open()
        frames = av.AudioResampler(
            format="fltp", layout=layout, rate=rate_hz, frame_size=stream.codec_context.frame_size or 1024
        )
        for frame in _frames(blocks, rate_hz, layout):
            for ready in frames.resample(frame):
                file.mux(stream.encode(ready))
        for ready in frames.resample(None):
            file.mux(stream.encode(ready))
        file.mux(stream.encode(None))


def _frames(blocks: Iterable[Singles], rate_hz: int, layout: str) -> Iterator[AudioFrame]:
    import av

    begin = 0
    for block in blocks:
        planes = np.ascontiguousarray(np.clip(np.atleast_2d(block.T), -1.0, 1.0), dtype=np.float32)
        if planes.shape[1]:
            frame = av.AudioFrame.from_ndarray(planes, format="fltp", layout=layout)
            frame.sample_rate, frame.pts, frame.time_base = rate_hz, begin, Fraction(1, rate_hz)
            begin += planes.shape[1]
            yield frame
