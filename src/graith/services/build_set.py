"""Ask the builder for sets from a band's books, and write its answers as sets."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from graith.builder.build import build_sets
from graith.builder.candidate import candidate_of
from graith.builder.model import Answer, BuiltSet, Candidate, Locks, Question, Step
from graith.errors import BuilderError, Severity
from graith.music.read_abc import Book
from graith.rules.look_up import event_rules
from graith.rules.rulebook import Rulebook
from graith.services.check_music import check_tune
from graith.sets.model import Set, SetTune
from graith.sets.plan_set import usual_tempo_bpm


@dataclass(frozen=True, slots=True)
class TuneChoice:
    """What a band's books offer the builder.

    Attributes
    ----------
    candidates : tuple of Candidate
        Keys are ``"book:number"``.
    left_out : tuple of str
        One sentence for each tune that cannot be used, with why.
    """

    candidates: tuple[Candidate, ...]
    left_out: tuple[str, ...]

    def key_of(self, name: str) -> str:
        """Return the key of the tune that a name means: its key, or its title with capitals ignored.

        Raises
        ------
        BuilderError
            If no tune or more than one has that name; the message names the nearest, or the keys.
        """
        wanted = name.strip().casefold()
        found = [one.key for one in self.candidates if wanted in (one.key.casefold(), one.title.casefold())]
        if len(found) == 1:
            return found[0]
        if found:
            raise BuilderError(f"{len(found)} tunes are called {name!r}. Name one by its book: {', '.join(found)}.")
        titles = [one.title for one in self.candidates]
        near = difflib.get_close_matches(name, [*titles, *(one.key for one in self.candidates)], 1, 0.4)
        hint = f" The nearest is {near[0]!r}." if near else ""
        raise BuilderError(f"There is no usable tune called {name!r} in these books.{hint}")


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the pipe major asks for, tunes by title or key.

    ``level`` is the difficulty the band can carry, 0 to 10; None leaves difficulty out.
    """

    n_tunes: tuple[int, int] = (1, 8)
    target_s: float | None = None
    open_with: str | None = None
    close_with: str | None = None
    must_have: tuple[str, ...] = ()
    banned: tuple[str, ...] = ()
    apart: tuple[tuple[str, str], ...] = ()
    readiness: Mapping[str, float] = field(default_factory=dict)
    level: float | None = None


def tune_choice(books: Mapping[str, Book], readiness: Mapping[str, float]) -> TuneChoice:
    """Return the tunes of books that a set can be built from.

    A tune is left out when it has an error (see :mod:`graith.services.check_music`) or no tune type.

    Parameters
    ----------
    books : mapping of str to Book
        By the name a set file would use.
    readiness : mapping of str to float
        Title or key to 0 (nobody has it) .. 1 (everybody has it); a tune not named counts as 1.

    Raises
    ------
    BuilderError
        If a readiness is outside 0 to 1, or names no usable tune.
    """
    candidates: list[Candidate] = []
    left_out: list[str] = []
    ready = {name.strip().casefold(): _share(name, value) for name, value in readiness.items()}
    for file, book in books.items():
        for tune in book.tunes:
            key = f"{file}:{tune.number}"
            check = check_tune(tune, [one for one in book.problems if one.place.tune == tune.title])
            if check.tune_type is None:
                left_out.append(f"{key} {tune.title}: its R: and M: name no tune type.")
                continue
            if check.n_errors:
                first = next(one for one in check.problems if one.severity is Severity.ERROR)
                left_out.append(f"{key} {tune.title}: {first}")
                continue
            share = ready.get(key.casefold(), ready.get(tune.title.casefold(), 1.0))
            candidates.append(
                candidate_of(
                    tune,
                    check.tune_type,
                    usual_tempo_bpm(tune, check.tune_type),
                    key=key,
                    readiness=share,
                    difficulty=check.difficulty.score if check.difficulty else 0.0,
                )
            )
    choice = TuneChoice(tuple(candidates), tuple(left_out))
    for name in readiness:
        choice.key_of(name)
    return choice


def _share(name: str, value: float) -> float:
    if not 0.0 <= value <= 1.0:
        raise BuilderError(f"{name!r} has a readiness of {value!r}; give a share from 0 to 1.")
    return float(value)


def ask_for_sets(
    choice: TuneChoice,
    rulebook: Rulebook,
    grade: str,
    event: str,
    wishes: Wishes,
    *,
    n_best: int = 10,
    should_stop: Callable[[], bool] | None = None,
    on_step: Callable[[Step], None] | None = None,
) -> Answer:
    """Return the best sets for one event of one grade, or what clashes.

    Raises
    ------
    BuilderError
        If a wish names a tune that is not there, or the question cannot be taken.
    RulesError
        If the rulebook has no such grade or event.
    """
    question = Question(
        candidates=choice.candidates,
        rules=event_rules(rulebook, grade, event),
        n_tunes=wishes.n_tunes,
        target_s=wishes.target_s,
        level=wishes.level,
        locks=Locks(
            opens_with=choice.key_of(wishes.open_with) if wishes.open_with else None,
            closes_with=choice.key_of(wishes.close_with) if wishes.close_with else None,
            contains=tuple(choice.key_of(name) for name in wishes.must_have),
            leaves_out=tuple(choice.key_of(name) for name in wishes.banned),
            not_with=tuple((choice.key_of(one), choice.key_of(other)) for one, other in wishes.apart),
        ),
    )
    return build_sets(question, n_best=n_best, should_stop=should_stop, on_step=on_step)


def set_from(built: BuiltSet, *, name: str, rulebook: str = "", grade: str = "", event: str = "") -> Set:
    """Return a built set as a set file would write it, its tunes by book and number."""
    tunes = []
    for chosen in built.tunes:
        file, _, number = chosen.candidate.key.rpartition(":")
        tunes.append(SetTune(file, int(number), parts=chosen.cut.parts))
    reasons = "\n".join(str(reason) for reason in built.reasons)
    return Set(name, tuple(tunes), rulebook=rulebook, grade=grade, event=event, notes=reasons)
