"""What a figure is: a named group of gracenotes, the note it leads into, and where it was met."""

from __future__ import annotations

from dataclasses import dataclass

from graith.errors import Place
from graith.music.model import ChanterNote


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One row of the table of figures: these gracenotes before this note have this name.

    Attributes
    ----------
    name : str
        The trade's name, as a decoration in ABC text writes it: ``"thumb-doubling"``.
    family : str
        The figure it is a kind of: ``"doubling"``.
    variant : str
        What sets it apart within its family: ``"thumb"``, ``"after D"``; empty for the plain figure.
    graces : tuple of ChanterNote
        In playing order.
    note : ChanterNote
        The melody note they lead into.
    after : ChanterNote or None
        The melody note before, when the figure has this shape only there.
    source : str
        Where the row comes from.
    certain : bool
        Whether the trade agrees on name and shape.
    by_name : bool
        Whether a decoration of that name stands for this row.
    """

    name: str
    family: str
    variant: str
    graces: tuple[ChanterNote, ...]
    note: ChanterNote
    after: ChanterNote | None
    source: str
    certain: bool = True
    by_name: bool = True


@dataclass(frozen=True, slots=True)
class Figure:
    """A recognised figure.

    Attributes
    ----------
    name, family, variant, source : str
        As in :class:`FigureRow`.
    certain : bool
        False when the name or the shape is disputed, or when the figure stands after a note after which it
        is not usually played in this shape.
    """

    name: str
    family: str
    variant: str
    source: str
    certain: bool


@dataclass(frozen=True, slots=True)
class PlacedFigure:
    """A figure met in a tune.

    Attributes
    ----------
    figure : Figure
    graces : tuple of ChanterNote
        All its gracenotes, over all its melody notes.
    notes : tuple of ChanterNote
        The melody notes it lies on: one, but two in a tachum and three in a G-D-E sequence.
    part : int
        From 1.
    bar_index, note_index : int
        Of the first melody note, from 0 within the part and within the bar.
    place : Place
    """

    figure: Figure
    graces: tuple[ChanterNote, ...]
    notes: tuple[ChanterNote, ...]
    part: int
    bar_index: int
    note_index: int
    place: Place
