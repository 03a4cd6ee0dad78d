"""Practice sound: how many times faster than it plays, beside plain NumPy and SciPy synthesis, and its memory.

Seconds are of processor time over all threads, so that another program on the machine does not count, and a second
thread does. The whole chain is measured: the performance, two renderings (one to measure the loudness), room, limiter
and the WAV file written. The peers make one voice after another, without room, drums, limiter, change-over or file: the
bare sum of sines of the same partials, and scipy's sawtooth at the same pitches (which is not band-limited).
"""

from __future__ import annotations

import math
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

import graith.demo
from graith.files.audio import write_audio
from graith.files.read_files import load_planned_set
from graith.sets.model import PlannedSet
from graith.sound.master import mastered_blocks
from graith.sound.model import Band, Performance, band_of
from graith.sound.perform import performance
from graith.sound.practice import Practice
from graith.sound.practice_timeline import practice_timeline
from graith.sound.render import DEFAULT_RATE_HZ
from graith.timeline.make_timeline import timeline_of
from graith.timeline.model import Timeline

SET = Path(graith.demo.__path__[0]) / "sets" / "medley.toml"
RATE_HZ = DEFAULT_RATE_HZ
N_CHANTER_PARTIALS, N_DRONE_PARTIALS = 21, 60
PEER_S = 6.0
_BLOCK = 16_384


def timeline_lasting(minutes: float) -> Timeline:
    """Return the first march of the demo's medley with its opening, as often as comes nearest to that time."""
    _, planned = load_planned_set(SET)
    timeline = timeline_of(PlannedSet("march", planned.tunes[:1], (), planned.opening))
    return practice_timeline(timeline, Practice(times=max(1, round(minutes * 60.0 / timeline.music_s))))


def processor_s(work: Callable[[], object]) -> float:
    """Return the processor seconds of some work."""
    start = time.process_time()
    work()
    return time.process_time() - start


def written_s(timeline: Timeline, n_players: int) -> tuple[float, float]:
    """Return the seconds of sound, and the processor seconds it took, of one file."""
    with tempfile.TemporaryDirectory() as folder:
        samples = 0

        def work() -> None:
            nonlocal samples
            played = performance(timeline, Band(players=band_of(n_players)))
            samples = write_audio(Path(folder) / "sound.wav", mastered_blocks(played, rate_hz=RATE_HZ), RATE_HZ)

        took_s = processor_s(work)
    return samples / RATE_HZ, took_s


def sawtooth(phase: np.ndarray) -> np.ndarray:
    """Return scipy's sawtooth; scipy is imported here, so that it is not counted in the memory of our own sound."""
    from scipy import signal

    return signal.sawtooth(phase)


def voices_of(played: Performance) -> list[tuple[np.ndarray, int]]:
    """Return each voice's pitch at every sample of the first seconds of the tune, and how many partials it has."""
    start_s = 8.0
    time_s = start_s + np.arange(round(PEER_S * RATE_HZ)) / RATE_HZ
    voices = []
    for part in played.players:
        row = np.clip(np.searchsorted(part.played["onset_s"], time_s, side="right") - 1, 0, None)
        voices.append((part.played["hz"][row], N_CHANTER_PARTIALS))
    voices += [(np.full(time_s.size, drone["hz"]), N_DRONE_PARTIALS) for drone in played.drones]
    return voices


def summed_sines(played: Performance) -> np.ndarray:
    """Return the bare sum of every voice's partials, block by block as anyone would write it."""
    total = np.zeros(round(PEER_S * RATE_HZ))
    for pitch_hz, n_partials in voices_of(played):
        phase = 2.0 * np.pi * np.cumsum(pitch_hz) / RATE_HZ
        for begin in range(0, phase.size, _BLOCK):
            angles = np.multiply.outer(np.arange(1, n_partials + 1), phase[begin : begin + _BLOCK])
            total[begin : begin + _BLOCK] += (np.sin(angles) / np.arange(1, n_partials + 1)[:, None]).sum(axis=0)
    return total


