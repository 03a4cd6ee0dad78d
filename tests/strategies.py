"""Hypothesis strategies for music: notes, bars, whole tunes, and text that may or may not be ABC.

The tunes are built by hand from the model, not read from text, and are as the reader would give them: a part begins
where the reader would begin one, pick-ups are numbered 0, the last bar ends its line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

from hypothesis import strategies as st

from graith.errors import MusicError
from graith.music.figures import FIGURE_NAMES, expand_figure
from graith.music.keys import key_named
from graith.music.model import Bar, BarLine, ChanterNote, Grace, Key, Metre, Note, Part, Pitch, Tempo, Tune, Tuplet

KEY_TEXTS = (
    "HP",
    "Hp",
    "C",
    "D",
    "Amix",
    "G",
    "Bb",
    "F#m",
    "E Minor",
    "Ddor",
    "none",
    "D exp _b _e ^f",
    "A clef=treble",
)
METRES = (
    Metre(2, 4, "2/4"), Metre(3, 4, "3/4"), Metre(4, 4, "C"), Metre(2, 2, "C|"), Metre(6, 8, "6/8"), Metre(9, 8, "9/8"),
    Metre(4, 4, "4/4"), Metre(3, 8, "3/8"), Metre(12, 8, "12/8"), Metre(5, 8, "2+3/8"),
)  # fmt: skip
UNITS = (Fraction(1, 8), Fraction(1, 16), Fraction(1, 4), Fraction(1))
LENGTHS = (
    *(Fraction(count, value) for value in (1, 2, 4, 8, 16, 32, 64) for count in (1, 3, 7)),
    Fraction(1, 12),
    Fraction(5, 8),
)
DECORATIONS = (".", "~", "H", "T", "u", "accent", "fermata", "0", "trill(", ">", "crescendo)")
TUPLETS = (
    (3, 2, 3),
    (2, 3, 2),
    (4, 3, 4),
    (5, 2, 5),
    (5, 3, 5),
    (3, 2, 2),
    (3, 2, 4),
    (7, 8, 7),
    (11, 8, 3),
    (9, 2, 9),
)
INNER_LINES = (BarLine.SINGLE, BarLine.SINGLE, BarLine.SINGLE, BarLine.DOTTED, BarLine.INVISIBLE)
PART_LINES = (BarLine.DOUBLE, BarLine.END, BarLine.START)

_SAFE = st.characters(exclude_categories=("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"))


def texts(min_size: int = 1, max_size: int = 20) -> st.SearchStrategy[str]:
    """Text of one line without blanks at its ends; per cent signs, backslashes and quotes included."""
    plain = st.text(st.one_of(_SAFE, st.sampled_from('\\%&";[]|!:')), min_size=min_size, max_size=max_size)
    return plain.map(str.strip).filter(lambda text: len(text) >= min_size)


def pitches() -> st.SearchStrategy[Pitch]:
    """Any pitch that ABC can write, five octaves of it."""
    return st.builds(Pitch, st.integers(14, 49), st.integers(-2, 2))


def chanter_pitches() -> st.SearchStrategy[Pitch]:
    """The nine pitches of the chanter."""
    return st.sampled_from(ChanterNote).map(lambda note: note.pitch)


GRACE_LENGTHS = (Fraction(1, 32), Fraction(1, 32), Fraction(1, 16), Fraction(3, 64), Fraction(1, 8))
ADORNMENTS: tuple[dict[str, Any], ...] = (
    *({} for _ in range(6)),
    *({"decorations": (name,)} for name in DECORATIONS),
    {"decorations": ("T", "accent"), "texts": ("Am",)},
    {"texts": ('^a "quote" | 50% [M:6/8] \\',)},
    {"texts": ("", "b")},
    {"slurs_opened": 1},
    {"slurs_closed": 1},
    {"slurs_opened": 2, "slurs_closed": 1, "decorations": ("u",)},
    {"tied": True},
    {"tied": True, "slurs_closed": 2},
)


@st.composite
def notes(draw: st.DrawFn, source: st.SearchStrategy[Pitch]) -> Note:
    """One note, rest or chord, without a tuplet."""
    count, n_graces, joined = draw(_NOTE_SHAPES)
    leading = tuple(Grace(draw(source), draw(st.sampled_from(GRACE_LENGTHS))) for _ in range(n_graces))
    return Note(
        pitches=tuple(draw(source) for _ in range(count)),
        written=draw(st.sampled_from(LENGTHS)),
        graces=leading,
        joined=joined,
        slashed_graces=n_graces == 1 and joined,
        invisible=count == 0 and joined,
        **draw(st.sampled_from(ADORNMENTS)),
    )


_NOTE_SHAPES = st.sampled_from(
    [
        (count, n_graces, joined)
        for count in (1, 1, 1, 1, 0, 2)
        for n_graces in (0, 0, 0, 1, 1, 3)
        for joined in (False, True)
    ]
)


@st.composite
def note_rows(draw: st.DrawFn, source: st.SearchStrategy[Pitch], max_size: int = 5) -> tuple[Note, ...]:
    """The notes of a bar, tuplets and figures among them; the last one joins nothing."""
    row: list[Note] = []
    for _ in range(draw(st.integers(1, max_size))):
        if draw(st.integers(0, 5)):
            row.append(draw(notes(source)))
        else:
            actual, normal, count = draw(st.sampled_from(TUPLETS))
            row += [replace(draw(notes(source)), tuplet=Tuplet(actual, normal, count, index)) for index in range(count)]
    row[-1] = replace(row[-1], joined=False)
    return tuple(row)


def _filled(row: Sequence[Note], length: Fraction) -> tuple[Note, ...]:
    """Add a note so that a bar is not shorter than its metre."""
    missing = length - sum((note.length for note in row), Fraction(0))
    return (*row, Note((Pitch(33),), missing)) if missing > 0 else tuple(row)


def _pick_up(row: Sequence[Note], length: Fraction) -> tuple[Note, ...]:
    """Keep so many notes that the bar is shorter than its metre."""
    kept: list[Note] = []
    total = Fraction(0)
    for note in row:
        if note.tuplet is not None or total + note.length >= length:
            break
        kept.append(note)
        total += note.length
    if not kept:
        return (Note((Pitch(36),), length / 4),)
    kept[-1] = replace(kept[-1], joined=False)
    return tuple(kept)


@st.composite
def changes(draw: st.DrawFn, splitting: bool = False) -> tuple[tuple[str, str], ...]:
    """Fields that stand before a bar; ``splitting`` ones may cut a bar in two."""
    cutting = st.sampled_from((("K", "D"), ("K", "HP"), ("M", "6/8"), ("M", "C"), ("Q", "1/4=90"), ("K", "Gmin")))
    if splitting:
        return (draw(cutting),)
    quiet = st.one_of(
        st.just(("L", "1/16")),
        st.tuples(st.sampled_from("NRT"), texts()),
        st.tuples(st.just("%%"), st.sampled_from(("vskip 1cm", "staffwidth 18cm", "newpage"))),
    )
    return tuple(draw(st.lists(st.one_of(cutting, quiet), max_size=2)))


class _Running:
    """The key and metre in force while a tune is built."""

    def __init__(self, key: Key, metre: Metre | None) -> None:
        self.key = key
        self.metre = metre

    def pass_over(self, fields: Sequence[tuple[str, str]]) -> None:
        for letter, value in fields:
            if letter == "K":
                self.key = key_named(value)
            elif letter == "M":
                self.metre = next(metre for metre in METRES if metre.text == value)


@st.composite
def parts(draw: st.DrawFn, running: _Running, source: st.SearchStrategy[Pitch], label: str) -> Part:
    """A part: with or without a pick-up, a repeat, endings; whole bars or bars cut by a change."""
    repeated = draw(st.booleans())
    has_endings = repeated and draw(st.booleans())
    explicit = draw(st.booleans()) if repeated else False
    bars: list[Bar] = []
    number = 0

    def add(row: tuple[Note, ...], counted: bool = True, **more: Any) -> None:
        nonlocal number
        number += counted
        more.setdefault("closing", draw(st.sampled_from(INNER_LINES)))
        more.setdefault("line_end", draw(st.integers(0, 3)) == 0)
        bars.append(Bar(row, running.metre, number if counted else 0, key=running.key, **more))

    first_changes = draw(changes())
    running.pass_over(first_changes)
    if running.metre is not None and draw(st.booleans()):
        start_here = explicit and draw(st.booleans())
        add(
            _pick_up(draw(note_rows(source)), running.metre.length),
            False,
            changes=first_changes,
            repeat_start=start_here,
        )
        explicit, first_changes = explicit and not start_here, ()
    length = running.metre.length if running.metre is not None else Fraction(0)
    add(_filled(draw(note_rows(source)), length), changes=first_changes, repeat_start=explicit)
    for _ in range(draw(st.integers(0, 3))):
        if draw(st.integers(0, 4)) == 0:
            add(draw(note_rows(source)), closing=BarLine.NONE)
            cut = draw(changes(splitting=True))
            running.pass_over(cut)
            add(draw(note_rows(source)), counted=False, changes=cut)
        else:
            before = draw(changes())
            running.pass_over(before)
            add(draw(note_rows(source)), changes=before)
    if has_endings:
        first, last = draw(st.sampled_from((((1,), (2,)), ((1, 2), (3,)), ((1, 3), (2, 4)))))
        add(draw(note_rows(source)), ending=first)
        if draw(st.booleans()):
            add(draw(note_rows(source)))
        bars[-1] = replace(bars[-1], closing=BarLine.SINGLE, repeat_end=1, ending_closed=True)
        add(draw(note_rows(source)), ending=last)
        bars[-1] = replace(bars[-1], closing=draw(st.sampled_from(PART_LINES)), ending_closed=True)
    elif repeated:
        line = draw(st.sampled_from((BarLine.SINGLE, *PART_LINES)))
        bars[-1] = replace(bars[-1], closing=line, repeat_end=draw(st.integers(1, 2)))
    else:
        bars[-1] = replace(bars[-1], closing=draw(st.sampled_from(PART_LINES)))
    return Part(tuple(bars), label)


def _previous_is_part_end(bar: Bar) -> bool:
    return bar.repeat_end > 0 or bar.closing in PART_LINES


@st.composite
def tunes(draw: st.DrawFn, pipes_only: bool = False) -> Tune:
    """A whole tune as the reader would give it; ``pipes_only`` keeps to K:HP and the nine notes."""
    key = key_named("HP" if pipes_only else draw(st.sampled_from(KEY_TEXTS)))
    source = chanter_pitches() if pipes_only or draw(st.booleans()) else pitches()
    metre = draw(st.sampled_from(METRES)) if pipes_only else draw(st.sampled_from((None, *METRES)))
    running = _Running(key, metre)
    labelled = draw(st.booleans())
    n_parts = draw(st.integers(1, 3))
    made = [draw(parts(running, source, "ABC"[index] if labelled else "")) for index in range(n_parts)]
    last = made[-1].bars[-1]
    made[-1] = replace(made[-1], bars=(*made[-1].bars[:-1], replace(last, line_end=True)))
    tune = Tune(
        number=draw(st.integers(0, 9999)),
        titles=tuple(draw(st.lists(texts(), max_size=2))),
        parts=tuple(made),
        metre=metre,
        unit=draw(st.sampled_from(UNITS)),
        key=key,
        tempo=draw(st.none() | st.builds(Tempo, st.sampled_from((60.0, 84.5, 112.0)), st.sampled_from(LENGTHS[3:9]))),
        rhythm=draw(texts(0)),
        composers=tuple(draw(st.lists(texts(), max_size=2))),
        source=draw(texts(0)),
        notes=tuple(draw(st.lists(texts(), max_size=2))),
        part_order=draw(st.sampled_from(("", "".join("ABC"[:n_parts]), "(A)2"))) if labelled else "",
        fields=tuple(draw(st.lists(st.tuples(st.sampled_from("ABDFGHOZ"), texts()), max_size=2))),
        directives=tuple(draw(st.lists(st.sampled_from(("titleleft 1", "propagate-accidentals octave")), max_size=1))),
    )
    return with_figures(tune, draw(st.lists(st.sampled_from(sorted(FIGURE_NAMES)), max_size=6)))


def with_figures(tune: Tune, names: Sequence[str]) -> Tune:
    """Ask for figures by name on the first notes that take them."""
    wanted = list(names)
    before: ChanterNote | None = None
    made_parts: list[Part] = []
    for part in tune.parts:
        made_bars: list[Bar] = []
        for bar in part.bars:
            row: list[Note] = []
            for note in bar.notes:
                row.append(_asking(note, before, wanted))
                before = note.chanter_note
            made_bars.append(replace(bar, notes=tuple(row)))
        made_parts.append(replace(part, bars=tuple(made_bars)))
    return replace(tune, parts=tuple(made_parts))


def _asking(note: Note, before: ChanterNote | None, wanted: list[str]) -> Note:
    if not wanted or note.chanter_note is None or note.graces:
        return note
    try:
        figure = expand_figure(wanted[-1], note.chanter_note, before)
    except MusicError:
        return note
    return replace(note, figure=wanted.pop(), graces=tuple(Grace(grace.pitch) for grace in figure))


_HEADER_PIECES = (
    "X:1\n", "X:", "T:Tune\n", "M:6/8\n", "M:none\n", "M:", "L:1/8\n", "L:0\n", "Q:1/4=80\n", "K:HP\n", "K:Hp\n",
    "K:D\n", "K:Zz\n", "P:AB\n", "P:A\n", "P:((", "w: la la\n", "W:words\n", "+: more\n", "I:x\n", "U:T=!trill!\n",
    "%%text\n", "%%begintext\n",
)  # fmt: skip
_MUSIC_PIECES = (
    "\n", "\n\n", "|", "||", "|]", "[|", ":|", "|:", "::", ":|2", "|1", "[1", "[1,3", "[1-999", ":", "[", "]",
    "{gef}", "{/g}", "{", "}", "{}", "A", "B2", "c/", "d3/2", "e//", "f>g", "a<b", ">", "<<<", ">>>>>>>>>", "(3",
    "(3:2:4", "(9:", "(", ")", "-", "z", "Z4", "Z999", "x", "X2", "[CE]2", "[CE", "[M:2/4]", "[K:D]", "[L:1/16]",
    "[V:2]", '"Am"', '"', "!trill!", "!", "+x+", "!doubling!", "!birl!", "~", ".", "u", "y", "&", "\\\n", "\\", "%",
    "A0", "A/0", "A99999999999", "^^^A", "=c", "^f", "_b", "``", " ", "\t", "$", "#", "\u2028", "\r\n", "\x00", "é",
)  # fmt: skip
_PIECES = (*_HEADER_PIECES, *_MUSIC_PIECES)


def abc_like_texts() -> st.SearchStrategy[str]:
    """Text made of pieces of ABC in any order, with anything at all among them."""
    pieces = st.lists(st.one_of(st.sampled_from(_PIECES), st.sampled_from(_PIECES), st.text(max_size=3)), max_size=60)
    headed = pieces.map(lambda found: "X:1\nT:T\nM:6/8\nL:1/8\nK:HP\n" + "".join(found))
    return st.one_of(headed, pieces.map("".join), st.text(max_size=200))
