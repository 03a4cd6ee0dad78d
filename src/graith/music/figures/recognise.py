"""Gracenotes become a figure's name, in one place or all through a tune; what has no name is reported and kept."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from graith.errors import MusicError, Place, Problem, Severity
from graith.music.figures.expand import silent_graces
from graith.music.figures.model import Figure, FigureRow, PlacedFigure
from graith.music.figures.table import rows_by_shape
from graith.music.model import Bar, ChanterNote, Note, Tune, chanter_note
from graith.music.unfold import played_bars

_ROWS = rows_by_shape()
_LOW_G, _LOW_A, _C, _D, _E, _HIGH_G = (
    ChanterNote.LOW_G,
    ChanterNote.LOW_A,
    ChanterNote.C,
    ChanterNote.D,
    ChanterNote.E,
    ChanterNote.HIGH_G,
)
_QUAVER = Fraction(1, 8)
_TACHUM_SOURCE = "ABC 2.1 §14.2 gives the rule"
_SEQUENCE_SOURCE = "common practice, no source"


def figure_of(graces: tuple[ChanterNote, ...], note: ChanterNote, previous: ChanterNote | None = None) -> Figure | None:
    """Return the figure that gracenotes before a note make, or None when they make none that is known here.

    Parameters
    ----------
    graces : tuple of ChanterNote
        In playing order.
    note : ChanterNote
        The melody note they lead into.
    previous : ChanterNote or None
        The melody note before; None at a start, after a rest, or when not known.

    Returns
    -------
    Figure or None
        Its ``certain`` is False where the trade disagrees, and where the shape belongs after another note.

    Examples
    --------
    >>> g, a, d = ChanterNote.LOW_G, ChanterNote.LOW_A, ChanterNote.D
    >>> figure_of((g, d, g), a).name
    'grip'
    >>> figure_of((g, a, g), a, previous=a).name
    'birl'
    """
    rows = _ROWS.get((graces, note))
    if rows is None:
        return None
    for row in rows:
        if row.after is previous and row.after is not None:
            return _figure(row, certain=row.certain)
    for row in rows:
        if row.after is None:
            return _figure(row, certain=row.certain)
    return _figure(rows[0], certain=False)


def figures_in(tune: Tune) -> tuple[PlacedFigure, ...]:
    """Return every figure in a tune as it is written, in order; figures over two or three notes as one."""
    found = []
    steps = list(_steps(tune))
    index = 0
    while index < len(steps):
        spanning = _tachum(steps[index : index + 2]) or _sequence(steps[index : index + 3])
        placed = spanning or _single(steps[index])
        if placed is not None:
            found.append(placed)
        index += len(spanning.notes) if spanning is not None else 1
    return tuple(found)


def figure_problems(tune: Tune) -> tuple[Problem, ...]:
    """Return a warning for each group of gracenotes without a name, and for each gracenote that cannot be heard.

    Both are kept and played as written. A bar is judged after every bar that it follows when the tune is played:
    a second ending after the bar before the ending, a part after its own last bar when it is repeated.
    """
    problems: list[Problem] = []
    for step in (*_steps(tune), *_joins_in_playing(tune)):
        if not step.graces:
            continue
        silent = silent_graces(step.graces, step.chanter_note, step.previous)
        problems.extend(_silent_problem(step, index) for index in silent)
        if silent or step.chanter_note is None:
            continue
        if figure_of(step.graces, step.chanter_note, step.previous) is None:
            problems.append(_unknown_problem(step, step.chanter_note))
    return tuple(dict.fromkeys(problems))


@dataclass(frozen=True, slots=True)
class _Step:
    """A melody note with what stands around it. ``graces`` leaves out pitches that the chanter does not have."""

    note: Note
    chanter_note: ChanterNote | None
    previous: ChanterNote | None
    graces: tuple[ChanterNote, ...]
    part: int
    bar: Bar
    bar_index: int
    note_index: int

    @property
    def place(self) -> Place:
        columns = self.bar.columns
        column = columns[self.note_index] if self.note_index < len(columns) else self.bar.place.column
        return replace(self.bar.place, column=column)


def _steps(tune: Tune) -> Iterator[_Step]:
    previous: ChanterNote | None = None
    for part_number, part in enumerate(tune.parts, start=1):
        for bar_index, bar in enumerate(part.bars):
            for note_index, note in enumerate(bar.notes):
                graces = tuple(played for grace in note.graces if (played := chanter_note(grace.pitch)) is not None)
                if len(graces) < len(note.graces):
                    graces = ()  # the range check reports it; a group with a hole in it has no name
                yield _Step(note, note.chanter_note, previous, graces, part_number, bar, bar_index, note_index)
                previous = note.chanter_note


def _joins_in_playing(tune: Tune) -> Iterator[_Step]:
    """Yield a bar's first note once more for each note that it follows in playing but not on paper."""
    first_steps = {id(step.bar): step for step in _steps(tune) if step.note_index == 0}
    seen = {(key, step.previous) for key, step in first_steps.items()}
    previous: ChanterNote | None = None
    try:
        played = played_bars(tune)
    except MusicError:
        return  # the order of parts cannot be played; that is reported where it is asked to be
    for one in played:
        step = first_steps.get(id(one.bar))
        if step is not None and (id(one.bar), previous) not in seen and previous is not None:
            seen.add((id(one.bar), previous))
            yield replace(step, previous=previous)
        if one.bar.notes:
            previous = one.bar.notes[-1].chanter_note


