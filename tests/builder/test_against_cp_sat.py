"""The builder against a general-purpose solver, OR-tools CP-SAT (a development dependency), on thirty tunes."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

from graith.builder.build import build_sets
from graith.builder.model import Weights

BENCH = Path(__file__).parents[2] / "bench" / "building.py"


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    """Return the bench, which holds the other solver's model."""
    spec = importlib.util.spec_from_file_location("bench_building", BENCH)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "weights", [Weights(), Weights(variety=9.0, time_per_10_s=5.0), Weights(tempo=12.0, tonal=8.0)]
)
def test_the_best_set_is_worth_what_the_other_solver_proves(bench: ModuleType, seed: int, weights: Weights) -> None:
    question = replace(bench.made_question(30, seed), weights=weights)
    answer = build_sets(question)
    value, _, status = bench.cp_sat(question)
    assert status == "OPTIMAL"
    assert answer.is_proven
    assert answer.best is not None
    assert answer.best.billionths == value
