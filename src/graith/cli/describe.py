"""The page of all commands, made from their own help, so that the docs cannot lag behind.

``python -m graith.cli.describe > docs/commands.md``
"""

from __future__ import annotations

from collections.abc import Iterator

import click

from graith.cli.main import graith

_HEAD = """# Commands

Made from the program's own help by `make pages`; do not edit.

Every command ends with exit status 0 when all is fine, 1 when the music or the set has a problem or a recording cannot
be read or trusted, 2 for wrong usage or other unreadable input, and 130 when it was stopped. What a command writes
appears whole or not at all, and no command writes over a file that it reads. A tune with errors is still engraved,
played or converted as far as it can be read: the errors are told, and the status is 1.

With `--json` (for `graith listen`: `--json -`), standard output holds one JSON value, even when there are problems;
when there is no answer at all it holds nothing, and standard error holds the sentence that says why. Numbers that have
no value are `null`.

A tune book is a file or folder of ABC or MusicXML; `--index` is a tune's `X:` number.
"""


def commands_page() -> str:
    """Return the page of all commands as Markdown."""
    sections = [f"## graith {' '.join(path)}\n\n```text\n{text}\n```\n" for path, text in _helps(graith, ())]
    return "\n".join([_HEAD, *sections])


def _helps(group: click.Group, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str]]:
    context = click.Context(group, info_name="graith")
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            if any(isinstance(one, click.Argument) for one in command.params):  # it is a command of its own as well
                yield (*path, name), _help(command, (*path, name))
            yield from _helps(command, (*path, name))
        elif command is not None:
            yield (*path, name), _help(command, (*path, name))


def _help(command: click.Command, path: tuple[str, ...]) -> str:
    context = click.Context(
        command, info_name=" ".join(("graith", *path)), terminal_width=100, max_content_width=100,
        help_option_names=["-h", "--help"],
    )  # fmt: skip
    return command.get_help(context).rstrip()


if __name__ == "__main__":
    click.echo(commands_page(), nl=False)
