"""The builder's speed: the proven best and the ten best sets, beside CP-SAT's circuit model of the same problem.

Run as ``python -m bench.building``, or with ``--quick``. The books are invented and seeded. Both solvers run on one
thread, in the same process, one after the other, and must find the same best value. OR-tools CP-SAT finds the one best
set; ours finds ten. Of the peer's settings that were tried (1, 2 and 4 workers, linear relaxation of level 1 and 2)
the fastest is taken: one worker, level 2.
"""

from __future__ import annotations

import argparse
import math
import statistics
import time
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from graith.builder import worth
from graith.builder.build import build_sets
from graith.builder.model import Answer, Candidate, Cut, Question
from graith.music.model import ChanterNote
from graith.music.tune_types import TUNE_TYPES, TuneType
from graith.rules.rulebook import DurationRule, EventRules, VarietyRule

PLOT = Path(__file__).parent.parent / "docs" / "img" / "builder-growth.svg"
SHARES = (0.20, 0.08, 0.07, 0.12, 0.04, 0.12, 0.13, 0.12, 0.02, 0.06, 0.04)
"""How often each tune type comes in a book; invented."""


def made_question(n_tunes: int, seed: int) -> Question:
    """Return an invented book under a medley rule: 5 to 8 tunes, 3 to 5 minutes, at least three tune types."""
    rng = np.random.default_rng(seed)
    rules = EventRules(
        grade="made",
        event="medley",
        durations=(DurationRule(name="time", source="invented", min_s=180.0, max_s=300.0),),
        varieties=(VarietyRule(name="variety", source="invented", least_types=3),),
    )
    candidates = tuple(_made_candidate(rng, number) for number in range(n_tunes))
    return Question(candidates, rules, n_tunes=(5, 8), level=6.0)


def _made_candidate(rng: np.random.Generator, number: int) -> Candidate:
    tune_type: TuneType = TUNE_TYPES[int(rng.choice(len(TUNE_TYPES), p=np.array(SHARES) / sum(SHARES)))]
    spread_bpm = (tune_type.fast_bpm - tune_type.slow_bpm) / 6
    tempo_bpm = float(
        np.clip(round(rng.normal(tune_type.usual_bpm, spread_bpm)), tune_type.slow_bpm, tune_type.fast_bpm)
    )
    n_parts = int(rng.choice([2, 4, 6], p=[0.45, 0.45, 0.10]))
    first = ChanterNote(int(rng.integers(1, 9)))
    last = ChanterNote(int(rng.choice([1, 1, 1, 2, 3, 4, 5, 7, 8])))
    metre = tune_type.metres[0]
    beats_in_bar = Fraction(*metre) / tune_type.beat_length
    cuts = tuple(
        Cut(
            parts=None if played == n_parts else tuple(range(1, played + 1)),
            n_parts=played,
            n_played=played,
            beats=2 * tune_type.bars_per_part * beats_in_bar * played,
            closing_beats=2 * tune_type.bars_per_part * beats_in_bar * played,
            first_note=first,
            last_note=last,
        )
        for played in range(n_parts, 0, -2)
    )
    return Candidate(
        key=f"tune {number}",
        title=f"Tune {number}",
        tune_type=tune_type.name,
        tempo_bpm=tempo_bpm,
        cuts=cuts,
        n_parts=n_parts,
        metre=f"{metre[0]}/{metre[1]}",
        readiness=round(float(rng.beta(5, 2)), 2),
        difficulty=min(10.0, round(float(rng.gamma(8, 0.6)), 1)),
        tonal_centre=ChanterNote(int(rng.choice([1, 1, 2, 4, 4, 5, 0]))),
    )


def ours(question: Question) -> tuple[Answer, float]:
    """Return the ten best sets and the seconds taken."""
    start = time.perf_counter()
    answer = build_sets(question)
    return answer, time.perf_counter() - start


