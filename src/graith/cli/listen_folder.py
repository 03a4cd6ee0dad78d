"""``graith listen folder``: measure a whole archive of recordings, on this machine or on a cluster of several."""

from __future__ import annotations

from typing import Any

import click

from graith.cli.options import INDEX, PARTS, Amount, Count, PathArgument, out_option, together

_what_was_played = together(
    click.option("--set", "set_file", type=PathArgument(), help="The set played in all that the table does not list."),
    click.option("--tune", "tune_file", type=PathArgument(), help="The tune played in all that it does not list."),
    INDEX,
    PARTS,
    click.option("--tempo", "tempo_bpm", type=Amount(20, 300, "beats a minute"), help="With --tune: beats a minute."),
    click.option("--book", type=PathArgument(), help="Find out which tune or set of this book it is, in all others."),
)
_how_heard = together(
    click.option("--pitch", "low_a_hz", type=Amount(400, 560, "Hz"), help="Low A in Hz, when known; else it is found."),
    click.option("--scale", default="harmonic", show_default=True, help="harmonic, or 'older published'."),
    click.option("--players", "n_players", type=Count(1, 99, "players"), help="How many chanters play, when known."),
)
_where = together(
    click.option("--workers", "n_workers", type=Count(1, 256, "workers"), help="Processes here; else one a core."),
    click.option("--cluster", metavar="ADDRESS", help="A Dask scheduler: tls://host:port, or tcp://host:port."),
    click.option("--shared", is_flag=True, help="With --cluster: workers read the same paths; else sound is sent."),
    click.option("--tls-ca", type=PathArgument(), metavar="PEM", help="With tls://: the authority's certificate."),
    click.option("--tls-cert", type=PathArgument(), metavar="PEM", help="With tls://: this machine's certificate."),
    click.option("--tls-key", type=PathArgument(), metavar="PEM", help="With tls://: this machine's key."),
)


@click.command(short_help="Measure a folder of recordings.", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("folder", type=PathArgument(), required=True)
@out_option("Folder for the results; what holds there from an earlier run is kept.")
@_what_was_played
@_how_heard
@_where
def folder(**options: Any) -> int:
    """Measure all recordings in FOLDER and write what was heard, one JSON file a recording and a summary of all.

    What was played stands in recordings.toml beside the recordings, or is told by --set, --tune or --book. Stopped and
    run again, it goes on where it was. Exit status: 0 when every recording can be trusted, 1 when not, 2 for wrong
    usage.

    A Dask cluster runs any code that anybody who can reach its scheduler or workers gives it, unless TLS is on: use
    tls:// with keys of your own, or a network that is nobody else's. Recordings of people are sent to its machines.
    """
    from graith.cli.folder_answers import listen_to_folder

    return listen_to_folder(**options)
