"""The table of light-music figures: which gracenotes, before which note, after which note, by which name.

Every line below is one shape on every note where it is played, written as in ABC text under ``K:HP``, with its
source. ``docs/figures.md`` shows the same table to readers; ``tests/oracles/figures.toml`` holds a second copy, set
out by hand, that the tests compare.

Sources: *ABC 2.1* is the ABC music standard, version 2.1 (December 2011), its section beside it. The rest is marked
*from memory*, *second-hand*, or *common practice, no source*.
"""

from __future__ import annotations

import re
from collections import defaultdict

from graith.music.figures.model import FigureRow
from graith.music.model import ChanterNote

_SAMPLE = "ABC 2.1 §14.2"
_SAMPLE_RULE = "ABC 2.1 §14.2 gives the rule"
_GRACES = "ABC 2.1 §4.12"
_MEMORY = "from memory"
_SECOND_HAND = "second-hand"
_PRACTICE = "common practice, no source"

_ON_PAPER = re.compile(r"\{([GABcdefga]+)\}([GABcdefga])")
_BY_LETTER = {note.abc: note for note in ChanterNote}
_HIGH_G, _HIGH_A = ChanterNote.HIGH_G, ChanterNote.HIGH_A


def chanter_notes(letters: str) -> tuple[ChanterNote, ...]:
    """Return the chanter's notes for ABC letters under K:HP.

    Examples
    --------
    >>> [note.label for note in chanter_notes("gcd")]
    ['high G', 'C', 'D']
    """
    return tuple(_BY_LETTER[letter] for letter in letters)


def _rows(
    name: str,
    shapes: str,
    source: str,
    *,
    variant: str = "",
    family: str = "",
    after: str = "",
    certain: bool = True,
    by_name: bool = True,
) -> list[FigureRow]:
    afters = chanter_notes(after) or (None,)
    return [
        FigureRow(
            name, family or name, variant, chanter_notes(graces), _BY_LETTER[note], before, source, certain, by_name
        )
        for graces, note in _ON_PAPER.findall(shapes)
        for before in afters
    ]


def _after_own_note(name: str, shapes: str, source: str, *, family: str, variant: str) -> list[FigureRow]:
    """Return rows of a shape which is played when the melody note before is the same as the one it leads into."""
    return [
        row
        for graces, note in _ON_PAPER.findall(shapes)
        for row in _rows(name, f"{{{graces}}}{note}", source, family=family, variant=variant, after=note)
    ]


def _single_gracenotes() -> list[FigureRow]:
    """Return every single gracenote that no line of the table names: rare, yet plainly playable."""
    rows = []
    for grace in ChanterNote:
        for note in ChanterNote:
            if grace < note:
                rows += _rows("strike", f"{{{grace.abc}}}{note.abc}", _PRACTICE, family="strike",
                              variant=f"by {grace.label}", certain=False, by_name=False)  # fmt: skip
            elif note < grace < _HIGH_G:
                name = "low-a-gracenote" if grace is ChanterNote.LOW_A else f"{grace.abc.lower()}-gracenote"
                rows += _rows(name, f"{{{grace.abc}}}{note.abc}", _PRACTICE, family="gracenote", certain=False)
    return rows