def summed_sawtooths(played: Performance) -> np.ndarray:
    """Return the sum of scipy's sawtooth at every voice's pitch."""
    total = np.zeros(round(PEER_S * RATE_HZ))
    for pitch_hz, _ in voices_of(played):
        total += sawtooth(2.0 * np.pi * np.cumsum(pitch_hz) / RATE_HZ)
    return total


def speed_rows(n_players: int, wanted: float, minutes: float) -> list[dict[str, Any]]:
    """Return the rows of one size of band."""
    timeline = timeline_lasting(minutes)
    played = performance(timeline, Band(players=band_of(n_players)))
    written_s(timeline_lasting(0.5), n_players)  # first calls import and fill caches
    sawtooth(np.zeros(2))
    sound_s, took_s = written_s(timeline, n_players)
    ours = sound_s / took_s
    who = "one piper with drones" if n_players == 1 else f"{n_players} pipers with drones"
    rows = []
    for name, peer in (("NumPy, bare sum of sines", summed_sines), ("scipy.signal.sawtooth", summed_sawtooths)):
        theirs = PEER_S / processor_s(lambda peer=peer: peer(played))
        rows.append(
            {
                "what": f"practice sound, {who}, drum, room, levelled, WAV, {sound_s / 60:.0f} min",
                "ours": f"{ours:,.0f} times real time",
                "peer": f"{name}: {theirs:,.1f} times",
                "ratio": ours / theirs,
                "wanted": f"at least {wanted:g} times real time",
                "met": ours >= wanted,
            }
        )
    return rows


def own_peak_mb() -> float:
    """Return the largest memory of this process, in MB; on Linux without what its parent had when it started it."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return float(line.split()[1]) * 1.024e-3
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1e-6 if sys.platform == "darwin" else 1.024e-3)


def peak_mb(minutes: float) -> float:
    """Return the largest memory, in MB, of a process that writes that much sound."""
    command = [sys.executable, "-m", "bench.synthesis", "--memory", str(minutes)]
    done = subprocess.run(command, check=True, capture_output=True, text=True, cwd=Path(__file__).parents[1])
    return float(done.stdout.split()[-1])


def memory_row(lengths_min: tuple[float, ...]) -> dict[str, Any]:
    """Return the row of memory against length."""
    peaks_mb = [peak_mb(minutes) for minutes in lengths_min]
    raw_mb = 4e-6 * RATE_HZ * 60 * lengths_min[-1]
    return {
        "what": f"memory while writing {', '.join(f'{minutes:g}' for minutes in lengths_min)} min, one piper",
        "ours": f"{', '.join(f'{peak:.0f}' for peak in peaks_mb)} MB",
        "peer": f"the samples alone, held as float32: {raw_mb:.0f} MB for the longest",
        "ratio": None,
        "wanted": "independent of length (under 15 % more)",
        "met": peaks_mb[-1] < 1.15 * peaks_mb[0],
    }


def run(quick: bool = False) -> list[dict[str, Any]]:
    """Return the rows: speed of one piper and of twelve, memory against length."""
    rows = speed_rows(1, 100.0, 2.0 if quick else 6.0)
    rows += speed_rows(12, 15.0, 1.0 if quick else 6.0)
    return [*rows, memory_row((1.0, 5.0) if quick else (1.0, 5.0, 30.0))]


def main(arguments: list[str]) -> None:
    """Print the rows; or, in a process of its own, write sound and print the peak memory in MB."""
    if "--memory" in arguments:
        written_s(timeline_lasting(float(arguments[arguments.index("--memory") + 1])), 1)
        print(own_peak_mb())
        return
    for row in run(quick="--quick" in arguments):
        ratio = (
            "" if row["ratio"] is None or not math.isfinite(row["ratio"]) else f"  ({row['ratio']:,.1f} times the peer)"
        )
        print(f"{row['what']}: {row['ours']}; {row['peer']}{ratio}; wanted {row['wanted']}: {row['met']}")


if __name__ == "__main__":
    main(sys.argv[1:])
