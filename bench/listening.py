"""Listening beside librosa and synctoolbox: error and time on the same recordings; time and memory against length.

All aligners run in one process, one after another, in an environment of their own (``make bench-peers``), for
synctoolbox wants older numba and pandas than Graith. Seconds are of processor time; each has listened to a short piece
before, so that nothing is compiled in them. What is done to help the peers stands in :mod:`bench.listening_peers`.

``python -m bench.listening --show`` prints the tables without writing them.
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.listen.cases import GROUPS, Case
from bench.listen.render import bench_folder, render
from bench.listening_page import lengths_table, rows_of, table, write_page

if TYPE_CHECKING:
    from bench.listen.truth import Truth

ROOT = Path(__file__).parents[1]
PEERS_PYTHON = ROOT / ".venv-bench" / "bin" / "python"
LENGTHS_MIN = (1, 5, 20, 60, 180)
_LEAST_NOTE_S = 0.5
_WHERE = 0.6  # of a long recording, the set begins so far into it

_FIVE = {"music": "set:five-minutes", "parts": None, "opening": True, "before": ("silence",), "after": ("silence",)}
SOLO = replace(GROUPS["solo"][1], name="five-solo", source="bag pipe", seed=401, coding="mp3", **_FIVE)
SIX = replace(GROUPS["six"][2], name="five-six", source="shanai", seed=402, coding="mp3", **_FIVE)
BARE = replace(SOLO, name="five-solo-no-drones", drones=False)
PHONE = replace(GROUPS["six"][2], name="five-phone", source="own", seed=403, coding="m4a", **_FIVE)
MARCH = replace(PHONE, name="one-minute", music="marches:4")
OTHER = replace(PHONE, name="other-set", music="set:march-strathspey-reel", seed=404, before=("talk", "tuning", "talk"))
SHORT = replace(SOLO, name="short", music="marches:4")


def timed(work: Callable[[], Any]) -> tuple[Any, float]:
    """Return what some work returns, and the processor seconds it took."""
    start_s = time.process_time()
    found = work()
    return found, time.process_time() - start_s


def ours(path: Path, truth: Truth) -> Any:
    """Return what listening hears: the file decoded, and everything measured."""
    from graith.files.read_sound import read_recording
    from graith.listen.listen_to import listen_to

    return listen_to(read_recording(path), truth.plan)


def onset_errors(onset_s: np.ndarray, truth: Truth) -> dict[str, float]:
    """Return the errors of the melody notes' onsets in ms: as they are, and with their own median taken out."""
    off_ms = (np.asarray(onset_s) - truth.onset_s)[truth.played] * 1e3
    off_ms = off_ms[np.isfinite(off_ms)]
    steady_ms = off_ms - np.median(off_ms)
    return {
        "median_ms": float(np.median(np.abs(off_ms))),
        "p95_ms": float(np.percentile(np.abs(off_ms), 95)),
        "bias_ms": float(np.median(off_ms)),
        "steady_median_ms": float(np.median(np.abs(steady_ms))),
        "steady_p95_ms": float(np.percentile(np.abs(steady_ms), 95)),
        "notes": int(off_ms.size),
    }


def pitch_errors(heard_hz: np.ndarray, truth: Truth) -> dict[str, float]:
    """Return the errors of the notes' mean pitches in cents, for the notes that sound for half a second or more."""
    told = truth.note_s.mean(axis=1) >= _LEAST_NOTE_S
    cents = np.log2(truth.note_hz[told]) * 1200.0
    true_cents = np.average(cents, axis=1, weights=truth.player_power)
    off = np.abs(1200.0 * np.log2(np.asarray(heard_hz)[told]) - true_cents)
    off = np.where(np.isfinite(off), off, np.inf)
    return {"median_cents": float(np.median(off)), "worst_cents": float(off.max())}


def _ours_measured(path: Path, truth: Truth, repeats: int) -> dict[str, Any]:
    runs = [timed(partial(ours, path, truth)) for _ in range(repeats)]
    heard = runs[0][0]
    tuning = heard.tuning.notes
    return {
        "seconds": min(seconds for _, seconds in runs),
        **onset_errors(np.where(heard.alignment.notes["heard"], heard.alignment.notes["start_s"], np.nan), truth),
        **pitch_errors(np.where(tuning["heard"], tuning["hz"], np.nan), truth),
    }


