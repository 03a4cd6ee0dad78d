"""Which of the demo's tunes a recording is of: the right one, or none."""

from __future__ import annotations

import pytest

from graith.files.read_files import load_book
from graith.listen.overview import Overview, overview_of
from graith.listen.which import which_heard
from graith.services.lay_music import planned_tune_alone
from graith.sound.model import Band
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline
from played_recordings import DEMO_TUNES, Played, noise, plan_of, played, talk


@pytest.fixture(scope="module")
def book() -> dict[str, Timeline]:
    """All thirty tunes of the demo, by book and number."""
    return {
        f"{path.stem} {tune.number}": timeline_of(planned_tune_alone(tune))
        for path in sorted(DEMO_TUNES.glob("*.abc"))
        for tune in load_book(path).tunes
    }


@pytest.fixture(scope="module")
def march_seen(six: Played) -> Overview:
    return overview_of([six.sound])


def test_the_march_is_named_among_thirty_tunes(march_seen: Overview, book: dict[str, Timeline]) -> None:
    ranking = which_heard(march_seen, book)
    assert len(book) == 30
    assert ranking.best is not None
    assert ranking.best.name == "marches 1"
    assert ranking.is_clear
    assert ranking.candidates[0] is ranking.best


@pytest.mark.parametrize(
    ("name", "number"), [("jigs", 2), ("strathspeys", 3), ("reels", 4), ("airs", 1), ("marches", 8)]
)
def test_each_type_of_tune_is_named(book: dict[str, Timeline], name: str, number: int) -> None:
    one = played(plan_of(name, number), Band(room=None))
    ranking = which_heard(overview_of([one.sound]), book)
    assert ranking.best is not None
    assert ranking.best.name == f"{name} {number}"


def test_all_are_ranked_best_first(march_seen: Overview, book: dict[str, Timeline]) -> None:
    fits = [one.fit for one in which_heard(march_seen, book).candidates]
    assert len(fits) == 30
    assert fits == sorted(fits, reverse=True)
    assert min(fits) >= 0.0


def test_a_tune_that_is_not_in_the_book_is_none_of_it(march_seen: Overview, book: dict[str, Timeline]) -> None:
    others = {name: line for name, line in book.items() if name != "marches 1"}
    ranking = which_heard(march_seen, others)
    assert ranking.best is None
    assert not ranking.is_clear


@pytest.mark.parametrize("sound", [noise(40.0), talk(40.0), noise(0.0)], ids=["noise", "talk", "nothing"])
def test_noise_talk_and_nothing_are_none_of_them(book: dict[str, Timeline], sound: object) -> None:
    ranking = which_heard(overview_of([sound]), book)
    assert ranking.best is None


def test_an_empty_book_has_none() -> None:
    ranking = which_heard(overview_of([noise(20.0)]), {})
    assert ranking.candidates == ()
    assert ranking.best is None


def test_progress_rises_to_one(march_seen: Overview, book: dict[str, Timeline]) -> None:
    shares: list[float] = []
    few = dict(list(book.items())[:5])
    which_heard(march_seen, few, progress=shares.append)
    assert shares == pytest.approx([0.2, 0.4, 0.6, 0.8, 1.0])
