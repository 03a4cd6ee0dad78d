"""Figures that a tune asks for by name (``!doubling!e``): their gracenotes are put before their notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from graith.errors import MusicError
from graith.music._parts import RawBar
from graith.music._run import Slip
from graith.music.figures import FIGURE_NAMES, expand_figure
from graith.music.model import ChanterNote, Grace, Note

_WRITE_OUT = "Choose another figure, or write its gracenotes out in braces."


def put_in_figures(bars: Sequence[RawBar]) -> None:
    """Give every note that asks for a figure its gracenotes; what cannot be played is told where it stands."""
    for index, bar in enumerate(bars):
        if not bar.decorated or not any(FIGURE_NAMES.intersection(note.decorations) for note in bar.notes):
            continue
        before = bars[index - 1].notes[-1] if index else None
        notes: list[Note] = []
        for note, column in zip(bar.notes, bar.columns, strict=True):
            try:
                notes.append(_with_figure(note, before))
            except MusicError as error:
                notes.append(note)
                slip = Slip(column - 1, "figure", str(error).rstrip("."), _WRITE_OUT)
                bar.slips = [*bar.slips, (bar.line, slip)]
            before = note
        bar.notes = tuple(notes)


def _with_figure(note: Note, before: Note | None) -> Note:
    asked = [name for name in note.decorations if name in FIGURE_NAMES]
    if not asked:
        return note
    if len(asked) > 1:
        raise MusicError(f"Two figures are asked for on one note: {' and '.join(asked)}.")
    if note.graces:
        raise MusicError(f"A {asked[0]} is asked for on a note that has its gracenotes written out.")
    if note.chanter_note is None:
        raise MusicError(f"A {asked[0]} is asked for on {_described(note)}, which the chanter does not have.")
    previous: ChanterNote | None = before.chanter_note if before is not None else None
    graces = expand_figure(asked[0], note.chanter_note, previous)
    return replace(
        note,
        graces=tuple(Grace(grace.pitch) for grace in graces),
        figure=asked[0],
        decorations=tuple(name for name in note.decorations if name != asked[0]),
    )


def _described(note: Note) -> str:
    if note.is_rest:
        return "a rest"
    return str(note.pitches[0]) if len(note.pitches) == 1 else "a chord"
