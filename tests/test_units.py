"""Conversions, each against a closed form or a published value."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from graith.errors import UnitError
from graith.units import beat_s, cents_above, raised_hz, ramp_s

tempi_bpm = st.floats(20, 300)


def test_an_octave_is_1200_cents_and_a_just_fifth_702() -> None:
    assert cents_above(480, 240) == pytest.approx(1200, abs=1e-9)
    assert cents_above(3, 2) == pytest.approx(701.955, abs=5e-4)  # Ellis's value for the just fifth


@given(st.floats(20, 5000), st.floats(-2400, 2400))
def test_raising_a_pitch_is_heard_as_that_many_cents(pitch_hz: float, cents: float) -> None:
    assert cents_above(raised_hz(pitch_hz, cents), pitch_hz) == pytest.approx(cents, abs=1e-8)


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.nan, math.inf])
def test_a_pitch_or_tempo_that_cannot_be_is_refused(wrong: float) -> None:
    with pytest.raises(UnitError, match="cannot be"):
        cents_above(wrong, 480)
    with pytest.raises(UnitError, match="cannot be"):
        beat_s(wrong)


@given(tempi_bpm, tempi_bpm, st.floats(1, 200), st.floats(0, 1))
def test_a_ramp_takes_what_numerical_integration_says(
    start_bpm: float, end_bpm: float, of_beats: float, share: float
) -> None:
    beats = of_beats * share
    # scipy.integrate.quad integrates 60 / v(b) without knowing the closed form.
    expected_s, _ = quad(lambda b: 60 / (start_bpm + (end_bpm - start_bpm) * b / of_beats), 0, beats, epsabs=1e-12)
    assert ramp_s(beats, start_bpm, end_bpm, of_beats) == pytest.approx(expected_s, abs=1e-9, rel=1e-9)


def test_a_ramp_from_60_to_120_over_16_beats_takes_16_times_ln_2_seconds() -> None:
    assert ramp_s(16, 60, 120, 16) == pytest.approx(16 * math.log(2), abs=1e-12)
