"""A long recording at a glance: the same whatever blocks it comes in, in little memory, and the set where it is."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from graith.listen.model import WORKING_RATE_HZ
from graith.listen.overview import STEP_S, Overview, overview_of, overview_scores, stretch_of
from graith.sound.scale import HARMONIC
from played_recordings import Played, Singles, jig, march, noise

BEFORE_S, AFTER_S = 95.0, 90.0


def blocks_of(sound: Singles, seed: int) -> Iterator[Singles]:
    draws, at = np.random.default_rng(seed), 0
    while at < sound.size:
        n = int(draws.integers(1, 200_000))
        yield sound[at : at + n]
        at += n


@pytest.fixture(scope="module")
def rehearsal(solo: Played) -> Singles:
    """Four minutes: noise, the march, noise."""
    return np.concatenate([noise(BEFORE_S, 0.02), solo.sound, noise(AFTER_S, 0.02, seed=8)])


@pytest.fixture(scope="module")
def whole(rehearsal: Singles) -> Overview:
    return overview_of([rehearsal])


@pytest.mark.parametrize("seed", [1, 2])
def test_uneven_blocks_give_the_same_overview(rehearsal: Singles, whole: Overview, seed: int) -> None:
    pieces = overview_of(blocks_of(rehearsal, seed))
    assert pieces.levels.tobytes() == whole.levels.tobytes()
    assert pieces.spectrum.tobytes() == whole.spectrum.tobytes()
    assert pieces.length_s == whole.length_s == rehearsal.size / WORKING_RATE_HZ


def test_an_hour_takes_fifteen_megabytes(whole: Overview) -> None:
    hour_bytes = whole.levels.nbytes * 3600.0 / whole.length_s
    assert hour_bytes < 16e6


def test_there_is_a_step_every_eighty_milliseconds(whole: Overview) -> None:
    assert whole.levels.shape == (round(whole.length_s / STEP_S), whole.bins_hz.size)
    assert np.isfinite(whole.levels).all()


def test_the_set_is_found_where_it_is(whole: Overview) -> None:
    stretch = stretch_of(overview_scores(whole, HARMONIC), march())
    assert stretch is not None
    music_s = march().cut_off_s - march().first_note_s
    first_s = BEFORE_S + 1.0 + march().first_note_s
    assert first_s - 40.0 < stretch.start_s < first_s
    assert first_s + music_s < stretch.stop_s < first_s + music_s + 40.0
    assert stretch.share > 0.95


def test_a_pitch_that_is_told_finds_the_same(whole: Overview) -> None:
    guessed = stretch_of(overview_scores(whole, HARMONIC), march())
    told = stretch_of(overview_scores(whole, HARMONIC, 480.0), march())
    assert guessed is not None
    assert told is not None
    assert told.start_s == pytest.approx(guessed.start_s, abs=1.0)
    assert told.stop_s == pytest.approx(guessed.stop_s, abs=1.0)


def test_noise_gains_nothing_from_any_set() -> None:
    scores = overview_scores(overview_of([noise(60.0)]), HARMONIC)
    stretch = stretch_of(scores, jig())
    assert stretch is None or stretch.gain < 0.3


@pytest.mark.parametrize("blocks", [[], [np.zeros(0, dtype=np.float32)]])
def test_no_sound_has_an_empty_overview(blocks: list[Singles]) -> None:
    empty = overview_of(blocks)
    assert empty.length_s == 0.0
    assert empty.levels.size == 0


def test_nothing_is_found_in_nothing() -> None:
    assert stretch_of(np.zeros((0, 10), dtype=np.float32), jig()) is None
