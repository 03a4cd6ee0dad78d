"""A figure asked for by name becomes the gracenotes a piper would play."""

from __future__ import annotations

from graith.errors import MusicError
from graith.music.figures.model import FigureRow
from graith.music.figures.table import INSTEAD, rows_by_name
from graith.music.model import ChanterNote

_ROWS = rows_by_name()

FIGURE_NAMES: frozenset[str] = frozenset(name for name, _ in _ROWS)
"""Every name that :func:`expand_figure` takes."""


def expand_figure(name: str, note: ChanterNote, previous: ChanterNote | None = None) -> tuple[ChanterNote, ...]:
    """Return the gracenotes of a figure before a note, in playing order.

    The melody note before decides between shapes: after D a grip has B between its low Gs; after high G
    a doubling begins with the thumb, after high A with nothing.

    Parameters
    ----------
    name : str
        One of :data:`FIGURE_NAMES`.
    note : ChanterNote
        The melody note that the figure leads into.
    previous : ChanterNote or None
        The melody note before; None at a start, after a rest, or when not known.

    Raises
    ------
    MusicError
        If there is no figure of that name, if it is not played on that note, or if after the note before
        it could not be heard.

    Examples
    --------
    >>> "".join(grace.abc for grace in expand_figure("doubling", ChanterNote.E))
    'gef'
    >>> "".join(grace.abc for grace in expand_figure("doubling", ChanterNote.E, ChanterNote.HIGH_G))
    'aef'
    """
    if name not in FIGURE_NAMES:
        raise MusicError(f"There is no figure called {name!r}. Use one of: {', '.join(sorted(FIGURE_NAMES))}.")
    if (name, note) not in _ROWS:
        raise MusicError(f"A {name} is not played on {note.label}. It is played on {_notes_of(name)}.")
    candidates = _candidates(name, note, previous)
    for row in candidates:
        if not silent_graces(row.graces, note, previous):
            return row.graces
    raise MusicError(_refusal(name, note, previous, candidates))


def silent_graces(
    graces: tuple[ChanterNote, ...], note: ChanterNote | None, previous: ChanterNote | None
) -> tuple[int, ...]:
    """Return which gracenotes change nothing in the sound, by their index from 0.

    A chanter sounds without a break, so a note is heard only where it differs from the one before it. A
    gracenote equal to the note before it, or the last one equal to its melody note, makes no sound of its own.

    Parameters
    ----------
    graces : tuple of ChanterNote
    note, previous : ChanterNote or None
        The melody notes after and before; None where none sounds.

    Examples
    --------
    >>> silent_graces((ChanterNote.HIGH_G,), ChanterNote.C, ChanterNote.HIGH_G)
    (0,)
    """
    before = (previous, *graces[:-1])
    last = len(graces) - 1
    return tuple(
        index for index, grace in enumerate(graces) if grace is before[index] or (index == last and grace is note)
    )


def _candidates(name: str, note: ChanterNote, previous: ChanterNote | None) -> list[FigureRow]:
    names = INSTEAD.get((name, previous), (name,)) if previous is not None else (name,)
    rows = [row for tried in names for row in _ROWS.get((tried, note), ())]
    fitting = [row for row in rows if row.after is previous and row.after is not None]
    return fitting + [row for row in rows if row.after is None or (previous is None and row.after is not None)]


def _refusal(name: str, note: ChanterNote, previous: ChanterNote | None, candidates: list[FigureRow]) -> str:
    before = "nothing" if previous is None else previous.label
    if not candidates:
        afters = [row.after.label for row in _ROWS[name, note] if row.after is not None]
        only = f"is played after {_listed(afters)} only, not" if afters else "is not played"
        return f"A {name} on {note.label} {only} after {before}. Choose another figure."
    return f"A {name} on {note.label} cannot be heard after {before}, on which it begins. Choose another figure."


def _notes_of(name: str) -> str:
    return _listed([note.label for note in ChanterNote if (name, note) in _ROWS])


def _listed(labels: list[str]) -> str:
    return labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"
