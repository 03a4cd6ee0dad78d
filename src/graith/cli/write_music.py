"""Write tunes in another form: ABC, MusicXML or MIDI, chosen by the file's ending."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from graith.errors import MusicError
from graith.files.write import write_bytes, write_text
from graith.music.model import Tune


def write_converted(tunes: Sequence[Tune], out: Path) -> None:
    """Write tunes to a file whose ending says how.

    Raises
    ------
    MusicError
        If there is no tune, or several for a form that holds one.
    click.UsageError
        If the ending is not known.
    FileError
        If the file cannot be written.
    """
    suffix = out.suffix.lower()
    if not tunes:
        raise MusicError("There is no tune to write. A tune starts with an X: line and has a K: line.")
    if suffix == ".abc":
        from graith.music.write_abc import write_book

        write_text(out, write_book(tunes))
        return
    if suffix not in (".musicxml", ".xml", ".mid", ".midi"):
        raise click.UsageError(f"{out.name}: do not know this ending. Write .abc, .musicxml or .mid.")
    if len(tunes) > 1:
        raise MusicError(f"{out.name} can hold one tune, and there are {len(tunes)}. Name one with --index.")
    if suffix.startswith(".mid"):
        from graith.music.write_midi import tune_midi

        write_bytes(out, tune_midi(tunes[0]))
    else:
        from graith.music.write_musicxml import write_musicxml

        write_text(out, write_musicxml(tunes[0]))
