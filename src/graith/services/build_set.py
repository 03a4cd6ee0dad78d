"""Ask the builder for sets from a band's books, and write its answers as sets."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from graith.builder.build import build_sets
from graith.builder.candidate import candidate_of
from graith.builder.model import Answer, BuiltSet, Candidate, Locks, Question, Step
from graith.errors import BuilderError, GraithError
from graith.music.read_abc import Book
from graith.rules.look_up import event_rules
from graith.rules.rulebook import Rulebook
from graith.services.check_music import TuneCheck, tune_checks
from graith.services.lay_music import planned_tune_alone
from graith.sets.model import Set, SetTune


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A tune that no set is built from, and why."""

    key: str
    title: str
    why: str

    def __str__(self) -> str:
        return f"{self.title} ({self.key}): {self.why}"


@dataclass(frozen=True, slots=True)
class TuneChoice:
    """What a band's books offer the builder.

    Attributes
    ----------
    candidates : tuple of Candidate
        Keys are ``"book:number"``.
    left_out : tuple of LeftOut
        Each tune that cannot be used, with why.
    """

    candidates: tuple[Candidate, ...]
    left_out: tuple[LeftOut, ...]

    def key_of(self, name: str) -> str:
        """Return the key of the tune that a name means: its title with capitals ignored, its key, or a key's end.

        ``reels.abc:2`` is the tune 2 of ``mytunes/reels.abc`` when no other book is called so.

        Raises
        ------
        BuilderError
            If no tune or more than one has that name; the message says why, names the nearest, or lists the keys.
        """
        found = [one.key for one in self.candidates if _is_called(one.key, one.title, name)]
        if len(found) == 1:
            return found[0]
        if found:
            raise BuilderError(f"{len(found)} tunes are called {name!r}. Name one by its book: {', '.join(found)}.")
        for one in self.left_out:
            if _is_called(one.key, one.title, name):
                raise BuilderError(f"{name!r} was left out: {one.why}")
        titles = [one.title for one in self.candidates]
        near = difflib.get_close_matches(name, [*titles, *(one.key for one in self.candidates)], 1, 0.4)
        hint = f" The nearest is {near[0]!r}." if near else ""
        raise BuilderError(f"There is no usable tune called {name!r} in these books.{hint}")


def _is_called(key: str, title: str, name: str) -> bool:
    wanted = name.strip().casefold()
    return wanted in (key.casefold(), title.casefold()) or (bool(wanted) and key.casefold().endswith(f"/{wanted}"))


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
    candidates: dict[str, Candidate] = {}
    left_out: list[LeftOut] = []
    ready = {name.strip().casefold(): _share(name, value) for name, value in readiness.items()}
    for file, book in books.items():
        for check in tune_checks(book.tunes, (book,)):
            key = f"{file}:{check.tune.number}"
            try:
                if key in candidates:
                    raise BuilderError(f"X:{check.tune.number} is another tune's number too. Give it one of its own.")
                candidates[key] = _candidate(check, key, _readiness(key, check.tune.title, ready))
            except GraithError as error:
                left_out.append(LeftOut(key, check.tune.title, str(error)))
    choice = TuneChoice(tuple(candidates.values()), tuple(left_out))
    for name in readiness:
        if not any(_is_called(one.key, one.title, name) for one in left_out):
            choice.key_of(name)
    return choice


def _candidate(check: TuneCheck, key: str, readiness: float) -> Candidate:
    tune = check.tune
    if check.tune_type is None:
        raise BuilderError("its R: and M: name no tune type.")
    if check.errors:
        more = check.n_errors - 1
        raise BuilderError(f"{check.errors[0]}" + (f" (and {more} more)" if more else ""))
    tempo_bpm = planned_tune_alone(tune).tunes[0].tempo_bpm
    difficulty = check.difficulty()
    score = difficulty.score if difficulty else 0.0
    return candidate_of(tune, check.tune_type, tempo_bpm, key=key, readiness=readiness, difficulty=score)


def _readiness(key: str, title: str, ready: Mapping[str, float]) -> float:
    """Return a tune's readiness by its key, an end of its key, or its title; 1 when none is given."""
    ends = [key.casefold()]
    while "/" in ends[-1]:
        ends.append(ends[-1].partition("/")[2])
    return next((ready[name] for name in (*ends, title.casefold()) if name in ready), 1.0)


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
        If no tune can be used, a wish names one that is not there, or the question cannot be taken.
    RulesError
        If the rulebook has no such grade or event.
    """
    if not choice.candidates:
        raise BuilderError("No tune of these books can be used. Put right what left them out, or name other books.")
    question = Question(
        candidates=choice.candidates,
        rules=event_rules(rulebook, grade, event),
        n_tunes=wishes.n_tunes,
        target_s=wishes.target_s,
        level=wishes.level,
        locks=Locks(
            opens_with=None if wishes.open_with is None else choice.key_of(wishes.open_with),
            closes_with=None if wishes.close_with is None else choice.key_of(wishes.close_with),
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
