"""The scales against the cents that the ratios give, computed by hand in facts of the trade (see the oracle notes)."""

from fractions import Fraction

import numpy as np
import pytest

from graith.errors import SoundError
from graith.sound.scale import HARMONIC, OLDER_PUBLISHED, SCALES, Scale, bass_hz, scale_named, tenor_hz


def test_the_harmonic_scale_has_the_cents_of_its_ratios() -> None:
    by_hand = [-231.17, 0.0, 203.91, 386.31, 498.04, 701.96, 884.36, 968.83, 1200.0]
    assert HARMONIC.cents() == pytest.approx(by_hand, abs=0.006)


def test_the_older_scale_has_a_sharper_low_g_d_and_high_g() -> None:
    by_hand = [-203.91, 0.0, 203.91, 386.31, 519.55, 701.96, 884.36, 1017.60, 1200.0]
    assert OLDER_PUBLISHED.cents() == pytest.approx(by_hand, abs=0.006)


def test_low_a_at_480_gives_whole_numbers_of_hz() -> None:
    assert HARMONIC.note_hz(480).tolist() == pytest.approx([420, 480, 540, 600, 640, 720, 800, 840, 960], abs=1e-9)


def test_the_high_g_lies_on_the_bass_drones_seventh_partial() -> None:
    assert HARMONIC.note_hz(476)[7] == pytest.approx(7 * bass_hz(476), abs=1e-9)
    assert tenor_hz(476) == 2 * bass_hz(476) == 238


def test_an_offset_moves_one_note_by_its_cents_and_no_other() -> None:
    moved = HARMONIC.with_offsets([0, 0, 0, 0, 0, 0, 12.5, 0, 0])
    cents = 1200 * np.log2(moved.note_hz(480) / HARMONIC.note_hz(480))
    assert cents == pytest.approx([0, 0, 0, 0, 0, 0, 12.5, 0, 0], abs=1e-9)


def test_every_scale_names_its_source_and_is_found_by_name() -> None:
    for name, scale in SCALES.items():
        assert scale_named(name) is scale
        assert "1998" in scale.source


def test_an_unknown_scale_is_told_with_the_names_there_are() -> None:
    with pytest.raises(SoundError, match="Use one of: harmonic, older published"):
        scale_named("equal")


@pytest.mark.parametrize("low_a_hz", [0.0, -480.0, 4800.0, float("nan")])
def test_a_low_a_that_no_chanter_has_is_refused(low_a_hz: float) -> None:
    with pytest.raises(SoundError, match="is no chanter's"):
        HARMONIC.note_hz(low_a_hz)


def test_a_scale_needs_nine_rising_ratios_with_low_a_second() -> None:
    with pytest.raises(SoundError, match="nine rising ratios"):
        Scale("short", HARMONIC.ratios[:8])
    with pytest.raises(SoundError, match="nine rising ratios"):
        Scale("falling", tuple(reversed(HARMONIC.ratios)))
    with pytest.raises(SoundError, match="nine rising ratios"):
        Scale("on another note", tuple(ratio * Fraction(3, 2) for ratio in HARMONIC.ratios))


def test_a_scale_needs_nine_finite_offsets() -> None:
    with pytest.raises(SoundError, match="nine offsets"):
        HARMONIC.with_offsets([1.0])
