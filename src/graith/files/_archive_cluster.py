"""Work spread over a Dask cluster of several machines; what a lost worker had begun, the scheduler gives to another."""

from __future__ import annotations

import logging
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import uuid4

from graith.errors import FileError
from graith.files._archive_workers import Answer, Done, Job, Work, fault_sentence, lost_sentence

if TYPE_CHECKING:
    from distributed import Client, Future

HOW_TO_INSTALL = "A cluster needs Dask, which is not installed here. Install it with: pip install 'graith[cluster]'."


@dataclass(frozen=True, slots=True)
class Cluster:
    """A Dask cluster and how to come to it.

    Attributes
    ----------
    address : str
        Of its scheduler: ``tls://host:port``, or ``tcp://host:port`` where nobody else can reach it.
    tls_ca, tls_cert, tls_key : Path or None
        PEM files of the authority and of this machine; all three for ``tls://``, none for ``tcp://``.
    patience_s : float
        How long to wait for its scheduler, and then for its first worker.
    """

    address: str
    tls_ca: Path | None = None
    tls_cert: Path | None = None
    tls_key: Path | None = None
    patience_s: float = 20.0


def done_on_cluster(
    work: Work[Job, Answer], jobs: Iterable[Job], *, cluster: Cluster
) -> Generator[Done[Job, Answer], None, None]:
    """Yield each job when it is done, in the order in which they end.

    No more jobs are taken than the cluster's threads and one can have at hand, so that little sound is held at a time.
    Workers may come and go. Closing the iterator takes back what was given to the cluster.

    Parameters
    ----------
    work : callable
    jobs : iterable
    cluster : Cluster

    Raises
    ------
    FileError
        If Dask is not installed, the cluster cannot be reached, has no worker or is lost, or as ``work``.
    """
    waiting = iter(jobs)
    running: dict[Future[Answer], Job] = {}
    with _connected(cluster) as client:
        from distributed import as_completed

        ended = as_completed(loop=client.loop)  # type: ignore[no-untyped-call]
        while True:
            while len(running) <= max(1, _n_threads(client)):
                following = next(waiting, None)
                if following is None:
                    break
                future = client.submit(work, following, key=f"graith-listen-{uuid4()}", pure=False)
                running[future] = following
                ended.add(future)  # type: ignore[no-untyped-call]
            if not running:
                return
            future = next(ended)
            yield _done(running.pop(future), future, cluster)


def _n_threads(client: Client) -> int:
    threads: dict[str, int] = client.ncores()  # type: ignore[no-untyped-call]
    return sum(threads.values())


def _done(job: Job, future: Future[Answer], cluster: Cluster) -> Done[Job, Answer]:
    import dask
    from distributed import KilledWorker

    try:
        return Done(job, future.result())
    except FileError:
        raise
    except KilledWorker:
        return Done(job, None, lost_sentence(1 + dask.config.get("distributed.scheduler.allowed-failures")))
    except (CancelledError, TimeoutError, OSError):
        raise FileError(
            f"{cluster.address}: the cluster was lost while it worked. What was finished is written; run this again to "
            "go on from there."
        ) from None
    except Exception as error:  # whatever the program fails with on one recording, the others are listened to
        return Done(job, None, fault_sentence(error))


@contextmanager
def _connected(cluster: Cluster) -> Iterator[Client]:
    try:
        import dask
        from distributed import Client
    except ImportError:
        raise FileError(HOW_TO_INSTALL) from None
    for name in ("distributed", "distributed.client", "distributed.core", "distributed.comm"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # what goes wrong is told in our own sentence
    with dask.config.set({"distributed.admin.large-graph-warning-threshold": "4 GiB"}):
        try:
            client = Client(  # type: ignore[no-untyped-call]
                cluster.address, security=_security(cluster), timeout=cluster.patience_s, set_as_default=False
            )
        except (OSError, TimeoutError, ValueError) as error:
            raise FileError(
                f"{cluster.address}: no cluster answers there ({' '.join(str(error).split())}). Check the address, and "
                "that its scheduler runs."
            ) from None
        with client:
            _wait_for_a_worker(client, cluster)
            yield client


def _wait_for_a_worker(client: Client, cluster: Cluster) -> None:
    try:
        client.wait_for_workers(1, timeout=cluster.patience_s)
    except TimeoutError:
        raise FileError(
            f"{cluster.address}: the cluster has no worker. Start one on each machine: dask worker {cluster.address}."
        ) from None


def _security(cluster: Cluster) -> object | None:
    """Return the keys for ``tls://``; None for ``tcp://``.

    Raises
    ------
    FileError
        If a file is missing or holds no key or certificate.
    """
    files = (cluster.tls_ca, cluster.tls_cert, cluster.tls_key)
    if not all(files):
        return None
    import ssl

    from distributed.security import Security

    for path in files:
        if path is not None and not path.is_file():
            raise FileError(f"{path}: there is no such file. Give PEM files of the authority, certificate and key.")
    security = Security(  # type: ignore[no-untyped-call]
        tls_ca_file=str(cluster.tls_ca),
        tls_client_cert=str(cluster.tls_cert),
        tls_client_key=str(cluster.tls_key),
        require_encryption=True,
    )
    try:
        security.get_connection_args("client")  # type: ignore[no-untyped-call]
    except (ssl.SSLError, OSError, ValueError) as error:
        raise FileError(
            f"{cluster.tls_cert}: the TLS files cannot be used ({error}). Give the authority's certificate, and this "
            "machine's certificate with its key, as PEM files."
        ) from None
    return security