def _peers_measured(path: Path, case: Case, truth: Truth) -> dict[str, dict[str, Any]]:
    from bench import listening_peers as peers

    stretch = peers.stretch_of_truth(path, truth, case.low_a_hz)
    reference = peers.rendered_reference(stretch)
    sound, load_s = timed(partial(peers.loaded, stretch))
    rows: dict[str, dict[str, Any]] = {}
    for name, work in (
        ("librosa, chroma and DTW", partial(peers.by_librosa, sound, reference, stretch)),
        ("synctoolbox, MrMsDTW with onset features", partial(peers.by_synctoolbox, sound, stretch)),
    ):
        onset_s, took_s = timed(work)
        rows[name] = {"seconds": load_s + took_s, **onset_errors(onset_s + stretch.start_s, truth)}
    return rows


def _pyin_measured(path: Path, case: Case, truth: Truth) -> dict[str, Any]:
    from bench import listening_peers as peers

    stretch = peers.stretch_of_truth(path, truth, case.low_a_hz)
    sound, load_s = timed(partial(peers.loaded, stretch))
    heard_hz, took_s = timed(partial(peers.by_pyin, sound, stretch))
    return {"seconds": load_s + took_s, **pitch_errors(heard_hz, truth)}


def side_by_side(quick: bool) -> list[dict[str, Any]]:
    """Return a row for each recording and program; run where synctoolbox is installed."""
    path, truth = render(SHORT)
    ours(path, truth)
    _peers_measured(path, SHORT, truth)
    _pyin_measured(path, SHORT, truth)
    rows = []
    for case, who in ((SOLO, "one piper with drones"), (SIX, "six players"), (BARE, "one piper without drones")):
        case = replace(case, music="marches:4", name=f"quick-{case.name}") if quick else case
        path, truth = render(case)
        found = {"Graith": _ours_measured(path, truth, 1 if quick else 3)}
        if case.drones:
            found.update(_peers_measured(path, case, truth))
        if case.players == 1:
            found["librosa.pyin"] = _pyin_measured(path, case, truth)
        rows += [{"who": who, "program": name, "length_s": truth.length_s, **one} for name, one in found.items()]
    return rows


def long_recording(minutes: int) -> tuple[Path, Case]:
    """Return a recording about so long, coded as a phone does, and the case whose music is in it.

    One minute is a march; five the set; longer ones are a rehearsal: talk, tuning and another set, again and again, and
    the set once. The coded packets are copied as they are.
    """
    if minutes <= 5:
        case = MARCH if minutes == 1 else PHONE
        return render(case)[0], case
    path = bench_folder() / f"rehearsal-{minutes}-{PHONE.key()}-{OTHER.key()}.m4a"
    if not path.exists():
        the_set, other = render(PHONE)[0], render(OTHER)[0]
        _, truth = render(OTHER)
        n_other = max(1, round((minutes * 60.0 - 300.0) / truth.length_s))
        before = round(_WHERE * n_other)
        with tempfile.TemporaryDirectory(dir=path.parent) as folder:
            joined = Path(folder) / path.name
            _join([*[other] * before, the_set, *[other] * (n_other - before)], joined)
            joined.replace(path)
    return path, PHONE


def _join(parts: list[Path], path: Path) -> None:
    import av

    with av.open(str(path), "w", format="ipod") as out:
        with av.open(str(parts[0])) as first:
            stream = out.add_stream_from_template(first.streams.audio[0])
        at = 0
        for part in parts:
            with av.open(str(part)) as source:
                for packet in source.demux(source.streams.audio[0]):
                    if packet.dts is None:
                        continue
                    length = packet.duration or 1024
                    packet.pts = packet.dts = at
                    packet.stream = stream
                    out.mux(packet)
                    at += length