def cp_sat(question: Question, limit_s: float = 120.0) -> tuple[int | None, float, str]:
    """Return CP-SAT's best value in billionths of a point, the seconds taken, and its status.

    The textbook model: a circuit through a depot and the tunes that are played, the others looping on themselves; a cut
    for each tune played; the whole time, its distance from the target, and the types heard as further variables.
    """
    from ortools.sat.python import cp_model

    start = time.perf_counter()
    model = cp_model.CpModel()
    tunes = question.candidates
    clock = worth.first_clock(question)
    played = [model.new_bool_var("") for _ in tunes]
    arcs: list[tuple[int, int, Any]] = [(i + 1, i + 1, played[i].negated()) for i in range(len(tunes))]
    terms: list[Any] = [worth.START]
    times: list[Any] = []
    for i, one in enumerate(tunes):
        first, last = model.new_bool_var(""), model.new_bool_var("")
        arcs += [(0, i + 1, first), (i + 1, 0, last)]
        times.append(first * worth.start_us(question, one, one.cuts[0], clock))
        chosen = [model.new_bool_var("") for _ in one.cuts]
        model.add(sum(chosen) == played[i])
        for cut, is_cut in zip(one.cuts, chosen, strict=True):
            times.append(is_cut * worth.tune_us(question, one, cut))
            loss = (
                worth.readiness_loss(question, one, cut)
                + worth.difficulty_loss(question, one, cut)
                + worth.cut_loss(question, one, cut)
            )
            terms.append(-loss * is_cut)
    for i, row in enumerate(_link_losses(question)):
        for j, loss in enumerate(row):
            if i != j:
                arc = model.new_bool_var("")
                arcs.append((i + 1, j + 1, arc))
                terms.append(-loss * arc)
    model.add_circuit(arcs)
    model.add_linear_constraint(sum(played), *question.n_tunes)
    _add_time(model, question, times, terms)
    _add_types(model, question, played, terms)
    model.maximize(sum(terms))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.linearization_level = 2
    solver.parameters.max_time_in_seconds = limit_s
    status = solver.solve(model)
    seconds = time.perf_counter() - start
    value = round(solver.objective_value) if status in (cp_model.OPTIMAL, cp_model.FEASIBLE) else None
    return value, seconds, solver.status_name(status)


def _link_losses(question: Question) -> list[list[int]]:
    weights, tunes = question.weights, question.candidates
    tempo = np.array([one.tempo_bpm for one in tunes])
    centre = np.array([worth.note_index(one.tonal_centre) for one in tunes])
    last = np.array([worth.note_index(one.cuts[0].last_note) for one in tunes])
    first = np.array([worth.note_index(one.cuts[0].first_note) for one in tunes])
    types = np.array([one.tune_type for one in tunes])
    losses = (
        worth.billionths(weights.tempo, worth.tempo_roughness(tempo[:, None], tempo[None, :]))
        + worth.billionths(weights.tonal, worth.TONAL_ROUGHNESS[centre[:, None], centre[None, :]])
        + worth.billionths(weights.meeting, worth.MEETING_ROUGHNESS[last[:, None], first[None, :]])
        + worth.billionths(weights.sameness, (types[:, None] == types[None, :]).astype(np.float64))
    )
    return [[int(loss) for loss in row] for row in losses]


def _add_time(model: Any, question: Question, times: list[Any], terms: list[Any]) -> None:
    aimed_us = worth.target_us(question)
    low_us = max(round((rule.min_s or 0.0) * 1e6) for rule in question.rules.durations)
    high_us = min(round((rule.max_s or math.inf) * 1e6) for rule in question.rules.durations)
    whole = model.new_int_var(low_us, high_us, "time")
    model.add(whole == sum(times))
    assert aimed_us is not None
    off = model.new_int_var(0, high_us, "off")
    model.add(off >= whole - aimed_us)
    model.add(off >= aimed_us - whole)
    terms.append(-worth.time_slope(question) * off)


def _add_types(model: Any, question: Question, played: list[Any], terms: list[Any]) -> None:
    gain = worth.variety_gain(question.weights)
    heard = []
    for name in sorted({one.tune_type for one in question.candidates}):
        is_heard = model.new_bool_var(name)
        of_type = [played[i] for i, one in enumerate(question.candidates) if one.tune_type == name]
        model.add(is_heard <= sum(of_type))
        heard.append(is_heard)
    model.add(sum(heard) >= max(rule.least_types for rule in question.rules.varieties))
    terms += [gain * sum(heard), -gain]


