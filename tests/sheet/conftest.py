"""Tunes that the sheet tests engrave, and Verovio as the reader that judges them."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from typing import Any

import pytest

from graith.music.model import Tune
from graith.music.read_abc import read_book, read_tune

MARCH = """X:1
T:Eight Bars & a Pick-up
C:A. Piper
R:march
M:2/4
L:1/8
Q:1/4=78
K:HP
e |: {g}A>{GdGe}A {gef}e>{A}d | {gcd}c<{e}A {gAGAG}A>d | {gef}e>a {ag}a>e | {g}f<e {gde}d>e |
{g}A>{GdGe}A {gef}e>{A}d | {gcd}c<{e}A {gAGAG}A>d | {gef}e>a {g}(3edc |1 {gBd}B2 {g}A>e :|2 {gBd}B2- {g}B>e ||
|: {ag}a>e {g}c>{d}A | {gef}e<c {gAGAG}A>f | {ag}a>f {gef}e>c | {Gdc}d2 {g}d>f |
{ag}a>e {g}c>{d}A | {gef}e<c {gAGAG}A>d | {gef}e>a e {cd}c>{e}A/ | {gBd}B2 {g}A2 :|
"""


@pytest.fixture
def march() -> Tune:
    return read_tune(MARCH)


@pytest.fixture(scope="session")
def demo_tunes() -> tuple[Tune, ...]:
    """Every tune of the demo book."""
    folder = files("graith.demo") / "tunes"
    texts = sorted((file.name, file.read_text("utf-8")) for file in folder.iterdir() if file.name.endswith(".abc"))
    return tuple(tune for name, text in texts for tune in read_book(text, name).tunes)


@pytest.fixture
def verovio_reader() -> Iterator[Any]:
    """A Verovio toolkit of its own that speaks its warnings to standard error."""
    import verovio

    toolkit = verovio.toolkit()
    verovio.enableLog(verovio.LOG_WARNING)
    yield toolkit
    verovio.enableLog(verovio.LOG_OFF)
