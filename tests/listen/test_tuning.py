"""The chanters' tuning as it is heard, against the known truth of rendered sound, scipy's FFT and librosa's pyin."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import get_window

from graith.errors import ListenError
from graith.listen.drones import drones_heard
from graith.listen.model import PASSAGE_DTYPE, STEP_DTYPE, WORKING_RATE_HZ, Alignment, Drones, Tuning
from graith.listen.tuning import tuning_heard
from graith.music.model import ChanterNote
from graith.music.read_abc import read_tune
from graith.music.tune_types import tune_type_named
from graith.sets.model import Opening, PlannedSet, PlannedTune
from graith.sound.model import Band, Performance, Players
from graith.sound.perform import performance
from graith.sound.render import sound_blocks
from graith.sound.scale import HARMONIC
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline

Singles = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

OFFSETS = (7.0, 2.0, -6.0, 4.0, -3.0, 1.5, -9.0, 11.0, -2.0)
TUNE = """X:1
T:All nine
M:4/4
L:1/4
R:march
K:HP
|: A2 {g}B2 | c2 {g}d2 | e2 {g}f2 | g2 a2 | G2 {g}B2 | d2 {g}f2 | e2 {g}B2 | c2 {g}A2 |
   G A B c | d e f g | a g f e | d c B A | {g}e2 {g}A2 | {g}c2 {g}a2 | {g}d G {g}g e | A4 :|
"""


@pytest.fixture(scope="module")
def line() -> Timeline:
    tune = PlannedTune(read_tune(TUNE, "test.abc"), tune_type_named("4/4 march"), 90, 90)
    return timeline_of(PlannedSet("a set", (tune,), (), opening=Opening(roll_beats=8)))


def sound_of(made: Performance) -> Singles:
    return np.concatenate(list(sound_blocks(made, rate_hz=WORKING_RATE_HZ))).astype(np.float32)


def known_alignment(made: Performance) -> Alignment:
    """Where the notes truly are: the mean over the players."""
    first = made.players[0].played
    steps = np.zeros(first.size, dtype=STEP_DTYPE)
    for name in ("note", "grace", "chanter_note"):
        steps[name] = first[name]
    steps["start_s"] = np.mean([part.played["onset_s"] for part in made.players], axis=0)
    steps["stop_s"] = np.mean([part.played["stop_s"] for part in made.players], axis=0)
    steps["expected_s"], steps["heard"] = steps["stop_s"] - steps["start_s"], True
    return Alignment(steps, np.zeros(0, dtype=PASSAGE_DTYPE), 1.0)


def true_cents(made: Performance) -> Floats:
    """Each player's nine notes in cents above 1 Hz, shape (players, 9)."""
    played = [part.played for part in made.players]
    return np.array([[1200 * np.log2(one["hz"][one["chanter_note"] == n][0]) for n in range(9)] for one in played])


def heard_tuning(line: Timeline, band: Band, noise: float = 0.0) -> tuple[Tuning, Performance]:
    made = performance(line, band)
    sound = sound_of(made)
    sound = sound + noise * np.random.default_rng(5).normal(size=sound.size).astype(np.float32)
    alignment = known_alignment(made)
    drones = drones_heard(sound, low_a_hz=478.0, start_s=line.drones_in_s, stop_s=line.cut_off_s, alignment=alignment)
    return tuning_heard(sound, alignment, drones, scale=HARMONIC, low_a_hz=478.0), made


def errors_cents(heard: Tuning, made: Performance) -> Floats:
    assert heard.notes["heard"].all()
    return 1200 * np.log2(heard.notes["hz"]) - true_cents(made).mean(axis=0)


def test_one_chanters_nine_notes_are_within_a_tenth_of_a_cent_over_its_drones(line: Timeline) -> None:
    band = Band(scale=HARMONIC.with_offsets(OFFSETS), drums=None, room=None)
    heard, made = heard_tuning(line, band)
    assert np.abs(errors_cents(heard, made)).max() < 0.1
    assert heard.notes["cents"] == pytest.approx(OFFSETS, abs=0.35)
    assert heard.low_a_hz == pytest.approx(480.0 * 2 ** (2.0 / 1200), abs=0.03)


def test_each_note_is_where_scipys_fft_has_it(line: Timeline) -> None:
    band = Band(scale=HARMONIC.with_offsets(OFFSETS), drones=None, drums=None, room=None)
    heard, made = heard_tuning(line, band)
    sound, melody = sound_of(made), made.players[0].played
    for note in range(9):
        longest = max(melody[melody["chanter_note"] == note], key=lambda one: one["stop_s"] - one["onset_s"])
        begin, end = (round(longest[name] * WORKING_RATE_HZ) for name in ("onset_s", "stop_s"))
        stretch, n = sound[begin + 60 : end - 60], 1 << 20
        height = np.abs(np.fft.rfft(stretch * get_window("blackmanharris", stretch.size), n))
        third = 3 * heard.notes["hz"][note] * n / WORKING_RATE_HZ
        low, high = round(third * 0.97), round(third * 1.03)
        peak_hz = (low + int(np.argmax(height[low:high]))) * WORKING_RATE_HZ / n / 3.0
        assert 1200 * np.log2(heard.notes["hz"][note] / peak_hz) == pytest.approx(0.0, abs=0.3)


