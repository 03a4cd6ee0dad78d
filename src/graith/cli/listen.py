"""``graith listen``: measure a recording of a known set, or find which of the band's music it holds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from graith.cli.listen_folder import folder
from graith.cli.options import INDEX, PARTS, Amount, Count, PathArgument, together


class CommandWithMore(click.Group):
    """A command of its own that has further commands under it: the first word tells which is meant.

    ``graith listen night.m4a`` is the command itself, ``graith listen which night.m4a`` the one under it; a recording
    that is called as a command is can be given as ``./which``.
    """

    allow_extra_args = False
    allow_interspersed_args = True

    def make_context(
        self, info_name: str | None, args: list[str], parent: click.Context | None = None, **extra: Any
    ) -> click.Context:
        """Return the context of the command under it when the first word names one, else of itself."""
        under = self.commands.get(args[0]) if args else None
        if under is not None:
            return under.make_context(f"{info_name} {args[0]}", args[1:], parent, **extra)
        return super().make_context(info_name, args, parent, **extra)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the arguments as a command does, not as a group."""
        if not args and not ctx.resilient_parsing:
            raise click.exceptions.NoArgsIsHelpError(ctx)
        return click.Command.parse_args(self, ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command itself."""
        return click.Command.invoke(self, ctx)

    def collect_usage_pieces(self, ctx: click.Context) -> list[str]:
        """Return the pieces of the command itself."""
        return click.Command.collect_usage_pieces(self, ctx)


_HELP_NAMES = {"help_option_names": ["-h", "--help"]}
_JSON_OUT = click.option(
    "--json", "json_out", type=PathArgument(), metavar="OUT", help="Write the answer as JSON; - is standard output."
)
_PITCH = click.option(
    "--pitch",
    "low_a_hz",
    type=Amount(400, 560, "Hz"),
    help="Low A in Hz, when it is known; else it is found.",
)

_recording = click.argument("recording", type=PathArgument(), required=True)
_how_heard = together(
    _PITCH,
    click.option("--scale", default="harmonic", show_default=True, help="harmonic, or 'older published'."),
    click.option("--players", "n_players", type=Count(1, 99, "players"), help="How many chanters play, when known."),
)
_what_was_played = together(
    click.option("--set", "set_file", type=PathArgument(), help="The set that was played: a set file, .toml."),
    click.option("--tune", "tune_file", type=PathArgument(), help="The tune that was played: .abc or MusicXML."),
    INDEX,
    PARTS,
    click.option(
        "--tempo",
        "tempo_bpm",
        type=Amount(20, 300, "beats a minute"),
        help="With --tune: beats a minute planned; else the tune's own, else its type's.",
    ),
)


@click.group(cls=CommandWithMore, context_settings=_HELP_NAMES)
@_recording
@_what_was_played
@_how_heard
@click.option(
    "--against",
    type=PathArgument(),
    metavar="RESULT",
    help="One player: hold dotted pairs against the band's, a result of the same tune that --json wrote.",
)
@_JSON_OUT
@click.option("--pages", "pages_out", type=PathArgument(), metavar="OUT.pdf", help="Write pictures and words as pages.")
def listen(**options: Any) -> int:
    """Measure RECORDING of a set or a tune: what was played, how together, how steady, how well in tune.

    Sound of any usual format, one player or a band. Talk and tuning before and after do no harm. Exit status: 0 when
    the recording can be trusted, 1 when not, or when it is no sound that can be listened to.

    The sound stays on this machine. Ask before you record anybody, and for children follow your local rules.
    """
    from graith.cli.listen_answers import listen_and_tell

    return listen_and_tell(**options)


@listen.command(short_help="Say which of a book's tunes and sets it is.", context_settings=_HELP_NAMES)
@_recording
@click.option("--book", type=PathArgument(), required=True, help="A folder of tunes and set files, or one file.")
@_PITCH
@_JSON_OUT
def which(recording: Path, book: Path, low_a_hz: float | None, json_out: Path | None) -> int:
    """Say which of the tunes and sets in a book RECORDING holds, the likeliest first, or none of them."""
    from graith.cli.which_answers import tell_which

    return tell_which(recording, book, low_a_hz=low_a_hz, json_out=json_out)


listen.add_command(folder)
