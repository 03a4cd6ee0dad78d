"""Listen to a recording of a known set: where every note lies, then every measure that the recording can support."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from graith.errors import ListenError
from graith.listen.align import aligned, for_one_player, for_players
from graith.listen.drones import drones_heard
from graith.listen.frames import frames_of
from graith.listen.guess_pitch import guessed_low_a_hz, long_spectrum
from graith.listen.heard import Heard, facts_of
from graith.listen.model import Alignment, Drones, Edge, Floats, Recording, Singles, StartStop, Tuning
from graith.listen.note_shares import stands_out_db
from graith.listen.player_figures import PlayerFigures, player_figures, pointing
from graith.listen.start_stop import start_stop_heard
from graith.listen.tempo_heard import tempo_heard
from graith.listen.togetherness import togetherness_heard
from graith.listen.trust import distrust, speed_of
from graith.listen.tuning import tuning_heard
from graith.listen.wrong_notes import wrong_notes
from graith.sound.scale import HARMONIC, Scale
from graith.timeline.model import StructuredArray, Timeline

Progress = Callable[[float], object]

_ONE_PLAYER_CENTS, _PERHAPS_ONE_CENTS = 1.6, 2.4
"""One chanter's notes are no wider than the first; below the second one hears from the note changes who is there."""

_BARS_NEAR = 8
_USUAL_SPREAD_MS = 20.0
"""How far an edge's spread may lie from that of the bars near it (``bench/listen``)."""


def listen_to(
    recording: Recording,
    timeline: Timeline,
    *,
    scale: Scale = HARMONIC,
    low_a_hz: float | None = None,
    n_players: int | None = None,
    progress: Progress | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> Heard:
    """Return what was heard in a recording of a set.

    Parameters
    ----------
    recording : Recording
    timeline : Timeline
        The set as planned; its tempi need not be those played.
    scale : Scale
        What the notes are held against.
    low_a_hz : float, optional
        Low A, when it is known to 30 cents; else it is found.
    n_players : int, optional
        How many chanters play; None when it is not known.
    progress : callable, optional
        Given the share of the work that is done, 0 to 1.
    should_stop : callable, optional
        Asked between steps of the work; when it returns true the work ends.

    Returns
    -------
    Heard
        ``trusted`` is false, with the reason, when the set cannot be followed; nothing in doubt is then given.

    Raises
    ------
    ListenError
        If the work was stopped, or the recording is too long to be searched at once.
    """
    done = _Steps(progress, should_stop)
    facts = facts_of(recording)

    def refused(reason: str) -> Heard:
        return Heard(False, f"{recording.label}: {reason}", facts, scale.name, n_players=n_players)

    samples = recording.samples
    guess_hz, clear = guessed_low_a_hz(long_spectrum(samples), scale)
    pitch_hz = low_a_hz or guess_hz
    done(0.1)
    frames = frames_of(samples)
    done(0.3)
    try:
        found = aligned(frames, timeline, scale.note_hz(pitch_hz))
    except ListenError as error:
        return refused(str(error))
    clear_db = stands_out_db(frames, found.labels)
    del frames  # the largest of all arrays, and needed no more
    done(0.6)
    reason = distrust(found, clear)
    if reason is not None:
        return refused(reason)
    alignment = found.alignment
    begin_s, end_s = float(alignment.passages["start_s"].min()), float(alignment.passages["stop_s"].max())
    drones = drones_heard(samples, low_a_hz=pitch_hz, start_s=begin_s, stop_s=end_s, alignment=alignment)
    done(0.7)
    tuning = tuning_heard(samples, alignment, drones, scale=scale, low_a_hz=pitch_hz)
    done(0.8)
    notes_hz = _notes_hz(tuning, scale, pitch_hz)
    players = n_players if n_players is not None else _one_player(tuning)
    if players is None and _spread_cents(tuning) < _PERHAPS_ONE_CENTS:
        apart = togetherness_heard(samples, timeline, alignment, note_hz=notes_hz)
        players = None if apart["heard"].any() else 1
    alignment = for_one_player(found) if players == 1 else for_players(found)
    tempo = tempo_heard(timeline, alignment)
    edges = start_stop_heard(samples, timeline, alignment, drones, low_a_hz=pitch_hz, note_hz=notes_hz)
    together = figures = None
    if players == 1:
        edges = replace(edges, lone=())  # nobody else was there to be early or late
        # By what sounds: how long a reed takes to speak is the same for gracenotes and notes.
        figures = _figures(samples, timeline, found.alignment, notes_hz, drones)
    else:
        together = togetherness_heard(samples, timeline, alignment, note_hz=notes_hz, tempo=tempo)
        edges = _with_usual_spreads(edges, together)
    pairs = pointing(timeline, found.alignment, graces=None if figures is None else figures.graces)
    done(1.0)
    return Heard(
        trusted=True,
        reason=None,
        recording=facts,
        scale_name=scale.name,
        alignment=alignment,
        drones=drones,
        tuning=tuning,
        tempo=tempo,
        start_stop=edges,
        togetherness=together,
        figures=figures,
        pointing=pairs,
        wrong_notes=wrong_notes(found.alignment, found.scores),
        stands_out_db=clear_db,
        speed=speed_of(pitch_hz, tempo, low_a_hz is not None),
        n_players=players,
    )


class _Steps:
    """Tells how far the work is, and ends it when it shall stop."""

    def __init__(self, progress: Progress | None, should_stop: Callable[[], bool] | None) -> None:
        self._progress, self._should_stop = progress, should_stop

    def __call__(self, share: float) -> None:
        if self._should_stop is not None and self._should_stop():
            raise ListenError("Listening was stopped.")
        if self._progress is not None:
            self._progress(share)


def _notes_hz(tuning: Tuning, scale: Scale, pitch_hz: float) -> Floats:
    """Return the nine pitches as measured, and the scale's where a note was not heard."""
    measured: Floats = np.where(tuning.notes["heard"], tuning.notes["hz"], scale.note_hz(tuning.low_a_hz or pitch_hz))
    return measured


def _one_player(tuning: Tuning) -> int | None:
    """Return 1 when no note is wider than one chanter's, None when there may be several players."""
    return 1 if _spread_cents(tuning) < _ONE_PLAYER_CENTS else None


def _spread_cents(tuning: Tuning) -> float:
    """Return the usual note's spread; infinite when no note was heard."""
    told = tuning.notes[tuning.notes["heard"]]
    return float(np.median(told["spread_cents"])) if told.size else float("inf")


def _with_usual_spreads(edges: StartStop, together: StructuredArray) -> StartStop:
    """Return start and stop with the spread of the bars near them, where the edge itself does not tell its own."""
    told = together[together["heard"]]
    if not told.size:
        return edges

    def spread(edge: Edge | None, near: StructuredArray) -> Edge | None:
        if edge is None or edge.spread_ms is not None:
            return edge
        return replace(edge, spread_ms=float(np.median(near["spread_ms"])), spread_uncertainty_ms=_USUAL_SPREAD_MS)

    start, stop = spread(edges.start, told[:_BARS_NEAR]), spread(edges.stop, told[-_BARS_NEAR:])
    return replace(edges, start=start, stop=stop)


def _figures(
    samples: Singles, timeline: Timeline, alignment: Alignment, notes_hz: Floats, drones: Drones
) -> PlayerFigures | None:
    try:
        return player_figures(samples, timeline, alignment, note_hz=notes_hz, has_drones=bool(drones.heard))
    except ListenError:
        return None
