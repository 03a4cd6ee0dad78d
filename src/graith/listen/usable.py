"""Whether a recording can be listened to at all, told from its length, rate and levels before any work."""

from __future__ import annotations

from graith.listen._words import length_words
from graith.listen.heard import RecordingFacts

SHORTEST_S = 12.0
"""Less than this is no part of eight bars at any usual tempo; common practice, no source."""

LOWEST_RATE_HZ = 11_000
"""Sound of a lower rate lacks the chanter's partials above 4 kHz, by which players are told apart."""

_SILENT_RMS = 1e-5
_MOST_HOLES = 0.01


def unusable_reason(recording: RecordingFacts) -> str | None:
    """Return why a recording cannot be listened to, as one sentence; None when nothing speaks against trying.

    Parameters
    ----------
    recording : RecordingFacts
    """
    levels, label = recording.levels, recording.label
    n_all = levels.n_samples * max(1, recording.n_channels)
    if not levels.n_samples or recording.length_s <= 0.0:
        return f"{label}: there is no sound in it; record it again."
    if levels.n_not_finite > _MOST_HOLES * n_all:
        return f"{label}: {levels.n_not_finite} of {n_all} samples are no numbers; save the recording again."
    if levels.rms < _SILENT_RMS:
        return f"{label}: it is silent; look whether the microphone was on, and record it again."
    if recording.rate_hz < LOWEST_RATE_HZ:
        return (
            f"{label}: it has {recording.rate_hz} samples a second, as a telephone call has; record with at least "
            "16,000, as any recorder on a phone does."
        )
    if recording.length_s < SHORTEST_S:
        return (
            f"{label}: it lasts {length_words(1000.0 * recording.length_s)}, too short to find a place in a set; "
            f"give at least {SHORTEST_S:.0f} s."
        )
    return None
