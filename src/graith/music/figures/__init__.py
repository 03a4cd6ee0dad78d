"""Figures: groups of gracenotes with a name. The table, the recogniser, and figures asked for by name."""

from graith.music.figures.expand import FIGURE_NAMES, expand_figure, silent_graces
from graith.music.figures.model import Figure, FigureRow, PlacedFigure
from graith.music.figures.recognise import figure_of, figure_problems, figures_in
from graith.music.figures.table import FIGURES, TACHUM_ROWS

__all__ = [
    "FIGURES",
    "FIGURE_NAMES",
    "TACHUM_ROWS",
    "Figure",
    "FigureRow",
    "PlacedFigure",
    "expand_figure",
    "figure_of",
    "figure_problems",
    "figures_in",
    "silent_graces",
]
