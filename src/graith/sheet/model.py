"""What a sheet is made of: the paper, how the music lies on it, engraved lines, and pages ready to be printed."""

from __future__ import annotations

from dataclasses import dataclass

from graith.errors import SheetError


@dataclass(frozen=True, slots=True)
class Paper:
    """A kind of paper and the staff that reads well on it.

    Attributes
    ----------
    name : str
    width_mm, height_mm : float
        Upright; a height of 0 is a page as long as its music, for screens.
    margin_mm : float
        On all four sides.
    staff_mm, wide_staff_mm : float
        Height of the five lines when the music leaves the choice: upright, and on its side.
    least_staff_mm : float
        How small the staff may become before a line takes fewer bars.
    text_pt : float
        Size of the words.
    """

    name: str
    width_mm: float
    height_mm: float
    margin_mm: float
    staff_mm: float
    wide_staff_mm: float
    least_staff_mm: float
    text_pt: float


PAPERS: tuple[Paper, ...] = (
    Paper("A4", 210, 297, 14, 5.6, 7.0, 4.4, 10.5),
    Paper("Letter", 215.9, 279.4, 14, 5.6, 7.0, 4.4, 10.5),
    Paper("pocket", 74, 105, 4, 4.8, 4.8, 3.7, 7.5),
    Paper("screen", 210, 0, 6, 5.6, 5.6, 4.4, 10.5),
)
"""A4 and A7 (the pocket) after ISO 216, Letter after ANSI Y14.1; margins and staves are our own choice."""

_BY_NAME = {paper.name.casefold(): paper for paper in PAPERS}
_STAFF_RANGE_MM = (2.5, 12.0)


@dataclass(frozen=True, slots=True)
class Layout:
    """How music is to lie on paper.

    Attributes
    ----------
    paper : str
        ``"A4"``, ``"Letter"``, ``"pocket"`` or ``"screen"``; capitals do not matter.
    landscape : bool
        Turn the paper on its side.
    staff_mm : float or None
        Height of the five lines, kept as asked; None lets each tune find its own between the paper's usual and
        least height.
    bars_a_line : int or None
        None finds it: the source's own lines when they fit, else four, or fewer where four would be cramped.
    bar_numbers : bool
        Print, at the beginning of a line that does not begin its part, its first bar's number within the part.

    Raises
    ------
    SheetError
        If there is no such paper, or a size cannot be.

    Examples
    --------
    >>> Layout("pocket", landscape=True).width_mm
    105
    """

    paper: str = "A4"
    landscape: bool = False
    staff_mm: float | None = None
    bars_a_line: int | None = None
    bar_numbers: bool = False

    def __post_init__(self) -> None:
        low, high = _STAFF_RANGE_MM
        if self.paper.casefold() not in _BY_NAME:
            names = ", ".join(paper.name for paper in PAPERS)
            raise SheetError(f"There is no paper called {self.paper!r}; choose one of {names}.")
        if self.staff_mm is not None and not low <= self.staff_mm <= high:
            raise SheetError(f"A staff of {self.staff_mm:g} mm cannot be read or set; choose {low:g} to {high:g} mm.")
        if self.bars_a_line is not None and not 1 <= self.bars_a_line <= 16:
            raise SheetError(f"A line cannot hold {self.bars_a_line} bars; choose from 1 to 16.")

    @property
    def stock(self) -> Paper:
        """The paper by that name."""
        return _BY_NAME[self.paper.casefold()]

    @property
    def usual_staff_mm(self) -> float:
        """Height of the five lines that music gets when it has the room."""
        return self.staff_mm or (self.stock.wide_staff_mm if self.landscape else self.stock.staff_mm)

    @property
    def width_mm(self) -> float:
        """Width of the page as it lies."""
        return self.stock.height_mm or self.stock.width_mm * 1.4 if self.landscape else self.stock.width_mm

    @property
    def height_mm(self) -> float:
        """Height of the page as it lies; 0 is as long as its music."""
        if not self.stock.height_mm:
            return 0
        return self.stock.width_mm if self.landscape else self.stock.height_mm

    @property
    def music_mm(self) -> float:
        """Width between the margins."""
        return self.width_mm - 2 * self.stock.margin_mm


@dataclass(frozen=True, slots=True)
class LinePlan:
    """How a tune's bars fall on lines, and the staff that lets them fit.

    Attributes
    ----------
    starts : tuple of tuple of int
        For each engraved part the index, from 0, of the bars that begin a line.
    staff_mm : float
    ragged : tuple of bool
        For each line whether it is too short to be stretched over the whole width.
    """

    starts: tuple[tuple[int, ...], ...]
    staff_mm: float
    ragged: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class Ink:
    """Where a line's staff lies and how far its ink reaches, in engraved units.

    Attributes
    ----------
    staff_y : int
        Of the staff's top line, where Verovio drew it.
    above, below : int
        Reach over the top line, and under the bottom line.
    """

    staff_y: int
    above: int
    below: int


@dataclass(frozen=True, slots=True)
class EngravedLine:
    """One line of music as SVG content, in engraved units: :data:`STAFF_UNITS` of them make a staff's height.

    Attributes
    ----------
    svg : str
        A ``<g class="system">``, drawn where it stood on Verovio's page.
    position : int
        Of its part among the engraved ones, from 0.
    part : int
        The part's number, from 1.
    first_bar, last_bar : int
        As printed, within the part.
    ink : Ink
    """

    svg: str
    position: int
    part: int
    first_bar: int
    last_bar: int
    ink: Ink


@dataclass(frozen=True, slots=True)
class EngravedTune:
    """A tune's lines, engraved but not yet placed on a page.

    Attributes
    ----------
    lines : tuple of EngravedLine
    glyphs : str
        Content of the SVG ``<defs>`` the lines draw from.
    width : int
        Full width of a line, in engraved units.
    staff_mm : float
    """

    lines: tuple[EngravedLine, ...]
    glyphs: str
    width: int
    staff_mm: float

    @property
    def unit_mm(self) -> float:
        """Millimetres to one engraved unit."""
        return self.staff_mm / STAFF_UNITS


STAFF_UNITS = 720
"""Height of a staff in engraved units: eight of Verovio's half spaces, 90 units each."""


@dataclass(frozen=True, slots=True)
class Pages:
    """Pages as a value: all that a Typst compiler needs, and nothing it has to fetch.

    Attributes
    ----------
    source : str
        Typst source. It reads ``sys.inputs.data`` and the pictures in ``sys.inputs`` by name.
    data : str
        JSON.
    images : tuple of (str, str)
        Name and SVG of each line of music.
    title : str
        For messages and file names.
    """

    source: str
    data: str
    images: tuple[tuple[str, str], ...]
    title: str

    @property
    def inputs(self) -> dict[str, str]:
        """What the compiler is handed."""
        return {"data": self.data, **dict(self.images)}
