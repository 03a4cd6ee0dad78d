"""The order of parts that a tune's ``P:`` header field writes: letters, counts and brackets.

Source: ABC 2.1 §3.1.9: ``P:A``, ``P:((AB)3.(CD)3)2``; a dot is only there to be read more easily.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from graith.errors import MusicError

_TOKEN = re.compile(r"\s*([A-Za-z()]|\d+|\.)\s*")
_LONGEST_ORDER = 1000


def letters_in_order(text: str) -> str:
    """Return a part order written out: ``"(AB)2C"`` is ``"ABABC"``.

    Raises
    ------
    MusicError
        If brackets do not match, a sign means nothing, or the order is longer than 1000 parts.

    Examples
    --------
    >>> letters_in_order("((AB)3.(CD)3)2")
    'ABABABCDCDCDABABABCDCDCD'
    """
    stack: list[list[str]] = [[]]
    for token in _tokens(text):
        if token == "(":
            stack.append([])
        elif token == ")":
            if len(stack) == 1:
                raise MusicError(f"The part order {text!r} closes a bracket it never opened.")
            stack[-2].append("".join(stack.pop()))
        elif token.isdigit():
            if not stack[-1] or len(token) > 3:
                raise MusicError(f"The part order {text!r} has a count without a part before it.")
            stack[-1][-1] *= int(token)
        elif token != ".":
            stack[-1].append(token)
        if sum(map(len, stack[-1])) > _LONGEST_ORDER:
            raise MusicError(f"The part order {text!r} is longer than {_LONGEST_ORDER} parts.")
    if len(stack) > 1:
        raise MusicError(f"The part order {text!r} never closes a bracket.")
    return "".join(stack[0])


def _tokens(text: str) -> list[str]:
    tokens: list[str] = []
    at = 0
    while at < len(text):
        found = _TOKEN.match(text, at)
        if found is None:
            raise MusicError(f"The part order {text!r} has {text[at]!r}, which means nothing there.")
        tokens.append(found[1])
        at = found.end()
    return tokens


def parts_in_order(text: str, labels: Sequence[str]) -> tuple[int, ...]:
    """Return the parts of a ``P:`` order, from 1.

    Parameters
    ----------
    text : str
        Such as ``"(AB)2C"``.
    labels : sequence of str
        The label of each part; where no part has one, A is the first part, B the second.

    Raises
    ------
    MusicError
        If the order cannot be read or names a part that is not there.

    Examples
    --------
    >>> parts_in_order("ABA", ["A", "B"])
    (1, 2, 1)
    """
    known: dict[str, int] = {}
    for index, label in enumerate(labels, start=1):
        known.setdefault(label, index)
    if not any(labels):
        known = {chr(ord("A") + index): index + 1 for index in range(min(len(labels), 26))}
    letters = letters_in_order(text)
    missing = sorted({letter for letter in letters if letter not in known})
    if missing:
        has = ", ".join(label for label in known if label) or "none"
        raise MusicError(
            f"The part order {text!r} names part {', '.join(missing)}, but the tune's parts are {has}. "
            "Label the parts with P: or correct the order."
        )
    return tuple(known[letter] for letter in letters)
