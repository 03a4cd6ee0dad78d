"""What is worth saying of the recording itself: what its file lacks, clipped, soft, noisy, at a wrong speed."""

from __future__ import annotations

import math

from graith.listen._words import amount
from graith.listen.audible import PITCH_CENTS, weight
from graith.listen.heard import Heard
from graith.listen.model import Finding

CLIPPED_SHARE = 1e-4
SOFT_DB = -45.0
"""Both common practice, no source: clipping that a meter would show; a level at which a phone's own noise counts."""

NOISY_DB = 16.5
"""Bands in rooms stand out by 18 to 25 dB; with as much noise as music less 5 dB, by 15.5 to 16 (``bench/listen``)."""

_SAID = 2.0


def recording_findings(heard: Heard) -> list[Finding]:
    """Return what is worth saying of the recording; these are no deviations of the playing."""
    told = [Finding("file", 1.0, "notes", 0.0, note, _SAID) for note in heard.recording.notes]
    return [*told, *_clipping(heard), *_level(heard), *_noise(heard), *_speed(heard)]


def _clipping(heard: Heard) -> list[Finding]:
    recording = heard.recording
    n_all = recording.levels.n_samples * recording.n_channels
    share = recording.levels.n_clipped / n_all if n_all else 0.0
    if share < CLIPPED_SHARE:
        return []
    says = (
        f"{amount(100.0 * share) if share >= 0.001 else 'A little under 0.1'} % of the recording is clipped: put the "
        "phone further off, or turn its recording level down."
    )
    return [Finding("clipping", 100.0 * share, "%", 0.0, says, _SAID)]


def _level(heard: Heard) -> list[Finding]:
    rms = heard.recording.levels.rms
    if not 0.0 < rms < 10.0 ** (SOFT_DB / 20.0):
        return []
    level_db = 20.0 * math.log10(rms)
    says = (
        f"The recording is soft, {amount(level_db)} dB below full scale on average: put the phone nearer, for its own "
        "noise widens every uncertainty."
    )
    return [Finding("soft", level_db, "dB", 0.0, says, _SAID)]


def _noise(heard: Heard) -> list[Finding]:
    if heard.stands_out_db is None or heard.stands_out_db >= NOISY_DB:
        return []
    says = (
        f"The pipes stand out by only {amount(heard.stands_out_db)} dB of what else is heard: the place is noisy, or "
        "the phone too far off. Go nearer, four to six metres; every uncertainty here is wider for it."
    )
    return [Finding("noisy", heard.stands_out_db, "dB", 0.0, says, _SAID)]


def _speed(heard: Heard) -> list[Finding]:
    if heard.speed is None or heard.speed <= 0.0:
        return []
    cents = 1200.0 * math.log2(heard.speed)
    way = "fast" if cents > 0 else "slow"
    says = (
        f"The recording seems to run {amount(100.0 * (heard.speed - 1.0))} % too {way}, so pitches in Hz and tempi are "
        "off by as much; cents between notes are not. Take it from the phone again, without converting it."
    )
    return [Finding("speed", 100.0 * (heard.speed - 1.0), "%", 0.0, says, max(_SAID, weight(cents, 0.0, PITCH_CENTS)))]
