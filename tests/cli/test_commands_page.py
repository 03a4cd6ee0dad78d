from pathlib import Path

import click

from graith.cli.describe import commands_page
from graith.cli.main import graith

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"


def test_the_page_of_commands_is_what_the_commands_say_of_themselves() -> None:
    assert PAGE.read_text() == commands_page(), "run `make pages`"


def test_every_command_and_every_option_has_help() -> None:
    def walk(command: click.Command, path: str) -> list[str]:
        lacking = [] if command.help else [path]
        lacking += [f"{path} {one.name}" for one in command.params if isinstance(one, click.Option) and not one.help]
        if isinstance(command, click.Group):
            context = click.Context(command)
            for name in command.list_commands(context):
                below = command.get_command(context, name)
                assert below is not None
                lacking += walk(below, f"{path} {name}")
        return lacking

    assert walk(graith, "graith") == []