def test_pyin_agrees_as_closely_as_it_can(line: Timeline) -> None:
    """librosa's pyin on a chanter alone: its answers lie 5 cents apart here."""
    librosa = pytest.importorskip("librosa")
    band = Band(scale=HARMONIC.with_offsets(OFFSETS), drones=None, drums=None, room=None)
    heard, made = heard_tuning(line, band)
    melody = made.players[0].played
    for note in (ChanterNote.LOW_A, ChanterNote.E):
        longest = max(melody[melody["chanter_note"] == note], key=lambda one: one["stop_s"] - one["onset_s"])
        begin = round((longest["onset_s"] + 0.05) * WORKING_RATE_HZ)
        stretch = sound_of(made)[begin : round((longest["stop_s"] - 0.02) * WORKING_RATE_HZ)]
        pitch_hz, _, _ = librosa.pyin(
            stretch, fmin=380, fmax=1050, sr=WORKING_RATE_HZ, frame_length=1024, resolution=0.05, fill_na=None
        )
        assert abs(1200 * np.log2(heard.notes["hz"][note] / np.median(pitch_hz))) < 5.0


def test_six_players_means_are_as_close_as_their_levels_allow(line: Timeline) -> None:
    """Loud players count for more, which limits what any mean can be: see docs/listening-pitch.md."""
    ratios, covered, errors = [], [], []
    for seed in range(1, 5):
        band = Band(players=Players(6, 12.0, 4.0, 1.5, 1.0, seed), scale=HARMONIC.with_offsets(OFFSETS))
        heard, made = heard_tuning(line, band, noise=0.01)
        error = errors_cents(heard, made)
        errors.append(error)
        covered.append(np.abs(error) < heard.notes["uncertainty_cents"])
        ratios.append(heard.notes["spread_cents"] / true_cents(made).std(axis=0, ddof=1))
    assert np.median(np.abs(errors)) < 0.9
    assert np.max(np.abs(errors)) < 3.0
    assert np.mean(covered) >= 0.75
    assert np.median(ratios) == pytest.approx(1.0, abs=0.15)


def test_a_wider_band_is_heard_as_wider(line: Timeline) -> None:
    spreads = [
        np.median(
            heard_tuning(line, Band(players=Players(6, 12.0, cents, 1.5, 1.0, 2), drums=None))[0].notes["spread_cents"]
        )
        for cents in (2.0, 5.0, 10.0)
    ]
    assert spreads[0] * 1.5 < spreads[1] < spreads[2] / 1.5


def test_ten_cents_higher_moves_every_pitch_by_ten_and_no_deviation(line: Timeline) -> None:
    lower, _ = heard_tuning(line, Band(drums=None))
    higher, _ = heard_tuning(line, Band(drums=None, low_a_hz=480.0 * 2 ** (10 / 1200)))
    assert 1200 * np.log2(higher.notes["hz"] / lower.notes["hz"]) == pytest.approx(10.0, abs=0.15)
    assert higher.notes["cents"] == pytest.approx(lower.notes["cents"], abs=0.3)


def test_without_drones_deviations_are_from_the_measured_low_a(line: Timeline) -> None:
    heard, _ = heard_tuning(line, Band(drones=None, drums=None, low_a_hz=474.0))
    assert heard.low_a_hz == pytest.approx(474.0, abs=0.05)
    assert heard.notes["cents"] == pytest.approx(0.0, abs=0.2)


def test_a_note_that_is_never_played_is_not_heard(line: Timeline) -> None:
    made = performance(line, Band(drums=None))
    alignment = known_alignment(made)
    kept = alignment.steps[alignment.steps["chanter_note"] != ChanterNote.HIGH_G]
    sound = sound_of(made)
    drones = drones_heard(sound, low_a_hz=480.0, start_s=line.drones_in_s, stop_s=line.cut_off_s)
    heard = tuning_heard(sound, Alignment(kept, alignment.passages, 1.0), drones, scale=HARMONIC, low_a_hz=480.0)
    assert not heard.notes["heard"][ChanterNote.HIGH_G]
    assert heard.notes["heard"].sum() == 8


@pytest.mark.parametrize("loud", [0.0, 0.1])
def test_silence_and_noise_have_no_notes(line: Timeline, loud: float) -> None:
    made = performance(line, Band(drums=None))
    sound = (np.random.default_rng(1).normal(size=sound_of(made).size) * loud).astype(np.float32)
    drones = drones_heard(sound, low_a_hz=480.0, start_s=line.drones_in_s, stop_s=line.cut_off_s)
    heard = tuning_heard(sound, known_alignment(made), drones, scale=HARMONIC, low_a_hz=480.0)
    assert not heard.notes["heard"].any()
    assert heard.low_a_hz is None


def test_an_alignment_without_notes_is_refused() -> None:
    none = Alignment(np.zeros(0, dtype=STEP_DTYPE), np.zeros(0, dtype=PASSAGE_DTYPE), 0.0)
    nothing = Drones((), None, None, 0.0, 0.0, None, None, np.zeros(0), np.zeros(0), None, None, 0.0, 0.0)
    with pytest.raises(ListenError, match="align the recording first"):
        tuning_heard(np.zeros(12_000, dtype=np.float32), none, nothing, scale=HARMONIC, low_a_hz=480.0)
