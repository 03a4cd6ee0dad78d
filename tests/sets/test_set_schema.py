"""The published schema is the one the code gives, and agrees with the reader."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest

from graith.errors import SetError
from graith.sets.read_set import read_set
from graith.sets.set_schema import set_schema

DOCS = Path(__file__).parents[2] / "docs"
VALIDATOR = jsonschema.Draft202012Validator(set_schema())

HEAD = 'name = "One"\n[[tunes]]\nfile = "a.abc"\nindex = 1\n'


def _examples() -> list[str]:
    blocks = (DOCS / "sets.md").read_text("utf-8").split("```toml\n")[1:]
    return [block.split("```")[0] for block in blocks]


def test_the_published_schema_is_current() -> None:
    assert json.loads((DOCS / "schema" / "set.schema.json").read_text("utf-8")) == set_schema()


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(set_schema())


def test_the_page_has_examples_and_schema_and_reader_take_them() -> None:
    examples = _examples()
    assert examples
    for example in examples:
        VALIDATOR.validate(tomllib.loads(example))
        assert read_set(example, "docs/sets.md").tunes


@pytest.mark.parametrize("key", ["name", "tunes", "links", "opening", "ending", "file", "index", "parts", "repeats",
                                 "tempo_bpm", "tempo_ramp_bpm", "after", "hold_beats", "ease_beats", "ease_to_bpm",
                                 "roll_beats", "drones_in_beat", "strike_in_beat", "strike_in_note", "slow_beats",
                                 "slow_to_bpm", "rulebook", "grade", "event", "notes"])  # fmt: skip
def test_the_page_explains_every_key(key: str) -> None:
    assert f"`{key}`" in (DOCS / "sets.md").read_text("utf-8")


@pytest.mark.parametrize(
    "text",
    [
        'name = "One"',
        'name = "One"\ntunes = []',
        HEAD.replace('"One"', '" "'),
        HEAD.replace("index = 1\n", ""),
        HEAD.replace("index = 1", 'index = "1"'),
        HEAD.replace("index = 1", "index = -1"),
        HEAD + "parts = []",
        HEAD + "parts = [0]",
        HEAD + "repeats = 1",
        HEAD + "tempo_bpm = 10",
        HEAD + "tempo_bpm = true",
        HEAD + "tempo_ramp_bpm = [80]",
        HEAD + "tempo_bpm = 80\ntempo_ramp_bpm = [80, 82]",
        HEAD + "colour = 3",
        HEAD + "[opening]\nroll_beats = 100",
        HEAD + "[opening]\nroll_beats = 0\ndrones_in_beat = 1",
        HEAD + '[opening]\nstrike_in_note = "H"',
        HEAD + "[ending]\nslow_beats = 2",
        HEAD + '[ending]\nhold_beats = "1/0"',
        HEAD + "[ending]\nhold_beats = -1",
        HEAD + '[[tunes]]\nfile = "a.abc"\nindex = 2\n[[links]]\nhold_beats = 1',
        HEAD + '[[tunes]]\nfile = "a.abc"\nindex = 2\n[[links]]\nafter = 1\nease_to_bpm = 80',
    ],
)
def test_what_the_reader_refuses_the_schema_refuses(text: str) -> None:
    with pytest.raises(SetError):
        read_set(text, "wrong.toml")
    assert not VALIDATOR.is_valid(tomllib.loads(text))
