"""Run every benchmark, print one table, and write it to docs/benchmarks.md and the README.

``python -m bench [--quick] [NAME ...]``
"""

from __future__ import annotations

import importlib
import os
import platform
import re
import sys
from pathlib import Path
from typing import Any

NAMES = ("start", "abc_reading", "timeline", "engraving", "synthesis", "building", "decoding", "listening")
ROOT = Path(__file__).parents[1]
BEGIN, END = "<!-- benchmarks -->", "<!-- /benchmarks -->"


def rows_of(name: str, *, quick: bool) -> list[dict[str, Any]]:
    """Return one benchmark's rows: what, ours, peer, ratio, wanted, met."""
    print(f"… {name}", file=sys.stderr, flush=True)
    found: list[dict[str, Any]] = importlib.import_module(f"bench.{name}").run(quick=quick)
    return found


def table(rows: list[dict[str, Any]]) -> str:
    """Return rows as a Markdown table."""
    lines = ["| what | Graith | beside it, in the same run | times the peer | wanted | |", "|---|---|---|---:|---|---|"]
    for row in rows:
        ratio = row.get("ratio")
        times = "" if ratio is None else f"{ratio:,.2f}" if ratio < 10 else f"{ratio:,.0f}"
        met = {True: "met", False: "**missed**", None: ""}[row.get("met")]
        cells = (row["what"], row["ours"], row.get("peer", ""), times, row.get("wanted", ""), met)
        lines.append("| " + " | ".join(str(cell).replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines)


def machine() -> str:
    """Return one line about where this was measured."""
    return f"Python {platform.python_version()}, {os.cpu_count()} cores, {platform.machine()}, {platform.system()}"


def write_tables(rows: list[dict[str, Any]]) -> None:
    """Write the table between its marks in the README and into docs/benchmarks.md."""
    said = f"{table(rows)}\n\nMeasured by `make bench` on {machine()}."
    for path in (ROOT / "README.md", ROOT / "docs" / "benchmarks.md"):
        text = path.read_text()
        pattern = re.compile(re.escape(BEGIN) + ".*?" + re.escape(END), re.DOTALL)
        path.write_text(pattern.sub(lambda _: f"{BEGIN}\n{said}\n{END}", text, count=1))


def main(arguments: list[str]) -> None:
    """Run the named benchmarks, or all; only a full run of all is written down."""
    quick = "--quick" in arguments
    names = [one for one in arguments if not one.startswith("-")] or list(NAMES)
    rows = [row for name in names for row in rows_of(name, quick=quick)]
    print(table(rows))
    if not quick and list(NAMES) == names:
        write_tables(rows)


if __name__ == "__main__":
    main(sys.argv[1:])
