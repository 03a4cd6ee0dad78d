"""A small archive for tests: rendered recordings of sixteen bars, one that is no sound, and what was played."""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np

from graith.files.audio import write_audio
from graith.services.lay_music import planned_tune_alone
from graith.services.listen_to_archive import Asked, HowToHear, Music, music_of
from graith.sound.master import mastered_blocks
from graith.sound.model import Band, band_of
from graith.sound.perform import performance
from graith.timeline.make_timeline import timeline_of
from heard_by_hand import DEMO, one_tune

RATE_HZ = 44_100
SET = f"""
name = "Two parts"

[opening]
roll_beats = 0

[[tunes]]
file = "{DEMO.as_posix()}/tunes/marches.abc"
index = 1
parts = [1, 2]
repeats = false
"""
TABLE = """
[[recording]]
file = "first.flac"
set = "two-parts.toml"
players = 1

[[recording]]
file = "2031/second.flac"
set = "two-parts.toml"
pitch_hz = 478
"""
ANYHOW = HowToHear()
NAMES = ("2031/second.flac", "a note.wav", "first.flac", "third.flac")


def write_archive(folder: Path) -> Path:
    """Write a set and recordings of it: two for the table, one that it does not list, and a text called .wav."""
    (folder / "2031").mkdir(parents=True)
    (folder / "two-parts.toml").write_text(SET)
    timeline = timeline_of(two_parts().planned)
    silence = np.zeros(RATE_HZ, dtype=np.float32)
    for name, low_a_hz, n_players in (("first", 480.0, 1), ("2031/second", 478.0, 2), ("third", 482.0, 1)):
        played = performance(timeline, Band(players=band_of(n_players, 3), low_a_hz=low_a_hz, room=None))
        write_audio(folder / f"{name}.flac", [silence, *mastered_blocks(played), silence], RATE_HZ)
    (folder / "a note.wav").write_text("This is no sound.\n" * 100)
    return folder


@functools.cache
def two_parts() -> Music:
    """The set that the archive's recordings hold: two parts of a march, played once."""
    tune = one_tune().tunes[0].tune
    return music_of("Two parts", planned_tune_alone(tune, parts=(1, 2), repeats=False))


def all_asked(how: HowToHear = ANYHOW) -> tuple[Asked, ...]:
    """Return what is asked of the archive's recordings, all of the same music."""
    return tuple(Asked(name, (two_parts(),), is_told=True, how=how) for name in NAMES)
