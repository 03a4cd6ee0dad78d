"""General-purpose peers of listening: librosa's chroma with DTW, synctoolbox's MrMsDTW, and librosa's pYIN.

Each is used as its own guide shows, and helped where a user could help it: the aligners are given the stretch in which
the set sounds, cut at the true first and last sound, since neither looks for it; librosa's reference is the same music
rendered by Graith with drones at the plan's tempo and the true low A; synctoolbox's is the notes themselves, melody and
gracenotes, at the chanter's scale rounded to semitones after its own estimate of the tuning. pYIN is told the chanter's
range and the true places of the notes.
"""

from __future__ import annotations

import contextlib
import io
from dataclasses import dataclass
from pathlib import Path

import librosa
import numpy as np
import numpy.typing as npt

from bench.listen.truth import Truth
from graith.sound.model import Band, Drones, band_of
from graith.sound.perform import performance
from graith.sound.render import sound_blocks
from graith.sound.scale import HARMONIC

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]

RATE_HZ = 22_050
"""What both libraries load at by default."""

_LIBROSA_HOP = 1_024
_FEATURES_HZ = 50
_LOWEST_HZ, _HIGHEST_HZ = 390.0, 1_020.0
"""The chanter's range, with a semitone on either side."""

_AFTER_S, _BEFORE_S = 0.06, 0.03
"""Of a note, so much is left out at its beginning and its end."""


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """The stretch of a recording in which the set sounds, and the same music by the plan.

    ``planned_s`` are the melody notes' onsets in the reference, from its first sound on.
    """

    path: Path
    start_s: float
    stop_s: float
    low_a_hz: float
    truth: Truth
    planned_s: Floats
    from_s: float


def stretch_of_truth(path: Path, truth: Truth, low_a_hz: float) -> Stretch:
    """Return the stretch with a tenth of a second around it."""
    from_s = float(truth.plan.notes["start_s"][0]) - 0.1
    return Stretch(
        path, truth.first_s - 0.1, truth.last_s + 0.1, low_a_hz, truth, truth.plan.notes["onset_s"] - from_s, from_s
    )


def loaded(stretch: Stretch) -> Singles:
    """Return the recording's stretch as librosa loads it."""
    sound, _ = librosa.load(stretch.path, sr=RATE_HZ)
    return sound[round(stretch.start_s * RATE_HZ) : round(stretch.stop_s * RATE_HZ)]


def rendered_reference(stretch: Stretch) -> Singles:
    """Return the plan as one piper with drones plays it; made beforehand, and in no figure of time."""
    plan = stretch.truth.plan
    band = Band(players=band_of(1), low_a_hz=stretch.low_a_hz, drones=Drones(), drums=None, room=None)
    sound = np.concatenate(list(sound_blocks(performance(plan, band), rate_hz=RATE_HZ)))
    last_s = float(plan.notes["stop_s"][-1]) + 0.1
    return sound[round(stretch.from_s * RATE_HZ) : round(last_s * RATE_HZ)].astype(np.float32)


def by_librosa(sound: Singles, reference: Singles, stretch: Stretch) -> Floats:
    """Return the melody notes' onsets in the stretch, as librosa's guide to synchronisation has it."""
    heard = librosa.feature.chroma_cqt(y=sound, sr=RATE_HZ, hop_length=_LIBROSA_HOP)
    wanted = librosa.feature.chroma_cqt(y=reference, sr=RATE_HZ, hop_length=_LIBROSA_HOP)
    _, path = librosa.sequence.dtw(X=wanted, Y=heard, metric="cosine")
    return _by_path(path[::-1].T * (_LIBROSA_HOP / RATE_HZ), stretch.planned_s)


def by_synctoolbox(sound: Singles, stretch: Stretch) -> Floats:
    """Return :func:`_by_synctoolbox`, without the dots that it prints."""
    with contextlib.redirect_stdout(io.StringIO()):
        return _by_synctoolbox(sound, stretch)


