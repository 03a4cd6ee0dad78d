"""Sound to a file, block by block, written whole or not at all: WAV, FLAC, MP3, Ogg Vorbis, Ogg Opus and AAC."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from graith.errors import FileError
from graith.files.write import written_whole

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Singles = npt.NDArray[np.float32]

Progress = Callable[[int], object]

_PIECE_SAMPLES = 16384  # the Vorbis encoder takes each piece on its stack, so no piece may be large


@dataclass(frozen=True, slots=True)
class AudioFormat:
    """How sound is kept in a file.

    Attributes
    ----------
    name : str
    suffixes : tuple of str
        File name endings that mean this format; empty when it must be asked for by name.
    container, coding : str
        As libsndfile names them; MP4 and AAC, which it does not write, go by PyAV.
    rates_hz : tuple of int
        The only sampling rates it takes; empty for any.
    """

    name: str
    suffixes: tuple[str, ...]
    container: str
    coding: str
    rates_hz: tuple[int, ...] = ()


AUDIO_FORMATS: tuple[AudioFormat, ...] = (
    AudioFormat("wav", (".wav",), "WAV", "PCM_16"),
    AudioFormat("wav24", (), "WAV", "PCM_24"),
    AudioFormat("wav-float", (), "WAV", "FLOAT"),
    AudioFormat("flac", (".flac",), "FLAC", "PCM_16"),
    AudioFormat("flac24", (), "FLAC", "PCM_24"),
    AudioFormat(
        "mp3", (".mp3",), "MP3", "MPEG_LAYER_III", (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
    ),
    AudioFormat("ogg", (".ogg", ".oga"), "OGG", "VORBIS"),
    AudioFormat("m4a", (".m4a",), "MP4", "AAC", (16000, 22050, 24000, 32000, 44100, 48000)),
    AudioFormat("opus", (".opus",), "OGG", "OPUS", (8000, 12000, 16000, 24000, 48000)),
)
"""The formats that can be written, the usual one of each suffix first."""


def audio_format(path: Path | str, name: str | None = None) -> AudioFormat:
    """Return the format of that name, or else the one that the path's suffix means.

    Raises
    ------
    FileError
        If there is none.

    Examples
    --------
    >>> audio_format("set.mp3").coding
    'MPEG_LAYER_III'
    """
    suffix = Path(path).suffix.casefold()
    for one in AUDIO_FORMATS:
        if one.name == name or (name is None and suffix in one.suffixes):
            return one
    if name is not None:
        raise FileError(
            f"There is no sound format {name!r}. Use one of: {', '.join(one.name for one in AUDIO_FORMATS)}."
        )
    endings = " ".join(ending for one in AUDIO_FORMATS for ending in one.suffixes)
    raise FileError(f"{path}: the ending {suffix!r} is no sound format that can be written. Use one of: {endings}.")


def usual_rate_hz(form: AudioFormat) -> int:
    """Return the sampling rate to render at for this format: 44,100 Hz where it takes it, else 48,000."""
    return 44_100 if not form.rates_hz or 44_100 in form.rates_hz else 48_000


def write_audio(
    path: Path | str,
    blocks: Iterable[Singles],
    rate_hz: int,
    *,
    form: AudioFormat | None = None,
    title: str = "",
    comment: str = "",
    progress: Progress | None = None,
) -> int:
    """Write blocks of sound to a file as they come; return how many samples it has.

    Nothing stands at ``path`` until all is written; when a block, ``progress`` or the user (Ctrl-C) stops the writing
    by an exception, the half-written file is removed and what stood there before stays.

    Parameters
    ----------
    path : Path or str
    blocks : iterable of float32 array, shape (samples,) or (samples, channels)
        From -1 to 1; beyond is cut off.
    rate_hz : int
    form : AudioFormat, optional
        Default by the path's suffix.
    title, comment : str
        Written into the file's tags where the format has them.
    progress : callable, optional
        Called with the number of samples written so far, after each block.

    Raises
    ------
    FileError
        If there is no sound, the format does not take this rate or number of channels, or the file cannot be written.
    """
    chosen = form or audio_format(path)
    if chosen.rates_hz and rate_hz not in chosen.rates_hz:
        rates = ", ".join(str(rate) for rate in chosen.rates_hz)
        raise FileError(f"{path}: {chosen.name} takes only sampling rates of {rates} Hz, not {rate_hz} Hz.")
    pieces = iter(blocks)
    first = next(pieces, None)
    if first is None:
        raise FileError(f"{path}: there is no sound to write.")
    with written_whole(path) as temporary:
        return _write_pieces(path, temporary, _Sound(first, pieces, rate_hz, title, comment), chosen, progress)


@dataclass(frozen=True, slots=True)
class _Sound:
    first: Singles
    rest: Iterable[Singles]
    rate_hz: int
    title: str
    comment: str


def _write_pieces(
    path: Path | str, temporary: Path, sound: _Sound, form: AudioFormat, progress: Progress | None
) -> int:
    import soundfile

    if form.container == "MP4":
        return _write_aac(path, temporary, sound, form, progress)
    channels = 1 if sound.first.ndim == 1 else sound.first.shape[1]
    n_written = 0
    try:
        with soundfile.SoundFile(
            temporary, "w", sound.rate_hz, channels, subtype=form.coding, format=form.container
        ) as file:
            if sound.title:
                file.title = sound.title
            if sound.comment:
                file.comment = sound.comment
            for block in chain([sound.first], sound.rest):
                for start in range(0, len(block), _PIECE_SAMPLES):
                    file.write(block[start : start + _PIECE_SAMPLES])
                n_written += len(block)
                if progress is not None:
                    progress(n_written)
    except soundfile.LibsndfileError as error:
        says = error.error_string.strip().rstrip(".")
        raise FileError(
            f"{path}: the sound cannot be written as {form.name} ({says}). Nothing was changed; is the disk full?"
        ) from error
    return n_written


def _write_aac(path: Path | str, temporary: Path, sound: _Sound, form: AudioFormat, progress: Progress | None) -> int:
    from graith.files._write_aac import write_aac

    n_written = 0

    def counted() -> Iterator[Singles]:
        nonlocal n_written
        for block in chain([sound.first], sound.rest):
            yield block
            n_written += len(block)
            if progress is not None:
                progress(n_written)

    channels = 1 if sound.first.ndim == 1 else sound.first.shape[1]
    try:
        write_aac(temporary, counted(), sound.rate_hz, channels, title=sound.title, comment=sound.comment)
    except (OSError, ValueError) as error:
        says = str(error).strip().rstrip(".")
        raise FileError(
            f"{path}: the sound cannot be written as {form.name} ({says}). Nothing was changed; is the disk full?"
        ) from error
    return n_written
