"""Whether the chanter has every note of a tune."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from graith.errors import Place, Problem, Severity
from graith.music.model import Bar, ChanterNote, Note, Pitch, Tune, chanter_note

_TRANSPOSE = "Write a note that the chanter has, or move the whole tune to another key."


def range_problems(tune: Tune) -> tuple[Problem, ...]:
    r"""Return every note and gracenote the chanter lacks, and what the pipes cannot do.

    Parameters
    ----------
    tune : Tune

    Returns
    -------
    tuple of Problem
        Kind ``"range"`` (errors) for notes and gracenotes; ``"rest"`` and ``"chord"`` (warnings), for a chanter is
        never silent and sounds one note at a time.

    Examples
    --------
    >>> from graith.music.read_abc import read_tune
    >>> tune = read_tune("X:1\nT:T\nM:2/4\nL:1/8\nK:HP\nA2 =c2 | F4 |]", "air.abc")
    >>> for problem in range_problems(tune):
    ...     print(problem.place, "-", problem.says)
    air.abc:6:4, part 1, bar 1 - the chanter has no C♮5; the nearest notes are B and C
    air.abc:6:10, part 1, bar 2 - the chanter has no F♯4; the nearest note is low G
    """
    return tuple(
        problem
        for part in tune.parts
        for bar in part.bars
        for index, note in enumerate(bar.notes)
        for problem in _problems_of(bar, index, note)
    )


def _problems_of(bar: Bar, index: int, note: Note) -> Iterator[Problem]:
    if note.chanter_note is not None and all(chanter_note(grace.pitch) is not None for grace in note.graces):
        return
    place = _place_of(bar, index)
    for grace in note.graces:
        if chanter_note(grace.pitch) is None:
            yield Problem(place, "range", "gracenote: " + _lacking(grace.pitch), _TRANSPOSE, bar.text)
    if note.is_rest:
        if not note.invisible:
            yield Problem(place, "rest", "the pipes cannot rest: the chanter sounds on",
                          "Hold the note before it instead.", bar.text, Severity.WARNING)  # fmt: skip
        return
    if len(note.pitches) > 1:
        yield Problem(place, "chord", f"the chanter plays one note at a time, not {len(note.pitches)}",
                      "Keep the melody's note.", bar.text, Severity.WARNING)  # fmt: skip
    for pitch in note.pitches:
        if chanter_note(pitch) is None:
            yield Problem(place, "range", _lacking(pitch), _TRANSPOSE, bar.text)


def _place_of(bar: Bar, index: int) -> Place:
    return replace(bar.place, column=bar.columns[index]) if index < len(bar.columns) else bar.place


def _lacking(pitch: Pitch) -> str:
    below = [note for note in ChanterNote if note.pitch.midi <= pitch.midi]
    above = [note for note in ChanterNote if note.pitch.midi >= pitch.midi]
    nearest = [note.label for note in (below[-1:] + above[:1])]
    if len(nearest) == 2 and nearest[0] == nearest[1]:
        return f"the chanter has no {_exact(pitch)}; {nearest[0]} sounds the same"
    notes = f"notes are {nearest[0]} and {nearest[1]}" if len(nearest) == 2 else f"note is {nearest[0]}"
    return f"the chanter has no {_exact(pitch)}; the nearest {notes}"


def _exact(pitch: Pitch) -> str:
    """Return a pitch with its natural sign, which matters where the chanter's C and F are sharp."""
    natural = pitch.alter == 0 and pitch.letter in "CF"
    return f"{pitch.letter}♮{pitch.octave}" if natural else str(pitch)
