"""Compiled loops run where no cache can be kept, and are kept where it can."""

from __future__ import annotations

from typing import Any

import numba
import pytest

from graith.listen._compiled import njit
from graith.listen._loops import least_squares_shares


def without_a_file() -> Any:
    """A function that has no file, beside which its cache would lie."""
    names: dict[str, Any] = {}
    exec("def doubled(number):\n    return 2 * number", names)
    return names["doubled"]


def test_numba_alone_refuses_a_loop_that_it_cannot_keep() -> None:
    with pytest.raises(RuntimeError, match="no locator available"):
        numba.njit(cache=True)(without_a_file())


def test_a_loop_that_cannot_be_kept_runs_all_the_same() -> None:
    assert njit(cache=True)(without_a_file())(21) == 42


def test_the_loops_of_listening_are_kept() -> None:
    assert least_squares_shares.stats.cache_path is not None
