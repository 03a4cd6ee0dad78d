"""Hz and cents, beats a minute and seconds: the conversions every room shares."""

from __future__ import annotations

import math

from graith.errors import UnitError


def _checked_positive(value: float, what: str, unit: str) -> float:
    if not (math.isfinite(value) and value > 0):
        raise UnitError(f"A {what} of {value!r} {unit} cannot be; it must be a number above zero.")
    return value


def cents_above(heard_hz: float, wanted_hz: float) -> float:
    """Return how far a heard pitch lies above the wanted one, in cents.

    Parameters
    ----------
    heard_hz, wanted_hz : float, > 0
        Frequencies in Hz.

    Returns
    -------
    float
        Cents, 100 to the equal-tempered semitone; negative when flat.

    Raises
    ------
    UnitError
        If either frequency is zero, negative or not finite.

    References
    ----------
    Cent: 1/1200 of an octave (A. J. Ellis, 1885).

    Examples
    --------
    >>> round(cents_above(484.0, 480.0), 1)
    14.4
    """
    _checked_positive(heard_hz, "pitch", "Hz")
    _checked_positive(wanted_hz, "pitch", "Hz")
    return 1200.0 * math.log2(heard_hz / wanted_hz)


def raised_hz(pitch_hz: float, cents: float) -> float:
    """Return a pitch in Hz moved up by a number of cents (down when negative).

    Raises
    ------
    UnitError
        If the pitch is zero, negative or not finite.

    Examples
    --------
    >>> raised_hz(240.0, 1200.0)
    480.0
    """
    return _checked_positive(pitch_hz, "pitch", "Hz") * math.exp2(cents / 1200.0)


def beat_s(tempo_bpm: float) -> float:
    """Return the length of one beat in seconds.

    Raises
    ------
    UnitError
        If the tempo is zero, negative or not finite.

    Examples
    --------
    >>> beat_s(80.0)
    0.75
    """
    return 60.0 / _checked_positive(tempo_bpm, "tempo", "beats a minute")


def ramp_s(beats: float, start_bpm: float, end_bpm: float, of_beats: float) -> float:
    """Return the seconds from a ramp's start to a point ``beats`` into it.

    The tempo moves in a straight line over the beats (not over the seconds): at beat *b* of *B* it is
    ``v(b) = v0 + (v1 - v0) b / B`` beats a minute, so the time is the integral of ``60 / v(b)``::

        t(b) = 60 B / (v1 - v0) * ln(v(b) / v0)        and  60 b / v0  when v1 = v0

    Computed through ``log1p`` so that a slope of almost nothing loses no digits.

    Parameters
    ----------
    beats : float, 0 <= beats <= of_beats
    start_bpm, end_bpm : float, > 0
        Tempo at the first and the last beat of the ramp.
    of_beats : float, > 0
        The ramp's whole length in beats.

    Raises
    ------
    UnitError
        If a tempo or the length is zero, negative or not finite.

    References
    ----------
    The integral of 1/(a + bx), any table of integrals; checked against scipy.integrate.quad in the tests.

    Examples
    --------
    >>> round(ramp_s(16, 60, 120, 16), 6)
    11.090355
    """
    _checked_positive(start_bpm, "tempo", "beats a minute")
    _checked_positive(end_bpm, "tempo", "beats a minute")
    _checked_positive(of_beats, "ramp", "beats")
    relative_slope = (end_bpm - start_bpm) / (start_bpm * of_beats)
    grown = relative_slope * beats
    if grown == 0.0:
        return 60.0 * beats / start_bpm
    stretched: float = math.log1p(grown) / grown
    return 60.0 * beats / start_bpm * stretched
