r"""ABC text strings: what an escape stands for, and how to write a text so that it reads back the same.

Source: ABC 2.1 §8.2 (text strings) and §2.2.5 (``\%`` for a percent sign).
"""

from __future__ import annotations

import html
import re
import unicodedata

_COMBINING = {"`": "\u0300", "'": "\u0301", "^": "\u0302", "~": "\u0303", '"': "\u0308", "c": "\u0327",
              "u": "\u0306", "v": "\u030c", "=": "\u0304", "H": "\u030b", ".": "\u0307", ",": "\u0327"}  # fmt: skip
_LIGATURES = {
    "ae": "æ", "AE": "Æ", "oe": "œ", "OE": "Œ", "ss": "ß", "DH": "Ð", "dh": "ð", "TH": "Þ", "th": "þ",
    "/o": "ø", "/O": "Ø", "aa": "å", "AA": "Å",
}  # fmt: skip
_ESCAPE = re.compile(
    r"\\(?:(?P<plain>[\\%&])|(?P<ligature>ae|AE|oe|OE|ss|DH|dh|TH|th|/o|/O|aa|AA)"
    r"|u(?P<code>[0-9a-fA-F]{4})|(?P<accent>[`'^~\"cuv=H.,])(?P<letter>[A-Za-z]))"
    r"|(?P<entity>&(?:[A-Za-z]{2,8}|\#\d{1,6});)"
)
_COMMENT = re.compile(r"(?<!\\)(?:\\\\)*%")


def without_comment(line: str) -> str:
    """Return a line without its comment (ABC 2.1 §2.2.5)."""
    if "%" not in line:
        return line
    found = _COMMENT.search(line)
    return line if found is None else line[: found.end() - 1]


def plain_text(text: str) -> str:
    r"""Return a text string with its escapes resolved.

    Examples
    --------
    >>> plain_text(r"Caf\'e 100\%")
    'Café 100%'
    """
    if "\\" not in text and "&" not in text:
        return text
    return _ESCAPE.sub(_resolved, text)


def _resolved(found: re.Match[str]) -> str:
    if plain := found["plain"]:
        return plain
    if ligature := found["ligature"]:
        return _LIGATURES[ligature]
    if entity := found["entity"]:
        character = html.unescape(entity)
        return character if character.isprintable() else entity
    character = (
        chr(int(found["code"], 16))
        if found["code"]
        else unicodedata.normalize("NFC", found["letter"] + _COMBINING[found["accent"]])
    )
    return character if len(character) == 1 and character.isprintable() else found[0]


def escaped_text(text: str) -> str:
    r"""Return a text so that :func:`plain_text` gives it back.

    Examples
    --------
    >>> escaped_text("100%")
    '100\\%'
    """
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("&", "\\&")