_ALONE = """
import json, pickle, sys, time
from functools import partial
from pathlib import Path
from graith.files.read_sound import working_blocks
from graith.listen.listen_to import listen_to
from graith.services.take_recording import stretch_taken, taken
plan = pickle.loads(Path(sys.argv[1]).read_bytes())
def listen():
    start_s = time.process_time()
    heard = listen_to(stretch_taken(taken(partial(working_blocks, sys.argv[2])), plan), plan)
    return heard.trusted, time.process_time() - start_s
heard, first_s = listen()
highest = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
seconds = min(listen()[1] for _ in range(2))
print(json.dumps({"heard": heard, "first_s": first_s, "seconds": seconds, "mb": int(highest.split()[1]) * 1.024e-3}))
"""
"""What ``graith listen`` does, and nothing of this bench: its memory is the program's."""


def one_length(minutes: int, **environment: str) -> dict[str, Any]:
    """Return seconds, memory and whether the set was found, of a process of its own that listens three times.

    The first time loads what was compiled, or compiles it; memory is the largest until then; of the others the quicker
    is told.
    """
    from graith.files.read_sound import sound_info

    path, case = long_recording(minutes)
    with tempfile.TemporaryDirectory() as folder:
        plan = Path(folder) / "plan"
        plan.write_bytes(pickle.dumps(render(case)[1].plan))
        found = in_own_process(["-c", _ALONE, str(plan), str(path)], **environment)
    return {"minutes": (sound_info(path).claimed_s or 0.0) / 60.0, **found}


def in_own_process(arguments: list[str], python: Path | str = sys.executable, **environment: str) -> Any:
    """Return what a process of ours with one thread prints as JSON."""
    settings = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
    settings |= {"PYTHONPATH": f"{ROOT / 'src'}{os.pathsep}{ROOT}", "PYTHONWARNINGS": "ignore", **environment}
    done = subprocess.run(
        [str(python), *arguments], check=True, stdout=subprocess.PIPE, text=True, cwd=ROOT, env=settings
    )
    return json.loads(done.stdout.splitlines()[-1])


def compile_seconds() -> float:
    """Return how much longer the first listening takes when nothing is compiled yet."""
    with tempfile.TemporaryDirectory() as folder:
        once = one_length(1, NUMBA_CACHE_DIR=folder)
    return float(once["first_s"] - once["seconds"])


def measured(quick: bool) -> tuple[list[dict[str, Any]], list[dict[str, Any]], float]:
    """Return the side-by-side rows, the lengths, and the seconds of compiling."""
    if not PEERS_PYTHON.exists():
        raise SystemExit("The peers' environment is missing; make bench-peers makes it.")
    cache = str(ROOT / ".venv-bench" / "numba-cache")
    asked = ["-m", "bench.listening", "--side-by-side", *(["--quick"] if quick else [])]
    found = in_own_process(asked, PEERS_PYTHON, NUMBA_CACHE_DIR=cache)
    one_length(1)  # everything is compiled now
    lengths = [one_length(minutes) for minutes in (LENGTHS_MIN[:2] if quick else LENGTHS_MIN)]
    return found, lengths, compile_seconds()


def run(quick: bool = False) -> list[dict[str, Any]]:
    """Return the rows; a full run also writes the tables of its own and the picture."""
    found, lengths, compile_s = measured(quick)
    if not quick:
        write_page(found, lengths)
    return rows_of(found, lengths, compile_s)


def main(arguments: list[str]) -> None:
    """Print the tables, or what a child of :func:`measured` is asked for."""
    parser = argparse.ArgumentParser(prog="python -m bench.listening")
    parser.add_argument("--side-by-side", action="store_true")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--show", action="store_true")
    chosen = parser.parse_args(arguments)
    if chosen.side_by_side:
        print(json.dumps(side_by_side(chosen.quick)))
    elif chosen.show:
        found, lengths, compile_s = measured(chosen.quick)
        print(f"{table(found)}\n\n{lengths_table(lengths)}\n\ncompiling {compile_s:.1f} s")
    else:
        run(quick=chosen.quick)


if __name__ == "__main__":
    main(sys.argv[1:])
