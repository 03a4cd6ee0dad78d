"""The tune and the set that docs/first-evening.md shows are right as they stand."""

import re
from pathlib import Path

from graith.files.read_files import load_rulebook
from graith.music.read_abc import read_book
from graith.rules.model import RosterFacts, Verdict
from graith.services.check_music import check_book
from graith.services.time_set import report_set
from graith.sets.plan_set import plan_set
from graith.sets.read_set import read_set

PAGE = (Path(__file__).parents[2] / "docs" / "first-evening.md").read_text()


def shown(language: str) -> str:
    found = re.search(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None
    return found[1]


def test_the_tune_shown_has_nothing_wrong_in_it() -> None:
    check = check_book(read_book(shown("abc"), "marches.abc"), "marches.abc")
    assert [str(problem) for one in check.tunes for problem in one.problems] == []
    assert check.tunes[0].tune.parts[0].n_bars == 8


def test_the_set_shown_is_too_short_and_of_one_type_as_the_page_says() -> None:
    wanted = read_set(shown("toml"), "tuesday.toml")
    planned = plan_set(wanted, {"mytunes/marches.abc": read_book(shown("abc"), "marches.abc")}, "tuesday.toml")
    report = report_set(wanted, planned, load_rulebook("common-practice"), roster=RosterFacts(7, 3, 1, 1))
    failed = [one.asks for one in report.rulings if one.verdict is Verdict.FAILS]
    assert len(failed) == 2
