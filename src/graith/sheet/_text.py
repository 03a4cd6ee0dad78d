"""Words for a page: text made safe for XML, a tune's kind and its makers as a heading prints them."""

from __future__ import annotations

import re
from xml.sax.saxutils import escape

from graith.music.model import Tune
from graith.music.tune_types import tune_type_of

_NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def plain_text(text: str) -> str:
    """Return a text on one line, without the control characters that no page format allows."""
    return " ".join(_NOT_IN_XML.sub(" ", text).split())


def printed(text: str) -> str:
    """Return a text as a page prints it: on one line, with typographic apostrophes.

    Examples
    --------
    >>> printed("The Pipe Major's Spats")
    'The Pipe Major’s Spats'
    """
    return re.sub(r"(?<=\w)'", "’", plain_text(text))


def xml_text(text: str) -> str:
    r"""Return a text on one line, safe as XML content.

    Examples
    --------
    >>> xml_text("Sandy & Ann\x07")
    'Sandy &amp; Ann'
    """
    return escape(plain_text(text))


def kind_of(tune: Tune) -> str:
    """Return what stands at the left of a tune's heading: its type, else its rhythm as written, else its metre.

    Examples
    --------
    >>> from graith.music.model import Metre
    >>> kind_of(Tune(1, ("Hame",), (), Metre(6, 8), rhythm="march"))
    '6/8 March'
    """
    tune_type = tune_type_of(tune)
    return capitalised(tune_type.name if tune_type is not None else tune.rhythm)


def kind_and_order(tune: Tune) -> str:
    """Return a tune's kind with the order of its parts, when its header gives one."""
    if not tune.part_order:
        return kind_of(tune)
    return f"{kind_of(tune)}, played {plain_text(tune.part_order)}".removeprefix(", ")


def tempo_says(text: str) -> str:
    """Return the words of a written tempo: what a ``Q:`` field has in quotes, or all of it when it has no number.

    Examples
    --------
    >>> tempo_says('"Slowly" 1/4=60'), tempo_says("1/4=60"), tempo_says("Allegro")
    ('Slowly', '', 'Allegro')
    """
    quoted = re.findall(r'"([^"]*)"', text)
    return plain_text(" ".join(quoted) if quoted else "" if re.search(r"[\d=]", text) else text)


def capitalised(words: str) -> str:
    """Return words with the first letter of the first word that is no number in capitals."""
    return re.sub(r"[^\W\d_]", lambda letter: letter[0].upper(), plain_text(words), count=1)


def composers_of(tune: Tune) -> str:
    """Return the composers in one line."""
    return ", ".join(plain_text(name) for name in tune.composers)


def bpm_text(bpm: float) -> str:
    """Return a tempo's number with no more decimals than it needs, two at most.

    Examples
    --------
    >>> bpm_text(78.0), bpm_text(82.5)
    ('78', '82.5')
    """
    return f"{bpm:.2f}".rstrip("0").rstrip(".")
