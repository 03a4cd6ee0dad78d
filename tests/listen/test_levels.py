"""Levels counted block by block: against NumPy on the whole, and against sound cut off by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from graith.listen.levels import empty_tally, levels_of, made_finite, opposed_channels, silent_channels, tallied
from graith.listen.model import Levels

RATE_HZ = 44_100


def levels(sound: np.ndarray, cuts: list[int] | None = None, *, is_exact: bool = True) -> Levels:
    whole = np.atleast_2d(np.asarray(sound, dtype=np.float32))
    tally = empty_tally(len(whole), is_exact=is_exact)
    for block in np.split(whole, sorted(cuts or []), axis=1):
        tally = tallied(tally, block)
    return levels_of(tally)


def pipes(gain: float, seconds: float = 2.0) -> np.ndarray:
    """Return many partials of some pitches, of peak ``gain``."""
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    pitches = [(hz * k, k**-0.7) for hz in (120.0, 240.3, 480.0, 540.0) for k in range(1, 12)]
    sound = sum(share * np.sin(2 * np.pi * hz * time_s + hz) for hz, share in pitches)
    return gain * sound / np.abs(sound).max()


def counted_by_hand(sound: np.ndarray, ceiling: float) -> int:
    """Return the samples in runs of three or more at or beyond a ceiling, one sample at a time."""
    total = run = 0
    for side in (1, -1):
        for sample in [*(side * sound), 0.0]:
            if sample >= ceiling:
                run += 1
            else:
                total += run if run >= 3 else 0
                run = 0
    return total


def test_peak_and_rms_are_those_of_the_whole() -> None:
    sound = np.stack([pipes(0.5), pipes(0.3)])
    found = levels(sound, [100, 5_000, 50_000])
    assert found.peak == pytest.approx(np.abs(sound).max(), rel=1e-6)
    assert found.rms == pytest.approx(np.sqrt(np.mean(sound**2)), rel=1e-4)
    assert (found.n_samples, found.n_clipped) == (sound.shape[1], 0)


@pytest.mark.parametrize("gain", [1.2, 1.5, 2.0, 4.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_sound_cut_off_at_full_scale_is_counted_to_the_sample(gain: float, bits: int) -> None:
    step = 2.0 ** (1 - bits)
    sound = np.round(np.clip(pipes(gain), -1.0, 1.0 - step) / step) * step
    near = 1.0 - 1.0 / 4096.0
    assert levels(sound, [12_345, 54_321]).n_clipped == counted_by_hand(sound, near)


@pytest.mark.parametrize("ceiling", [0.3, 0.7])
def test_sound_cut_off_below_full_scale_is_counted_too(ceiling: float) -> None:
    sound = np.clip(pipes(2 * ceiling), -ceiling, ceiling)
    by_hand = counted_by_hand(sound, ceiling * 0.99999)
    assert levels(sound).n_clipped == pytest.approx(by_hand, rel=0.1)
    assert by_hand > 1_000


@pytest.mark.parametrize("gain", [0.05, 0.5, 0.9, 0.999])
def test_sound_that_was_not_cut_off_has_nothing_counted(gain: float) -> None:
    assert levels(pipes(gain)).n_clipped <= 3


def test_sound_of_a_lossy_coder_up_to_full_scale_has_next_to_nothing_counted() -> None:
    found = levels(pipes(0.999), is_exact=False)
    assert found.n_clipped < 0.0003 * found.n_samples


@pytest.mark.parametrize("hz", [30.0, 100.0, 480.0])
@pytest.mark.parametrize("peak", [0.3, 0.9])
def test_the_round_top_of_a_sine_is_not_a_flat_one(hz: float, peak: float) -> None:
    sine = np.round(32_768 * peak * np.sin(2 * np.pi * hz * np.arange(RATE_HZ) / RATE_HZ)) / 32_768
    assert levels(sine).n_clipped == 0


def test_quiet_noise_of_a_few_steps_is_not_cut_off() -> None:
    noise = np.random.default_rng(1).integers(-2, 3, RATE_HZ) / 32_768
    assert levels(noise).n_clipped == 0


@given(
    st.lists(st.sampled_from([-32_768, -32_767, -20_000, 0, 100, 20_000, 32_767]), min_size=1, max_size=60),
    st.lists(st.integers(0, 60), max_size=6),
    st.booleans(),
)
def test_where_the_blocks_are_cut_does_not_matter(samples: list[int], cuts: list[int], is_exact: bool) -> None:
    sound = np.array(samples) / 32_768
    assert levels(sound, [min(cut, sound.size) for cut in cuts], is_exact=is_exact).n_clipped == (
        levels(sound, is_exact=is_exact).n_clipped
    )


def test_what_is_no_number_becomes_silence_and_is_counted() -> None:
    block = np.array([[0.1, np.nan, np.inf, -np.inf, 3e38, -0.2]], dtype=np.float32)
    assert made_finite(block) == 4
    np.testing.assert_array_equal(block, np.array([[0.1, 0, 0, 0, 0, -0.2]], dtype=np.float32))
    assert made_finite(block) == 0


def test_a_dead_channel_and_a_crossed_one_are_told() -> None:
    left = pipes(0.5).astype(np.float32)
    right = pipes(0.4, seconds=2.0)[::-1].astype(np.float32)
    assert silent_channels(tallied(empty_tally(2, is_exact=True), np.stack([left, 1e-5 * left]))) == (2,)
    assert opposed_channels(np.stack([left, -0.3 * left])) == (1,)
    assert opposed_channels(np.stack([left, right])) == ()
    assert opposed_channels(np.stack([np.zeros_like(left), left, -left])) == (2,)
    assert opposed_channels(np.zeros((2, 100), dtype=np.float32)) == ()


def test_nothing_at_all_has_no_level() -> None:
    assert levels(np.empty(0)) == Levels(0.0, 0.0, 0, 0, 0)