def _figure(row: FigureRow, *, certain: bool) -> Figure:
    return Figure(row.name, row.family, row.variant, row.source, certain)


def _single(step: _Step) -> PlacedFigure | None:
    if not step.graces or step.chanter_note is None:
        return None
    figure = figure_of(step.graces, step.chanter_note, step.previous)
    return None if figure is None else _placed(figure, [step])


def _placed(figure: Figure, steps: list[_Step]) -> PlacedFigure:
    first = steps[0]
    graces = tuple(grace for step in steps for grace in step.graces)
    notes = tuple(step.chanter_note for step in steps if step.chanter_note is not None)
    return PlacedFigure(figure, graces, notes, first.part, first.bar_index, first.note_index, first.place)


def _within_one_bar(steps: list[_Step]) -> bool:
    return all(step.bar is steps[0].bar and step.chanter_note is not None for step in steps)


def _tachum(steps: list[_Step]) -> PlacedFigure | None:
    # A short note with a high G gracenote snaps to low A with a D gracenote; by rights the first is B or C.
    if len(steps) < 2 or not _within_one_bar(steps):
        return None
    first, second = steps
    shape = (first.graces, second.graces) == ((_HIGH_G,), (_D,))
    snaps = first.note.length < second.note.length and first.note.length < _QUAVER
    if not (shape and snaps and second.chanter_note in (_LOW_G, _LOW_A)) or first.chanter_note in (_LOW_G, _LOW_A, _D):
        return None
    certain = second.chanter_note is _LOW_A and first.chanter_note is not None and first.chanter_note <= _C
    return _placed(Figure("tachum", "tachum", "", _TACHUM_SOURCE, certain), steps)


def _sequence(steps: list[_Step]) -> PlacedFigure | None:
    # High G, D and E gracenotes on three notes of one length: certain when the three are one pitch.
    if len(steps) < 3 or not _within_one_bar(steps):
        return None
    if [step.graces for step in steps] != [(_HIGH_G,), (_D,), (_E,)]:
        return None
    if len({step.note.length for step in steps}) > 1 or steps[0].note.length > _QUAVER:
        return None
    same_pitch = len({step.chanter_note for step in steps}) == 1
    variant = "on one note" if same_pitch else "on moving notes"
    return _placed(Figure("G-D-E", "G-D-E", variant, _SEQUENCE_SOURCE, same_pitch), steps)


def _on_paper(graces: tuple[ChanterNote, ...]) -> str:
    return "{" + "".join(grace.abc for grace in graces) + "}"


def _silent_problem(step: _Step, index: int) -> Problem:
    grace = step.graces[index]
    before = step.graces[index - 1] if index else step.previous
    beside = "follows the same note" if grace is before else "leads into the same note"
    return Problem(
        step.place,
        "silent gracenote",
        f"gracenote {index + 1} of {_on_paper(step.graces)}, {grace.label}, {beside} and cannot be heard",
        "Leave it out, or choose the figure that is played after that note.",
        step.bar.text,
        Severity.WARNING,
    )


def _unknown_problem(step: _Step, note: ChanterNote) -> Problem:
    return Problem(
        step.place,
        "unknown figure",
        f"the {len(step.graces)} gracenotes {_on_paper(step.graces)} before {note.label} make no figure known here",
        "Check them; they are kept and played as written.",
        step.bar.text,
        Severity.WARNING,
    )
