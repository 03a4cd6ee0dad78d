"""Every key of a TOML text knows its line, whatever stands around it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from graith.errors import RulesError, SetError
from graith.rules.toml_text import TomlText, located_toml

EVERY_CONSTRUCT = '''# a comment with key = "value" and [a header]
title = "a # that is no comment"
dotted.inner."quoted key".last = 1
'literal key' = 'C:\\no\\escape'
long = """
first = "not a key"
[not.a.header]
three quotes inside: ""\\" and two at the end"""""
raw = \'\'\'
also = 'not a key\'\'\'\'\'
dates = [1979-05-27, 07:32:00, 1979-05-27 07:32:00]
nested = [
  [1, 2], # one
  ["]", '}', """],
"""],
  { x = 1, y.z = "," },
]

  [ table . "with spaces" ]  # said the header
  key = 0x_ff
[table]
late = true
[[array]]
a = 1
[[array]]
  [array.sub]
  b = {}
  [[array.deep]]
  c = inf
[[array]]
'''.replace("0x_ff", "0xff")


def _paths(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    if path:
        yield path
    children = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, child in children:
        yield from _paths(child, (*path, key))


def test_every_key_and_element_has_a_line() -> None:
    toml = located_toml(EVERY_CONSTRUCT, "all.toml", SetError)
    assert set(toml.lines) == set(_paths(toml.values))


@pytest.mark.parametrize(
    ("path", "words"),
    [
        (("title",), "title ="),
        (("dotted", "inner", "quoted key", "last"), "dotted."),
        (("literal key",), "'literal key'"),
        (("long",), "long ="),
        (("raw",), "raw ="),
        (("nested", 1, 2), '["]"'),
        (("nested", 2, "y", "z"), "{ x = 1"),
        (("table", "with spaces", "key"), "key ="),
        (("table", "late"), "late ="),
        (("array", 0, "a"), "a = 1"),
        (("array", 1, "sub", "b"), "b = {}"),
        (("array", 1, "deep", 0, "c"), "c = inf"),
    ],
)
def test_a_line_is_the_one_on_which_the_key_stands(path: tuple[str | int, ...], words: str) -> None:
    line = located_toml(EVERY_CONSTRUCT, "all.toml", SetError).lines[path]
    assert words in EVERY_CONSTRUCT.split("\n")[line - 1]


def test_windows_line_ends_do_not_move_the_lines() -> None:
    unix = located_toml(EVERY_CONSTRUCT, "all.toml", SetError)
    windows = located_toml(EVERY_CONSTRUCT.replace("\n", "\r\n"), "all.toml", SetError)
    assert windows.lines == unix.lines


_KEYS = st.text(min_size=1, max_size=5).filter(lambda text: text.isprintable())
_VALUES = st.recursive(
    st.integers(0, 9)
    | st.booleans()
    | st.sampled_from(["[x]", "a = 1", "#", '"', "'", "\n", '"""\n[a]\n'.strip("\n")]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_KEYS, inner, max_size=3),
    max_leaves=6,
)


def _toml_or_none(text: str) -> TomlText | None:
    """Return the text's values and lines, or None when the room's own error says that it is no TOML."""
    try:
        return located_toml(text, "fuzz.toml", SetError)
    except SetError:
        return None


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def _inline(value: Any, gap: str) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_json(key)} = {_inline(item, '')}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + gap + ", ".join(_inline(item, gap) for item in value) + "]"
    return _json(value)


@given(st.dictionaries(_KEYS, _VALUES, max_size=4), st.sampled_from(["", "\n", " # ]\n"]))
def test_whatever_is_written_every_path_is_found(values: dict[str, Any], gap: str) -> None:
    inline_gap = gap if not any("{" in _inline(value, "") for value in values.values()) else ""
    text = "\n".join(f"{_json(key)} = {_inline(value, inline_gap)}" for key, value in values.items())
    toml = located_toml(text, "generated.toml", SetError)
    assert toml.values == values
    assert set(toml.lines) == set(_paths(values))


@pytest.mark.parametrize(
    ("text", "place"),
    [("a = 1\nb = \n", r"bad\.toml:2:5"), ("a = [1,\n2", r"bad\.toml:2:2"), ("a = 1\na = 2", r"bad\.toml:2:6")],
)
def test_what_is_no_toml_is_told_with_line_and_column(text: str, place: str) -> None:
    with pytest.raises(RulesError, match=place + ": this is not TOML"):
        located_toml(text, "bad.toml", RulesError)


@pytest.mark.parametrize("text", ["a = " + "9" * 5000, "a = " + "[" * 20_000 + "]" * 20_000])
def test_a_number_too_long_and_a_list_too_deep_are_told_as_well(text: str) -> None:
    with pytest.raises(SetError, match="this is not TOML"):
        located_toml(text, "bad.toml", SetError)


@given(st.text(alphabet=st.sampled_from("ab[]{}=\"'\n\\.#, 1-:"), max_size=60))
def test_nothing_but_the_rooms_own_error_comes_out_of_nonsense(text: str) -> None:
    toml = _toml_or_none(text)
    assert toml is None or set(toml.lines) == set(_paths(toml.values))
