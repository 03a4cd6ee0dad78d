"""What the benchmark of listening says: rows for the table of all, two tables and a picture for docs/benchmarks.md."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[1]
PICTURE = ROOT / "docs" / "img" / "listening-speed.svg"
PAGE = ROOT / "docs" / "benchmarks.md"
BEGIN, END = "<!-- listening -->", "<!-- /listening -->"
WANTED_TIMES, WANTED_MB = 250.0, 300.0


def lengths_row(found: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the row of time and memory against length."""
    slowest = max(one["seconds"] / one["minutes"] for one in found if one["minutes"] > 2)
    longest = found[-1]
    minutes = ", ".join(f"{one['minutes']:.0f}" for one in found)
    memory = ", ".join(f"{one['mb']:.0f}" for one in found)
    times = ", ".join(f"{60 * one['minutes'] / one['seconds']:.0f}" for one in found)
    return {
        "what": f"listening to {minutes} min, the set found in each",
        "ours": f"{memory} MB; {times} times real time",
        "wanted": f"under {WANTED_MB:.0f} MB; time linear in length",
        "met": all(one["heard"] for one in found)
        and max(one["mb"] for one in found) < WANTED_MB
        and longest["seconds"] / longest["minutes"] <= 1.1 * slowest,
    }


def rows_of(found: list[dict[str, Any]], lengths: list[dict[str, Any]], compile_s: float) -> list[dict[str, Any]]:
    """Return the rows for the table of all benchmarks."""
    rows = []
    for who in dict.fromkeys(one["who"] for one in found):
        by_name = {one["program"]: one for one in found if one["who"] == who}
        own = by_name["Graith"]
        times = own["length_s"] / own["seconds"]
        peers = {name: one for name, one in by_name.items() if name != "Graith" and "median_ms" in one}
        if not peers:
            continue
        fastest = min(one["seconds"] for one in peers.values())
        best = min(one["median_ms"] for one in peers.values())
        told = [
            f"{name}: {one['length_s'] / one['seconds']:.0f} times, {one['median_ms']:.1f} ms"
            for name, one in peers.items()
        ]
        rows.append(
            {
                "what": f"listening to {own['length_s'] / 60:.1f} min, {who}, decoding and every measure included",
                "ours": f"{times:.0f} times real time, median onset error {own['median_ms']:.1f} ms",
                "peer": "; ".join(told),
                "ratio": fastest / own["seconds"],
                "wanted": f"at least {WANTED_TIMES:.0f} times real time, the most accurate and the fastest",
                "met": times >= WANTED_TIMES and own["median_ms"] < best and own["seconds"] < fastest,
            }
        )
    rows.append({"what": "the first listening on a new machine, compiling", "ours": f"{compile_s:.0f} s once"})
    return [*rows, lengths_row(lengths)]


def table(found: list[dict[str, Any]]) -> str:
    """Return the side-by-side table as Markdown."""

    def cell(one: dict[str, Any], *names: str) -> str:
        if names[0] not in one:
            return ""
        return " / ".join("not found" if not np.isfinite(one[name]) else f"{one[name]:.1f}" for name in names)

    lines = [
        "| recording | program | onsets, ms: median / 95 % | its own bias taken out | pitch, cents: median / worst "
        "| seconds a minute | times real time |",
        "|---|---|---:|---:|---:|---:|---:|",
    ]
    for one in found:
        lines.append(
            f"| {one['who']} | {one['program']} | {cell(one, 'median_ms', 'p95_ms')} "
            f"| {cell(one, 'steady_median_ms', 'steady_p95_ms')} | {cell(one, 'median_cents', 'worst_cents')} "
            f"| {60 * one['seconds'] / one['length_s']:.2f} | {one['length_s'] / one['seconds']:,.0f} |"
        )
    return "\n".join(lines)


def lengths_table(lengths: list[dict[str, Any]]) -> str:
    """Return the table of lengths as Markdown."""
    lines = ["| minutes | seconds | times real time | MB |", "|---:|---:|---:|---:|"]
    for one in lengths:
        times = 60.0 * one["minutes"] / one["seconds"]
        lines.append(f"| {one['minutes']:.1f} | {one['seconds']:.2f} | {times:.0f} | {one['mb']:.0f} |")
    return "\n".join(lines)


def draw(lengths: list[dict[str, Any]], path: Path) -> None:
    """Draw time and memory against length."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams.update({"svg.hashsalt": "graith", "font.size": 9})
    from matplotlib import pyplot as plt

    minutes = np.array([one["minutes"] for one in lengths])
    figure, (left, right) = plt.subplots(1, 2, figsize=(8.0, 3.2))
    left.loglog(minutes, [one["seconds"] for one in lengths], "o-", label="measured")
    left.loglog(minutes, minutes * 60.0 / WANTED_TIMES, ":", label=f"{WANTED_TIMES:.0f} times real time")
    left.set_ylabel("processor seconds")
    right.semilogx(minutes, [one["mb"] for one in lengths], "o-", label="measured")
    right.axhline(WANTED_MB, linestyle=":", label="limit")
    right.set_ylim(0, 1.1 * max(WANTED_MB, *(one["mb"] for one in lengths)))
    right.set_ylabel("largest memory, MB")
    for axes in (left, right):
        axes.set_xlabel("minutes of recording")
        axes.set_xticks(minutes, [f"{one:.0f}" for one in minutes], minor=False)
        axes.minorticks_off()
        axes.legend()
    figure.tight_layout()
    figure.savefig(path, metadata={"Date": None})


def write_page(found: list[dict[str, Any]], lengths: list[dict[str, Any]]) -> None:
    """Write both tables between their marks in docs/benchmarks.md, and the picture."""
    text = PAGE.read_text()
    before, rest = text.split(BEGIN)
    after = rest.split(END)[1]
    PAGE.write_text(f"{before}{BEGIN}\n{table(found)}\n\n{lengths_table(lengths)}\n{END}{after}")
    draw(lengths, PICTURE)
