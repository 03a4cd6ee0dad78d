"""Refuse a question that cannot be taken, in one sentence."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict
from difflib import get_close_matches

from graith.builder import worth
from graith.builder.model import MOST_TUNES, Candidate, Locks, Question
from graith.errors import BuilderError, MusicError
from graith.music.tune_types import tune_type_named

MOST_SETS = 100


def check_question(question: Question, n_best: int) -> None:
    """Raise an error when a question cannot be taken.

    Demands that merely cannot hold together are no error: the answer is then a clash.

    Raises
    ------
    BuilderError
        Saying what is wrong and what to do.
    """
    if not 1 <= n_best <= MOST_SETS:
        raise BuilderError(f"{n_best} sets cannot be asked for; ask for 1 to {MOST_SETS}.")
    if not question.candidates:
        raise BuilderError("There are no tunes to build a set from. Give the builder at least one candidate.")
    keys = Counter(candidate.key for candidate in question.candidates)
    for key, count in keys.items():
        if count > 1:
            raise BuilderError(f"{count} candidates have the key {key!r}. Give each tune a key of its own.")
    for candidate in question.candidates:
        _check_candidate(candidate)
    _check_numbers(question)
    for key, where in _named_in(question.locks):
        if key not in keys:
            raise BuilderError(f"The lock {where!r} names {key!r}, which is no candidate's key. {_nearest(key, keys)}")
    _check_pairs(question.locks)
    _check_openers(question)


def _check_candidate(candidate: Candidate) -> None:
    title = repr(candidate.title)
    try:
        tune_type_named(candidate.tune_type)
    except MusicError as error:
        raise BuilderError(f"The type of {title} is not known. {error}") from None
    if not (math.isfinite(candidate.tempo_bpm) and candidate.tempo_bpm > 0):
        raise BuilderError(f"{title} has a tempo of {candidate.tempo_bpm!r}; give beats a minute above zero.")
    if not 0.0 <= candidate.readiness <= 1.0:
        raise BuilderError(f"{title} has a readiness of {candidate.readiness!r}; give a number from 0 to 1.")
    if not 0.0 <= candidate.difficulty <= 10.0:
        raise BuilderError(f"{title} has a difficulty of {candidate.difficulty!r}; give a number from 0 to 10.")
    if not candidate.cuts:
        raise BuilderError(f"{title} has no cut, so there is no way to play it. Give it at least one.")
    for cut in candidate.cuts:
        if cut.beats <= 0 or cut.closing_beats <= 0 or cut.pickup_beats < 0 or cut.last_beats <= 0:
            raise BuilderError(
                f"A cut of {title} lasts {cut.beats} beats ({cut.closing_beats} when it closes, a pick-up of "
                f"{cut.pickup_beats}, a last note of {cut.last_beats}); give lengths above zero."
            )
        if not 1 <= cut.n_parts <= candidate.n_parts or cut.n_played < cut.n_parts:
            raise BuilderError(
                f"A cut of {title} plays {cut.n_parts} of {candidate.n_parts} parts in {cut.n_played} playings; "
                "it must play at least one part, no more than there are, and each at least once."
            )


def _check_numbers(question: Question) -> None:
    least, most = question.n_tunes
    if least < 1 or most < least:
        raise BuilderError(f"A set of {least} to {most} tunes cannot be; give a range from at least 1 tune.")
    if least > MOST_TUNES:
        raise BuilderError(f"A set of {least} tunes or more is not considered; ask for at most {MOST_TUNES}.")
    if question.target_s is not None and not (math.isfinite(question.target_s) and question.target_s > 0):
        raise BuilderError(f"A target of {question.target_s!r} s cannot be; give seconds above zero.")
    if question.level is not None and not 0.0 <= question.level <= 10.0:
        raise BuilderError(f"The band's level is {question.level!r}; give a number from 0 to 10.")
    for name, weight in asdict(question.weights).items():
        if not 0.0 <= weight <= 1000.0:
            raise BuilderError(f"The weight {name!r} is {weight!r}; give points from 0 to 1000.")
    if question.hold_beats < 0 or question.ending_hold_beats < 0:
        raise BuilderError("A hold below zero beats cannot be; give beats from 0.")


def _named_in(locks: Locks) -> Iterator[tuple[str, str]]:
    if locks.opens_with is not None:
        yield locks.opens_with, "opens with"
    if locks.closes_with is not None:
        yield locks.closes_with, "closes with"
    yield from ((key, "contains") for key in locks.contains)
    yield from ((key, "leaves out") for key in locks.leaves_out)
    yield from ((key, "not with") for pair in locks.not_with for key in pair)
    yield from ((key, "at slot") for _, key in locks.at_slot)
    yield from ((key, "not after") for pair in locks.not_after for key in pair)


def _check_pairs(locks: Locks) -> None:
    for one, other in (*locks.not_with, *locks.not_after):
        if one == other:
            raise BuilderError(f"A lock sets {one!r} against itself. Name two different tunes.")
    for slot, key in locks.at_slot:
        if not 1 <= slot <= MOST_TUNES:
            raise BuilderError(f"The lock 'at slot' puts {key!r} at slot {slot}; slots run from 1 to {MOST_TUNES}.")


def _check_openers(question: Question) -> None:
    if not any(worth.may_open(question, one, cut) for one in question.candidates for cut in one.cuts):
        raise BuilderError(
            f"No tune's pick-up finds room in an opening of {question.opening.roll_beats} beats. Lengthen the opening, "
            "or open without rolls."
        )


def _nearest(key: str, keys: Counter[str]) -> str:
    near = get_close_matches(key, list(keys), n=1, cutoff=0.0)
    return f"The nearest is {near[0]!r}."
