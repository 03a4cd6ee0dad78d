"""Write a set as a set file: reading it gives the same set."""

from __future__ import annotations

import re
from fractions import Fraction

from graith.errors import SetError
from graith.sets.model import Ending, Link, Opening, Set, SetTune
from graith.sets.read_set import read_set

_ESCAPED = re.compile(r'[\\"\x00-\x08\x0b-\x1f\x7f]')
_SHORT_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t"}


def write_set(wanted: Set) -> str:
    """Return the set file of a set, TOML; what the file need not say it does not.

    Without a roll the beats of drones and strike-in mean nothing and are not written.

    Parameters
    ----------
    wanted : Set

    Raises
    ------
    SetError
        If the set is one that no file can describe: no tunes, a tempo of 1,000, a link too many.

    Examples
    --------
    >>> print(write_set(Set("Opener", (SetTune("marches.abc", 3, parts=(1, 2), tempo_bpm=80.0),))))
    name = "Opener"
    <BLANKLINE>
    [[tunes]]
    file = "marches.abc"
    index = 3
    parts = [1, 2]
    tempo_bpm = 80
    <BLANKLINE>
    """
    if len(wanted.links) not in (0, len(wanted.tunes) - 1):
        raise SetError(
            f"The set {wanted.name!r} has {len(wanted.tunes)} tunes and {len(wanted.links)} links; give one fewer."
        )
    blocks = [_head(wanted), *map(_tune, wanted.tunes)]
    blocks += [_link(link, after) for after, link in enumerate(wanted.links, 1) if link != Link()]
    blocks += [_opening(wanted.opening)] if wanted.opening != Opening() else []
    blocks += [_ending(wanted.ending)] if wanted.ending != Ending() else []
    text = "\n".join("".join(f"{line}\n" for line in block) for block in blocks)
    read_set(text, f"the set {wanted.name!r}")
    return text


def _head(wanted: Set) -> list[str]:
    lines = [f"name = {_quoted(wanted.name)}"]
    for key in ("rulebook", "grade", "event"):
        if getattr(wanted, key):
            lines.append(f"{key} = {_quoted(getattr(wanted, key))}")
    if wanted.notes:
        lines.append(f"notes = {_long(wanted.notes) if chr(10) in wanted.notes else _quoted(wanted.notes)}")
    return lines


def _tune(tune: SetTune) -> list[str]:
    lines = ["[[tunes]]", f"file = {_quoted(tune.file)}", f"index = {tune.index}"]
    if tune.parts is not None:
        lines.append(f"parts = [{', '.join(map(str, tune.parts))}]")
    if not tune.repeats:
        lines.append("repeats = false")
    if tune.tempo_end_bpm is not None:
        if tune.tempo_bpm is None:
            raise SetError(f"{tune.file} X:{tune.index} has a tempo at its end but none at its start; give both.")
        lines.append(f"tempo_ramp_bpm = [{_number(tune.tempo_bpm)}, {_number(tune.tempo_end_bpm)}]")
    elif tune.tempo_bpm is not None:
        lines.append(f"tempo_bpm = {_number(tune.tempo_bpm)}")
    return lines


def _link(link: Link, after: int) -> list[str]:
    lines = ["[[links]]", f"after = {after}"]
    if link.hold_beats:
        lines.append(f"hold_beats = {_beats(link.hold_beats)}")
    if link.ease_beats or link.ease_to_bpm is not None:
        lines.append(f"ease_beats = {_beats(link.ease_beats)}")
    if link.ease_to_bpm is not None:
        lines.append(f"ease_to_bpm = {_number(link.ease_to_bpm)}")
    return lines


def _opening(opening: Opening) -> list[str]:
    lines = ["[opening]", f"roll_beats = {opening.roll_beats}"]
    if opening.roll_beats:
        lines.append(f"drones_in_beat = {opening.drones_in_beat}")
        lines.append(f"strike_in_beat = {opening.strike_in_beat}")
    lines.append(f'strike_in_note = "{opening.strike_in_note.label}"')
    if opening.tempo_bpm is not None:
        lines.append(f"tempo_bpm = {_number(opening.tempo_bpm)}")
    return lines


def _ending(ending: Ending) -> list[str]:
    lines = ["[ending]"]
    if ending.hold_beats:
        lines.append(f"hold_beats = {_beats(ending.hold_beats)}")
    if ending.slow_beats or ending.slow_to_bpm is not None:
        lines.append(f"slow_beats = {_beats(ending.slow_beats)}")
    if ending.slow_to_bpm is not None:
        lines.append(f"slow_to_bpm = {_number(ending.slow_to_bpm)}")
    return lines


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else repr(float(value))


def _beats(beats: Fraction) -> str:
    return str(beats.numerator) if beats.denominator == 1 else f'"{beats.numerator}/{beats.denominator}"'


def _quoted(text: str) -> str:
    return f'"{_escaped(text).replace(chr(10), _SHORT_ESCAPES[chr(10)])}"'


def _long(text: str) -> str:
    return f'"""\n{_escaped(text)}"""'


def _escaped(text: str) -> str:
    return _ESCAPED.sub(lambda found: _SHORT_ESCAPES.get(found[0]) or f"\\u{ord(found[0]):04x}", text)
