"""Bar lines and the pieces of a line of music between them.

Source: ABC 2.1 §4.8 (bar lines, repeats), §4.9 and §4.10 (endings).
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from graith.music.model import BarLine

STRETCH = re.compile(
    r"""[ \t]*
    (?P<text>(?:[^|:\["!(]++|\((?:\d+(?::\d*){0,2})?|"[^"]*"|![^!|\[\]:\s]*(?::\w+)?!|\[[A-Za-z]:[^\]]*\]
      |\[(?![\d|]|[A-Za-z]:)(?:"[^"]*"|[^\]|\["])*\])*+)
    (?:(?P<line>(?::*\.?\[?\|+\]?)+:*|::+)(?:(?:[ \t]*\[)?(?P<passes>\d[\d,\-]*))?
      |\[(?P<alone>\d[\d,\-]*)
      |(?P<stray>[:\["!])
      |$)""",
    re.VERBOSE,
)
"""One stretch of music text, with the bar line (and its ending), the ending alone, or the stray sign that ends it."""

_RANK = {
    BarLine.NONE: 0,
    BarLine.SINGLE: 1,
    BarLine.DOTTED: 2,
    BarLine.INVISIBLE: 3,
    BarLine.START: 4,
    BarLine.DOUBLE: 5,
    BarLine.END: 6,
}


class Sign(NamedTuple):
    """A bar line understood: how it looks, and how many colons stand on each side of it."""

    look: BarLine
    repeat_end: int
    repeat_start: int


@lru_cache(maxsize=1024)
def sign_of(text: str) -> Sign:
    """Return what a bar line's text means.

    Examples
    --------
    >>> sign_of("::")
    Sign(look=<BarLine.SINGLE: '|'>, repeat_end=1, repeat_start=1)
    >>> sign_of("[|]:|").repeat_end
    1
    """
    core = text.strip(":")
    if not core:
        half = len(text) // 2
        return Sign(BarLine.SINGLE, half, half)
    repeat_end = len(text) - len(text.lstrip(":"))
    repeat_start = len(text) - len(text.rstrip(":"))
    if ":" in core:
        repeat_end = max(repeat_end, *map(len, re.findall(":+", core)))
        core = core.replace(":", "")
    if core == "||" and repeat_end and repeat_start:
        core = "|"
    return Sign(_look(core), repeat_end, repeat_start)


def _look(core: str) -> BarLine:
    if core == "[|]":
        return BarLine.INVISIBLE
    if core == ".|":
        return BarLine.DOTTED
    if core.endswith("]"):
        return BarLine.END
    if "[" in core:
        return BarLine.START
    return BarLine.DOUBLE if core.count("|") > 1 else BarLine.SINGLE


def stronger(one: BarLine, other: BarLine) -> BarLine:
    """Return which of two bar lines on one spot is seen: ``|`` and ``||`` make ``||``."""
    return one if _RANK[one] >= _RANK[other] else other