_NAMED: tuple[FigureRow, ...] = (
    # Doublings: a high G, the note, a gracenote above it, the note.
    *_rows("doubling", "{gBd}B {gcd}c {gef}e {gf}g {ag}a", _SAMPLE),
    *_rows("doubling", "{gGd}G {gAd}A {gde}d {gfg}f", _MEMORY),
    *_rows("half-doubling", "{Gd}G {Ad}A {Bd}B {cd}c {de}d {ef}e {fg}f", _SAMPLE_RULE,
           family="doubling", variant="half"),
    *_rows("thumb-doubling", "{aGd}G {aAd}A {aBd}B {acd}c {ade}d {aef}e {afg}f", _SAMPLE_RULE,
           family="doubling", variant="thumb"),
    *_rows("thumb-doubling", "{agf}g", _MEMORY, family="doubling", variant="thumb", certain=False),
    # Throws on D.
    *_rows("throw", "{Gdc}d", _SAMPLE, variant="light"),
    *_rows("heavy-throw", "{GdGc}d", _SAMPLE, family="throw", variant="heavy"),
    *_rows("half-throw", "{dc}d", _SAMPLE, family="throw", variant="half"),
    *_rows("half-heavy-throw", "{dGc}d", _MEMORY, family="throw", variant="half heavy"),
    # Grip, taorluath, crunluath: low G, a gracenote above, low G; after D the gracenote between is B.
    *_rows("grip", "{GdG}A {GdG}B {GdG}c {GdG}d {GdG}e {GdG}f {GdG}g {GdG}a", _SAMPLE),
    *_rows("grip", "{GBG}A {GBG}B {GBG}c {GBG}d {GBG}e {GBG}f {GBG}g {GBG}a", _MEMORY, variant="after D", after="d"),
    *_rows("half-grip", "{dG}A {dG}B {dG}c {dG}d {dG}e {dG}f {dG}g {dG}a", _MEMORY,
           family="grip", variant="half, after low G", after="G"),
    *_rows("taorluath", "{GdGe}G {GdGe}A {GdGe}B {GdGe}c {GdGe}d", _GRACES),
    *_rows("taorluath", "{GBGe}G {GBGe}A {GBGe}B {GBGe}c {GBGe}d", _SECOND_HAND, variant="after D", after="d"),
    *_rows("half-taorluath", "{dGe}G {dGe}A {dGe}B {dGe}c {dGe}d", _MEMORY,
           family="taorluath", variant="half, after low G", after="G"),
    *_rows("old-taorluath", "{GdGAe}A", _SECOND_HAND, family="taorluath", variant="old, with low A"),
    *_rows("crunluath", "{GdGeAfA}e", _MEMORY),
    *_rows("crunluath", "{GBGeAfA}e", _MEMORY, variant="after D", after="d"),
    *_rows("half-crunluath", "{dGeAfA}e", _MEMORY, family="crunluath", variant="half, after low G", after="G"),
    # Birls: low A tapped twice against low G.
    *_rows("birl", "{AGAG}A", _MEMORY),
    *_rows("birl", "{GAG}A", _MEMORY, variant="after low A", after="A"),
    *_rows("g-birl", "{gAGAG}A", _SAMPLE, family="birl", variant="with a high G gracenote"),
    *_rows("thumb-birl", "{aAGAG}A", _MEMORY, family="birl", variant="with a thumb gracenote"),
    # Strikes: a gracenote below the note.
    *_rows("strike", "{G}A {G}B {G}c {A}e {e}f {f}g {g}a", _MEMORY),
    *_rows("strike", "{c}d", _MEMORY, variant="light"),
    *_rows("heavy-strike", "{G}d", _MEMORY, family="strike", variant="heavy"),
    *_rows("g-strike", "{gAG}A {gBG}B {gcG}c {gdc}d {geA}e {gfe}f", _MEMORY,
           family="strike", variant="with a high G gracenote"),
    *_rows("g-heavy-strike", "{gdG}d", _MEMORY, family="strike", variant="heavy, with a high G gracenote"),
    *_rows("thumb-strike", "{aAG}A {aBG}B {acG}c {adc}d {aeA}e {afe}f", _MEMORY,
           family="strike", variant="with a thumb gracenote"),
    *_rows("half-strike", "{AG}A {BG}B {cG}c {eA}e {fe}f", _MEMORY, family="strike", variant="half"),
    *_after_own_note("double-strike", "{GBG}B {GcG}c {cdc}d {AeA}e {efe}f {fgf}g {gag}a", _MEMORY,
                     family="strike", variant="double, after the same note"),
    *_rows("g-double-strike", "{gBGBG}B {gcGcG}c {gdcdc}d {geAeA}e {gfefe}f", _MEMORY,
           family="strike", variant="double, with a high G gracenote"),
    *_rows("thumb-double-strike", "{aBGBG}B {acGcG}c {adcdc}d {aeAeA}e {afefe}f {agfgf}g", _MEMORY,
           family="strike", variant="double, with a thumb gracenote"),
    *_rows("half-double-strike", "{BGBG}B {cGcG}c {dcdc}d {eAeA}e {fefe}f", _MEMORY,
           family="strike", variant="double, half"),
    # Shakes: a doubling with a strike after it.
    *_rows("shake", "{gBdBG}B {gcdcG}c {gdedc}d {gefeA}e {gfgfe}f", _MEMORY),
    *_rows("thumb-shake", "{aBdBG}B {acdcG}c {adedc}d {aefeA}e {afgfe}f", _MEMORY, family="shake", variant="thumb"),
    *_rows("half-shake", "{BdBG}B {cdcG}c {dedc}d {efeA}e {fgfe}f", _MEMORY, family="shake", variant="half"),
    # Figures of piobaireachd met in light music.
    *_rows("edre", "{eAfA}e", _SAMPLE),
    *_rows("dare", "{fege}f", _SAMPLE),
    *_rows("chedari", "{fegefe}g", _MEMORY, certain=False),
    *_rows("darodo", "{GdGcG}B", _MEMORY, certain=False),
    # Single gracenotes.
    *_rows("g-gracenote", "{g}G {g}A {g}B {g}c {g}d {g}e {g}f", _PRACTICE, family="gracenote", variant="high G"),
    *_rows("d-gracenote", "{d}G {d}A {d}B {d}c", _PRACTICE, family="gracenote", variant="D"),
    *_rows("e-gracenote", "{e}G {e}A {e}B {e}c {e}d", _PRACTICE, family="gracenote", variant="E"),
    *_rows("thumb-gracenote", "{a}G {a}A {a}B {a}c {a}d {a}e {a}f {a}g", _PRACTICE,
           family="gracenote", variant="thumb"),
)  # fmt: skip

