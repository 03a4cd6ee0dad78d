"""Signs at a note that hang on the measure in MEI: fermata, accents, dynamics, words, trills."""

from __future__ import annotations

from graith.music.model import Note
from graith.sheet._text import xml_text

_ABOVE = 'staff="1" place="above"'

_ARTICULATIONS = {
    ".": "stacc",
    "staccato": "stacc",
    ">": "acc",
    "accent": "acc",
    "emphasis": "acc",
    "L": "acc",
    "^": "marc",
    "marcato": "marc",
    "wedge": "stacciss",
    "tenuto": "ten",
    "u": "upbow",
    "upbow": "upbow",
    "v": "dnbow",
    "downbow": "dnbow",
    "+": "stop",
    "plus": "stop",
    "snap": "snap",
}

_ORNAMENTS = {
    "fermata": f"<fermata {_ABOVE} {{at}}/>",
    "invertedfermata": '<fermata staff="1" place="below" form="inv" {at}/>',
    "trill": f"<trill {_ABOVE} {{at}}/>",
    "turn": f"<turn {_ABOVE} {{at}}/>",
    "invertedturn": f'<turn {_ABOVE} form="lower" {{at}}/>',
    "mordent": f'<mordent {_ABOVE} form="lower" {{at}}/>',
    "pralltriller": f'<mordent {_ABOVE} form="upper" {{at}}/>',
    "breath": f"<breath {_ABOVE} {{at}}/>",
    "segno": f'<repeatMark {_ABOVE} func="segno" {{at}}/>',
    "coda": f'<repeatMark {_ABOVE} func="coda" {{at}}/>',
    "D.C.": f'<repeatMark {_ABOVE} func="daCapo" {{at}}>D.C.</repeatMark>',
    "D.S.": f'<repeatMark {_ABOVE} func="dalSegno" {{at}}>D.S.</repeatMark>',
    "fine": f'<repeatMark {_ABOVE} func="fine" {{at}}>Fine</repeatMark>',
}

_SAME = {
    "H": "fermata",
    "M": "mordent",
    "lowermordent": "mordent",
    "uppermordent": "pralltriller",
    "P": "pralltriller",
    "S": "segno",
    "O": "coda",
    "T": "trill",
    "~": "turn",
    "roll": "turn",
    "dacapo": "D.C.",
    "dalsegno": "D.S.",
}

_DYNAMICS = frozenset(("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff", "sfz", "sf", "fp"))


def articulations_of(note: Note) -> str:
    """Return the MEI ``artic`` children of a note, empty when it has none."""
    found = [_ARTICULATIONS[name] for name in note.decorations if name in _ARTICULATIONS]
    return "".join(f'<artic artic="{sign}" place="above"/>' for sign in found)


def marks_of(note: Note, note_id: str) -> list[str]:
    """Return the MEI control events for a note's decorations and texts.

    Decorations without a sign in general notation are left out: a page says nothing rather than something wrong.

    Parameters
    ----------
    note : Note
    note_id : str
        The ``xml:id`` the events point to.
    """
    at = f'startid="#{note_id}"'
    marks = []
    for decoration in note.decorations:
        name = _SAME.get(decoration, decoration)
        if name in _ORNAMENTS:
            marks.append(_ORNAMENTS[name].format(at=at))
        elif name in _DYNAMICS:
            marks.append(f'<dynam staff="1" place="below" {at}>{name}</dynam>')
    marks.extend(_worded(text, at) for text in note.texts if text)
    return marks


def _worded(text: str, at: str) -> str:
    """Return a quoted text: an annotation above or below, or a chord symbol when no place mark leads it."""
    words = xml_text(text.lstrip("^_<>@"))
    if not words:
        return ""
    if text[0] == "_":
        return f'<dir staff="1" place="below" {at}>{words}</dir>'
    if text[0] in "^<>@":
        return f"<dir {_ABOVE} {at}>{words}</dir>"
    return f"<harm {_ABOVE} {at}>{words}</harm>"
