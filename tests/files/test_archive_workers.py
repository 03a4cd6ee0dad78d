"""Work spread over processes or a cluster: each job is done once, whatever becomes of those that do it."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import archive_work
from archive_work import cluster_here
from graith.errors import FileError
from graith.files._archive_cluster import Cluster, done_on_cluster
from graith.files._archive_workers import Done, done_here


def by_job(done: Iterator[Done[int, int]]) -> dict[int, tuple[int | None, str | None]]:
    return {one.job: (one.answer, one.failure) for one in done}


def test_every_job_is_done_once_by_two_processes() -> None:
    before = set(multiprocessing.active_children())
    assert by_job(done_here(archive_work.doubled, range(6), n_workers=2)) == {n: (2 * n, None) for n in range(6)}
    assert set(multiprocessing.active_children()) == before


def test_a_job_whose_process_was_killed_is_done_by_another(tmp_path: Path) -> None:
    jobs = [(str(tmp_path), number) for number in range(6)]
    done = list(done_here(archive_work.doubled_at_the_second_try, jobs, n_workers=2))
    assert (tmp_path / "lost").exists()
    assert sorted((one.job[1], one.answer) for one in done) == [(n, 2 * n) for n in range(6)]


def test_a_job_that_kills_three_processes_is_given_up_and_costs_the_others_nothing() -> None:
    done = by_job(done_here(archive_work.deadly_at_three, range(6), n_workers=2))
    answer, failure = done.pop(3)
    assert answer is None
    assert failure is not None
    assert "lost 3 times" in failure
    assert done == {n: (2 * n, None) for n in (0, 1, 2, 4, 5)}


def test_a_fault_of_the_program_is_told_of_its_job_and_stops_no_other() -> None:
    done = by_job(done_here(archive_work.faulty_at_three, [1, 3, 5], n_workers=1))
    failure = done[3][1]
    assert failure is not None
    assert "ZeroDivisionError: division by zero" in failure
    assert (done[1], done[5]) == ((2, None), (10, None))


def test_a_machine_that_cannot_do_the_work_stops_it_all() -> None:
    with pytest.raises(FileError, match="wrong version"):
        list(done_here(archive_work.faulty_at_three, [4], n_workers=1))


def test_who_takes_no_more_results_ends_the_processes_at_once() -> None:
    before = set(multiprocessing.active_children())
    began_s = time.monotonic()
    done = done_here(archive_work.slow, [0.0, 60.0, 60.0], n_workers=2)
    assert next(done).job == 0.0
    done.close()
    assert time.monotonic() - began_s < 30
    assert set(multiprocessing.active_children()) == before


def test_processes_compute_with_one_thread_and_this_one_is_left_as_it_was() -> None:
    before = dict(os.environ)
    assert by_job(done_here(archive_work.n_threads, [0], n_workers=1)) == {0: (1, None)}
    assert dict(os.environ) == before


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    """A scheduler and two worker processes; a job whose worker is lost once is given up."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join(sys.path))
        with cluster_here(n_workers=2, allowed_failures=0) as here:
            yield here


def test_every_job_is_done_once_by_a_cluster(cluster: Cluster) -> None:
    done = done_on_cluster(archive_work.doubled, range(9), cluster=cluster)
    assert by_job(done) == {n: (2 * n, None) for n in range(9)}


def test_a_cluster_tells_a_fault_of_its_job_and_stops_no_other(cluster: Cluster) -> None:
    done = by_job(done_on_cluster(archive_work.faulty_at_three, [1, 3, 5], cluster=cluster))
    failure = done[3][1]
    assert failure is not None
    assert "ZeroDivisionError: division by zero" in failure
    assert (done[1], done[5]) == ((2, None), (10, None))


def test_a_cluster_gives_up_a_job_that_kills_its_workers(cluster: Cluster) -> None:
    done = by_job(done_on_cluster(archive_work.deadly_at_three, [2, 3], cluster=cluster))
    assert done[2] == (4, None)
    failure = done[3][1]
    assert failure is not None
    assert "lost once" in failure


def test_a_worker_of_a_cluster_that_cannot_do_the_work_stops_it_all(cluster: Cluster) -> None:
    with pytest.raises(FileError, match="wrong version"):
        list(done_on_cluster(archive_work.faulty_at_three, [4], cluster=cluster))


def test_jobs_are_taken_as_the_cluster_needs_them(cluster: Cluster) -> None:
    jobs = iter(range(100))
    done = done_on_cluster(archive_work.doubled, jobs, cluster=cluster)
    next(done)
    done.close()
    assert next(jobs) <= 3  # two threads, and one job more


def test_a_cluster_that_does_not_answer_is_one_sentence() -> None:
    nobody = Cluster("tcp://127.0.0.1:1", patience_s=0.3)
    with pytest.raises(FileError, match=r"tcp://127\.0\.0\.1:1: no cluster answers there"):
        list(done_on_cluster(archive_work.doubled, [1], cluster=nobody))


def test_without_dask_the_sentence_says_how_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(FileError, match=r"pip install 'graith\[cluster\]'"):
        list(done_on_cluster(archive_work.doubled, [1], cluster=Cluster("tcp://127.0.0.1:1")))


@pytest.fixture(scope="module")
def pem(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A certificate that is its own authority, with its key."""
    folder = tmp_path_factory.mktemp("keys")
    cert, key = folder / "cert.pem", folder / "key.pem"
    subject = ("-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1")
    ask = ("openssl", "req", "-x509", "-newkey", "rsa:2048", "-noenc", "-days", "2")
    subprocess.run([*ask, *subject, "-keyout", key, "-out", cert], check=True, capture_output=True)
    return cert, key


def test_a_cluster_with_tls_works_with_its_keys_and_not_without(pem: tuple[Path, Path]) -> None:
    cert, key = pem
    with cluster_here(n_workers=1, processes=False, tls=pem) as cluster:
        assert cluster.address.startswith("tls://")
        assert by_job(done_on_cluster(archive_work.doubled, [4], cluster=cluster)) == {4: (8, None)}
        plain = Cluster(cluster.address.replace("tls", "tcp"), patience_s=0.5)
        with pytest.raises(FileError, match="no cluster answers there"):
            list(done_on_cluster(archive_work.doubled, [1], cluster=plain))
        with pytest.raises(FileError, match="the TLS files cannot be used"):
            list(done_on_cluster(archive_work.doubled, [1], cluster=replace(cluster, tls_cert=key, tls_key=cert)))
        with pytest.raises(FileError, match="there is no such file"):
            list(done_on_cluster(archive_work.doubled, [1], cluster=replace(cluster, tls_ca=cert.with_name("none"))))
