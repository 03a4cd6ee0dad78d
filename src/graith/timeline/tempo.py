"""A tune's tempo as pieces of straight line over its beats, each with its closed form in seconds."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from graith.errors import TimelineError
from graith.sets.model import PlannedSet
from graith.units import ramp_s

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class TempoCurve:
    """Tempo over the beats of one tune, in straight pieces.

    Attributes
    ----------
    knots : float array, shape (pieces + 1,)
        Beats from the tune's first full beat, increasing, the first 0.
    tempi_bpm : float array, shape (pieces, 2)
        Beats a minute at each piece's two ends.
    knots_s : float array, shape (pieces + 1,)
        Seconds from the tune's first full beat to each knot.
    """

    knots: Floats
    tempi_bpm: Floats
    knots_s: Floats

    @property
    def start_bpm(self) -> float:
        """Tempo at the first full beat, and of the pick-up."""
        return float(self.tempi_bpm[0, 0])

    @property
    def is_steady(self) -> bool:
        """Whether the tempo never moves."""
        return len(self.tempi_bpm) == 1 and bool(self.tempi_bpm[0, 0] == self.tempi_bpm[0, 1])

    def _pieces(self, beats: Floats) -> npt.NDArray[np.intp]:
        return np.clip(np.searchsorted(self.knots, beats, side="right") - 1, 0, len(self.tempi_bpm) - 1)

    def bpm(self, beats: Floats) -> Floats:
        """Return the tempo at positions in beats; held before the first and after the last knot."""
        if self.is_steady:
            return np.full(beats.shape, self.start_bpm)
        pieces = self._pieces(beats)
        spans = self.knots[pieces + 1] - self.knots[pieces]
        share = np.clip((beats - self.knots[pieces]) / np.where(spans > 0, spans, 1.0), 0.0, 1.0)
        start, end = self.tempi_bpm[pieces, 0], self.tempi_bpm[pieces, 1]
        tempi_bpm: Floats = start + (end - start) * share
        return tempi_bpm

    def seconds(self, beats: Floats) -> Floats:
        """Return seconds from the first full beat; negative, at the first tempo, before it.

        The closed form of :func:`graith.units.ramp_s`, over whole arrays.
        """
        if self.is_steady:
            steady_s: Floats = beats * (60.0 / self.start_bpm)
            return steady_s
        pieces = self._pieces(beats)
        into = beats - self.knots[pieces]
        start, end = self.tempi_bpm[pieces, 0], self.tempi_bpm[pieces, 1]
        spans = self.knots[pieces + 1] - self.knots[pieces]
        grown = (end - start) / (start * np.where(spans > 0, spans, 1.0)) * np.maximum(into, 0.0)
        moves = np.abs(grown) > 0.0
        stretched = np.where(moves, np.log1p(grown) / np.where(moves, grown, 1.0), 1.0)
        times_s: Floats = self.knots_s[pieces] + 60.0 * into / start * stretched
        return times_s


def tempo_curve(planned: PlannedSet, index: int, beats: Fraction, tempo_factor: float) -> TempoCurve:
    """Return the tempo curve of one tune of a set.

    The tune's own tempo moves in a straight line over its beats; over the last of them, before a link or the ending,
    it may ease to another tempo.

    Parameters
    ----------
    beats : Fraction
        Beats to the next tune's first full beat, or to the cut-off.

    Raises
    ------
    TimelineError
        If the easing is longer than the tune.
    """
    tune = planned.tunes[index]
    ease_beats, ease_to_bpm = _ease(planned, index)
    total = float(beats)
    if ease_beats > beats:
        raise TimelineError(
            f"Tune {index + 1} of {planned.name!r}, {tune.tune.title!r}, has {beats} beats, and its tempo is to ease "
            f"over the last {ease_beats}. Ease over fewer beats."
        )
    slope = (tune.tempo_end_bpm - tune.tempo_bpm) / total
    ease_from = total - float(ease_beats)
    at_ease = tune.tempo_bpm + slope * ease_from
    pieces = [(0.0, ease_from, tune.tempo_bpm, at_ease)] if ease_from > 0 else []
    if ease_beats:
        pieces.append((ease_from, total, at_ease, ease_to_bpm))
    return _curve(pieces, tempo_factor)


def _ease(planned: PlannedSet, index: int) -> tuple[Fraction, float]:
    if index == len(planned.tunes) - 1:
        end = planned.tunes[index].tempo_end_bpm
        return planned.ending.slow_beats, planned.ending.slow_to_bpm or end
    link = planned.links[index]
    return link.ease_beats, link.ease_to_bpm or planned.tunes[index + 1].tempo_bpm


def _curve(pieces: list[tuple[float, float, float, float]], tempo_factor: float) -> TempoCurve:
    knots = [pieces[0][0]]
    knots_s = [0.0]
    for start, stop, start_bpm, end_bpm in pieces:
        span = stop - start
        knots.append(stop)
        knots_s.append(knots_s[-1] + ramp_s(span, start_bpm * tempo_factor, end_bpm * tempo_factor, span))
    tempi = np.array([(start_bpm, end_bpm) for _, _, start_bpm, end_bpm in pieces]) * tempo_factor
    return TempoCurve(np.array(knots), tempi, np.array(knots_s))
