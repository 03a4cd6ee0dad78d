"""Timelines that the sound tests play, and a band of one bare chanter."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from graith.music.read_abc import read_tune
from graith.music.tune_types import tune_type_named
from graith.sets.model import Opening, PlannedSet, PlannedTune
from graith.sound.model import Band, Performance
from graith.sound.render import sound_blocks
from graith.timeline.graces import GraceModel
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline

Render = Callable[..., npt.NDArray[np.float64]]

MARCH = """X:1
T:Eight bars of march
M:2/4
L:1/8
R:march
K:HP
|: {g}A2 {d}A>B | {gcd}c2 {e}A>c | {gef}e2 A>c | {gde}d2 {gBd}B2 |
{g}A2 {d}A>B | {gcd}c2 {e}A>c | {gef}e>c {gBd}B>c | {g}A2 {GAG}A2 :|
"""
SCALE = """X:2
T:Nine long notes
M:4/4
L:1/4
R:march
K:HP
G4 | A4 | B4 | c4 | d4 | e4 | f4 | g4 | a4 |]
"""


def line_of(
    text: str, bpm: float, *, roll_beats: int = 0, type_name: str = "2/4 march", graces: GraceModel | None = None
) -> Timeline:
    tune = PlannedTune(read_tune(text, "test.abc"), tune_type_named(type_name), bpm, bpm)
    return timeline_of(PlannedSet("a set", (tune,), (), opening=Opening(roll_beats=roll_beats)), graces=graces)


@pytest.fixture
def march() -> Timeline:
    """Sixteen played bars of two beats at 80 with doublings, after eight beats of opening."""
    return line_of(MARCH, 80, roll_beats=8)


@pytest.fixture
def bare_march() -> Timeline:
    """The same without an opening."""
    return line_of(MARCH, 80)


@pytest.fixture
def long_notes() -> Timeline:
    """Each of the nine notes for two seconds, without gracenotes."""
    return line_of(SCALE, 120, type_name="4/4 march")


@pytest.fixture
def chanter_alone() -> Band:
    """One chanter in the open: no drones, drums or room."""
    return Band(drones=None, drums=None, room=None)


@pytest.fixture
def rendered() -> Render:
    """Join a performance's blocks."""

    def join(performance: Performance, **settings: int) -> npt.NDArray[np.float64]:
        return np.concatenate(list(sound_blocks(performance, **settings))).astype(np.float64)

    return join
