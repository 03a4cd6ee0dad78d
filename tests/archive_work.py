"""Work that tests give to worker processes: it must stand in a module that these can import."""

from __future__ import annotations

import logging
import os
import signal
import time
from collections.abc import Generator, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from archive_by_hand import all_asked
from graith.errors import FileError
from graith.files._archive_cluster import Cluster
from graith.files._archive_workers import Done, Work
from graith.files.archive_results import Task, archive_results, made_with, measured
from graith.services.listen_to_archive import Json


def doubled(number: int) -> int:
    """Return twice a number."""
    return 2 * number


def doubled_at_the_second_try(folder_and_number: tuple[str, int]) -> int:
    """Return twice a number; of 3, the process that is first given it is killed as if memory ran out."""
    folder, number = folder_and_number
    if number == 3 and _is_first_to_come(Path(folder) / "lost"):
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def deadly_at_three(number: int) -> int:
    """Return twice a number, but kill the process at 3."""
    if number == 3:
        time.sleep(0.2)
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * number


def faulty_at_three(number: int) -> int:
    """Return twice a number; fail as a fault in the program would at 3, as no machine for it at 4."""
    if number == 3:
        raise ZeroDivisionError("division by\nzero")
    if number == 4:
        raise FileError("This machine has the wrong version.")
    return 2 * number


def slow(seconds: float) -> int:
    """Return the process's number after some time."""
    time.sleep(seconds)
    return os.getpid()


def n_threads(_job: int) -> int:
    """Return how many threads libraries are told to compute with."""
    return int(os.environ["OMP_NUM_THREADS"])


def measured_after_a_loss(task: Task) -> Json:
    """Measure a recording; the process that is first given the third one is killed half-way through it."""
    told = measured(task)
    folder = os.environ["GRAITH_TEST_FOLDER"]
    if "third" in task.asked.recording and _is_first_to_come(Path(folder) / "lost"):
        os.kill(os.getpid(), signal.SIGKILL)
    return told


def run_one_by_one(folder: str, out: str) -> None:
    """Listen to the archive of the tests plainly: one recording after the other, in this process."""
    list(archive_results(all_asked(), Path(folder), Path(out), one_by_one))


def one_by_one(work: Work[Task, Json], jobs: Iterable[Task]) -> Generator[Done[Task, Json], None, None]:
    """Do the work in this process, whatever it is made with."""
    for job in jobs:
        yield Done(job, work(replace(job, made_with=made_with())))


@contextmanager
def cluster_here(
    *, n_workers: int, processes: bool = True, allowed_failures: int = 3, tls: tuple[Path, Path] | None = None
) -> Iterator[Cluster]:
    """Start a Dask scheduler with workers of one thread each on this machine, at any free ports."""
    import dask
    from distributed import LocalCluster
    from distributed.security import Security

    security = None
    if tls is not None:
        cert, key = (str(path) for path in tls)
        ends = {f"tls_{who}_{what}": path for who in ("client", "scheduler", "worker") for what, path in zip(
            ("cert", "key"), (cert, key), strict=True)}  # fmt: skip
        security = Security(tls_ca_file=cert, require_encryption=True, **ends)
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": allowed_failures}),
        LocalCluster(
            n_workers=n_workers, threads_per_worker=1, processes=processes, host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            silence_logs=logging.CRITICAL, security=security, protocol="tls" if tls else "tcp",
        ) as started,
    ):  # fmt: skip
        pem = (tls[0], *tls) if tls is not None else ()
        yield Cluster(started.scheduler_address, *pem)


def _is_first_to_come(mark: Path) -> bool:
    try:
        mark.touch(exist_ok=False)
    except FileExistsError:
        return False
    return True
