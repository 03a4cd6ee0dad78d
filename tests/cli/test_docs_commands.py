"""The commands that the docs show can be typed as they stand."""

import re
import shlex
from pathlib import Path

import click
import pytest

from graith.cli.main import graith

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]


def shown_commands() -> list[tuple[str, str]]:
    return [
        (page.name, line.strip())
        for page in PAGES
        if page.name != "commands.md"
        for block in re.findall(r"```sh\n(.*?)```", page.read_text(), re.DOTALL)
        for line in block.splitlines()
        if re.match(r"(\.venv/bin/)?graith ", line.strip())
    ]


@pytest.mark.parametrize(("page", "line"), shown_commands())
def test_a_command_shown_in_the_docs_is_one_that_can_be_typed(page: str, line: str) -> None:
    words = shlex.split(line, comments=True)[1:]
    command: click.Command = graith
    while isinstance(command, click.Group) and words[0] in command.list_commands(click.Context(command)):
        found = command.get_command(click.Context(command), words.pop(0))
        assert found is not None, f"{page}: {line}"
        command = found
    context = command.make_context(command.name, words, help_option_names=["-h", "--help"])  # click keeps the first
    takes_arguments = any(isinstance(one, click.Argument) for one in context.command.params)
    assert takes_arguments or not isinstance(context.command, click.Group), f"{page}: {line}"


def test_the_readme_shows_every_group_of_commands() -> None:
    shown = " ".join(line for page, line in shown_commands() if page == "README.md")
    for path in ("tune check", "tune show", "tune fit", "tune sheet", "tune sound"):
        assert path in shown
    for path in ("set time", "set check", "set build", "set sheet", "set sound", "book sheet"):
        assert path in shown
