"""Where notes begin in the samples, found without the renderer's own arithmetic."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest

from graith.sound.model import Band, Drones, Players
from graith.sound.perform import performance
from graith.sound.pipes import CHANGE_S
from graith.timeline.model import Timeline

RATE_HZ = 44_100


def first_departure(sound: npt.NDArray[np.float64], pitch_hz: float, begin: int, end: int) -> int:
    """Sample at which the sound leaves the periodic tone that it follows from ``begin`` to shortly before ``end``.

    Sines and cosines of the pitch's partials are fitted by least squares and run on past the end.
    """
    begin = max(begin, end - 900)
    partials = np.arange(1, 24)
    run_on = end + 60
    angles = 2 * np.pi * pitch_hz / RATE_HZ * np.multiply.outer(np.arange(begin, run_on), partials)
    waves = np.concatenate([np.cos(angles), np.sin(angles)], axis=1)
    n_fit = end - 12 - begin
    weights, *_ = np.linalg.lstsq(waves[:n_fit], sound[begin : begin + n_fit], rcond=None)
    away = np.abs(sound[begin:run_on] - waves @ weights)
    return begin + n_fit + int(np.argmax(away[n_fit:] > 4 * away[:n_fit].max()))


def test_every_note_and_gracenote_begins_within_one_sample_of_the_timeline(
    bare_march: Timeline, chanter_alone: Band, rendered
) -> None:
    sound = rendered(performance(bare_march, chanter_alone))
    played = performance(bare_march, chanter_alone).players[0].played
    onsets = np.sort(np.concatenate([bare_march.notes["onset_s"], bare_march.graces["onset_s"]]))
    assert played["onset_s"].tolist() == onsets.tolist()
    change = round(0.016 * RATE_HZ)
    for row, following in pairwise(played):
        if following["hz"] == row["hz"]:
            continue
        begin = round(row["onset_s"] * RATE_HZ) + (change if row["onset_s"] == 0 else round(CHANGE_S * RATE_HZ) + 2)
        end = round(following["onset_s"] * RATE_HZ)
        found = first_departure(sound, float(row["hz"]), begin, end)
        assert abs(found - following["onset_s"] * RATE_HZ) <= 1.5


def test_two_lines_that_differ_from_one_note_on_are_the_same_until_that_sample(
    bare_march: Timeline, chanter_alone: Band, rendered
) -> None:
    whole = performance(bare_march, chanter_alone)
    played = whole.players[0].played.copy()
    place = 41
    played["hz"][place:] *= 1.01
    changed = replace(whole, players=(replace(whole.players[0], played=played),))
    first = int(np.argmax(rendered(whole) != rendered(changed)))
    assert abs(first - played["onset_s"][place] * RATE_HZ) <= 1.5


def test_the_chanter_is_silent_before_the_strike_in_and_dies_away_after_the_cut_off(
    march: Timeline, chanter_alone: Band, rendered
) -> None:
    sound = rendered(performance(march, chanter_alone))
    heard = np.flatnonzero(sound)
    assert heard[0] == pytest.approx(march.strike_in_s * RATE_HZ, abs=2)
    assert march.cut_off_s * RATE_HZ < heard[-1] < (march.cut_off_s + 0.05) * RATE_HZ


def test_drones_come_in_on_their_beat_and_go_on_for_their_tail(march: Timeline, rendered) -> None:
    band = Band(chanter=False, drums=None, room=None, drones=Drones(tail_s=0.7, swell_s=0.3))
    sound = rendered(performance(march, band))
    heard = np.flatnonzero(sound)
    assert heard[0] == pytest.approx(march.drones_in_s * RATE_HZ, abs=10)
    assert heard[-1] == pytest.approx((march.cut_off_s + 0.7) * RATE_HZ, abs=60)


def test_no_change_of_note_clicks(bare_march: Timeline, chanter_alone: Band, rendered) -> None:
    """The largest step from sample to sample near a change is about that in steady notes, far below a cut's."""
    sound = rendered(performance(bare_march, chanter_alone))
    steps = np.abs(np.diff(sound))
    near = np.zeros(steps.size, dtype=bool)
    for row in performance(bare_march, chanter_alone).players[0].played:
        at = round(row["onset_s"] * RATE_HZ)
        near[max(0, at - 3) : at + round(CHANGE_S * RATE_HZ)] = True
    assert steps[near].max() < 1.7 * steps[~near].max()
    assert np.ptp(sound) > 4 * steps[~near].max()


def test_a_group_moves_as_one_and_gracenotes_stay_with_their_note(march: Timeline, chanter_alone: Band) -> None:
    band = replace(chanter_alone, players=Players(5, onset_spread_ms=15.0, seed=2))
    alone = performance(march, chanter_alone).players[0].played
    for part in performance(march, band).players:
        moved_s = part.played["onset_s"] - alone["onset_s"]
        for note in np.unique(alone["note"]):
            group = moved_s[alone["note"] == note]
            assert group == pytest.approx(group[0], abs=1e-12)
        assert np.all(np.diff(part.played["onset_s"]) > 0)
        assert part.played["stop_s"][:-1] == pytest.approx(part.played["onset_s"][1:], abs=1e-12)
