"""Laying a set on the clock, beside a plain loop of Fractions over the same notes, in the same run."""

from __future__ import annotations

import time
from fractions import Fraction
from pathlib import Path
from typing import Any

import graith.demo
from graith.files.read_files import load_planned_set
from graith.music.unfold import played_bars
from graith.sets.model import Link, Opening, PlannedSet
from graith.timeline import tune_table
from graith.timeline.make_timeline import timeline_of

SETS = Path(graith.demo.__path__[0]) / "sets"
WANTED_S = 360.0


def six_minute_set() -> PlannedSet:
    """Return the demo's longest set, cut to the fewest tunes that last six minutes."""
    _, planned = load_planned_set(SETS / "medley-too-long.toml")
    cut = planned
    for n_tunes in range(len(planned.tunes), 0, -1):
        shorter = PlannedSet("six minutes", planned.tunes[:n_tunes], (Link(),) * (n_tunes - 1), opening=Opening())
        if timeline_of(shorter).playing_s < WANTED_S:
            break
        cut = shorter
    return cut


def fraction_loop(planned: PlannedSet) -> list[tuple[Fraction, float]]:
    """Return each note's exact start and seconds by a plain loop: what a straightforward program would do."""
    found = []
    beat, time_s = Fraction(0), 0.0
    for one in planned.tunes:
        for played in played_bars(one.tune, parts=one.parts, repeats=one.repeats):
            for note in played.bar.notes:
                found.append((beat, time_s))
                length = note.length / one.beat_length
                beat += length
                time_s += float(length) * 60.0 / one.tempo_bpm
    return found


def median_ms(work: Any, times: int) -> float:
    """Return the median time of some work, in ms."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return sorted(taken)[times // 2] * 1000.0


def run(quick: bool = False) -> list[dict[str, Any]]:
    """Return one row for tunes seen before, one for tunes never seen."""
    planned = six_minute_set()
    times = 5 if quick else 60
    timeline = timeline_of(planned)

    def cold() -> None:
        tune_table._table.cache_clear()
        timeline_of(planned)

    peer_ms = median_ms(lambda: fraction_loop(planned), times)
    rows = []
    for what, work in (("tunes laid before", lambda: timeline_of(planned)), ("tunes never seen", cold)):
        ours_ms = median_ms(work, times)
        rows.append(
            {
                "what": f"timeline of a set of {timeline.playing_s / 60:.1f} min, {len(timeline.notes)} notes, {what}",
                "ours": f"{ours_ms:.2f} ms",
                "peer": f"a loop of Fractions, starts only: {peer_ms:.2f} ms",
                "ratio": peer_ms / ours_ms,
                "wanted": "under 2 ms",
                "met": ours_ms < 2.0,
            }
        )
    return rows
