"""Numbers as sentences say them: no more digits than they are worth."""

from __future__ import annotations

from graith.listen.heard import Heard


def amount(value: float) -> str:
    """Return a number's size for a sentence: whole from 10 on, one decimal below.

    Examples
    --------
    >>> amount(-14.3), amount(2.04), amount(0.26)
    ('14', '2', '0.3')
    """
    size = abs(value)
    return f"{size:.0f}" if size >= 9.95 else f"{size:.1f}".removesuffix(".0")


def give_or_take(uncertainty: float) -> str:
    """Return an uncertainty in brackets with a space before it; nothing when it rounds to nothing.

    Examples
    --------
    >>> give_or_take(2.2), give_or_take(0.01)
    (' (give or take 2.2)', '')
    """
    return f" (give or take {amount(uncertainty)})" if abs(uncertainty) >= 0.05 else ""


def cents_words(value: float) -> str:
    """Return a number of cents with its unit.

    Examples
    --------
    >>> cents_words(1.02), cents_words(0.4)
    ('1 cent', '0.4 cents')
    """
    return f"{amount(value)} cent{'' if amount(value) == '1' else 's'}"


def owner(heard: Heard) -> str:
    """Return whose playing it is, to begin a sentence with."""
    return "Your" if heard.n_players == 1 else "The band's"


def clock_words(seconds: float) -> str:
    """Return a time in the recording as minutes and seconds.

    Examples
    --------
    >>> clock_words(83.4)
    '1:23'
    """
    whole = max(0, round(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


def length_words(milliseconds: float) -> str:
    """Return a length of time in milliseconds, or in seconds from one second on.

    Examples
    --------
    >>> length_words(240.2), length_words(1840.0)
    ('240 ms', '1.8 s')
    """
    return f"{amount(milliseconds)} ms" if abs(milliseconds) < 999.5 else f"{amount(milliseconds / 1000.0)} s"


def capitalised(words: str) -> str:
    """Return words with a capital first letter."""
    return words[:1].upper() + words[1:]
