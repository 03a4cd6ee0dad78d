"""Three open corpora read by our reader and by three general-purpose ones, tune by tune and bar by bar.

The corpora (4,248 tunes) ship in the music21 package. lytk and abcnotes are compared in full, music21 in a fixed
sample because it is slow; ``python -m bench.abc_oracles`` compares it in full and writes ``docs/checks-abc.md``. What
differs is explained in ``tests/oracles/explained_differences.toml``; nothing is tolerated.
"""

from __future__ import annotations

import functools
import re
from collections import Counter

import pytest

from graith.errors import Problem, Severity
from graith.music.check_bars import bar_problems
from graith.music.keys import grace_unit
from graith.music.read_abc import read_book
from oracles.abc_bars import bar_lengths_by_us, bars_by_abcnotes
from oracles.abc_differences import agrees, explanations, named_of, rewritten, rules_of, verdict
from oracles.abc_readers import CORPORA, CorpusTune, corpus_texts, corpus_tunes, grace_lengths_by_abcnotes
from oracles.abc_rewrites import REWRITES

_BOOK = explanations()
_CHUNKS = 4
_MUSIC21_STEPS = {"airdsAirs": 5, "ryansMammoth": 20, "oneills1850": 20}


# -- every tune is read -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("corpus", CORPORA)
def test_every_tune_is_read_and_as_many_as_there_are_x_fields(corpus):
    n_fields = n_tunes = 0
    for stem, text in corpus_texts(corpus).items():
        n_fields += len(re.findall(r"(?m)^X:", text))
        n_tunes += len(read_book(text, stem).tunes)
    assert n_tunes == n_fields == _BOOK["corpora"][corpus]["n_tunes"]
    assert all(tune.ours.parts for tune in corpus_tunes(corpus))


@pytest.mark.parametrize("corpus", CORPORA)
def test_what_is_wrong_with_the_tunes_is_told_by_kind(corpus):
    """A change guard: our own counts. What the readers make of the same places is compared below."""
    found = Counter(
        f"{problem.kind} {problem.severity.name.lower()}"
        for stem, text in corpus_texts(corpus).items()
        for problem in read_book(text, stem).problems
    )
    assert dict(found) == _BOOK["corpora"][corpus]["problems"]


# -- notes, gracenotes, lengths, repeats ------------------------------------------------------------------------


@pytest.mark.parametrize("chunk", range(_CHUNKS))
@pytest.mark.parametrize("corpus", CORPORA)
@pytest.mark.parametrize("reader", ["lytk", "abcnotes"])
def test_a_reader_agrees_on_every_tune_but_for_those_explained(reader, corpus, chunk):
    _check(reader, corpus_tunes(corpus)[chunk::_CHUNKS])


@pytest.mark.parametrize("chunk", range(_CHUNKS))
@pytest.mark.parametrize("corpus", CORPORA)
def test_music21_agrees_on_a_sample_but_for_those_explained(corpus, chunk):
    _check("music21", corpus_tunes(corpus)[:: _MUSIC21_STEPS[corpus]][chunk::_CHUNKS])


def _check(reader: str, tunes: tuple[CorpusTune, ...]) -> None:
    """Fail on a difference that is not explained, and on an explanation that explains nothing any more."""
    found = [verdict(reader, tune) for tune in tunes]
    assert [f"{one.tune}: {one.says}" for one in found if one.kind == "unexplained"] == []
    expected = {tune.name for tune in tunes} & set(named_of(reader))
    assert {one.tune for one in found if one.kind == "by name"} == expected


