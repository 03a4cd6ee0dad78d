"""Listen to the cases, score what is heard, and write the table to docs/listening-accuracy.md.

``python -m bench.listen [--cases NAMES] [--limit N] [--write]``

Names, with commas, are of groups (clean, solo, six, hard, edits, edges, loose, figures, sets, moderate, all) or of
cases. Recordings and results are kept in the folder that ``GRAITH_BENCH_DIR`` names; results are made anew each time,
recordings only when their case has changed.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

from bench.listen.cases import Case, cases_of
from bench.listen.hear import heard_in
from bench.listen.played import planned_of
from bench.listen.render import bench_folder, render
from bench.listen.score import Score, score
from bench.listen.table import case_table, measures_table, write_page


def scored(case: Case) -> tuple[Score, float, float]:
    """Return one case's score, the seconds its recording lasts and the processor seconds it took."""
    path, truth = render(case)
    start_s = time.process_time()
    result = heard_in(path, planned_of(case))
    took_s = time.process_time() - start_s
    kept = bench_folder() / "results" / f"{case.name}.json"
    kept.parent.mkdir(parents=True, exist_ok=True)
    kept.write_text(json.dumps(result))
    return score(case.name, result, truth), truth.length_s, took_s


def main(arguments: list[str]) -> None:
    """Score the cases that the arguments name."""
    parser = argparse.ArgumentParser(prog="python -m bench.listen", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--cases", default="moderate", help="groups or names, with commas; default moderate")
    parser.add_argument("--limit", type=int, help="at most so many of each")
    parser.add_argument("--write", action="store_true", help="write docs/listening-accuracy.md (always with all)")
    chosen = parser.parse_args(arguments)
    cases = [case for name in chosen.cases.split(",") for case in cases_of(name)[: chosen.limit]]
    scores: dict[str, list[Score]] = {}
    sound_s = took_s = 0.0
    heard_in(render(cases[0])[0], planned_of(cases[0]))  # the first call compiles, and is not timed
    for case in cases:
        one, long_s, case_s = scored(case)
        scores.setdefault(case.group, []).append(one)
        sound_s, took_s = sound_s + long_s, took_s + case_s
        told = "trusted" if one.trusted else one.reason
        print(f"… {case.name}: {told} ({case_s:.2f} s)", file=sys.stderr, flush=True)
    measured = measures_table(scores)
    each = case_table(scores)
    speed = f"{sound_s / 60:.0f} minutes of recordings, decoding included: {sound_s / took_s:,.0f} times real time "
    speed += "(processor seconds)."
    print(f"{measured}\n\n{each}\n\n{speed}")
    if chosen.write or (chosen.cases == "all" and not chosen.limit):
        write_page(Path(__file__).parents[2] / "docs" / "listening-accuracy.md", measured, each, speed, scores)


if __name__ == "__main__":
    main(sys.argv[1:])
