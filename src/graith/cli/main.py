"""The command line's top: which command, and how an error becomes one sentence and an exit status."""

from __future__ import annotations

import sys
from importlib import import_module

import click

from graith import __version__
from graith.errors import FileError, GraithError

FINE, HAS_PROBLEM, UNREADABLE, STOPPED = 0, 1, 2, 130


class LazyGroup(click.Group):
    """A group whose commands are imported only when they are run, so that help is there at once.

    ``lazy`` maps a command's name to ``(module, attribute, one line of help)``.
    """

    def __init__(self, *args: object, lazy: dict[str, tuple[str, str, str]] | None = None, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        self.lazy = lazy or {}

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return all names, in the order the work moves."""
        return [*self.lazy, *super().list_commands(ctx)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command, importing its module."""
        if cmd_name not in self.lazy:
            return super().get_command(ctx, cmd_name)
        module, attribute, _ = self.lazy[cmd_name]
        command: click.Command = getattr(import_module(module), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without importing any."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, _, line) in self.lazy.items()])


@click.group(
    cls=LazyGroup,
    lazy={
        "tune": ("graith.cli.tune", "tune", "Check, show, fit, engrave and play tunes."),
        "set": ("graith.cli.set_commands", "set_group", "Time, check, build, engrave and play sets."),
        "book": ("graith.cli.book", "book", "Engrave a whole tune book."),
        "demo": ("graith.cli.demo", "demo", "Do the whole job once on the invented demo band."),
    },
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="graith")
def graith() -> None:
    """Make a competing pipe band ready: legal, timed, printed and audible sets from a book of tunes.

    Exit status: 0 fine, 1 the music or the set has a problem, 2 wrong usage or unreadable input.
    """


def main() -> None:
    """Run the command line; every known error ends as one sentence, never as a traceback."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Return the exit status of one run of the command line."""
    try:
        status = graith.main(args=arguments, prog_name="graith", standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("Stopped. Nothing half-written was left behind.", err=True)
        return STOPPED
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.ClickException as error:
        error.show()
        return UNREADABLE
    except BrokenPipeError:
        sys.stderr.close()
        return FINE
    except GraithError as error:
        click.echo(str(error), err=True)
        return UNREADABLE if isinstance(error, FileError) else HAS_PROBLEM
    return status if isinstance(status, int) else FINE
