"""The nine notes against the drones: mean, uncertainty and spread over the players."""

from __future__ import annotations

import numpy as np

from graith.listen._words import amount
from graith.listen.heard import Heard
from graith.listen.pictures.drawing import FAINT, PHONE_WIDTH, USUAL, Axis, Drawing, Picture
from graith.music.model import ChanterNote
from graith.timeline.model import StructuredArray

_ROW, _TOP, _LEFT, _RIGHT, _FOOT = 19.0, 44.0, 50.0, 104.0, 26.0
_LEAST_CENTS = 15.0


def tuning_picture(heard: Heard, *, width: int = PHONE_WIDTH) -> Picture | None:
    """Return the nine notes in cents from the scale on the drones; None when none was heard."""
    if heard.tuning is None or not heard.tuning.notes["heard"].any():
        return None
    notes = heard.tuning.notes
    shows_spread = heard.n_players != 1
    drawing = Drawing(width, _TOP + 9 * _ROW + _FOOT)
    axis = _cents_axis(notes, shows_spread, width)
    drawing.words(10, 14, f"Notes against the drones, cents from the {heard.scale_name} scale", size=USUAL)
    _draw_grid(drawing, axis)
    told = _told_notes(heard)
    for note in ChanterNote:
        y = _TOP + (8 - int(note)) * _ROW + _ROW / 2
        drawing.words(_LEFT - 6, y + 4, note.label, anchor="end", size=12)
        if notes["heard"][note]:
            _draw_note(drawing, axis, notes[note], y, is_told=note.label in told, shows_spread=shows_spread)
        else:
            drawing.words(axis.at(0.0), y + 4, "not heard", anchor="middle")
    return drawing.picture("tuning", "The nine notes against the drones", _alt(notes, shows_spread))


def _cents_axis(notes: StructuredArray, shows_spread: bool, width: float) -> Axis:
    heard = notes[notes["heard"]]
    reach = np.abs(heard["cents"]) + np.maximum(heard["uncertainty_cents"], heard["spread_cents"] * shows_spread)
    widest = max(_LEAST_CENTS, float(np.ceil(reach.max() / 5.0) * 5.0))
    return Axis(-widest, widest, _LEFT + 8, width - _RIGHT)


def _draw_grid(drawing: Drawing, axis: Axis) -> None:
    bottom = _TOP + 9 * _ROW
    for cents in axis.ticks(8):
        x = axis.at(cents)
        drawing.line(x, _TOP - 4, x, bottom, width=0.5, look=f'stroke-opacity="{FAINT}"')
        drawing.words(x, bottom + 14, _signed(cents), anchor="middle")
    drawing.line(axis.at(0.0), _TOP - 4, axis.at(0.0), bottom, width=1.2)
    drawing.words(axis.start, _TOP - 10, "◂ flat")
    drawing.words(axis.stop, _TOP - 10, "sharp ▸", anchor="end")


def _draw_note(drawing: Drawing, axis: Axis, row: np.void, y: float, *, is_told: bool, shows_spread: bool) -> None:
    """Draw a note: a box for its spread, a whisker for its uncertainty, a diamond when it is a finding, else a dot."""
    cents, uncertainty, spread = (float(row[name]) for name in ("cents", "uncertainty_cents", "spread_cents"))
    if shows_spread:
        left, right = axis.at(cents - spread), axis.at(cents + spread)
        drawing.box(left, y - 5, right - left, 10, look='fill-opacity="0.18"')
    left, right = axis.at(cents - uncertainty), axis.at(cents + uncertainty)
    drawing.line(left, y, right, y, width=1.2)
    for x in (left, right):
        drawing.line(x, y - 3, x, y + 3, width=1.2)
    if is_told:
        drawing.diamond(axis.at(cents), y)
    else:
        drawing.dot(axis.at(cents), y)
    words = f"{_signed(cents)} ± {amount(uncertainty)}"
    drawing.words(axis.stop + 8, y + 4, f"{words}, spread {amount(spread)}" if shows_spread else words)


def _signed(cents: float) -> str:
    size = amount(cents)
    return size if size == "0" else f"{'+' if cents > 0 else '−'}{size}"


def _told_notes(heard: Heard) -> set[str]:
    """Return the notes that some finding is about."""
    about = [finding.says for finding in heard.findings if finding.kind in ("tuning", "tuning spread")]
    return {note.label for note in ChanterNote if any(f" {note.label} is " in says for says in about)}


def _alt(notes: StructuredArray, shows_spread: bool) -> str:
    says = []
    for note in ChanterNote:
        row = notes[note]
        if row["heard"]:
            side = "sharp" if row["cents"] > 0 else "flat"
            spread = f", spread {row['spread_cents']:.0f}" if shows_spread else ""
            says.append(f"{note.label} {abs(row['cents']):.0f} {side}{spread}")
        else:
            says.append(f"{note.label} not heard")
    return f"Cents from the scale on the drones: {'; '.join(says)}. A diamond marks a note that is a finding."
