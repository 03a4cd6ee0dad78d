"""MusicXML to a tune: what notation programs in general write, read by our own small reader.

The reader stands on the standard library's XML parser alone. A library that reads all of MusicXML would bring its
own notion of bars and lengths, and hundreds of megabytes, for the one melody line that a pipe tune is; such a library
reads what we write in the tests instead.

Pitches are taken as written, not as a transposing instrument sounds. Of several parts the first with notes is read,
of several voices the first, and what is left out is told.
"""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from xml.etree.ElementTree import Element

from graith.errors import MusicError, Place, Problem, Severity
from graith.music._musicxml_part import PartReader
from graith.music._parts import part_of, raw_parts
from graith.music.keys import key_named
from graith.music.model import Part, Tune
from graith.music.read_abc import Book

_LARGEST_BYTES = 64 * 1024 * 1024
_INTERNAL_SUBSET = re.compile(r"<!DOCTYPE[^>\[]*\[|<!ENTITY")
_DECLARED_ENCODING = re.compile(rb"""^<\?xml[^>]*encoding=["']([A-Za-z0-9._-]{1,40})["']""")
_FRACTION = re.compile(r"[1-9]\d{0,3}/[1-9]\d{0,3}|1")


def read_musicxml(text: str, source: str = "<text>") -> Book:
    """Return the tune of a MusicXML text, as a book of one tune with its problems.

    Parameters
    ----------
    text : str
        An uncompressed MusicXML file, score-partwise or score-timewise.
    source : str
        Label of the text's origin, usually a file name; never opened.

    Raises
    ------
    MusicError
        If the text is no XML, defines entities of its own, is no MusicXML score, or holds no note.

    References
    ----------
    MusicXML 4.0 (W3C Music Notation Community Group, 2021).
    """
    root = _root(text, source)
    header = _Header(root)
    title = header.titles[0] if header.titles else f"Tune {header.number}"
    parts = _parts(root)
    chosen, problems = _chosen_part(parts, source, title)
    reader = PartReader(source, title, header.field("key"))
    has_bookmarks = any(mark.get("name") == "part" for measure in chosen for mark in measure.iterfind("bookmark"))
    reader.read(chosen, rehearsal_marks_begin_parts=not has_bookmarks)
    if not reader.bars:
        raise MusicError(f"{source}: there is no note in this score. Export the part that holds the melody.")
    tune = _tune(header, reader, _finished_parts(reader, source, title))
    return Book((tune,), (*problems, *reader.problems))


def read_musicxml_bytes(data: bytes, source: str = "<bytes>") -> Book:
    """Return the tune of a MusicXML file's bytes: plain, or compressed (``.mxl``).

    Raises
    ------
    MusicError
        If the archive is broken or holds no score, if it unpacks to more than 64 MiB, if the text cannot be decoded,
        or as :func:`read_musicxml` does.

    References
    ----------
    MusicXML 4.0, compressed files: ``META-INF/container.xml`` names the score.
    """
    if data.startswith(b"PK\x03\x04"):
        data = _unpacked(data, source)
    return read_musicxml(_decoded(data, source), source)


def _root(text: str, source: str) -> Element:
    if _INTERNAL_SUBSET.search(text):
        raise MusicError(f"{source}: the file defines entities of its own, which are not read. Export it anew.")
    try:
        root = ET.fromstring(text.lstrip("\ufeff \t\r\n"))
    except (ET.ParseError, ValueError) as error:
        raise MusicError(f"{source}: this is no XML ({error}). Export the music as MusicXML.") from None
    if root.tag not in ("score-partwise", "score-timewise"):
        raise MusicError(f"{source}: <{root.tag}> is no MusicXML score. Export the music as MusicXML.")
    return root


def _decoded(data: bytes, source: str) -> str:
    declared = _DECLARED_ENCODING.match(data)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    else:
        encoding = declared[1].decode("ascii") if declared is not None else "utf-8-sig"
    try:
        return data.decode(encoding)
    except (UnicodeDecodeError, LookupError):
        raise MusicError(f"{source}: the text is not {encoding} as it says. Save it as UTF-8.") from None


def _unpacked(data: bytes, source: str) -> bytes:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return _limited(archive, _score_name(archive), source)
    except (zipfile.BadZipFile, zlib.error, KeyError, NotImplementedError, RuntimeError, ET.ParseError, EOFError):
        raise MusicError(f"{source}: the compressed MusicXML file is broken. Export it anew.") from None


