"""The published rulebook schema is the one the code gives, and agrees with the reader."""

from __future__ import annotations

import json
import tomllib
from importlib import resources
from pathlib import Path

import jsonschema
import pytest

from graith.errors import RulesError
from graith.rules.read_rule import KEYS_BY_KIND
from graith.rules.read_rulebook import read_rulebook
from graith.rules.rulebook_page import rulebook_page
from graith.rules.rulebook_schema import rulebook_schema

DOCS = Path(__file__).parents[2] / "docs"
VALIDATOR = jsonschema.Draft202012Validator(rulebook_schema())
SHIPPED = {
    one.name.removesuffix(".toml"): one.read_text("utf-8")
    for one in (resources.files("graith.rules") / "books").iterdir()
    if one.name.endswith(".toml")
}


def _examples() -> list[str]:
    blocks = (DOCS / "rules.md").read_text("utf-8").split("```toml\n")[1:]
    return [block.split("```")[0] for block in blocks]


def test_the_published_schema_is_current() -> None:
    assert json.loads((DOCS / "schema" / "rulebook.schema.json").read_text("utf-8")) == rulebook_schema()


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(rulebook_schema())


@pytest.mark.parametrize("name", sorted(SHIPPED))
def test_the_shipped_books_fit_the_schema(name: str) -> None:
    VALIDATOR.validate(tomllib.loads(SHIPPED[name]))


def test_the_page_has_examples_and_schema_and_reader_take_them() -> None:
    examples = _examples()
    assert examples
    for example in examples:
        VALIDATOR.validate(tomllib.loads(example))
        assert read_rulebook(example, "docs/rules.md", SHIPPED).grades


def test_the_page_explains_every_kind_and_key() -> None:
    page = (DOCS / "rules.md").read_text("utf-8")
    for kind, keys in KEYS_BY_KIND.items():
        assert f"`{kind}`" in page
        assert all(f"`{key}`" in page for key in keys)


def test_the_page_lists_the_shipped_books_as_they_are() -> None:
    page = (DOCS / "rules.md").read_text("utf-8")
    for name, text in sorted(SHIPPED.items()):
        assert rulebook_page(read_rulebook(text, name, SHIPPED), depth=3) in page


RULE = 'name = "One"\n[grades.g.rules.r]\n'


@pytest.mark.parametrize(
    "text",
    [
        "[grades.g]",
        'name = " "\n[grades.g]',
        'name = "One"\n[grade.g]',
        'name = "One"\ngrades = 3',
        'name = "One"\n[grades.g]\nremove = true\ntext = "but why"',
        'name = "One"\n[grades.g]\nrules = []',
        RULE + 'kind = "variety"\nmin = 2',
        RULE + 'kind = "variety"\nsource = "s"',
        RULE + 'kind = "variety"\nsource = "s"\nmin = 0',
        RULE + 'kind = "variety"\nsource = "s"\nmin = 2\nmax = 3',
        RULE + 'kind = "sort"\nsource = "s"',
        RULE + 'source = "s"\nmin = 2',
        RULE + 'kind = "tunes"\nsource = "s"',
        RULE + 'kind = "duration"\nsource = "s"\nmax_s = 300',
        RULE + 'kind = "duration"\nsource = "s"\nclock_from = "first roll"',
        RULE + 'kind = "duration"\nsource = "s"\nmax_s = 99999\nclock_from = "first roll"',
        RULE + 'kind = "shape"\nsource = "s"\npatterns = [["polka"]]',
        RULE + 'kind = "metre"\nsource = "s"\ntune_type = "jig"\nallowed = ["0/8"]',
        RULE + 'kind = "players"\nsource = "s"\nmin = 1',
        RULE + 'kind = "players"\nsource = "s"\ninstrument = "flutes"\nmin = 1',
        RULE + 'kind = "judges"\nsource = "s"\npanel = {}',
        RULE + 'kind = "note"\nsource = "s"\ntext = ""',
        RULE + "remove = true\nmin = 1",
    ],
)
def test_what_the_reader_refuses_the_schema_refuses(text: str) -> None:
    with pytest.raises(RulesError):
        read_rulebook(text, "wrong.toml")
    assert not VALIDATOR.is_valid(tomllib.loads(text))
