"""Recordings that several tests of listening share, made once: see ``played_recordings``."""

from __future__ import annotations

import pytest

from graith.listen.align import Aligned
from graith.listen.frames import Frames
from graith.sound.model import Band, Players
from played_recordings import Played, heard_in, jig, march, played, warped

SOLO = Band(drums=None, room=None)
SIX = Band(players=Players(6, 14.0, 5.0, 1.5, 1.0, 3))


@pytest.fixture(scope="session")
def solo() -> Played:
    """One player with drones, without drums or room, his tempo swinging by one and a half in a hundred."""
    return played(march(), SOLO, as_played=warped(march(), wander=0.015))


@pytest.fixture(scope="session")
def solo_heard(solo: Played) -> tuple[Aligned, Frames]:
    """Where its notes were heard."""
    return heard_in(solo)


@pytest.fixture(scope="session")
def six() -> Played:
    """Six players 14 ms apart with drums, in a room, 25 dB above noise."""
    return played(march(), SIX, as_played=warped(march(), wander=0.015), noise_db=25.0)


@pytest.fixture(scope="session")
def six_heard(six: Played) -> tuple[Aligned, Frames]:
    """Where its notes were heard."""
    return heard_in(six)


@pytest.fixture(scope="session")
def short() -> Played:
    """One part of a jig by one player: half a minute."""
    return played(jig(), SOLO)


@pytest.fixture(scope="session")
def short_heard(short: Played) -> tuple[Aligned, Frames]:
    """Where its notes were heard."""
    return heard_in(short)
