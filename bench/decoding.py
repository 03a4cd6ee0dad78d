"""Reading recordings: how many times faster than they play, beside librosa and soundfile with SciPy; memory; delays.

Each reads the same file, 44.1 kHz stereo, to mono at 12 kHz, in this process, on one thread; processor time, the best
of several. ``python -m bench.decoding`` prints how late each kind of file is read, as in docs/listening-input.md.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from graith.files.read_sound import read_recording
from graith.listen.model import WORKING_RATE_HZ

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from files.made_recordings import WAYS, Way, known_sound, lag_ms  # noqa: E402

WANTED_TIMES = 600.0
RATE_HZ = 44_100
KINDS = (
    Way("wav", RATE_HZ, "soundfile", "WAV", "PCM_16"),
    Way("mp3", RATE_HZ, "soundfile", "MP3", "MPEG_LAYER_III"),
    Way("m4a", RATE_HZ, "PyAV", "ipod", "aac"),
    Way("flac", RATE_HZ, "soundfile", "FLAC", "PCM_16"),
)
_READ_THREE_HOURS = """
import sys
from pathlib import Path
from graith.files.read_sound import working_blocks
blocks = working_blocks(sys.argv[1])
n = sum(block.size for block in blocks)
highest = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
print(n / 12_000, int(highest.split()[1]) // 1024)
"""


def by_soundfile_and_scipy(path: Path) -> np.ndarray:
    """Return the mean of the channels at the working rate, as anyone would write it."""
    import soundfile
    from scipy.signal import resample_poly

    sound, _ = soundfile.read(path, dtype="float32")
    return resample_poly(sound.mean(axis=1), 40, 147)


def by_librosa(path: Path) -> np.ndarray:
    """Return librosa's own reading."""
    import librosa

    return librosa.load(path, sr=WORKING_RATE_HZ, mono=True)[0]


def best_s(work: Callable[[], object], times: int) -> float:
    """Return the best processor time of some work."""
    best = float("inf")
    for _ in range(times):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def three_hours_mib(folder: Path) -> tuple[float, int]:
    """Return the hours read and the largest memory in MiB of a process that runs through three hours of stereo."""
    import soundfile

    path = folder / "long.flac"
    with soundfile.SoundFile(path, "w", RATE_HZ, 2) as file:
        minute = np.zeros((60 * RATE_HZ, 2), dtype=np.int16)
        for _ in range(180):
            file.write(minute)
    done = subprocess.run([sys.executable, "-c", _READ_THREE_HOURS, path], check=True, capture_output=True, text=True)
    seconds, mib = done.stdout.split()
    return float(seconds) / 3600.0, int(mib)


def run(quick: bool = False) -> list[dict[str, Any]]:
    """Return a row for each kind of file, and one for memory."""
    seconds, times = (20.0, 2) if quick else (120.0, 5)
    sound = np.stack([known_sound(RATE_HZ, seconds, seed) for seed in (1, 2)])
    rows = []
    with tempfile.TemporaryDirectory() as name:
        for way in KINDS:
            path = way.write(Path(name), sound)
            ours = seconds / best_s(lambda path=path: read_recording(path), times)
            peers = {}
            if way.name != "m4a":
                peers["soundfile + resample_poly"] = seconds / best_s(lambda p=path: by_soundfile_and_scipy(p), times)
                peers["librosa.load"] = seconds / best_s(lambda p=path: by_librosa(p), times)
            rows.append(
                {
                    "what": f"reading {way.name}, 44.1 kHz stereo, to mono 12 kHz with levels",
                    "ours": f"{ours:,.0f} times real time",
                    "peer": ", ".join(f"{peer} {value:,.0f}" for peer, value in peers.items()),
                    "ratio": ours / max(peers.values()) if peers else None,
                    "wanted": f"at least {WANTED_TIMES:.0f}" if way.name != "flac" else "",
                    "met": ours >= WANTED_TIMES if way.name != "flac" else None,
                }
            )
        if not quick:
            hours, mib = three_hours_mib(Path(name))
            rows.append(
                {
                    "what": f"running through a recording of {hours:.0f} hours",
                    "ours": f"{mib} MiB",
                    "wanted": "under 300 MiB",
                    "met": mib < 300,
                }
            )
    return rows


def print_delays() -> None:
    """Print how late each kind of file is read, in ms, as a Markdown table."""
    print("| file | rate | written by | late at the start | late in the last second |\n|---|---:|---|---:|---:|")
    wanted = known_sound(WORKING_RATE_HZ)
    last = slice(2 * WORKING_RATE_HZ, None)
    with tempfile.TemporaryDirectory() as folder:
        for way in WAYS:
            heard = read_recording(way.write(Path(folder), known_sound(way.rate_hz))).samples
            first_ms = lag_ms(heard, wanted, WORKING_RATE_HZ)
            last_ms = lag_ms(heard[last], wanted[last], WORKING_RATE_HZ)
            kind = f"{way.name} ({way.coding})"
            print(f"| {kind} | {way.rate_hz:,} | {way.writer} | {abs(first_ms):.3f} ms | {abs(last_ms):.3f} ms |")


if __name__ == "__main__":
    print_delays()
