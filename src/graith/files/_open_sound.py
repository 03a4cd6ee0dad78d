"""A sound file opened for decoding: what it says of itself, and one sentence when it is no recording."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from stat import S_ISDIR, S_ISREG
from typing import TYPE_CHECKING, BinaryIO, cast

from graith.errors import FileError
from graith.files._decode_sound import OpenedSound, Trouble, check_format, ffmpeg_raises

if TYPE_CHECKING:
    from av.audio.codeccontext import AudioCodecContext
    from av.audio.stream import AudioStream
    from av.container.input import InputContainer

TAKEN = "Give a WAV, FLAC, MP3, Ogg, Opus, WebM or M4A recording, or a phone's video with sound."

_DEMUXERS = "wav,w64,aiff,au,caf,flac,mp3,aac,ogg,matroska,webm,mov,mp4,m4a,3gp,3g2,mj2,amr,mpegts,mpeg,avi,asf,ac3,wv"
"""Only what holds sound by itself: no playlist, which could make FFmpeg open other files or addresses."""

_SOUND_BEGINS = (
    (b"RIFF", "a WAV file"),
    (b"fLaC", "a FLAC file"),
    (b"OggS", "an Ogg file"),
    (b"ID3", "an MP3 file"),
    (b"\xff\xfb", "an MP3 file"),
    (b"\xff\xf1", "an AAC file"),
    (b"\x1a\x45\xdf\xa3", "a WebM or Matroska file"),
    (b"FORM", "an AIFF file"),
)
_OTHER_BEGINS = (
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or an office document"),
    (b"MThd", "a MIDI file, which holds notes and no sound"),
    (b"#EXTM3U", "a playlist"),
)
_LONGEST_OGG_PAGE_BYTES = 65_307
_NO_WAV_LENGTH = 0x7FFF_0000


@contextmanager
def opened_sound(path: Path | str) -> Iterator[OpenedSound]:
    """Open a sound file, or the sound of a video, for decoding.

    Raises
    ------
    FileError
        If it is not there, a folder, a device, empty, no sound file, damaged where it tells what it holds, a video
        without sound, of a kind that cannot be decoded, or tells a rate or a number of channels that cannot be.
    """
    path = Path(path)
    with _opened_file(path) as file, _opened_by_ffmpeg(path, file) as container:
        yield _looked_into(path, file, container)


@contextmanager
def _opened_file(path: Path) -> Iterator[BinaryIO]:
    try:
        status = path.stat()
        if S_ISDIR(status.st_mode):
            raise FileError(f"{path}: this is a folder. Name a recording in it.")
        if not S_ISREG(status.st_mode):
            raise FileError(f"{path}: this is a device or a pipe. Give a recording in a file.")
        if status.st_size == 0:
            raise FileError(f"{path}: the file is empty. Record or copy it again.")
        file = path.open("rb")
    except FileNotFoundError:
        raise FileError(f"{path}: there is no such file. Check the name and the folder.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(f"{path}: the file cannot be read ({reason}). Check its name and permissions.") from None
    with file:
        yield file


@contextmanager
def _opened_by_ffmpeg(path: Path, file: BinaryIO) -> Iterator[InputContainer]:
    import av

    av.logging.set_libav_level(av.logging.PANIC)
    options = {"format_whitelist": _DEMUXERS, "protocol_whitelist": "file"}
    begin = file.read(64)
    file.seek(0)
    try:
        container = av.open(_Unnamed(file), "r", options=options, metadata_errors="replace")
    except ffmpeg_raises():
        raise FileError(f"{path}: {_why_not(begin)}") from None
    with container:
        yield container


class _Unnamed:
    """A file without its name, which FFmpeg would take as a hint and which may be no Unicode."""

    def __init__(self, file: BinaryIO) -> None:
        self.read, self.seek, self.tell = file.read, file.seek, file.tell

    name = "recording"


def _why_not(begin: bytes) -> str:
    """Return what is wrong with a file that FFmpeg cannot open, by its first bytes, and what to do."""
    for magic, kind in _OTHER_BEGINS:
        if begin.startswith(magic):
            return f"this is {kind}, not a recording. {TAKEN}"
    if begin[4:8] == b"ftyp":
        return (
            "this M4A or MP4 file is damaged, or was cut off before its recorder wrote the index at its end. "
            "Copy it again from the phone, or take another recording."
        )
    for magic, kind in _SOUND_BEGINS:
        if begin.startswith(magic):
            return f"this begins like {kind}, but what follows is damaged or cut off. Copy it again, or take another."
    return f"this is not a sound file that Graith can read. {TAKEN}"


def _looked_into(path: Path, file: BinaryIO, container: InputContainer) -> OpenedSound:
    if not container.streams.audio:
        kind = "a video without sound" if container.streams.video else "a file without sound"
        raise FileError(f"{path}: this is {kind}. Record it again with the microphone on, or give another recording.")
    stream = cast("AudioStream", container.streams.best("audio") or container.streams.audio[0])
    context: AudioCodecContext | None = stream.codec_context
    if context is None or getattr(context, "codec", None) is None:
        raise FileError(
            f"{path}: its sound is coded or encrypted in a way that cannot be decoded. "
            "Convert it to WAV, FLAC or M4A with the program that made it."
        )
    rate_hz, n_channels = context.sample_rate or 0, context.channels
    check_format(path, rate_hz, n_channels)
    context.thread_type = "NONE"
    if context.codec.canonical_name == "flac":
        context.options = {"err_detect": "crccheck+explode"}
    name = container.format.name.split(",")[0]
    own_s = None if stream.duration is None or not stream.time_base else float(stream.duration * stream.time_base)
    whole_s = None if container.duration is None else container.duration / 1e6
    return OpenedSound(
        path=path,
        rate_hz=rate_hz,
        n_channels=n_channels,
        claimed_s=_claimed_s(name, own_s, whole_s, file),
        guessed_s=own_s or whole_s,
        container={"mov": "mp4", "matroska": "webm"}.get(name, name),
        coding=context.codec.canonical_name,
        is_lossy=not context.codec.lossless,
        is_fine=context.format is None or context.format.bits > 8,
        lacks_its_end=_lacks_its_end(name, file),
        trouble=Trouble(),
        _input=container,
        _stream=stream,
    )


def _claimed_s(demuxer: str, own_s: float | None, whole_s: float | None, file: BinaryIO) -> float | None:
    """Return the length in seconds that the header tells, not what FFmpeg estimates from the file's size."""
    if demuxer in ("aac", "amr", "ac3", "mpegts", "mpeg"):
        return None
    if demuxer == "mp3" and not _tells_length(file):
        return None
    return own_s or whole_s


