"""``graith tune``: check, show, fit, engrave, play and convert tunes."""

from __future__ import annotations

from pathlib import Path

import click

from graith.cli.main import FINE, HAS_PROBLEM, UNREADABLE
from graith.cli.options import (
    INDEX,
    JSON,
    PARTS,
    Amount,
    Count,
    PathArgument,
    check_out,
    layout_options,
    music_argument,
    out_option,
    practice_options,
)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def tune() -> None:
    """Check, show, fit, engrave and play tunes."""


@tune.command(short_help="Say what is wrong with tunes.")
@music_argument(nargs=-1)
@JSON
def check(music: tuple[Path, ...], as_json: bool) -> int:
    """Say everything that is wrong with the tunes in MUSIC: files or folders of ABC or MusicXML.

    Text that cannot be read, bars that do not fill their metre, notes the chanter does not have, gracenotes that are
    no known figure. Each with file, line, column, part and bar.
    """
    from graith.cli.tune_answers import check_music, print_checks

    checks, unreadable = check_music(music)
    print_checks(checks, unreadable, as_json=as_json)
    if unreadable:
        return UNREADABLE
    return HAS_PROBLEM if any(one.n_errors for one in checks) else FINE


@tune.command(short_help="Show type, time, difficulty, figures.")
@music_argument()
@INDEX
@JSON
def show(music: Path, index: int | None, as_json: bool) -> int:
    """Show the tunes in MUSIC: type, parts, bars, playing time, difficulty bar by bar, figures."""
    from graith.cli.choose_tunes import chosen_checks
    from graith.cli.tune_answers import print_tunes

    checks = chosen_checks(music, index)
    print_tunes(checks, as_json=as_json)
    return HAS_PROBLEM if any(one.n_errors for one in checks) else FINE


@tune.command(short_help="Move general tunes onto the chanter.")
@music_argument()
@INDEX
@click.option("--write", "out", type=PathArgument(), help="Write the tune, moved the best way, to this .abc file.")
@click.option("--most", type=Count(1, 99, "moves"), default=5, show_default=True, help="Show at most this many moves.")
@JSON
def fit(music: Path, index: int | None, out: Path | None, most: int, as_json: bool) -> int:
    """Move general tunes onto the chanter's nine notes: the moves that fit, best first, or which notes do not."""
    from graith.cli.choose_tunes import chosen_checks, told
    from graith.cli.tune_answers import print_fits
    from graith.music.fit import fits

    if out is not None:
        check_out(out, reads=[music])
    checks = chosen_checks(music, index)
    moves = [(one.tune, fits(one.tune)) for one in checks]
    print_fits(moves, most=most, as_json=as_json)
    if out is not None:
        from graith.cli.write_music import write_fitted

        write_fitted(moves, out)
    status = told(*checks)
    return status if all(found for _, found in moves) else HAS_PROBLEM


@tune.command()
@music_argument()
@INDEX
@PARTS
@out_option("The page to write: .pdf, or .svg for the first page.")
@layout_options
def sheet(music: Path, index: int | None, parts: tuple[int, ...] | None, out: Path, **layout: object) -> int:
    """Engrave one tune of MUSIC on a page."""
    from graith.cli.choose_tunes import one_check, told
    from graith.cli.write_sheets import write_tune_sheet

    check_out(out, reads=[music])
    check = one_check(music, index)
    click.echo(write_tune_sheet(check.tune, out, parts=parts, layout=layout))
    return told(check)


@tune.command()
@music_argument()
@INDEX
@PARTS
@click.option(
    "--tempo",
    "tempo_bpm",
    type=Amount(20, 300, "beats a minute"),
    help="Beats a minute; else the tune's own, else its type's.",
)
@out_option("The sound to write: .wav .flac .mp3 .ogg, or .mid for the chanter's line.")
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
    from graith.cli.choose_tunes import one_check, told
    from graith.cli.write_sounds import write_sound
    from graith.services.lay_music import planned_tune_alone

    check_out(out, reads=[music])
    check = one_check(music, index)
    write_sound(planned_tune_alone(check.tune, parts=parts, tempo_bpm=tempo_bpm), out, practice)
    return told(check)


@tune.command(short_help="Write tunes as ABC, MusicXML or MIDI.")
@music_argument()
@INDEX
@out_option("The file to write: .abc, .musicxml or .mid.")
def convert(music: Path, index: int | None, out: Path) -> int:
    """Write the tunes of MUSIC as ABC, one of them as MusicXML or MIDI."""
    from graith.cli.choose_tunes import chosen_checks, told
    from graith.cli.write_music import write_converted

    check_out(out, reads=[music])
    checks = chosen_checks(music, index)
    write_converted([one.tune for one in checks], out)
    click.echo(f"Wrote {out}")
    return told(*checks)
