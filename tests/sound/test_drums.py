"""Strokes against the timeline's beats, and what they sound like."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from graith.errors import SoundError
from graith.sound.model import BASS_DRUM, SNARE, Band, Drums
from graith.sound.perform import performance
from graith.sound.strokes import strokes_of
from graith.timeline.model import Timeline

RATE_HZ = 44_100


def test_every_beat_of_the_tune_has_a_tap_exactly_on_it_and_the_bars_first_is_louder(march: Timeline) -> None:
    strokes = strokes_of(march, Drums(opening="none"))
    in_tune = march.beats[march.beats["tune"] >= 0]
    assert strokes["time_s"].tolist() == in_tune["time_s"].tolist()
    first = in_tune["beat_in_bar"] == 1
    assert strokes["level_db"][first].min() > strokes["level_db"][~first].max() + 3


def test_the_opening_has_two_rolls_of_three_paces_each_with_its_tap(march: Timeline) -> None:
    strokes = strokes_of(march, Drums(pulse=False))
    beats_s = march.beats["time_s"]
    for begin, tap in ((0, 3), (4, 7)):
        of_roll = strokes[(strokes["beat"] >= begin) & (strokes["beat"] < tap)]
        assert of_roll["time_s"][0] == beats_s[begin]
        assert beats_s[tap] - 0.16 < of_roll["time_s"][-1] < beats_s[tap] - 0.05
        rate_per_s = (len(of_roll) - 1) / np.ptp(of_roll["time_s"])
        assert 18 < rate_per_s < 27
        assert strokes["time_s"][strokes["beat"] == tap].tolist() == [beats_s[tap]]
        loud = np.polyfit(np.arange(len(of_roll) - 1), of_roll["level_db"][1:], 1)[0]
        assert loud > 0


def test_taps_can_stand_in_for_the_rolls(march: Timeline) -> None:
    strokes = strokes_of(march, Drums(pulse=False, opening="taps"))
    assert strokes["time_s"].tolist() == march.beats["time_s"][:8].tolist()


def test_a_bass_drum_falls_on_the_bars_first_beat(march: Timeline) -> None:
    strokes = strokes_of(march, Drums(opening="none", bass_drum=True))
    assert strokes["time_s"][strokes["drum"] == BASS_DRUM].tolist() == march.bars["start_s"].tolist()
    assert np.all(np.diff(strokes["time_s"]) >= 0)


def test_the_same_stroke_never_sounds_twice_running(march: Timeline) -> None:
    assert np.all(np.diff(strokes_of(march, Drums())["variant"]) != 0)


def test_there_is_no_pulse_in_a_hold(march: Timeline) -> None:
    held = replace(march, beats=march.beats.copy())
    held.beats["bar"][-2:] = -1
    assert strokes_of(held, Drums())["time_s"].max() < march.beats["time_s"][-2]


def test_a_snare_stroke_starts_at_once_is_bright_and_soon_over(march: Timeline, rendered) -> None:
    band = Band(chanter=False, drones=None, room=None, drums=Drums(opening="none"))
    sound = rendered(performance(march, band))
    for beat in march.beats[march.beats["tune"] >= 0][:6]:
        at = round(beat["time_s"] * RATE_HZ)
        stroke = sound[at : at + 9_000]
        assert np.argmax(np.abs(stroke)) < 0.004 * RATE_HZ
        energy = np.cumsum(stroke**2) / np.sum(stroke**2)
        assert np.searchsorted(energy, 0.9) < 0.05 * RATE_HZ
        power = np.abs(np.fft.rfft(stroke)) ** 2
        place_hz = np.fft.rfftfreq(stroke.size, 1 / RATE_HZ)
        assert power[place_hz > 1500].sum() > 0.25 * power.sum()
        assert power[place_hz < 200].sum() < 0.02 * power.sum()


def test_a_thump_is_low(march: Timeline, rendered) -> None:
    whole = performance(march, Band(chanter=False, drones=None, room=None, drums=Drums(opening="none", bass_drum=True)))
    sound = rendered(replace(whole, strokes=whole.strokes[whole.strokes["drum"] != SNARE]))
    power = np.abs(np.fft.rfft(sound)) ** 2
    place_hz = np.fft.rfftfreq(sound.size, 1 / RATE_HZ)
    assert 50 < place_hz[np.argmax(power)] < 75
    assert power[place_hz < 150].sum() > 0.9 * power.sum()


def test_an_unknown_opening_is_refused() -> None:
    with pytest.raises(SoundError, match="use 'rolls', 'taps' or 'none'"):
        Drums(opening="fanfare")  # type: ignore[arg-type]
