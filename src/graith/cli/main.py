"""The command line's top: which command, and how an error becomes one sentence and an exit status."""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from importlib import import_module
from io import TextIOWrapper

import click

from graith import __version__
from graith.errors import BuilderError, FileError, GraithError, RulesError, SoundError, UnitError

FINE, HAS_PROBLEM, UNREADABLE, STOPPED = 0, 1, 2, 130
WRONGLY_ASKED = (BuilderError, FileError, RulesError, SoundError, UnitError)
"""Errors that lie in what was asked or in what cannot be read, not in the music or the set."""


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
        "listen": ("graith.cli.listen", "listen", "Measure a recording of a set or a tune."),
        "demo": ("graith.cli.demo", "demo", "Do the whole job once on the invented demo band."),
    },
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="graith")
def graith() -> None:
    """Make a competing pipe band ready: legal, timed, printed and audible sets from a book of tunes.

    Exit status: 0 fine, 1 the music or the set has a problem, 2 wrong usage or unreadable input, 130 stopped.
    """


def main() -> None:
    """Run the command line; every known error ends as one sentence, never as a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="replace")  # a sign that the terminal does not know must not stop the answer
    for name in ("SIGTERM", "SIGHUP"):  # a closed terminal stops it as Ctrl-C does, unless it runs under nohup
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
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
    except (BrokenPipeError, SystemExit):  # click leaves by SystemExit when nobody reads any more
        _close_output()
        return FINE
    except GraithError as error:
        _tell(error)
        return UNREADABLE if isinstance(error, WRONGLY_ASKED) else HAS_PROBLEM
    except OSError as error:
        click.echo(f"The answer cannot be given: {error.strerror or error}.", err=True)
        _close_output()
        return UNREADABLE
    return status if isinstance(status, int) else FINE


def _tell(error: GraithError) -> None:
    """Print an error's sentence; when it stands for several problems of one file, each of them."""
    if len(error.problems) > 1 and str(error).startswith(str(error.problems[0])):
        for problem in error.problems:
            click.echo(str(problem), err=True)
    else:
        click.echo(str(error), err=True)


def _close_output() -> None:
    """Let nothing more be written where nobody reads, not even when Python flushes at its end."""
    with suppress(OSError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
