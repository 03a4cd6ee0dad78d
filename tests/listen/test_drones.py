"""Drones that are heard, held against closed forms, against scipy's FFT, and against the sound's own known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import get_window

from graith.errors import ListenError
from graith.listen.drones import drones_heard
from graith.listen.lines import line_strengths, mean_shift_hz, windows_within
from graith.listen.model import WORKING_RATE_HZ
from graith.music.read_abc import read_tune
from graith.music.tune_types import tune_type_named
from graith.sets.model import Opening, PlannedSet, PlannedTune
from graith.sound.model import Band, Drones, Players
from graith.sound.perform import performance
from graith.sound.render import sound_blocks
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline

Singles = npt.NDArray[np.float32]

TUNE = """X:1
T:Long notes
M:4/4
L:1/4
R:march
K:HP
|: A2 B2 | c2 d2 | e2 f2 | g2 a2 | G2 B2 | d2 f2 | e2 B2 | c2 A2 :|
"""


@pytest.fixture(scope="module")
def line() -> Timeline:
    tune = PlannedTune(read_tune(TUNE, "test.abc"), tune_type_named("4/4 march"), 80, 80)
    return timeline_of(PlannedSet("a set", (tune,), (), opening=Opening(roll_beats=8)))


def cents(heard: float | None, wanted: float) -> float:
    assert heard is not None
    return float(1200 * np.log2(heard / wanted))


def sines(pitches_hz: dict[float, float], long_s: float) -> Singles:
    time_s = np.arange(round(long_s * WORKING_RATE_HZ)) / WORKING_RATE_HZ
    return np.sum([a * np.sin(2 * np.pi * hz * time_s + hz) for hz, a in pitches_hz.items()], axis=0).astype(np.float32)


def played(line: Timeline, band: Band, silence_s: float = 0.0) -> Singles:
    sound = np.concatenate(list(sound_blocks(performance(line, band), rate_hz=WORKING_RATE_HZ)))
    return np.concatenate([np.zeros(round(silence_s * WORKING_RATE_HZ)), sound]).astype(np.float32)


def test_two_sines_that_beat_are_told_apart_as_the_closed_form_says() -> None:
    """sin a + sin b = 2 cos((a - b)/2) sin((a + b)/2): two tenors 0.4 Hz apart beat 0.4 times a second."""
    heard = drones_heard(sines({239.8: 1.0, 240.2: 1.0, 120.5: 0.7}, 60.0), low_a_hz=485.0, start_s=0.0, stop_s=60.0)
    assert heard.beating_hz == pytest.approx(0.4, abs=0.002)
    assert cents(heard.tenor_hz, 240.0) == pytest.approx(0.0, abs=0.02)
    assert [one.is_bass for one in heard.heard] == [True, False, False]


def test_the_bass_pitch_is_where_scipys_fft_has_its_third_partial(line: Timeline) -> None:
    sound = played(line, Band(drones=Drones(bass_cents=(3.3,)), drums=None, room=None))
    heard = drones_heard(sound, low_a_hz=470.0, start_s=line.drones_in_s, stop_s=line.cut_off_s)
    stretch = sound[12_000 * 4 : 12_000 * 30]
    n = 1 << 20
    height = np.abs(np.fft.rfft(stretch * get_window("blackmanharris", stretch.size), n))
    low, high = (round(hz * n / WORKING_RATE_HZ) for hz in (355, 365))
    peak_hz = (low + int(np.argmax(height[low:high]))) * WORKING_RATE_HZ / n
    assert cents(heard.bass_hz, peak_hz / 3.0) == pytest.approx(0.0, abs=0.06)
    assert cents(heard.bass_hz, 120.0) == pytest.approx(3.3, abs=0.05)


@pytest.mark.parametrize("tuned", [((-0.9, 0.9), 2.0), ((-4.0, 1.0), -3.0), ((1.5, 2.5), 8.0)])
@pytest.mark.parametrize("guess_cents", [-35.0, 30.0])
def test_one_players_drones_are_within_three_tenths_of_a_cent_in_clean_sound(
    line: Timeline, tuned: tuple[tuple[float, float], float], guess_cents: float
) -> None:
    tenors, bass = tuned
    sound = played(line, Band(drones=Drones(tenor_cents=tenors, bass_cents=(bass,)), drums=None, room=None))
    guess_hz = 480.0 * 2 ** (guess_cents / 1200)
    heard = drones_heard(sound, low_a_hz=guess_hz, start_s=line.drones_in_s, stop_s=line.cut_off_s)
    assert abs(cents(heard.tenor_hz, 240.0) - np.mean(tenors)) < 0.3
    assert abs(cents(heard.bass_hz, 120.0) - bass) < 0.05
    assert heard.spread_cents == pytest.approx(np.std(tenors), abs=0.3)


def test_six_players_drones_are_within_a_cent(line: Timeline) -> None:
    errors = []
    for seed in range(1, 5):
        band = Band(players=Players(6, 12.0, 4.0, 1.5, 1.0, seed))
        truth = performance(line, band).drones
        heard = drones_heard(played(line, band), low_a_hz=483.0, start_s=line.drones_in_s, stop_s=line.cut_off_s)
        errors.append(cents(heard.tenor_hz, float(truth["hz"][~truth["is_bass"]].mean())))
        errors.append(cents(heard.bass_hz, float(truth["hz"][truth["is_bass"]].mean())))
    assert np.abs(errors).max() < 1.0


def test_entry_and_letting_go_are_found(line: Timeline) -> None:
    sound = played(line, Band(drums=None), silence_s=3.0)
    heard = drones_heard(sound, low_a_hz=480.0, start_s=line.drones_in_s + 3.0, stop_s=line.cut_off_s + 3.0)
    assert heard.in_s == pytest.approx(line.drones_in_s + 3.0, abs=0.05)
    assert heard.out_s == pytest.approx(line.cut_off_s + 3.0, abs=0.10)


def test_drones_that_sound_from_the_first_sample_to_the_last_have_no_entry() -> None:
    heard = drones_heard(sines({240.0: 1.0, 120.0: 1.0}, 20.0), low_a_hz=480.0, start_s=0.0, stop_s=20.0)
    assert heard.in_s is None
    assert heard.out_s is None


def test_drones_that_sink_by_five_cents_are_seen_to() -> None:
    time_s = np.arange(60 * WORKING_RATE_HZ) / WORKING_RATE_HZ
    fall = np.log(2) / 1200 * -5.0 / 60.0
    phase = 2 * np.pi * (time_s + fall * time_s**2 / 2)
    sound = (np.sin(240 * phase) + np.sin(120 * phase)).astype(np.float32)
    heard = drones_heard(sound, low_a_hz=480.0, start_s=0.0, stop_s=60.0)
    slope = np.polyfit(heard.drift_s, heard.drift_cents, 1)[0]
    assert slope * 60.0 == pytest.approx(-5.0, abs=0.2)


@pytest.mark.parametrize("drums", [True, False])
def test_a_chanter_without_drones_has_none_invented(line: Timeline, drums: bool) -> None:
    band = Band(drones=None) if drums else Band(drones=None, drums=None)
    heard = drones_heard(played(line, band), low_a_hz=480.0, start_s=line.drones_in_s, stop_s=line.cut_off_s)
    assert heard.heard == ()
    assert heard.tenor_hz is None
    assert heard.bass_hz is None


@pytest.mark.parametrize("loud", [0.0, 0.1])
def test_silence_and_noise_have_no_drones(loud: float) -> None:
    sound = (np.random.default_rng(3).normal(size=20 * WORKING_RATE_HZ) * loud).astype(np.float32)
    assert drones_heard(sound, low_a_hz=480.0, start_s=0.0, stop_s=20.0).heard == ()


def test_a_stretch_outside_the_recording_is_refused() -> None:
    with pytest.raises(ListenError, match="were the times in seconds"):
        drones_heard(np.zeros(12_000, dtype=np.float32), low_a_hz=480.0, start_s=60_000.0, stop_s=90_000.0)


def test_a_louder_copy_of_a_recording_gives_the_same_pitches(line: Timeline) -> None:
    sound = played(line, Band(players=Players(2, 5.0, 3.0, 1.0, 1.0, 3)))
    soft, loud = (
        drones_heard(sound * np.float32(gain), low_a_hz=480.0, start_s=line.drones_in_s, stop_s=line.cut_off_s)
        for gain in (0.05, 1.0)
    )
    assert cents(soft.tenor_hz, loud.tenor_hz or 0.0) == pytest.approx(0.0, abs=0.01)
    assert replace(soft).beating_hz == pytest.approx(loud.beating_hz, abs=1e-3) if loud.beating_hz else True


def test_lagged_products_of_two_sines_turn_by_their_mean_weighted_by_power() -> None:
    """The Fourier transform of two lines of powers 4 and 1 at +0.3 and -0.2 Hz: for short lags, 0.8·0.3 - 0.2·0.2."""
    sound = sines({500.3: 2.0, 499.8: 1.0}, 200.0)
    firsts, _ = windows_within(np.array([0]), np.array([sound.size]), 600, 600)
    strengths = line_strengths(sound, firsts, np.array([500.0]), 600)[:, 0].astype(np.complex128)
    lags = np.arange(1, 4)
    coherence = np.array([np.mean(strengths[lag:] * strengths[:-lag].conj()) for lag in lags])[:, None]
    shift_hz = mean_shift_hz(coherence / abs(coherence[0, 0]), (lags * 0.05)[:, None], 0.0)
    assert float(shift_hz) == pytest.approx(0.2, abs=0.005)