def _tells_length(file: BinaryIO) -> bool:
    """Return whether an MP3's first frame counts its frames (a Xing, Info or VBRI header); the file's place stays."""
    at = file.tell()
    file.seek(0)
    head = file.read(10)
    tag_bytes = 0
    if head[:3] == b"ID3" and len(head) == 10:
        tag_bytes = 10 + sum((byte & 0x7F) << (7 * place) for place, byte in enumerate(reversed(head[6:10])))
    file.seek(tag_bytes)
    first = file.read(4096)
    file.seek(at)
    return any(mark in first for mark in (b"Xing", b"Info", b"VBRI"))


def _lacks_its_end(demuxer: str, file: BinaryIO) -> bool:
    """Return whether a WAV or Ogg file shows that it was cut off; the file's place stays.

    A WAV's header counts its bytes (0 or near 2 or 4 GiB when its writer could not go back to it); the last page of an
    Ogg file is marked as the last (RFC 3533, section 6).
    """
    at = file.tell()
    n_bytes = file.seek(0, 2)
    file.seek(0 if demuxer == "wav" else max(0, n_bytes - 2 * _LONGEST_OGG_PAGE_BYTES))
    part = file.read(8 if demuxer == "wav" else -1)
    file.seek(at)
    if demuxer == "wav":
        n_claimed = int.from_bytes(part[4:8], "little")
        return n_claimed < _NO_WAV_LENGTH and n_claimed + 8 > n_bytes
    if demuxer == "ogg":
        return _lacks_last_page(part)
    return False


def _lacks_last_page(end: bytes) -> bool:
    """Return whether the last page in the end of an Ogg file is not marked as the last, or not all there."""
    page = end.rfind(b"OggS")
    if page < 0 or len(end) < page + 27:
        return True
    n_segments = end[page + 26]
    n_wanted = 27 + n_segments + sum(end[page + 27 : page + 27 + n_segments])
    return not end[page + 5] & 4 or len(end) < page + n_wanted
