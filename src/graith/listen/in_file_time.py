"""Times of what was heard in a stretch, told from the file's first sample: the one place where they are moved."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from graith.listen.heard import Heard
from graith.listen.model import Drones, Edge, StartStop
from graith.listen.player_figures import PlayerFigures
from graith.timeline.model import StructuredArray


def in_file_time(heard: Heard) -> Heard:
    """Return what was heard in a stretch with every time counted from the file's own first sample.

    Parameters
    ----------
    heard : Heard
        With times from its stretch's first sample, which is at ``heard.recording.start_s`` in the file; without
        findings.
    """
    by_s = heard.recording.start_s
    if by_s == 0.0:
        return heard
    alignment, tempo = heard.alignment, heard.tempo
    if alignment is not None:
        spans = ("start_s", "stop_s")
        alignment = replace(
            alignment,
            steps=_moved(alignment.steps, spans, by_s),
            passages=_moved(alignment.passages, spans, by_s),
        )
    if tempo is not None:
        tempo = replace(tempo, bars=_moved(tempo.bars, ("time_s",), by_s), beats=_moved(tempo.beats, ("time_s",), by_s))
    return replace(
        heard,
        alignment=alignment,
        tempo=tempo,
        drones=None if heard.drones is None else _drones(heard.drones, by_s),
        start_stop=None if heard.start_stop is None else _start_stop(heard.start_stop, by_s),
        figures=None if heard.figures is None else _figures(heard.figures, by_s),
    )


def _moved(array: StructuredArray, names: Iterable[str], by_s: float) -> StructuredArray:
    moved = array.copy()
    for name in names:
        moved[name] += by_s
    return moved


def _later(time_s: float | None, by_s: float) -> float | None:
    return None if time_s is None else time_s + by_s


def _drones(drones: Drones, by_s: float) -> Drones:
    return replace(
        drones, drift_s=drones.drift_s + by_s, in_s=_later(drones.in_s, by_s), out_s=_later(drones.out_s, by_s)
    )


def _start_stop(edges: StartStop, by_s: float) -> StartStop:
    return replace(
        edges,
        start=_edge(edges.start, by_s),
        stop=_edge(edges.stop, by_s),
        lone=tuple(replace(one, time_s=one.time_s + by_s) for one in edges.lone),
    )


def _edge(edge: Edge | None, by_s: float) -> Edge | None:
    return None if edge is None else replace(edge, time_s=edge.time_s + by_s)


def _figures(figures: PlayerFigures, by_s: float) -> PlayerFigures:
    return replace(
        figures,
        figures=_moved(figures.figures, ("onset_s", "note_s"), by_s),
        graces=_moved(figures.graces, ("onset_s",), by_s),
    )
