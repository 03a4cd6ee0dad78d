"""The command line run in this process, with what it printed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

import graith.demo
from graith.cli.main import run

DEMO = Path(graith.demo.__path__[0])


@dataclass(frozen=True)
class Ran:
    """What one run came to."""

    status: int
    out: str
    err: str


@pytest.fixture
def graith_run(capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Run the command line and give its status and what it printed."""

    def run_it(*arguments: object) -> Ran:
        status = run([str(one) for one in arguments])
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        return Ran(status, captured.out, captured.err)

    return run_it


@pytest.fixture
def tunes() -> Path:
    """The demo band's folder of books."""
    return DEMO / "tunes"


@pytest.fixture
def sets() -> Path:
    """The demo band's folder of sets."""
    return DEMO / "sets"
