"""Time a set and hold it against the rulebook: the exact clock, and one ruling for each rule."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from graith.errors import Problem, RulesError, Severity
from graith.music.read_abc import Book
from graith.rules.hold import is_legal, rulings_on_roster, rulings_on_set
from graith.rules.model import RosterFacts, Ruling, SetFacts, Verdict
from graith.rules.rulebook import Rulebook
from graith.services.check_music import tune_checks
from graith.sets.model import PlannedSet, Set
from graith.sets.set_facts import set_facts
from graith.timeline.graces import GraceModel
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline


@dataclass(frozen=True, slots=True, eq=False)
class SetTiming:
    """A set, its timeline, and what was measured of it."""

    planned: PlannedSet
    timeline: Timeline
    facts: SetFacts


@dataclass(frozen=True, slots=True, eq=False)
class SetReport:
    """A set's timing, the problems of its tunes, and the rulings on it.

    ``verdict`` is what the rulings come to; ``problems`` are those of the tunes played; ``roster`` is who plays, as far
    as it is known.
    """

    timing: SetTiming
    rulebook: str
    grade: str
    event: str
    rulings: tuple[Ruling, ...]
    problems: tuple[Problem, ...]
    verdict: Verdict
    roster: RosterFacts

    @property
    def is_fine(self) -> bool:
        """Whether no rule fails and the music has no error; what cannot be told does not spoil it."""
        wrong = any(problem.severity is Severity.ERROR for problem in self.problems)
        return self.verdict is not Verdict.FAILS and not wrong


def time_set(planned: PlannedSet, *, spread_s: float | None = None, graces: GraceModel | None = None) -> SetTiming:
    """Return a set's timing.

    Parameters
    ----------
    planned : PlannedSet
    spread_s : float, optional
        Standard deviation of the band's own playing time of this set, from its recordings.
    graces : GraceModel, optional

    Raises
    ------
    TimelineError
        If the set cannot be laid on a clock.
    """
    timeline = timeline_of(planned, graces=graces)
    facts = set_facts(
        planned,
        roll_to_cut_off_s=timeline.playing_s,
        first_note_to_cut_off_s=timeline.music_s,
        spread_s=spread_s,
    )
    return SetTiming(planned, timeline, facts)


def report_set(
    wanted: Set,
    planned: PlannedSet,
    rulebook: Rulebook,
    *,
    grade: str | None = None,
    event: str | None = None,
    roster: RosterFacts | None = None,
    spread_s: float | None = None,
    books: Iterable[Book] = (),
) -> SetReport:
    """Return the report on a set: its clock, its tunes' problems, and every ruling.

    Parameters
    ----------
    grade, event : str, optional
        Override those that the set file names.
    roster : RosterFacts, optional
        Who plays; without it the rules about players answer ``cannot tell``.
    spread_s : float, optional
        As :func:`time_set`.
    books : iterable of Book
        The books that the tunes are from: what their reader had to say is among the problems.

    Raises
    ------
    RulesError
        If neither the set nor the arguments name a grade and an event, or the book has none of that name.
    TimelineError
        If the set cannot be laid on a clock.
    """
    chosen_grade, chosen_event = grade or wanted.grade, event or wanted.event
    if not chosen_grade or not chosen_event:
        raise RulesError(
            f"The set {wanted.name!r} names no {'grade' if not chosen_grade else 'event'}. Write grade and event in "
            f"the set file, or give --grade and --event. {_grades_and_events(rulebook)}"
        )
    timing = time_set(planned, spread_s=spread_s)
    known_roster = roster or RosterFacts()
    rulings = (
        *rulings_on_set(rulebook, chosen_grade, chosen_event, timing.facts),
        *rulings_on_roster(rulebook, chosen_grade, chosen_event, known_roster),
    )
    checks = tune_checks((one.tune for one in planned.tunes), books)
    problems = tuple(problem for check in checks for problem in check.problems)
    return SetReport(
        timing=timing,
        rulebook=rulebook.name,
        grade=chosen_grade,
        event=chosen_event,
        rulings=rulings,
        problems=problems,
        verdict=is_legal(rulings),
        roster=known_roster,
    )


def _grades_and_events(rulebook: Rulebook) -> str:
    listed = "; ".join(f"{one.name}: {', '.join(event.name for event in one.events)}" for one in rulebook.grades)
    return f"{rulebook.name} has {listed}."
