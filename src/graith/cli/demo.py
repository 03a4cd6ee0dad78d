"""``graith demo``: the whole job once, on the invented demo band."""

from __future__ import annotations

from pathlib import Path

import click

from graith.cli.main import FINE
from graith.cli.options import PathArgument


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "-o", "--out", type=PathArgument(), default="demo-out", show_default=True, help="Folder for everything it writes."
)
@click.option("--no-sound", is_flag=True, help="Leave the sound out.")
def demo(out: Path, no_sound: bool) -> int:
    """Do the whole job once on the invented demo band.

    Check its tunes, time its sets and hold them against its rulebook, build better sets, engrave and play them, and
    listen to a rehearsal of one.
    """
    from graith.cli.run_demo import run_demo

    run_demo(out, with_sound=not no_sound)
    return FINE
