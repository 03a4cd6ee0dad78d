"""The words of a set sheet: opening, tempi, links and ending, as pieces to be printed in a row.

A piece is a text, or a beat length that stands for its drawn note.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from graith.music.model import Metre
from graith.sets.model import Ending, Link, Opening, PlannedTune
from graith.sheet._text import bpm_text

Piece = str | Fraction


def clock_text(seconds: float) -> str:
    """Return a time as minutes and seconds, to the nearest second.

    Examples
    --------
    >>> clock_text(125.4)
    '2:05'
    """
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def tempo_words(beat_length: Fraction, start_bpm: float, end_bpm: float | None = None) -> list[Piece]:
    """Return a tempo mark, with its goal when it moves."""
    number = bpm_text(start_bpm)
    if end_bpm is not None and bpm_text(end_bpm) != number:
        number += f" → {bpm_text(end_bpm)}"
    return [beat_length, f" = {number}"]


def opening_words(opening: Opening, first: PlannedTune) -> list[Piece]:
    """Return how the set starts: rolls, drones, strike-in, and on which beat the tune begins."""
    if opening.roll_beats == 0:
        return ["No roll: straight into the tune, ", *tempo_words(first.beat_length, first.tempo_bpm)]
    bpm = first.tempo_bpm if opening.tempo_bpm is None else opening.tempo_bpm
    return [
        f"Roll-off of {_beats(Fraction(opening.roll_beats))} at ",
        *tempo_words(first.beat_length, bpm),
        f"  ·  drones in on {opening.drones_in_beat}  ·  strike-in on {opening.strike_in_note.label} "
        f"on {opening.strike_in_beat}  ·  tune on {opening.roll_beats + 1}",
    ]


def link_words(link: Link, before: PlannedTune, after: PlannedTune) -> list[Piece]:
    """Return how one tune passes into the next."""
    pieces: list[Piece] = []
    if link.hold_beats:
        pieces.append(f"hold {_beats(link.hold_beats)} longer  ·  ")
    if link.ease_beats:
        goal = after.tempo_bpm if link.ease_to_bpm is None else link.ease_to_bpm
        pieces += [f"over the last {_beats(link.ease_beats)} to ", *tempo_words(before.beat_length, goal), "  ·  "]
    if not pieces:
        pieces.append("straight on  ·  ")
    if before.tune.metre != after.tune.metre:
        pieces.append(f"{_metre(before.tune.metre)} to {_metre(after.tune.metre)}  ·  ")
    if not link.ease_beats:
        pieces += [*tempo_words(before.beat_length, before.tempo_end_bpm), "  becomes  "]
    return [*pieces, *tempo_words(after.beat_length, after.tempo_bpm)]


def ending_words(ending: Ending, last: PlannedTune, cut_off_s: float) -> list[Piece]:
    """Return how the set stops."""
    pieces: list[Piece] = []
    if ending.slow_beats and ending.slow_to_bpm is not None:
        pieces += [
            f"over the last {_beats(ending.slow_beats)} to ",
            *tempo_words(last.beat_length, ending.slow_to_bpm),
            "  ·  ",
        ]
    if ending.hold_beats:
        pieces.append(f"hold {_beats(ending.hold_beats)} longer  ·  ")
    return [*pieces, f"cut-off at {clock_text(cut_off_s)}"]


def parts_text(parts: Sequence[int] | None, repeats: bool) -> str:
    """Return which parts are played, empty when all are, as written.

    Examples
    --------
    >>> parts_text((1, 2), False)
    'parts 1, 2, no repeats'
    """
    words = []
    if parts is not None:
        words.append(("part " if len(parts) == 1 else "parts ") + ", ".join(map(str, parts)))
    if not repeats:
        words.append("no repeats")
    return ", ".join(words)


def _beats(count: Fraction) -> str:
    number = str(count.numerator) if count.denominator == 1 else f"{count.numerator}/{count.denominator}"
    return f"{number} beat" if count == 1 else f"{number} beats"


def _metre(metre: Metre | None) -> str:
    return "free time" if metre is None else str(metre)