def _by_synctoolbox(sound: Singles, stretch: Stretch) -> Floats:
    """Return the same by MrMsDTW on chroma and decaying onset features, as synctoolbox's guide to scores has it."""
    from synctoolbox.dtw.mrmsdtw import sync_via_mrmsdtw
    from synctoolbox.dtw.utils import compute_optimal_chroma_shift, make_path_strictly_monotonic
    from synctoolbox.feature.chroma import pitch_to_chroma, quantize_chroma, quantized_chroma_to_CENS
    from synctoolbox.feature.csv_tools import df_to_pitch_features, df_to_pitch_onset_features
    from synctoolbox.feature.dlnco import pitch_onset_features_to_DLNCO
    from synctoolbox.feature.pitch import audio_to_pitch_features
    from synctoolbox.feature.pitch_onset import audio_to_pitch_onset_features
    from synctoolbox.feature.utils import estimate_tuning, shift_chroma_vectors

    tuning = estimate_tuning(sound, RATE_HZ)
    told = {"Fs": RATE_HZ, "tuning_offset": tuning}
    heard = quantize_chroma(pitch_to_chroma(audio_to_pitch_features(sound, feature_rate=_FEATURES_HZ, **told)))
    heard_onsets = pitch_onset_features_to_DLNCO(
        audio_to_pitch_onset_features(sound, **told), feature_rate=_FEATURES_HZ, feature_sequence_length=heard.shape[1]
    )
    notes = _as_table(stretch, tuning)
    wanted = quantize_chroma(pitch_to_chroma(df_to_pitch_features(notes, feature_rate=_FEATURES_HZ)))
    wanted_onsets = pitch_onset_features_to_DLNCO(
        df_to_pitch_onset_features(notes), feature_rate=_FEATURES_HZ, feature_sequence_length=wanted.shape[1]
    )
    coarse = [quantized_chroma_to_CENS(one, 201, 50, _FEATURES_HZ)[0] for one in (heard, wanted)]
    shift = compute_optimal_chroma_shift(*coarse)
    path = sync_via_mrmsdtw(
        f_chroma1=heard,
        f_onset1=heard_onsets,
        f_chroma2=shift_chroma_vectors(wanted, shift),
        f_onset2=shift_chroma_vectors(wanted_onsets, shift),
        input_feature_rate=_FEATURES_HZ,
        step_weights=np.array([1.5, 1.5, 2.0]),
        threshold_rec=10**6,
    )
    heard_at, wanted_at = make_path_strictly_monotonic(path)
    return _by_path(np.array([wanted_at, heard_at]) / _FEATURES_HZ, stretch.planned_s)


def _as_table(stretch: Stretch, tuning_cents: float) -> object:
    """Return melody notes and gracenotes as the table that synctoolbox reads."""
    import pandas

    plan = stretch.truth.plan
    hz = HARMONIC.note_hz(stretch.low_a_hz)
    keys = np.rint(69.0 + 12.0 * np.log2(hz / 440.0) - tuning_cents / 100.0).astype(int)
    rows = []
    for table in (plan.notes, plan.graces):
        for one in table[table["chanter_note"] >= 0]:
            start_s = float(one["onset_s"]) - stretch.from_s
            rows.append((start_s, float(one["stop_s"] - one["onset_s"]), int(keys[one["chanter_note"]]), 0.9, "pipes"))
    return pandas.DataFrame(sorted(rows), columns=["start", "duration", "pitch", "velocity", "instrument"])


def _by_path(path_s: Floats, planned_s: Floats) -> Floats:
    """Return the reference's times in the recording; where a path stands still, its middle."""
    wanted_s, heard_s = path_s
    places, whose = np.unique(wanted_s, return_inverse=True)
    middle_s = np.bincount(whose, heard_s) / np.bincount(whose)
    return np.interp(planned_s, places, middle_s)


def by_pyin(sound: Singles, stretch: Stretch) -> Floats:
    """Return the nine notes' pitches, in Hz: pYIN's mean over the true places of each; NaN where not heard."""
    pitch_hz, voiced, _ = librosa.pyin(sound, fmin=_LOWEST_HZ, fmax=_HIGHEST_HZ, sr=RATE_HZ)
    at_s = librosa.times_like(pitch_hz, sr=RATE_HZ) + stretch.start_s
    truth = stretch.truth
    found = np.full(9, np.nan)
    for note in range(9):
        inside = np.zeros(at_s.size, dtype=bool)
        for index in np.flatnonzero(truth.plan.notes["chanter_note"] == note):
            inside |= (at_s > truth.onset_s[index] + _AFTER_S) & (at_s < truth.stop_note_s[index] - _BEFORE_S)
        cents = 1200.0 * np.log2(pitch_hz[inside & voiced] / _LOWEST_HZ)
        if cents.size:
            found[note] = _LOWEST_HZ * 2.0 ** (float(np.mean(cents[np.abs(cents - np.median(cents)) < 50.0])) / 1200.0)
    return found