def _score_name(archive: zipfile.ZipFile) -> str:
    container = _limited(archive, "META-INF/container.xml", "META-INF/container.xml")
    text = container.decode("utf-8", "replace")
    if _INTERNAL_SUBSET.search(text):
        raise KeyError("container")
    for element in ET.fromstring(text).iter():
        if element.tag.rpartition("}")[2] == "rootfile" and element.get("full-path"):
            return element.get("full-path", "")
    raise KeyError("rootfile")


def _limited(archive: zipfile.ZipFile, name: str, source: str) -> bytes:
    with archive.open(name) as member:
        data = member.read(_LARGEST_BYTES + 1)
    if len(data) > _LARGEST_BYTES:
        raise MusicError(
            f"{source}: the score unpacks to more than {_LARGEST_BYTES // 2**20} MiB. Export one tune alone."
        )
    return data


def _parts(root: Element) -> list[list[Element]]:
    """Return each part's measures."""
    if root.tag == "score-partwise":
        return [part.findall("measure") for part in root.iterfind("part")]
    found: dict[str, list[Element]] = {}
    for measure in root.iterfind("measure"):
        for part in measure.iterfind("part"):
            piece = Element("measure", dict(measure.attrib))
            piece.extend(part)
            found.setdefault(part.get("id", ""), []).append(piece)
    return list(found.values())


def _chosen_part(parts: list[list[Element]], source: str, title: str) -> tuple[list[Element], list[Problem]]:
    sounding = [part for part in parts if any(measure.find("note/pitch") is not None for measure in part)]
    if not sounding:
        raise MusicError(f"{source}: there is no note in this score. Export the part that holds the melody.")
    if len(parts) == 1:
        return sounding[0], []
    says = f"the score has {len(parts)} parts; only the first with notes is read"
    remedy = "Export the pipe's part alone if it is another."
    return sounding[0], [Problem(Place(source, tune=title), "parts", says, remedy, severity=Severity.WARNING)]


class _Header:
    """What stands before the music."""

    def __init__(self, root: Element) -> None:
        self._root = root
        self.titles = self._titles()
        number = root.findtext("work/work-number", "").strip()
        self.number = int(number) if number.isascii() and number.isdigit() and len(number) < 10 else 1
        self.composers = tuple(_words(root.iterfind("identification/creator[@type='composer']")))
        self.source = root.findtext("identification/source", "").strip()

    def fields(self, name: str) -> Iterator[str]:
        path = f"identification/miscellaneous/miscellaneous-field[@name='{name}']"
        yield from _words(self._root.iterfind(path))

    def field(self, name: str) -> str:
        return next(self.fields(name), "")

    @property
    def unit(self) -> Fraction:
        text = self.field("unit")
        return Fraction(text) if _FRACTION.fullmatch(text) else Fraction(1, 8)

    def _titles(self) -> tuple[str, ...]:
        named = [self._root.findtext(path, "").strip() for path in ("work/work-title", "movement-title")]
        credits = _words(self._root.iterfind("credit[credit-type='title']/credit-words"))
        titles = list(dict.fromkeys(title for title in named if title)) or list(credits)[:1]
        return (*titles, *self.fields("title"))


def _words(elements: Iterator[Element]) -> Iterator[str]:
    for element in elements:
        text = (element.text or "").strip()
        if text:
            yield text


def _finished_parts(reader: PartReader, source: str, title: str) -> tuple[Part, ...]:
    """Return the parts, their bars numbered by the same rules as those of an ABC text."""
    read = iter(reader.bars)
    parts = []
    for part_number, raw in enumerate(raw_parts([bar.raw for bar in reader.bars]), start=1):
        part = part_of(raw, part_number, source, title)
        bars = tuple(
            next(read).finished(bar, Place(source, tune=title, part=part_number, bar=bar.number)) for bar in part.bars
        )
        parts.append(replace(part, bars=bars))
    return tuple(parts)


def _tune(header: _Header, reader: PartReader, parts: tuple[Part, ...]) -> Tune:
    first = parts[0].bars[0]
    return Tune(
        header.number,
        header.titles,
        parts,
        first.metre,
        header.unit,
        first.key if reader.key is not None else key_named("C"),
        reader.tempo,
        header.field("rhythm"),
        header.composers,
        header.source,
        tuple(header.fields("note")),
        header.field("part-order"),
        place=parts[0].bars[0].place,
    )
