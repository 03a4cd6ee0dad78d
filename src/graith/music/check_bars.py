"""Whether every bar fills its metre, allowing for pick-ups and the bars that complete them.

A bar may be short where music is joined: at a part's end, before a repeat sign, at an ending's end. It is then
right if one of the tune's pick-ups makes it full. A pick-up is right if some such bar makes it full; one that none
does is worth a look, for with each repeat the tune grows by it. Bars cut by a change of key or metre, or by an
ending that begins in mid-bar, are put together before they are measured.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from graith.errors import Place, Problem, Severity
from graith.music.model import Bar, BarLine, Metre, Part, Tune

_NAMES_OF_LENGTHS = (
    (Fraction(1), "semibreve"),
    (Fraction(1, 2), "minim"),
    (Fraction(1, 4), "crotchet"),
    (Fraction(1, 8), "quaver"),
    (Fraction(1, 16), "semiquaver"),
    (Fraction(1, 32), "demisemiquaver"),
)
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_LONGEST_ENDING_RATIO = 2


@dataclass(frozen=True, slots=True)
class _Measured:
    """A whole bar, put together from its pieces.

    ``is_pick_up`` says it opens a section; ``is_joint`` that it stands where a section ends.
    """

    bars: tuple[Bar, ...]
    length: Fraction
    metre: Metre
    is_pick_up: bool
    is_joint: bool

    @property
    def place(self) -> Place:
        return self.bars[0].place

    @property
    def text(self) -> str:
        return " ".join(bar.text for bar in self.bars)

    @property
    def missing(self) -> Fraction:
        """What it lacks, in whole notes; negative when it is too long."""
        return self.metre.length - self.length


def bar_problems(tune: Tune) -> tuple[Problem, ...]:
    r"""Return every bar that does not fill its metre, and every ending that seems never to stop.

    Parameters
    ----------
    tune : Tune
        Bars in free metre are passed over.

    Returns
    -------
    tuple of Problem
        Kind ``"bar length"`` (errors), ``"pick-up"`` and ``"ending"`` (warnings), in the order of the music.

    Examples
    --------
    >>> from graith.music.read_abc import read_tune
    >>> tune = read_tune("X:1\nT:T\nM:6/8\nL:1/8\nK:HP\n|: A3 B3 | ABc d3e |]", "local-march.abc")
    >>> problem = bar_problems(tune)[0]
    >>> print(f"{problem.place}: {problem.says}")
    local-march.abc:6:12, part 1, bar 2: the bar holds 7/8 but the metre is 6/8, one quaver too long
    >>> problem.remedy, problem.text
    ('Shorten a note, or write [M:7/8] if the metre changes here.', 'ABc d3e')
    """
    measured = [bar for part in tune.parts for bar in _measured(part)]
    gaps = {bar.missing for bar in measured if bar.is_joint and bar.missing > 0}
    pick_ups = {bar.length for bar in measured if bar.is_pick_up and bar.missing > 0}
    problems = [problem for bar in measured if (problem := _problem_of(bar, pick_ups, gaps)) is not None]
    problems += [problem for part in tune.parts for problem in _endless_endings(part)]
    return tuple(problems)


def _problem_of(bar: _Measured, pick_ups: set[Fraction], gaps: set[Fraction]) -> Problem | None:
    if bar.missing == 0 or (bar.is_joint and bar.missing in pick_ups):
        return None
    if bar.is_pick_up and bar.missing > 0:
        if bar.length in gaps:
            return None
        if bar.length * 2 <= bar.metre.length:
            return _lonely_pick_up(bar)
    return Problem(bar.place, "bar length", _says(bar), _remedy(bar), bar.text)


def _lonely_pick_up(bar: _Measured) -> Problem:
    return Problem(
        bar.place,
        "pick-up",
        f"the pick-up holds {_in_units(bar.length, bar.metre)} but no bar at the end of a part leaves room for it",
        f"Shorten the part's last bar by {_named(bar.length)}, or take the pick-up out.",
        bar.text,
        Severity.WARNING,
    )


def _says(bar: _Measured) -> str:
    what = f"the bar holds {_in_units(bar.length, bar.metre)} but the metre is {bar.metre}"
    return f"{what}, {_named(abs(bar.missing))} too {'long' if bar.missing < 0 else 'short'}"


def _remedy(bar: _Measured) -> str:
    verb = "Shorten" if bar.missing < 0 else "Lengthen"
    if bar.length.denominator & (bar.length.denominator - 1):
        return f"{verb} a note."
    return f"{verb} a note, or write [M:{_in_units(bar.length, bar.metre)}] if the metre changes here."


def _in_units(length: Fraction, metre: Metre) -> str:
    """Return a length over the metre's unit where it goes evenly: six quavers are 6/8 in 6/8, not 3/4."""
    count = length * metre.unit
    if count.denominator == 1:
        return f"{count}/{metre.unit}"
    return f"{length.numerator}/{length.denominator}"


def _named(length: Fraction) -> str:
    """Return a length in the largest note value that goes into it evenly: ``"three quavers"``."""
    for value, name in _NAMES_OF_LENGTHS:
        count = length / value
        if count.denominator == 1:
            number = _COUNTS[count.numerator] if count.numerator < len(_COUNTS) else str(count.numerator)
            return f"{number} {name}{'' if count == 1 else 's'}"
    return f"{length.numerator}/{length.denominator} of a semibreve"


def _measured(part: Part) -> Iterator[_Measured]:
    """Yield a part's whole bars, their pieces put together."""
    head: list[Bar] = []
    stub: tuple[Bar, ...] = ()
    stub_opens = False
    opens = True
    for index, bar in enumerate(part.bars):
        following = part.bars[index + 1] if index + 1 < len(part.bars) else None
        if bar.ending:
            if head:
                stub, stub_opens = tuple(head), opens
            elif bar.number == 0 and stub:
                head, opens = list(stub), stub_opens
        elif not head:
            opens = index == 0 or bar.repeat_start or part.bars[index - 1].repeat_end > 0
        head.append(bar)
        if bar.closing is BarLine.NONE and following is not None:
            continue
        if bar.metre is not None and head[0].metre is not None:
            yield _Measured(
                tuple(head),
                sum((piece.length for piece in head), Fraction(0)),
                head[0].metre,
                opens and head[-1].number == 0,
                _is_joint(bar, following),
            )
        head, opens = [], False


def _is_joint(bar: Bar, following: Bar | None) -> bool:
    return following is None or bar.repeat_end > 0 or bar.ending_closed or following.repeat_start


def _endless_endings(part: Part) -> Iterator[Problem]:
    """Yield last endings that run on far longer than the ending before them."""
    lengths: list[tuple[Bar, int]] = []
    for bar in part.bars:
        if bar.ending:
            lengths.append((bar, 0))
        if lengths and (lengths[-1][1] == 0 or not _closed_before(part.bars, bar)):
            lengths[-1] = lengths[-1][0], lengths[-1][1] + 1
    for (_, before), (bar, count) in pairwise(lengths):
        if bar.ending[0] > 1 and count > _LONGEST_ENDING_RATIO * before + 1:
            passes = ",".join(map(str, bar.ending))
            yield Problem(
                bar.place,
                "ending",
                f"ending {passes} runs on for {count} bars, the one before it for {before}",
                "Close it with || after its last bar (ABC 2.1 §4.10).",
                bar.text,
                Severity.WARNING,
            )


def _closed_before(bars: Sequence[Bar], bar: Bar) -> bool:
    index = next(position for position, other in enumerate(bars) if other is bar)
    return index > 0 and bars[index - 1].ending_closed