@pytest.mark.parametrize("corpus", CORPORA)
def test_written_lengths_of_gracenotes_are_those_that_abcnotes_has(corpus):
    """Ours count from the unit of gracenotes (ABC 2.1 §4.12), abcnotes' from that of notes; the factors are compared.

    abcnotes is given the tune as its own rules write it: it lets gracenotes share in triplets and broken rhythm.
    """
    rules = [rule["rewrite"] for rule in rules_of("abcnotes") if not rule.get("last_resort")]
    n_graces = 0
    for tune in corpus_tunes(corpus):
        if tune.name not in named_of("abcnotes"):
            bars = [bar for part in tune.ours.parts for bar in part.bars]
            factors = [
                grace.length / grace_unit(bar.key) for bar in bars for note in bar.notes for grace in note.graces
            ]
            assert factors == grace_lengths_by_abcnotes(rewritten(tune.text, rules)[0]), tune.name
            n_graces += len(factors)
    assert n_graces > 1000


def test_every_tune_explained_by_name_is_in_a_corpus():
    names = {tune.name for corpus in CORPORA for tune in corpus_tunes(corpus)}
    assert {name for one in _BOOK["tunes"] for name in one["names"]} <= names


@pytest.mark.parametrize("rule", _BOOK["rule"], ids=lambda rule: f"{rule['reader']}: {rule['rewrite']}")
def test_a_rule_is_still_needed_and_still_cures(rule):
    music = f"X:1\nT:Our own\nM:4/4\nL:1/8\n{rule.get('header', 'C:trad.')}\nK:D\n{rule['example']}\n"
    rewritten = REWRITES[rule["rewrite"]](music)
    assert not agrees(rule["reader"], music, music)
    assert agrees(rule["reader"], rewritten, rewritten if rule["rewrite"] == "part order" else music)


# -- bars -------------------------------------------------------------------------------------------------------


@functools.cache
def _wrong_bars(corpus: str) -> dict[str, list[Problem]]:
    return {tune.name: list(bar_problems(tune.ours)) for tune in corpus_tunes(corpus)}


@pytest.mark.parametrize("corpus", CORPORA)
def test_every_bar_adds_up_as_abcnotes_has_it_but_for_those_explained(corpus):
    differing = set()
    for tune in corpus_tunes(corpus):
        try:
            counted = [bar.length for bar in bars_by_abcnotes(tune.text)]
        except ValueError:
            differing.add(tune.name)
            continue
        if counted != bar_lengths_by_us(tune.ours):
            differing.add(tune.name)
    assert differing == {name for name in _BOOK["bars"]["differing"] if name.startswith(corpus)}


@pytest.mark.parametrize("corpus", CORPORA)
def test_the_bars_that_are_too_long_are_those_that_a_second_count_finds(corpus):
    differing = _BOOK["bars"]["differing"]
    for tune in corpus_tunes(corpus):
        if tune.name not in differing:
            ours = sum("too long" in problem.says for problem in _wrong_bars(corpus)[tune.name])
            assert ours == sum(bar.is_too_long for bar in bars_by_abcnotes(tune.text)), tune.name


@pytest.mark.parametrize("corpus", CORPORA)
def test_every_bar_that_is_short_between_plain_bar_lines_is_told(corpus):
    differing = _BOOK["bars"]["differing"]
    for tune in corpus_tunes(corpus):
        if tune.name not in differing:
            short = sum("too short" in problem.says for problem in _wrong_bars(corpus)[tune.name])
            assert short >= sum(bar.is_short_inside for bar in bars_by_abcnotes(tune.text)), tune.name


@pytest.mark.parametrize("corpus", CORPORA)
def test_as_many_bars_are_wrong_as_docs_say(corpus):
    """A change guard: the three tests above are the check. docs/checks-abc.md explains the counts."""
    problems = [problem for found in _wrong_bars(corpus).values() for problem in found]
    bars = [problem for problem in problems if problem.severity is Severity.ERROR]
    found = {
        "too_long": sum("too long" in problem.says for problem in bars),
        "too_short": sum("too short" in problem.says for problem in bars),
        "pick_ups": sum(problem.kind == "pick-up" for problem in problems),
        "endings": sum(problem.kind == "ending" for problem in problems),
    }
    assert found == _BOOK["bars"][corpus]
