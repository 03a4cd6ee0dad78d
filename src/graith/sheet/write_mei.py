"""MEI from tunes: pipe music as pipers print it.

What is forced, whatever the source says: stems of melody notes down, gracenotes up, small, beamed in their own group
and of 1/32 look, no key signature under ``K:HP``, every part on lines of its own, both repeat signs of a repeated
part, a double line at a part's end and a heavy one at the tune's. Lengths, bars, repeats, endings and ties are the
tune's own.

References
----------
MEI 5.1 (Music Encoding Initiative), common music notation. Stems and the missing signature: ABC 2.1 §3.1.14.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from graith.errors import SheetError
from graith.music.model import Part, Tempo, Tune
from graith.sheet._section import Place, Section
from graith.sheet._signs import key_attributes, metre_attributes, odd_signature
from graith.sheet._text import composers_of, kind_of, xml_text
from graith.sheet.break_lines import even_lines

_USUAL_BARS = 4


def mei_of(
    tune: Tune,
    *,
    show_bar_numbers: bool = False,
    parts: Sequence[int] | None = None,
    lines: Sequence[Sequence[int]] | None = None,
    title: str | None = None,
    tempo: Tempo | None = None,
    heading: bool = True,
    id_prefix: str = "",
) -> str:
    """Return a tune as an MEI document, ready for any MEI reader.

    Every bar and note carries an ``xml:id`` that tells its place: ``p1-b3`` is part 1, bar 3 as printed (0 is a
    pick-up), ``p1-b3-n2`` its second note or rest, ``p1-b3-n2-g1`` the first gracenote before it (see
    :func:`bar_ids`).

    Parameters
    ----------
    tune : Tune
    show_bar_numbers : bool
        Let readers print bar numbers; they count within the part.
    parts : sequence of int or None
        Parts to engrave, in order, from 1; None engraves all.
    lines : sequence of sequences of int or None
        For each engraved part the index, from 0, of the bars that begin a line; None gives four bars a line.
    title : str or None
        Instead of the tune's own.
    tempo : Tempo or None
        Instead of the tune's own.
    heading : bool
        Whether title, type, composer and tempo are part of the music; without them a page sets them itself.
    id_prefix : str
        Put before every ``xml:id``, so that several tunes can stand in one page.

    Raises
    ------
    SheetError
        If there is no bar to engrave, a part does not exist, or a note cannot be written.

    Examples
    --------
    >>> from fractions import Fraction
    >>> from graith.music.model import Bar, ChanterNote, Metre, Note
    >>> bar = Bar((Note((ChanterNote.E.pitch,), Fraction(1, 2)),), Metre(2, 4), 1)
    >>> mei = mei_of(Tune(1, ("Hame",), (Part((bar,)),), Metre(2, 4)))
    >>> '<note xml:id="p1-b1-n1" dur="2" pname="e" oct="5" stem.dir="down"/>' in mei
    True
    """
    chosen = chosen_parts(tune, parts)
    if lines is None:
        lines = [even_lines(tune.parts[number - 1], _USUAL_BARS) for number in chosen]
    places = _places(tune, chosen, lines, id_prefix)
    first = places[0].bar
    body = "".join(Section(places, (tempo or tune.tempo) if heading else None, music_font=heading).written())
    name = xml_text(tune.title if title is None else title)
    numbers = "" if show_bar_numbers else ' mnum.visible="false"'
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<mei xmlns="http://www.music-encoding.org/ns/mei" meiversion="5.1">'
        f"<meiHead><fileDesc><titleStmt><title>{name}</title>{_makers(tune)}</titleStmt><pubStmt/></fileDesc></meiHead>"
        f"<music><body><mdiv><score><scoreDef{numbers}{metre_attributes(first.metre)}{key_attributes(first.key)}>"
        f"{_page_head(tune, name) if heading else ''}"
        f'<staffGrp><staffDef n="1" lines="5" clef.shape="G" clef.line="2">{odd_signature(first.key)}</staffDef>'
        f"</staffGrp></scoreDef><section><pb/>{body}</section></score></mdiv></body></music></mei>"
    )


def chosen_parts(tune: Tune, parts: Sequence[int] | None) -> tuple[int, ...]:
    """Return the numbers of the parts to engrave, checked; parts without a bar are passed over.

    Raises
    ------
    SheetError
        If a part does not exist, none is chosen, or those chosen hold no bar.
    """
    chosen = tuple(range(1, len(tune.parts) + 1)) if parts is None else tuple(parts)
    for number in chosen:
        if not 1 <= number <= len(tune.parts):
            raise SheetError(
                f"{tune.title} has {len(tune.parts)} parts and no part {number}; choose from 1 to {len(tune.parts)}."
            )
    chosen = tuple(number for number in chosen if tune.parts[number - 1].bars)
    if not chosen:
        raise SheetError(f"{tune.title} has no bars to engrave; add its music or leave it out.")
    return chosen


def bar_ids(tune: Tune, parts: Sequence[int] | None = None, *, id_prefix: str = "") -> tuple[tuple[str, ...], ...]:
    """Return the ``xml:id`` of every engraved bar: one tuple for each chosen part, one id for each of its bars.

    A number that comes twice in a part (a pick-up after a repeat in its middle) gets a letter, ``p1-b0b``; a part
    engraved for the second time is ``p1x2``.

    Raises
    ------
    SheetError
        If a part does not exist or there is no bar.
    """
    ids = []
    times: dict[int, int] = {}
    for number in chosen_parts(tune, parts):
        times[number] = times.get(number, 0) + 1
        again = f"x{times[number]}" if times[number] > 1 else ""
        ids.append(tuple(_ids_of_part(tune.parts[number - 1], f"{id_prefix}p{number}{again}")))
    return tuple(ids)


def _ids_of_part(part: Part, part_id: str) -> Iterator[str]:
    seen: dict[int, int] = {}
    for bar in part.bars:
        count = seen[bar.number] = seen.get(bar.number, 0) + 1
        yield f"{part_id}-b{bar.number}{_letters(count - 1)}"


def _letters(count: int) -> str:
    """Return nothing for 0, then b, c and on to z, zb and on."""
    return "" if count == 0 else "z" * ((count - 1) // 25) + chr(ord("b") + (count - 1) % 25)


def _places(tune: Tune, chosen: Sequence[int], lines: Sequence[Sequence[int]], id_prefix: str) -> list[Place]:
    places = []
    for number, starts, ids in zip(chosen, lines, bar_ids(tune, chosen, id_prefix=id_prefix), strict=True):
        part = tune.parts[number - 1]
        label = part.label if tune.part_order else ""
        for index, (bar, bar_id) in enumerate(zip(part.bars, ids, strict=True)):
            first, last = index == 0, index + 1 == len(part.bars)
            places.append(Place(bar, bar_id, first or index in starts, last, label if first else ""))
    return places


def _makers(tune: Tune) -> str:
    names = composers_of(tune)
    return f"<composer>{xml_text(names)}</composer>" if names else ""


def _page_head(tune: Tune, name: str) -> str:
    rends = [
        ("center", "top", ' fontsize="x-large"', name),
        ("left", "bottom", ' fontstyle="italic"', xml_text(kind_of(tune))),
        ("right", "bottom", "", xml_text(composers_of(tune))),
    ]
    words = "".join(
        f'<rend halign="{across}" valign="{down}"{look}>{text}</rend>' for across, down, look, text in rends if text
    )
    return f'<pgHead func="first">{words}</pgHead>'
