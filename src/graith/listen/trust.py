"""Whether an alignment can be trusted, and whether the recording runs at its true speed."""

from __future__ import annotations

import numpy as np

from graith.listen.align import Aligned
from graith.listen.model import Tempo

_LEAST_GAIN = 0.35
_LEAST_FIT = 0.78
_LEAST_HEARD_S = 12.0
_MOST_PASSAGES_A_MINUTE = 3.0
_LEAST_CLEAR = 2.0

_USUAL_LOW_A_HZ = (455.0, 500.0)
_SPEEDS = (48_000 / 44_100, 44_100 / 48_000, 1.04, 1 / 1.04)
"""What sound at the wrong rate, or film at the wrong rate, is played too fast or too slow by."""


def distrust(found: Aligned, clear: float) -> str | None:
    """Return why the alignment cannot be trusted, as a sentence; None when it can.

    Parameters
    ----------
    found : Aligned
    clear : float
        How clearly low A stood out, in standard deviations.
    """
    alignment = found.alignment
    heard_s = float((alignment.passages["stop_s"] - alignment.passages["start_s"]).sum())
    if heard_s < _LEAST_HEARD_S:
        return (
            f"only {heard_s:.0f} s of it fit this set; either it is another set or tune, or the recording holds too "
            "little of it."
        )
    if found.gain < _LEAST_GAIN or alignment.fit < _LEAST_FIT or clear < _LEAST_CLEAR:
        return (
            f"the notes of this set do not fit what is heard (only {100 * alignment.fit:.0f} in 100 moments agree); "
            "either it is another set or tune, or the recording is too noisy or too far away."
        )
    if alignment.passages.size > 3 + _MOST_PASSAGES_A_MINUTE * heard_s / 60.0:
        return (
            f"the set could only be followed in {alignment.passages.size} short pieces; it is probably another tune "
            "of the same kind."
        )
    return None


def speed_of(pitch_hz: float, tempo: Tempo, is_told: bool) -> float | None:
    """Return how many times too fast the recording seems to run, or None when nothing speaks for it.

    A pitch outside what chanters have, together with a tempo off the plan by the same factor, speaks for a recording
    at the wrong rate.

    Parameters
    ----------
    pitch_hz : float
        Low A as heard.
    tempo : Tempo
    is_told : bool
        Whether low A was told, and so is no sign of anything.
    """
    if is_told or _USUAL_LOW_A_HZ[0] <= pitch_hz <= _USUAL_LOW_A_HZ[1]:
        return None
    told = tempo.bars[tempo.bars["heard"]]
    if not told.size:
        return None
    faster = float(np.median(told["bpm"] / told["planned_bpm"]))
    for speed in _SPEEDS:
        if abs(np.log(faster / speed)) < 0.03 and _USUAL_LOW_A_HZ[0] <= pitch_hz / speed <= _USUAL_LOW_A_HZ[1]:
            return speed
    return None
