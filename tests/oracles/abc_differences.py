"""Why a general-purpose reader differs from ours on a tune of an open corpus: by rule, or by name.

The rules and names stand in ``explained_differences.toml``. A rule is a way to write the same music otherwise
(``abc_rewrites.py``); it explains a difference if the other reader, given the tune written that way, agrees with us
note by note, while our own reading is the same of both texts.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from graith.music.read_abc import read_book
from oracles.abc_readers import READERS, CorpusTune, Reading, first_difference, read_by_us
from oracles.abc_rewrites import REWRITES


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a reader's answer for one tune compares with ours.

    Attributes
    ----------
    tune : str
    kind : str
        ``"same"``, ``"by rule"``, ``"by name"`` or ``"unexplained"``.
    rules : tuple of str
        The rewrites that change the tune's text, when the kind is ``"by rule"``.
    compared_played : bool
        Whether the unfolded notes were compared too, and not only the written ones.
    says : str
        Where the first difference lies, for messages.
    """

    tune: str
    kind: str
    rules: tuple[str, ...] = ()
    compared_played: bool = False
    says: str = ""


@functools.cache
def explanations() -> dict[str, Any]:
    """Return the file of explained differences."""
    return tomllib.loads(Path(__file__).with_name("explained_differences.toml").read_text(encoding="utf-8"))


def rules_of(reader: str) -> list[dict[str, Any]]:
    """Return a reader's rules in the order in which they are tried."""
    return [rule for rule in explanations()["rule"] if rule["reader"] == reader]


def named_of(reader: str) -> dict[str, str]:
    """Return the tunes explained one by one for a reader, with the reason."""
    return {name: one["why"] for one in explanations()["tunes"] if one["reader"] == reader for name in one["names"]}


def verdict(reader: str, tune: CorpusTune) -> Verdict:
    """Compare a reader with ours on one tune."""
    ours = read_by_us(tune)
    theirs = _reading(reader, tune.text)
    if theirs is not None and _says(ours, theirs) is None:
        return Verdict(tune.name, "same", (), _both_played(ours, theirs))
    rules, found = _by_rule(reader, tune, ours)
    if rules and found is not None:
        return Verdict(tune.name, "by rule", rules, _both_played(ours, found))
    says = "it cannot read the tune" if theirs is None else f"{_says(ours, theirs)}"
    return Verdict(tune.name, "by name" if tune.name in named_of(reader) else "unexplained", (), False, says)


def _by_rule(reader: str, tune: CorpusTune, ours: Reading) -> tuple[tuple[str, ...], Reading | None]:
    rules = rules_of(reader)
    for chosen in ([rule for rule in rules if not rule.get("last_resort")], rules):
        text, used = rewritten(tune.text, [rule["rewrite"] for rule in chosen])
        if not used:
            continue
        same = read_by_us(_tune_of(text))
        keeps_order = "part order" not in used
        if same.written != ours.written or (keeps_order and same.played != ours.played):
            continue
        theirs = _reading(reader, text)
        if theirs is not None and _says(same, theirs) is None:
            return used, theirs
    return (), None


def rewritten(text: str, rules: Sequence[str]) -> tuple[str, tuple[str, ...]]:
    """Return a tune written otherwise, and the rewrites that changed it."""
    used = []
    for rule in rules:
        changed = REWRITES[rule](text)
        if changed != text:
            used.append(rule)
            text = changed
    return text, tuple(used)


def _tune_of(text: str) -> CorpusTune:
    book = read_book(text)
    return CorpusTune("rewritten", text, book.tunes[0], book.problems)


def agrees(reader: str, text: str, meant: str) -> bool:
    """Return whether a reader reads ``text`` as we read ``meant``."""
    theirs = _reading(reader, text)
    return theirs is not None and _says(read_by_us(_tune_of(meant)), theirs) is None


def _reading(reader: str, text: str) -> Reading | None:
    try:
        return READERS[reader](text)
    except (ValueError, IndexError, KeyError):
        return None


def _both_played(ours: Reading, theirs: Reading) -> bool:
    return ours.played is not None and theirs.played is not None


def _says(ours: Reading, theirs: Reading) -> str | None:
    """Return where two readings first differ, or None."""
    index = first_difference(ours.written, theirs.written)
    if index is not None:
        return _at("written", index, ours.written, theirs.written)
    if ours.played is None or theirs.played is None:
        return None
    index = first_difference(ours.played, theirs.played)
    return None if index is None else _at("played", index, ours.played, theirs.played)


def _at(what: str, index: int, ours: Sequence[object], theirs: Sequence[object]) -> str:
    near = slice(max(index - 1, 0), index + 3)
    return f"{what} {index}: ours {' '.join(map(str, ours[near]))}, theirs {' '.join(map(str, theirs[near]))}"
