"""How soon the command line answers, beside Python itself and a bare click program, in the same run."""

from __future__ import annotations

import subprocess
import sys
import time
from typing import Any

_BARE_CLICK = "import click\n@click.command()\ndef main(): 'help'\nmain(['--help'], standalone_mode=False)"


def median_s(arguments: list[str], times: int) -> float:
    """Return the median wall time of a command, in seconds."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        subprocess.run(arguments, check=True, capture_output=True)
        taken.append(time.perf_counter() - start)
    return sorted(taken)[times // 2]


def run(quick: bool = False) -> list[dict[str, Any]]:
    """Return one row: ``graith --help``."""
    times = 3 if quick else 15
    ours_s = median_s([sys.executable, "-m", "graith", "--help"], times)
    click_s = median_s([sys.executable, "-c", _BARE_CLICK], times)
    python_s = median_s([sys.executable, "-c", "pass"], times)
    return [
        {
            "what": "graith --help, whole process",
            "ours": f"{ours_s * 1000:.0f} ms",
            "peer": f"a one-command click program: {click_s * 1000:.0f} ms (Python alone {python_s * 1000:.0f})",
            "ratio": click_s / ours_s,
            "wanted": "under 250 ms",
            "met": ours_s < 0.25,
        }
    ]
