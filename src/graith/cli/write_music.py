"""Write tunes in another form: ABC, MusicXML or MIDI, chosen by the file's ending."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from graith.errors import MusicError
from graith.files.write import write_bytes, write_text
from graith.music.fit import KeyMove, fitted
from graith.music.model import Tune


def write_converted(tunes: Sequence[Tune], out: Path) -> None:
    """Write tunes to a file whose ending says how.

    Raises
    ------
    MusicError
        If there are several for a form that holds one.
    click.UsageError
        If the ending is not known.
    FileError
        If the file cannot be written.
    """
    suffix = out.suffix.lower()
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


def write_fitted(moves: Sequence[tuple[Tune, tuple[KeyMove, ...]]], out: Path) -> None:
    """Write as one ABC book the tunes that a move brings onto the chanter, each moved the best way.

    Raises
    ------
    MusicError
        If there is none.
    click.UsageError
        If the file's ending is not ``.abc``.
    FileError
        If the file cannot be written.
    """
    if out.suffix.lower() != ".abc":
        raise click.UsageError(f"{out.name}: do not know this ending. Write .abc.")
    tunes = [fitted(tune, found[0]) for tune, found in moves if found]
    if not tunes:
        raise MusicError(f"No move brings a tune onto the chanter, so {out.name} was not written.")
    write_converted(tunes, out)
    left = len(moves) - len(tunes)
    click.echo(f"Wrote {out}" + (f", without the {left} that no move fits" if left else ""), err=True)