_SHAPES_NAMED = {(row.graces, row.note) for row in _NAMED}

FIGURES: tuple[FigureRow, ...] = _NAMED + tuple(
    row for row in _single_gracenotes() if (row.graces, row.note) not in _SHAPES_NAMED
)
"""Every figure on one melody note; the shape, the note and the note before tell one row from all others."""

TACHUM_ROWS: tuple[FigureRow, ...] = tuple(
    _rows("tachum", "{g}B {g}c {g}d {g}e {g}f", _SAMPLE_RULE, variant="first note")
    + _rows("tachum", "{d}A", _SAMPLE_RULE, variant="second note")
)
"""The two halves of a tachum: a decoration of that name stands on both of its melody notes."""

INSTEAD: dict[tuple[str, ChanterNote], tuple[str, ...]] = {
    ("doubling", _HIGH_G): ("thumb-doubling", "doubling"),
    ("doubling", _HIGH_A): ("half-doubling", "doubling", "strike"),
    ("thumb-doubling", _HIGH_A): ("half-doubling",),
    ("throw", ChanterNote.LOW_G): ("half-throw",),
    ("heavy-throw", ChanterNote.LOW_G): ("half-heavy-throw",),
    ("grip", ChanterNote.LOW_G): ("half-grip",),
    ("taorluath", ChanterNote.LOW_G): ("half-taorluath",),
    ("crunluath", ChanterNote.LOW_G): ("half-crunluath",),
    ("g-birl", _HIGH_G): ("thumb-birl",),
    ("g-birl", _HIGH_A): ("birl",),
    ("thumb-birl", _HIGH_A): ("birl",),
    ("g-strike", _HIGH_G): ("thumb-strike",),
    ("g-strike", _HIGH_A): ("half-strike", "half-throw"),
    ("thumb-strike", _HIGH_A): ("half-strike", "half-throw"),
    ("g-double-strike", _HIGH_G): ("thumb-double-strike",),
    ("g-double-strike", _HIGH_A): ("half-double-strike",),
    ("thumb-double-strike", _HIGH_A): ("half-double-strike",),
    ("shake", _HIGH_G): ("thumb-shake",),
    ("shake", _HIGH_A): ("half-shake",),
    ("thumb-shake", _HIGH_A): ("half-shake",),
    ("g-gracenote", _HIGH_G): ("thumb-gracenote",),
}
"""What a piper plays when the note before does not allow the figure asked for, first choice first.

After high G a high G gracenote makes no sound, so the thumb takes its place; after high A the top hand is already
up, so the first gracenote falls away; after low G the first low G falls away. Common practice, no source.
"""


def rows_by_shape() -> dict[tuple[tuple[ChanterNote, ...], ChanterNote], tuple[FigureRow, ...]]:
    """Return the table's rows under their gracenotes and melody note."""
    found: dict[tuple[tuple[ChanterNote, ...], ChanterNote], list[FigureRow]] = defaultdict(list)
    for row in FIGURES:
        found[row.graces, row.note].append(row)
    return {shape: tuple(rows) for shape, rows in found.items()}


def rows_by_name() -> dict[tuple[str, ChanterNote], tuple[FigureRow, ...]]:
    """Return the rows that can be asked for by name, under name and melody note."""
    found: dict[tuple[str, ChanterNote], list[FigureRow]] = defaultdict(list)
    for row in FIGURES + TACHUM_ROWS:
        if row.by_name:
            found[row.name, row.note].append(row)
    return {key: tuple(rows) for key, rows in found.items()}
