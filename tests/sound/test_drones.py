"""How the drones beat, measured from the envelope of their sound."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, hilbert, sosfiltfilt

from graith.errors import SoundError
from graith.sound.model import Band, Drones, beating_drones
from graith.sound.perform import performance
from graith.timeline.model import Timeline

RATE_HZ = 8_000


def envelope_peak_hz(samples: np.ndarray, low_hz: float, high_hz: float) -> float:
    """Strongest frequency in the envelope of one band, by a parabola through the log spectrum."""
    band = sosfiltfilt(butter(4, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos"), samples)
    envelope = np.abs(hilbert(band))[RATE_HZ:-RATE_HZ]
    envelope = (envelope - envelope.mean()) * np.blackman(envelope.size)
    n = 8 * envelope.size
    spectrum = np.log(np.abs(np.fft.rfft(envelope, n)) + 1e-30)
    first = int(0.1 * n / RATE_HZ)
    top = first + int(np.argmax(spectrum[first : int(8 * n / RATE_HZ)]))
    below, at, above = spectrum[top - 1 : top + 2]
    return float((top + 0.5 * (below - above) / (below - 2 * at + above)) * RATE_HZ / n)


@pytest.mark.parametrize("beats_hz", [0.4, 1.0, 2.5])
def test_two_tenors_beat_as_often_as_asked_and_their_partials_in_proportion(
    beats_hz: float, bare_march: Timeline, rendered
) -> None:
    drones = replace(beating_drones(beats_hz), bass_cents=())
    band = Band(chanter=False, drums=None, room=None, drones=drones)
    sound = rendered(performance(bare_march, band), rate_hz=RATE_HZ)
    sound = sound[RATE_HZ : 23 * RATE_HZ]
    assert envelope_peak_hz(sound, 200, 290) == pytest.approx(beats_hz, abs=0.01)
    assert envelope_peak_hz(sound, 680, 760) == pytest.approx(3 * beats_hz, abs=0.02)


def test_beats_follow_from_the_tuning_in_cents() -> None:
    assert Drones(tenor_cents=(-1.0, 1.0)).beats_hz(480) == pytest.approx(240 * (2 ** (1 / 1200) - 2 ** (-1 / 1200)))
    assert beating_drones(0.7, 466.0).beats_hz(466.0) == pytest.approx(0.7, abs=1e-12)
    assert Drones(tenor_cents=()).beats_hz() == 0.0


def test_a_drone_starts_flat_and_settles_within_its_swell(bare_march: Timeline, rendered) -> None:
    drones = Drones(tenor_cents=(0.0,), bass_cents=(), swell_s=0.5)
    sound = rendered(
        performance(bare_march, Band(chanter=False, drums=None, room=None, drones=drones)), rate_hz=RATE_HZ
    )
    tone = sosfiltfilt(butter(4, [150, 330], "bandpass", fs=RATE_HZ, output="sos"), sound[: 3 * RATE_HZ])
    pitch_hz = np.diff(np.unwrap(np.angle(hilbert(tone)))) * RATE_HZ / (2 * np.pi)
    assert pitch_hz[int(0.08 * RATE_HZ) : int(0.12 * RATE_HZ)].mean() < 239
    assert pitch_hz[int(0.8 * RATE_HZ) : int(2 * RATE_HZ)].mean() == pytest.approx(240.0, abs=0.02)


def test_drones_that_cannot_be_are_refused() -> None:
    with pytest.raises(SoundError, match="A drone's tuning"):
        Drones(tenor_cents=(500.0,))
    with pytest.raises(SoundError, match="A swell"):
        Drones(swell_s=0.0)
    with pytest.raises(SoundError, match="A drone's tuning"):
        beating_drones(100.0)
