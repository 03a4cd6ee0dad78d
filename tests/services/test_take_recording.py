"""Taking a recording in: short ones are held, long ones looked at once and then read where the set lies."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pytest

from graith.errors import ListenError
from graith.listen.model import WORKING_RATE_HZ, Levels, Recording
from graith.listen.overview import overview_of
from graith.services.listen_to_recording import listen_to_set
from graith.services.take_recording import Blocks, Taken, in_memory, overview_taken, stretch_taken, taken
from graith.sound.model import Band
from graith.sound.perform import performance
from graith.sound.render import sound_blocks
from graith.timeline.make_timeline import timeline_of
from heard_by_hand import one_tune

PLANNED = one_tune(parts=(1, 2))
MARCH = timeline_of(PLANNED)
LEVELS = Levels(0.5, 0.1, 1_000, 0, 0)
SECOND = WORKING_RATE_HZ
BEFORE_S = 180


@dataclass(frozen=True)
class Info:
    label: str = "night.m4a"
    rate_hz: int = 44_100
    n_channels: int = 2


@dataclass
class FakeBlocks:
    """A second of sound at a time, counted as it is asked for."""

    samples: np.ndarray
    start_s: float
    stop_s: float | None
    info: Info = field(default_factory=Info)
    levels: Levels = LEVELS
    notes: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[np.ndarray]:
        first = round(self.start_s * SECOND)
        stop = self.samples.size if self.stop_s is None else round(self.stop_s * SECOND)
        for begin in range(first, min(stop, self.samples.size), SECOND):
            yield self.samples[begin : min(begin + SECOND, stop)]
        self.notes = (f"read from {self.start_s:.0f} s",)


class FakeReader:
    """Reads sound that is at hand, and keeps which stretches it was asked for."""

    def __init__(self, samples: np.ndarray) -> None:
        self.samples = samples.astype(np.float32)
        self.asked: list[tuple[float, float | None]] = []

    def __call__(self, *, start_s: float = 0.0, stop_s: float | None = None) -> Blocks:
        self.asked.append((start_s, stop_s))
        return FakeBlocks(self.samples, start_s, stop_s)


@pytest.fixture(scope="module")
def evening() -> np.ndarray:
    """Noise, two parts of a march from 3:00 on, noise again."""
    played = performance(MARCH, Band(room=None))
    music = np.concatenate(list(sound_blocks(played, rate_hz=SECOND)))
    noise = 0.02 * np.random.default_rng(2).standard_normal((BEFORE_S + 120) * SECOND)
    return np.concatenate([noise[: BEFORE_S * SECOND], music, noise[BEFORE_S * SECOND :]]).astype(np.float32)


def test_a_short_recording_is_read_once_and_held_to_its_last_sample() -> None:
    sound = np.random.default_rng(1).standard_normal(10 * SECOND + 17).astype(np.float32)
    reader = FakeReader(sound)
    held = taken(reader)
    assert held.recording is not None
    assert np.array_equal(held.recording.samples, sound)
    assert stretch_taken(held, MARCH) is held.recording
    assert reader.asked == [(0.0, None)]


def test_one_as_long_as_is_held_is_held_and_one_a_second_longer_is_not() -> None:
    assert taken(FakeReader(np.zeros(20 * SECOND)), whole_s=20.0).recording is not None
    assert taken(FakeReader(np.zeros(22 * SECOND)), whole_s=20.0).recording is None


def test_a_recording_without_any_sound_is_held() -> None:
    held = taken(FakeReader(np.zeros(0)))
    assert held.recording is not None
    assert held.facts.length_s == 0.0


def test_the_overview_of_a_long_one_is_that_of_all_its_sound(evening: np.ndarray) -> None:
    looked_at = taken(FakeReader(evening), whole_s=60.0)
    assert looked_at.overview is not None
    assert np.array_equal(looked_at.overview.levels, overview_of([evening]).levels)
    assert looked_at.facts.length_s == pytest.approx(evening.size / SECOND)


def test_only_the_stretch_in_which_the_set_lies_is_read_again(evening: np.ndarray) -> None:
    reader = FakeReader(evening)
    stretch = stretch_taken(taken(reader, whole_s=60.0), MARCH)
    _, (start_s, stop_s) = reader.asked
    assert stop_s is not None
    assert BEFORE_S - 40 < start_s < BEFORE_S + MARCH.first_note_s
    assert BEFORE_S + MARCH.cut_off_s < stop_s < BEFORE_S + MARCH.cut_off_s + 40
    assert stretch.start_s == pytest.approx(start_s, abs=1e-4)
    assert stretch.notes == ("read from 0 s",)


def test_times_heard_in_a_stretch_are_the_files_own(evening: np.ndarray) -> None:
    long = listen_to_set(taken(FakeReader(evening), whole_s=60.0), PLANNED).heard
    whole = listen_to_set(Recording(evening, "night.m4a", 44_100, 2, LEVELS), PLANNED).heard
    assert (long.trusted, whole.trusted) == (True, True)
    assert long.recording.start_s > 100.0
    assert long.alignment is not None
    assert whole.alignment is not None
    apart_s = long.alignment.notes["start_s"] - whole.alignment.notes["start_s"]
    assert np.nanmax(np.abs(apart_s)) < 0.02
    assert long.tempo is not None
    assert long.tempo.bars["time_s"][0] == pytest.approx(BEFORE_S + MARCH.bars["start_s"][0], abs=0.05)
    assert long.start_stop is not None
    assert long.start_stop.start is not None
    assert long.start_stop.start.time_s == pytest.approx(BEFORE_S + MARCH.strike_in_s, abs=0.1)
    assert long.drones is not None
    assert long.drones.drift_s[0] > BEFORE_S


def test_a_set_played_twice_is_heard_once(evening: np.ndarray) -> None:
    twice = np.concatenate([evening, evening, evening])
    stretch = stretch_taken(taken(FakeReader(twice), whole_s=60.0), MARCH)
    assert stretch.length_s < 1.6 * MARCH.cut_off_s + 60.0


def test_a_long_one_that_holds_nothing_of_the_set_is_refused_with_a_sentence() -> None:
    noise = 0.02 * np.random.default_rng(3).standard_normal(120 * SECOND)
    heard = listen_to_set(taken(FakeReader(noise), whole_s=60.0), PLANNED).heard
    assert not heard.trusted
    assert heard.reason is not None
    assert heard.reason.startswith("night.m4a: ")


def test_a_long_one_is_listened_to_once(evening: np.ndarray) -> None:
    whole = taken(FakeReader(evening), whole_s=60.0)
    stretch_taken(whole, MARCH)
    with pytest.raises(ListenError, match="Take it in again"):
        stretch_taken(whole, MARCH)


def test_an_overview_of_what_is_held_is_made_when_it_is_wanted() -> None:
    held: Taken = in_memory(Recording(np.zeros(30 * SECOND, dtype=np.float32), "a.wav", 44_100, 1, LEVELS))
    assert overview_taken(held).length_s == pytest.approx(30.0)
