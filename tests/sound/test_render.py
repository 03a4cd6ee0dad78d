"""The same arguments give the same samples however they are cut, every one a number; wrong input is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from graith.errors import SoundError
from graith.sound.master import mastered_blocks
from graith.sound.model import Band, Drums, Players, Wander, band_of
from graith.sound.perform import performance
from graith.sound.render import sound_blocks, sound_samples
from graith.timeline.model import Timeline

FULL = Band(players=band_of(3), drums=Drums(bass_drum=True), wander=Wander())


def joined(blocks) -> np.ndarray:
    return np.concatenate(list(blocks))


@pytest.mark.parametrize("block_samples", [1_000, 16_384, 44_101, 1 << 22])
@pytest.mark.parametrize("channels", [1, 2])
def test_samples_do_not_depend_on_the_block_size(march: Timeline, block_samples: int, channels: int) -> None:
    whole = performance(march, FULL)
    settings = {"rate_hz": 22_050, "channels": channels}
    blocks = list(sound_blocks(whole, **settings, block_samples=block_samples))
    assert {len(block) for block in blocks[:-1]} <= {block_samples}
    assert (joined(blocks) == joined(sound_blocks(whole, **settings, block_samples=7_777))).all()


def test_mastered_samples_do_not_depend_on_the_block_size_either(march: Timeline) -> None:
    whole = performance(march, FULL)
    one, other = (joined(mastered_blocks(whole, rate_hz=16_000, block_samples=n)) for n in (999, 65_536))
    assert (one == other).all()


def test_the_same_arguments_give_the_same_samples_and_another_seed_others(march: Timeline) -> None:
    def sound(seed: int) -> np.ndarray:
        return joined(sound_blocks(performance(march, replace(FULL, players=band_of(3, seed))), rate_hz=16_000))

    assert np.array_equal(sound(4), sound(4))
    assert not np.array_equal(sound(4)[:400_000], sound(5)[:400_000])


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 44_100, 96_000])
def test_there_are_as_many_samples_as_said_and_each_is_a_number(march: Timeline, rate_hz: int) -> None:
    whole = performance(march, FULL)
    sound = joined(sound_blocks(whole, rate_hz=rate_hz))
    assert sound.size == sound_samples(whole, rate_hz)
    assert sound.dtype == np.float32
    assert np.isfinite(sound).all()
    assert sound.size / rate_hz > march.cut_off_s + 0.5
    assert np.abs(sound[-20:]).max() < 1e-3 * np.abs(sound).max()


def test_a_band_without_spread_is_its_players_added(march: Timeline, chanter_alone: Band, rendered) -> None:
    whole = performance(march, replace(chanter_alone, players=Players(3)))
    added = sum(rendered(replace(whole, players=(part,))) for part in whole.players)
    assert np.abs(rendered(whole) - added).max() < 1e-5


def test_two_channels_carry_the_power_of_one(march: Timeline, chanter_alone: Band, rendered) -> None:
    whole = performance(march, chanter_alone)
    assert np.sum(rendered(whole, channels=2) ** 2) == pytest.approx(np.sum(rendered(whole) ** 2), rel=1e-4)


def test_a_rest_in_the_notes_is_silence_without_a_click(march: Timeline, chanter_alone: Band, rendered) -> None:
    whole = performance(march, chanter_alone)
    played = np.delete(whole.players[0].played, slice(40, 48))
    gap_s = whole.players[0].played["onset_s"][[40, 48]]
    sound = rendered(replace(whole, players=(replace(whole.players[0], played=played),)))
    inside = sound[round((gap_s[0] + 0.05) * 44_100) : round(gap_s[1] * 44_100) - 1]
    assert inside.size > 20_000
    assert not inside.any()
    around = sound[round((gap_s[0] - 0.01) * 44_100) : round((gap_s[0] + 0.05) * 44_100)]
    assert np.abs(np.diff(around)).max() < 0.15


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"rate_hz": 100}, "A rate of 100 Hz"),
        ({"rate_hz": 44_100.5}, "a whole number"),
        ({"channels": 6}, "use 1 or 2"),
        ({"block_samples": 0}, "Blocks of 0 samples"),
    ],
)
def test_what_cannot_be_rendered_is_refused_at_the_call(march: Timeline, wrong: dict[str, int], message: str) -> None:
    for blocks in (sound_blocks, mastered_blocks):
        with pytest.raises(SoundError, match=message):
            blocks(performance(march), **wrong)


def test_notes_planted_out_of_order_are_refused(march: Timeline) -> None:
    whole = performance(march)
    played = whole.players[0].played[::-1].copy()
    with pytest.raises(SoundError, match="rising order"):
        sound_blocks(replace(whole, players=(replace(whole.players[0], played=played),)))
    too_high = whole.players[0].played.copy()
    too_high["hz"][3] = 30_000
    with pytest.raises(SoundError, match="half the rate"):
        sound_blocks(replace(whole, players=(replace(whole.players[0], played=too_high),)))