def compared(n_tunes: int, seeds: Sequence[int]) -> dict[str, Any]:
    """Return ours beside CP-SAT on the same books; equal best values are asserted."""
    mine, peer, n_late = [], [], 0
    for seed in seeds:
        question = made_question(n_tunes, seed)
        answer, seconds = ours(question)
        value, peer_seconds, status = cp_sat(question)
        assert answer.best is not None
        best = answer.best.billionths
        if status == "OPTIMAL":
            assert value == best, f"{n_tunes} tunes, seed {seed}: CP-SAT {value}, ours {best}"
        else:
            n_late += 1
            assert value is None or value <= best
        mine.append(seconds)
        peer.append(peer_seconds)
    late = f", {n_late} not proven in time" if n_late else ", equal optima"
    ratio = statistics.median(one / other for one, other in zip(peer, mine, strict=True))
    return {
        "what": f"builder, {n_tunes} tunes, {len(seeds)} books, the best set",
        "ours": f"{statistics.median(mine):.2f} s (ten best, proven)",
        "peer": f"OR-tools CP-SAT, circuit model: {statistics.median(peer):.2f} s (one best{late})",
        "ratio": ratio,
        "wanted": "faster than CP-SAT",
        "met": ratio > 1.0,
    }


def taken_s(n_tunes: int, seeds: Sequence[int]) -> list[float]:
    """Return our own times; that each answer is proven is asserted."""
    times = []
    for seed in seeds:
        answer, seconds = ours(made_question(n_tunes, seed))
        assert answer.is_proven, f"{n_tunes} tunes, seed {seed}: not proven"
        assert len(answer.sets) == 10
        times.append(seconds)
    return times


def run(quick: bool = False) -> list[dict[str, Any]]:
    """Return the bench's rows; the plot of time against book size is drawn in the full run only."""
    ours(made_question(20, 0))
    main = taken_s(200, range(3 if quick else 20))
    rows = [
        {
            "what": f"builder, 200 tunes, 5 to 8 slots, {len(main)} books, ten best proven",
            "ours": f"median {statistics.median(main):.2f} s, worst {max(main):.2f} s",
            "peer": "",
            "ratio": None,
            "wanted": "median under 1 s, never over 5 s",
            "met": statistics.median(main) < 1.0 and max(main) < 5.0,
        }
    ]
    if quick:
        return [*rows, compared(40, range(2))]
    growth = {n_tunes: taken_s(n_tunes, range(5)) for n_tunes in (25, 50, 100, 400, 700, 1000)}
    draw_growth(dict(sorted({**growth, 200: main}.items())))
    thousand = growth[1000]
    rows.append(
        {
            "what": f"builder, 1,000 tunes, {len(thousand)} books, ten best proven",
            "ours": f"median {statistics.median(thousand):.2f} s, worst {max(thousand):.2f} s",
            "peer": "",
            "ratio": None,
            "wanted": "",
            "met": None,
        }
    )
    return [*rows, compared(100, range(3)), compared(200, range(3))]


def draw_growth(times_s: dict[int, list[float]], path: Path = PLOT) -> None:
    """Write the plot of time against book size."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "graith"
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(figsize=(6.4, 4.0), layout="constrained")
    sizes = list(times_s)
    axes.plot(sizes, [statistics.median(taken) for taken in times_s.values()], "o-", label="median")
    axes.plot(sizes, [max(taken) for taken in times_s.values()], "v:", label="slowest book")
    axes.set(xlabel="tunes in the book", ylabel="seconds to ten proven sets", ylim=(0, None), xlim=(0, None))
    axes.grid(alpha=0.3)
    axes.legend(frameon=False)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, metadata={"Date": None})
    plt.close(figure)


def main() -> None:
    """Print the rows."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    for row in run(parser.parse_args().quick):
        beside = f"; {row['peer']}; {row['ratio']:.0f} times ours" if row["ratio"] is not None else ""
        print(f"{row['what']}: {row['ours']}{beside}")


if __name__ == "__main__":
    main()
