"""Work spread over processes of this machine; a process that is lost is made anew and its work tried again."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from typing import Generic, TypeVar

from graith.errors import FileError

Job = TypeVar("Job")
Answer = TypeVar("Answer")
Work = Callable[[Job], Answer]
"""A function at its module's top level, so that it can be named to another process."""

MOST_TRIES = 3
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


@dataclass(frozen=True, slots=True)
class Done(Generic[Job, Answer]):
    """A job with its answer, or with the sentence that says why there is none."""

    job: Job
    answer: Answer | None
    failure: str | None = None


@dataclass(frozen=True, slots=True)
class _Try(Generic[Job]):
    job: Job
    n_lost: int = 0


def done_here(
    work: Work[Job, Answer], jobs: Iterable[Job], *, n_workers: int
) -> Generator[Done[Job, Answer], None, None]:
    """Yield each job when it is done, in the order in which they end.

    When a process is lost, nobody knows which of the jobs at work killed it: each of these is then tried again by
    itself, at most twice, so that one bad recording costs the others nothing. Jobs are taken as they are needed.
    Closing the iterator ends the processes.

    Parameters
    ----------
    work : callable
    jobs : iterable
    n_workers : int
        Processes, from 1. Each computes with one thread.

    Raises
    ------
    FileError
        As ``work``: it is about the machine, not about a job; or if no process can be started.
    """
    waiting = iter(jobs)
    suspects: deque[_Try[Job]] = deque()
    running: dict[Future[Answer], _Try[Job]] = {}
    with _Workers(n_workers) as workers:
        while True:
            if suspects:
                one = suspects.popleft()
                running[workers.start(work, one.job)] = one
            while not suspects and len(running) < n_workers and not any(one.n_lost for one in running.values()):
                following = next(waiting, None)
                if following is None:
                    break
                running[workers.start(work, following)] = _Try(following)
            if not running:
                return
            ended = wait(running, return_when=FIRST_COMPLETED).done
            if any(isinstance(future.exception(), BrokenProcessPool) for future in ended):
                ended = wait(running).done  # the pool ends all of them
            for future in ended:
                tried = running.pop(future)
                if not isinstance(future.exception(), BrokenProcessPool):
                    yield _done(tried.job, future)
                elif tried.n_lost + 1 < MOST_TRIES:
                    suspects.append(_Try(tried.job, tried.n_lost + 1))
                else:
                    yield Done(tried.job, None, lost_sentence(MOST_TRIES))


def _done(job: Job, future: Future[Answer]) -> Done[Job, Answer]:
    error = future.exception()
    if error is None:
        return Done(job, future.result())
    if isinstance(error, Exception) and not isinstance(error, FileError):
        return Done(job, None, fault_sentence(error))
    raise error


def lost_sentence(n_tries: int) -> str:
    """Return what is said of a job whose workers were lost, for after its name."""
    times = "once" if n_tries == 1 else f"{n_tries} times"
    return f"the process that listened to it was lost {times}; look whether memory ran out, and run this again."


def fault_sentence(error: BaseException) -> str:
    """Return what is said of a job in which the program itself failed, for after its name."""
    words = " ".join(str(error).split())
    return f"the program failed on it ({type(error).__name__}: {words}); please tell its authors."


class _Workers:
    """Processes that are started when they are first needed, and again after one was lost."""

    def __init__(self, n_workers: int) -> None:
        self._n_workers = n_workers
        self._pool: ProcessPoolExecutor | None = None
        self._processes: set[BaseProcess] = set()

    def __enter__(self) -> _Workers:
        return self

    def start(self, work: Work[Job, Answer], job: Job) -> Future[Answer]:
        for _ in range(MOST_TRIES):
            self._pool = self._pool or ProcessPoolExecutor(
                self._n_workers, mp_context=multiprocessing.get_context("spawn"), initializer=_begin
            )
            others = set(multiprocessing.active_children()) - self._processes
            try:
                with _one_thread_each():
                    return self._pool.submit(work, job)
            except BrokenProcessPool:
                self._pool.shutdown()
                self._pool = None
            finally:
                self._processes = set(multiprocessing.active_children()) - others
        raise FileError("No process can be started to listen in. Close other programs, or give fewer --workers.")

    def __exit__(self, *_: object) -> None:
        """End the processes at once: they write nothing, so nothing is left half-written."""
        if self._pool is None:
            return
        for process in self._processes:
            process.terminate()
        self._pool.shutdown(cancel_futures=True)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let processes that are started here compute with one thread: the processes themselves fill the machine."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _begin() -> None:
    """Make a worker leave Ctrl-C to the process that started it, and end when that one is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
