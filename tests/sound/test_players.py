"""Spreads between players, as their performance states them and as each player's own rendering sounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2, kstest

from graith.errors import SoundError
from graith.sound.model import Band, Drones, Performance, Players, band_of
from graith.sound.perform import performance
from graith.timeline.model import Timeline

RATE_HZ = 44_100


def melody_onsets_s(performed: Performance) -> np.ndarray:
    return np.array([part.played["onset_s"][part.played["grace"] < 0] for part in performed.players])


def holds(sample_sd: float, wanted_sd: float, n: int) -> bool:
    """Whether a sample of n has a standard deviation that a normal distribution of that width gives in 99.98 %."""
    low, high = chi2.ppf([1e-4, 1 - 1e-4], n - 1)
    return bool(low <= (n - 1) * sample_sd**2 / wanted_sd**2 <= high)


def test_onsets_spread_by_the_asked_standard_deviation(bare_march: Timeline) -> None:
    band = Band(players=Players(40, onset_spread_ms=12.0, seed=5))
    moved_ms = 1000 * (melody_onsets_s(performance(bare_march, band)) - bare_march.notes["onset_s"])[:, 1:]
    assert moved_ms.std() == pytest.approx(12.0, rel=0.03)
    assert abs(moved_ms.mean()) < 0.5
    assert kstest(moved_ms.ravel() / 12.0, "norm").pvalue > 1e-3


def test_pitches_spread_across_players_and_each_keeps_his_own(bare_march: Timeline) -> None:
    band = Band(players=Players(150, pitch_spread_cents=6.0, seed=6))
    plain = performance(bare_march, Band()).players[0].played["hz"]
    off_cents = np.array([1200 * np.log2(part.played["hz"] / plain) for part in performance(bare_march, band).players])
    first_of_each = [np.argmax(bare_march.notes["chanter_note"] == note) for note in range(1, 7)]
    notes = performance(bare_march, Band()).players[0].played["note"]
    columns = [int(np.flatnonzero(notes == first)[-1]) for first in first_of_each]
    for column in columns:
        assert holds(off_cents[:, column].std(ddof=1), 6.0, 150)
    between = np.corrcoef(off_cents[:, columns].T)[np.triu_indices(len(columns), 1)]
    assert between.mean() == pytest.approx(0.5, abs=0.12)


def test_each_players_own_rendering_has_his_onset_level_and_pitch(
    long_notes: Timeline, chanter_alone: Band, rendered
) -> None:
    players = Players(30, onset_spread_ms=20.0, pitch_spread_cents=0.0, level_spread_db=2.0, seed=7)
    late = replace(long_notes, notes=long_notes.notes.copy())
    for name in ("start_s", "onset_s", "stop_s"):
        late.notes[name] += 0.5
    whole = performance(late, replace(chanter_alone, players=players))
    starts_ms, levels_db = [], []
    for part in whole.players:
        sound = rendered(replace(whole, players=(part,)), rate_hz=16_000)
        starts_ms.append(float(np.flatnonzero(sound)[0]) / 16.0)
        levels_db.append(10 * np.log10(np.mean(sound[16_000:240_000] ** 2)))
        assert starts_ms[-1] == pytest.approx(1000 * part.played["onset_s"][0], abs=0.2)
    assert holds(float(np.std(starts_ms, ddof=1)), 20.0, 30)
    # Each reed has its own spectrum of the same power over the scale, so the levels differ by the spread alone.
    stated_db = np.array([part.level_db for part in whole.players])
    assert np.std(np.array(levels_db) - stated_db) < 0.3
    assert holds(float(np.std(levels_db, ddof=1)), 2.0, 30)


def test_drones_spread_and_the_cut_off_too(bare_march: Timeline) -> None:
    band = Band(players=Players(60, onset_spread_ms=25.0, drone_spread_cents=2.0, seed=8), drones=Drones())
    performed = performance(bare_march, band)
    basses = performed.drones[performed.drones["is_bass"]]
    assert holds(float(np.std(1200 * np.log2(basses["hz"] / 120.0), ddof=1)), 2.0, 60)
    stops_ms = 1000 * np.array([part.played["stop_s"][-1] for part in performed.players])
    assert holds(float(np.std(stops_ms, ddof=1)), 25.0, 60)
    assert basses["out_s"] == pytest.approx(stops_ms / 1000)


def test_a_player_plays_the_same_however_many_there_are(march: Timeline) -> None:
    few = performance(march, Band(players=band_of(3)))
    many = performance(march, Band(players=band_of(9)))
    for index in range(3):
        assert (few.players[index].played == many.players[index].played).all()
        assert few.players[index].reed_seed == many.players[index].reed_seed


def test_reeds_differ_between_players(long_notes: Timeline, chanter_alone: Band, rendered) -> None:
    whole = performance(long_notes, replace(chanter_alone, players=Players(2)))
    one, other = (rendered(replace(whole, players=(part,)))[4_410:44_100] for part in whole.players)
    window = np.hanning(one.size)
    lines = 420 * np.arange(1, 20) * one.size / RATE_HZ
    spectra = [np.abs(np.fft.rfft(sound * window))[np.round(lines).astype(int)] for sound in (one, other)]
    differs_db = 20 * np.log10(spectra[0] / spectra[1])
    assert 1.0 < differs_db.std() < 6.0


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**31), st.floats(0, 200), st.integers(1, 4))
def test_however_wide_the_spread_notes_stay_in_order_and_sound(seed: int, spread_ms: float, n: int) -> None:
    from sound.conftest import MARCH, line_of

    timeline = line_of(MARCH, 150)
    for part in performance(timeline, Band(players=Players(n, onset_spread_ms=spread_ms, seed=seed))).players:
        played = part.played
        assert played["onset_s"][0] >= 0
        assert np.all(np.diff(played["onset_s"]) > 0)
        assert np.all(played["stop_s"] > played["onset_s"])


def test_spreads_and_numbers_out_of_range_are_refused() -> None:
    with pytest.raises(SoundError, match="use 1 to 200"):
        Players(0)
    with pytest.raises(SoundError, match="A spread of onsets"):
        Players(2, onset_spread_ms=-1.0)
    with pytest.raises(SoundError, match="A spread of pitch"):
        Players(2, pitch_spread_cents=float("nan"))


def test_a_timeline_in_milliseconds_is_suspected(bare_march: Timeline) -> None:
    broken = replace(bare_march, notes=bare_march.notes.copy())
    broken.notes["stop_s"][3] = broken.notes["onset_s"][3]
    with pytest.raises(SoundError, match="were the times in seconds"):
        performance(broken)
