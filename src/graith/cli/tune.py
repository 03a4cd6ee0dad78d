"""``graith tune``: check, show, fit, engrave, play and convert tunes."""

from __future__ import annotations

from pathlib import Path

import click

from graith.cli.main import FINE, HAS_PROBLEM
from graith.cli.options import (
    INDEX,
    JSON,
    PARTS,
    PathArgument,
    layout_options,
    music_argument,
    out_option,
    practice_options,
)
from graith.errors import MusicError
from graith.files.read_files import load_book, load_books
from graith.music.model import Tune
from graith.music.read_abc import Book


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def tune() -> None:
    """Check, show, fit, engrave and play tunes."""


@tune.command()
@music_argument(nargs=-1)
@JSON
def check(music: tuple[Path, ...], as_json: bool) -> int:
    """Say everything that is wrong with the tunes in MUSIC: files or folders of ABC or MusicXML.

    Text that cannot be read, bars that do not fill their metre, notes the chanter does not have, gracenotes that are
    no known figure. Each with file, line, column, part and bar.
    """
    from graith.cli.tune_answers import print_checks
    from graith.services.check_music import check_book

    checks = [check_book(book, path.name) for path, book in load_books(music)]
    print_checks(checks, as_json=as_json)
    return HAS_PROBLEM if any(one.n_errors for one in checks) else FINE


@tune.command()
@music_argument()
@INDEX
@JSON
def show(music: Path, index: int | None, as_json: bool) -> int:
    """Show the tunes in MUSIC: type, parts, bars, playing time, difficulty bar by bar, figures."""
    from graith.cli.tune_answers import print_tunes
    from graith.services.check_music import check_tune

    book = load_book(music)
    chosen = book.tunes if index is None else (tune_numbered(book, index, music),)
    print_tunes([check_tune(one) for one in chosen], as_json=as_json)
    return FINE if chosen else HAS_PROBLEM


@tune.command()
@music_argument()
@INDEX
@click.option("--write", "out", type=PathArgument(), help="Write the tune, moved the best way, to this .abc file.")
@click.option("--most", default=5, show_default=True, help="Show at most this many moves.")
@JSON
def fit(music: Path, index: int | None, out: Path | None, most: int, as_json: bool) -> int:
    """Move general tunes onto the chanter's nine notes: the moves that fit, best first, or which notes do not."""
    from graith.cli.tune_answers import print_fits
    from graith.music.fit import fits, fitted
    from graith.music.write_abc import write_book

    book = load_book(music)
    chosen = book.tunes if index is None else (tune_numbered(book, index, music),)
    moves = [(one, fits(one)) for one in chosen]
    print_fits(moves, most=most, as_json=as_json)
    if out is not None:
        from graith.files.write import write_text

        write_text(out, write_book([fitted(one, found[0]) for one, found in moves if found]))
    return FINE if moves and all(found for _, found in moves) else HAS_PROBLEM


@tune.command()
@music_argument()
@INDEX
@PARTS
@out_option("The page to write: .pdf, or .svg for the first page.")
@layout_options
def sheet(music: Path, index: int | None, parts: tuple[int, ...] | None, out: Path, **layout: object) -> int:
    """Engrave one tune of MUSIC on a page."""
    from graith.cli.write_sheets import write_tune_sheet

    write_tune_sheet(one_tune(music, index), out, parts=parts, layout=layout)
    click.echo(f"Wrote {out}")
    return FINE


@tune.command()
@music_argument()
@INDEX
@PARTS
@click.option("--tempo", "tempo_bpm", type=float, help="Beats a minute; else the tune's own, else its type's.")
@out_option("The sound to write: .wav .flac .mp3 .ogg, or .mid for MIDI.")
@practice_options
def sound(
    music: Path,
    index: int | None,
    parts: tuple[int, ...] | None,
    tempo_bpm: float | None,
    out: Path,
    **practice: object,
) -> int:
    """Render practice sound of one tune of MUSIC."""
    from graith.cli.write_sounds import write_sound
    from graith.services.lay_music import planned_tune_alone

    planned = planned_tune_alone(one_tune(music, index), parts=parts, tempo_bpm=tempo_bpm)
    write_sound(planned, out, practice)
    return FINE


@tune.command()
@music_argument()
@INDEX
@out_option("The file to write: .abc, .musicxml or .mid.")
def convert(music: Path, index: int | None, out: Path) -> int:
    """Write the tunes of MUSIC as ABC, one of them as MusicXML or MIDI."""
    from graith.cli.write_music import write_converted

    book = load_book(music)
    chosen = list(book.tunes) if index is None else [tune_numbered(book, index, music)]
    write_converted(chosen, out)
    click.echo(f"Wrote {out}")
    return HAS_PROBLEM if book.problems else FINE


def one_tune(path: Path, index: int | None) -> Tune:
    """Return the tune of that number, or the only one.

    Raises
    ------
    MusicError
        If there is none of that number, or several and none was named.
    """
    book = load_book(path)
    if index is not None:
        return tune_numbered(book, index, path)
    if len(book.tunes) == 1:
        return book.tunes[0]
    if not book.tunes:
        raise MusicError(
            f"{path.name}: there is no tune in it. A tune starts with X: and has a K: line.", book.problems
        )
    listed = ", ".join(f"{one.number} ({one.title})" for one in book.tunes[:12])
    raise MusicError(f"{path.name} holds {len(book.tunes)} tunes. Name one with --index: {listed}.")


def tune_numbered(book: Book, index: int, path: Path) -> Tune:
    """Return the book's tune of that ``X:`` number.

    Raises
    ------
    MusicError
        If there is none.
    """
    for one in book.tunes:
        if one.number == index:
            return one
    numbers = ", ".join(str(one.number) for one in book.tunes) or "none"
    raise MusicError(f"{path.name} has no tune numbered {index}. Its numbers: {numbers}.")
