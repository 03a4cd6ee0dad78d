"""What is worth saying of the chanters' pitch: against the drones, note by note, over the players, over time."""

from __future__ import annotations

import numpy as np

from graith.listen._words import amount, give_or_take, owner
from graith.listen.audible import PITCH_CENTS, SHORT_PITCH_CENTS, weight
from graith.listen.heard import Heard
from graith.listen.model import Finding
from graith.listen.places import listed
from graith.music.model import ChanterNote
from graith.timeline.model import StructuredArray

_LONG_ENOUGH_S = 2.0
_FEWEST_NOTES = 5
_NORMAL_90 = 1.645

# What to do to a note: common practice, no source.
_LOWER = "lower it with a little tape over the top of its hole"
_RAISE = "take tape off its hole, and see that no finger shades it"
_LOWER_LOW_G = "lower it with a little tape over the top of the sound holes at the foot"
_RAISE_LOW_G = "take tape off the sound holes at the foot, and see that every hole above is closed"


def tuning_findings(heard: Heard) -> list[Finding]:
    """Return what is worth saying of the chanters' tuning; limits in :mod:`graith.listen.audible`."""
    if heard.tuning is None:
        return []
    notes = heard.tuning.notes
    common = _common(notes, 0.0 if heard.drones is None else heard.drones.tenor_uncertainty_cents)
    found = [] if common is None else [_against_drones(heard, *common)]
    offset_cents = 0.0 if common is None else common[0]
    for index in np.flatnonzero(notes["heard"]):
        found += _of_note(heard, ChanterNote(int(index)), notes[index], offset_cents)
    return found + _wandering(heard, notes)


def _common(notes: StructuredArray, drones_cents: float) -> tuple[float, float] | None:
    """Return by how much all notes together lie off the drones, and its uncertainty; None when it is not sure."""
    cents = notes["cents"][notes["heard"]]
    if cents.size < _FEWEST_NOTES:
        return None
    middle = float(np.median(cents))
    spread = 1.4826 * float(np.median(np.abs(cents - middle)))
    own_cents = float(np.median(notes["uncertainty_cents"][notes["heard"]]))
    uncertainty = float(np.hypot(_NORMAL_90 * 1.2533 * spread / np.sqrt(cents.size), max(own_cents, drones_cents)))
    return (middle, uncertainty) if weight(middle, uncertainty, PITCH_CENTS) >= 1 else None


def _against_drones(heard: Heard, cents: float, uncertainty: float) -> Finding:
    do = (
        "bring the drones up to them, or lift the chanter reeds a little"
        if cents > 0
        else "bring the drones down to them, or sink the chanter reeds a little"
    )
    what = "Your chanter as a whole is" if heard.n_players == 1 else "The chanters as a whole are"
    says = f"{what} {amount(cents)} cents {_side(cents)} of the drones{give_or_take(uncertainty)}: {do}."
    return Finding("chanters and drones", cents, "cents", uncertainty, says, weight(cents, uncertainty, PITCH_CENTS))


def _of_note(heard: Heard, note: ChanterNote, row: np.void, offset_cents: float) -> list[Finding]:
    cents, uncertainty = float(row["cents"]) - offset_cents, float(row["uncertainty_cents"])
    spread, spread_uncertainty = float(row["spread_cents"]), float(row["spread_uncertainty_cents"])
    limit = PITCH_CENTS if row["sounding_s"] >= _LONG_ENOUGH_S else SHORT_PITCH_CENTS
    off = weight(cents, uncertainty, limit)
    loose = 0.0 if heard.n_players == 1 else weight(spread, spread_uncertainty, limit)
    whose = f"{owner(heard)} {note.label} is"
    against = "the other notes" if offset_cents else f"the {heard.scale_name} scale on the drones"
    if off >= 1:
        says = f"{whose} {amount(cents)} cents {_side(cents)} of {against}{give_or_take(uncertainty)}"
        if loose >= 1:
            says += f" and spread by {amount(spread)} cents over the players{give_or_take(spread_uncertainty)}"
        says += f": {_do(note, cents)}" + (", then match the chanters one by one." if loose >= 1 else ".")
        return [Finding("tuning", cents, "cents", uncertainty, says, max(off, loose))]
    if loose >= 1:
        says = (
            f"{whose} in tune on the whole but spread by {amount(spread)} cents over the players"
            f"{give_or_take(spread_uncertainty)}: match the chanters' {note.label} one by one to one that is right."
        )
        return [Finding("tuning spread", spread, "cents", spread_uncertainty, says, loose)]
    return []


def _wandering(heard: Heard, notes: StructuredArray) -> list[Finding]:
    """Return one finding for all notes whose pitch moves as the performance goes on."""
    weights = np.array(
        [weight(row["drift_cents"], row["uncertainty_cents"], PITCH_CENTS) if row["heard"] else 0.0 for row in notes]
    )
    moving = np.flatnonzero(weights >= 1)
    if not moving.size:
        return []
    worst = int(np.argmax(weights))
    size, uncertainty = float(notes["drift_cents"][worst]), float(notes["uncertainty_cents"][worst])
    names = listed([ChanterNote(int(index)).label for index in moving])
    does = "wanders" if moving.size == 1 else "wander"
    up_to = "by" if moving.size == 1 else "by up to"
    says = (
        f"{owner(heard)} {names} {does} {up_to} {amount(size)} cents (standard deviation) as the playing goes on"
        f"{give_or_take(uncertainty)}: blow steadily, and tune only when the reeds are warm."
    )
    return [Finding("tuning wander", size, "cents", uncertainty, says, float(weights[worst]))]


def _side(cents: float) -> str:
    return "sharp" if cents > 0 else "flat"


def _do(note: ChanterNote, cents: float) -> str:
    if note is ChanterNote.LOW_G:
        return _LOWER_LOW_G if cents > 0 else _RAISE_LOW_G
    return _LOWER if cents > 0 else _RAISE
