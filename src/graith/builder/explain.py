"""One set in full: what it is worth and why, and what the rules can measure of it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from graith.builder import worth
from graith.builder.demands import Condition, obeys_lock
from graith.builder.model import BuiltSet, ChosenTune, Question, Reason
from graith.music.model import ChanterNote
from graith.rules.hold_duration import minutes_and_seconds, ruling_on_duration
from graith.rules.hold_tunes import ruling_on_tunes
from graith.rules.model import SetFacts, TuneFacts, Verdict
from graith.rules.rulebook import ClockStart, DurationRule, Rule


def built_set(question: Question, tunes: Sequence[ChosenTune]) -> BuiltSet:
    """Return a set with its value and the reasons that add up to it.

    Parameters
    ----------
    question : Question
    tunes : sequence of ChosenTune
        In playing order, at least one; whether they obey the rules is not asked here.
    """
    reasons = (
        Reason("start", worth.START, "Every set starts from 100 points."),
        *_tune_reasons(question, tunes),
        _variety_reason(question, tunes),
        *(_link_reason(question, one, other) for one, other in pairwise(tunes)),
        *_time_reasons(question, tunes),
    )
    return BuiltSet(
        tunes=tuple(tunes),
        billionths=sum(reason.billionths for reason in reasons),
        reasons=reasons,
        roll_to_cut_off_s=playing_us(question, tunes, ClockStart.FIRST_ROLL) / 1e6,
        first_note_to_cut_off_s=playing_us(question, tunes, ClockStart.FIRST_NOTE) / 1e6,
    )


def playing_us(question: Question, tunes: Sequence[ChosenTune], clock: ClockStart) -> int:
    """Return a set's time from a clock's start to the cut-off, in microseconds."""
    first, last = tunes[0], tunes[-1]
    return (
        worth.start_us(question, first.candidate, first.cut, clock)
        + sum(worth.tune_us(question, one.candidate, one.cut) for one in tunes[:-1])
        + sum(link_us(question, one, other) for one, other in pairwise(tunes))
        + worth.closing_us(question, last.candidate, last.cut)
    )


def link_us(question: Question, one: ChosenTune, other: ChosenTune) -> int:
    """Return what a link adds so that the next pick-up leaves the last note some time, in microseconds."""
    return int(
        worth.held_us(
            np.array(worth.microseconds(other.cut.pickup_beats, other.candidate.tempo_bpm)),
            np.array(worth.room_us(question, one.candidate, one.cut)),
            np.array(round(60_000_000 / one.candidate.tempo_bpm)),
        )
    )


def set_facts(question: Question, tunes: Sequence[ChosenTune]) -> SetFacts:
    """Return what the rules can measure of a set, for :mod:`graith.rules`."""
    return SetFacts(
        tunes=tuple(
            TuneFacts(
                title=one.candidate.title,
                tune_type=one.candidate.tune_type,
                n_parts=one.cut.n_parts,
                parts_played=tuple(range(1, one.cut.n_played + 1)),
                metre=one.candidate.metre,
            )
            for one in tunes
        ),
        roll_to_cut_off_s=playing_us(question, tunes, ClockStart.FIRST_ROLL) / 1e6,
        first_note_to_cut_off_s=playing_us(question, tunes, ClockStart.FIRST_NOTE) / 1e6,
    )


def obeys(condition: Condition, question: Question, tunes: Sequence[ChosenTune]) -> bool:
    """Return whether a set obeys one condition; a rule is held by :mod:`graith.rules` itself."""
    if not isinstance(condition, Rule):
        return obeys_lock(condition, [one.candidate for one in tunes])
    facts = set_facts(question, tunes)
    if isinstance(condition, DurationRule):
        return ruling_on_duration(condition, facts).verdict is Verdict.HOLDS
    ruling = ruling_on_tunes(condition, facts.tunes)
    return ruling is not None and ruling.verdict is Verdict.HOLDS


def _tune_reasons(question: Question, tunes: Sequence[ChosenTune]) -> list[Reason]:
    reasons = []
    for one in tunes:
        candidate, cut = one.candidate, one.cut
        title = f"“{candidate.title}”"
        unready = worth.readiness_loss(question, candidate, cut)
        if unready:
            seconds = worth.tune_us(question, candidate, cut) / 1e6
            says = f"{title}: readiness {candidate.readiness:.0%} for {seconds:.1f} s."
            reasons.append(Reason("readiness", -unready, says))
        hard = worth.difficulty_loss(question, candidate, cut)
        if hard:
            says = f"{title}: difficulty {candidate.difficulty:.1f}, above the band's {question.level:.1f}."
            reasons.append(Reason("difficulty", -hard, says))
        left_out = worth.cut_loss(question, candidate, cut)
        if left_out:
            says = f"{title}: {cut.n_parts} of its {candidate.n_parts} parts are played."
            reasons.append(Reason("cuts", -left_out, says))
    return reasons


def _variety_reason(question: Question, tunes: Sequence[ChosenTune]) -> Reason:
    types = list(dict.fromkeys(one.candidate.tune_type for one in tunes))
    gain = (len(types) - 1) * worth.variety_gain(question.weights)
    count = "One tune type" if len(types) == 1 else f"{len(types)} tune types"
    return Reason("variety", gain, f"{count}: {', '.join(types)}.")


def _link_reason(question: Question, one: ChosenTune, other: ChosenTune) -> Reason:
    weights = question.weights
    parts = (
        (worth.tempo_loss(weights, one.candidate, other.candidate), _tempo_words(one, other)),
        (worth.tonal_loss(weights, one.candidate, other.candidate), _tonal_words(one, other)),
        (worth.meeting_loss(weights, one.cut, other.cut), _meeting_words(one, other)),
        (worth.sameness_loss(weights, one.candidate, other.candidate), _type_words(one, other)),
    )
    words = "; ".join(f"{says} ({-loss / worth.BILLION:+.2f})" if loss else says for loss, says in parts)
    into = f"“{one.candidate.title}” into “{other.candidate.title}”"
    return Reason("link", -sum(loss for loss, _ in parts), f"{into}: {words}.")


def _tempo_words(one: ChosenTune, other: ChosenTune) -> str:
    before, after = one.candidate.tempo_bpm, other.candidate.tempo_bpm
    if before == after:
        return f"the beat stays at {before:g}"
    return f"the beat goes from {before:g} to {after:g}, {after / before:.2f} to 1"


def _tonal_words(one: ChosenTune, other: ChosenTune) -> str:
    before, after = one.candidate.tonal_centre, other.candidate.tonal_centre
    if before is None or after is None:
        return "a tonal centre is not known"
    if before == after:
        return f"both centre on {before.label}"
    return f"the tonal centre moves from {before.label} to {after.label}"


def _meeting_words(one: ChosenTune, other: ChosenTune) -> str:
    return f"{_named(one.cut.last_note)} meets {_named(other.cut.first_note)}"


def _named(note: ChanterNote | None) -> str:
    return "a note not known" if note is None else note.label


def _type_words(one: ChosenTune, other: ChosenTune) -> str:
    before, after = one.candidate.tune_type, other.candidate.tune_type
    return f"again a {after}" if before == after else f"{before} to {after}"


def _time_reasons(question: Question, tunes: Sequence[ChosenTune]) -> list[Reason]:
    aimed_us = worth.target_us(question)
    if aimed_us is None:
        return []
    clock = worth.first_clock(question)
    off_us = playing_us(question, tunes, clock) - aimed_us
    loss = worth.time_slope(question) * abs(off_us)
    played = minutes_and_seconds((aimed_us + off_us) / 1e6)
    side = "over" if off_us > 0 else "under"
    off = "just" if off_us == 0 else f"{abs(off_us) / 1e6:.1f} s {side}"
    says = f"It lasts {played} from the {clock}, {off} the {minutes_and_seconds(aimed_us / 1e6)} aimed at."
    return [Reason("time", -loss, says)]
