"""A timeline as MIDI: the chanter's notes and gracenotes at their seconds, a marker where each tune begins."""

from __future__ import annotations

import numpy as np

from graith.music.write_midi import notes_midi
from graith.sound.scale import HARMONIC, Scale
from graith.timeline.model import Timeline


def set_midi(timeline: Timeline, *, low_a_hz: float = 480.0, scale: Scale = HARMONIC) -> bytes:
    """Return a set's chanter line as the bytes of a Standard MIDI file, tuned by pitch bend.

    Parameters
    ----------
    timeline : Timeline
    low_a_hz : float
        Sounding low A in Hz.
    scale : Scale

    Raises
    ------
    SoundError
        If low A is out of range.
    """
    pitches_midi = 69.0 + 12.0 * np.log2(np.asarray(scale.note_hz(low_a_hz)) / 440.0)
    notes = timeline.notes[timeline.notes["chanter_note"] >= 0]
    onsets_s = np.concatenate([notes["onset_s"], timeline.graces["onset_s"]])
    order = np.argsort(onsets_s, kind="stable")
    stops_s = np.concatenate([notes["stop_s"], timeline.graces["stop_s"]])[order]
    played = np.concatenate([notes["chanter_note"], timeline.graces["chanter_note"]])[order]
    return notes_midi(
        onsets_s[order].tolist(),
        stops_s.tolist(),
        pitches_midi[played].tolist(),
        name=timeline.name,
        markers=[(span.start_s, span.title) for span in timeline.tunes],
    )
