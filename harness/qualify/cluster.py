"""Workers on other machines: the same chunks, handed to a Dask scheduler."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from harness.errors import HarnessError, UsageError
from harness.qualify.worker import Job, run_units, software_version
from harness.run.stop import StopRequest

__all__ = ["on_cluster"]

#: Chunks on their way for each worker.
_AHEAD = 3
#: How often a wait looks whether somebody wants to stop.
_LOOK_S = 0.2
#: Longest wait for the scheduler, and for its first worker.
_CONNECT_S = 10.0
#: How often a chunk is tried anew whose worker died under it.
_RETRIES = 5


def on_cluster(
    job: Job, chunks: Iterator[Sequence[int]], stop: StopRequest, *, address: str
) -> Iterator[list[str]]:
    """Yield the lines of chunks as the cluster's workers finish them.

    A worker that dies takes nothing with it: the scheduler gives its chunks to another one, and
    since a unit follows from its number alone, the second try is the first.

    Args:
        job: The campaign.
        chunks: Numbers of the units.
        stop: Whether somebody wants to stop.
        address: Address of the scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises:
        UsageError: The extra is not installed, there is no scheduler at the address, or its workers
            have no harness of this version.
        HarnessError: A chunk failed on the cluster.
        Interrupted: Somebody wants to stop; nothing is left running.
    """
    try:
        import distributed
    except ImportError as error:
        raise UsageError(
            "a cluster needs the extra 'cluster'", remedy='pip install "softwake[cluster]"'
        ) from error
    with _client(distributed, address) as client:
        _same_version(client, address)
        running: set[Any] = set()
        try:
            while True:
                _fill(client, job, running, chunks)
                if not running:
                    return
                finished = _finished(distributed, running)
                stop.raise_if_requested()
                for future in finished:
                    running.discard(future)
                    yield _lines(future)
        finally:
            client.cancel(list(running))


def _client(distributed: Any, address: str) -> Any:
    try:
        return distributed.Client(address, timeout=_CONNECT_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"no scheduler answers ({error})",
            where=f"cluster {address}",
            remedy="start one with: dask scheduler",
        ) from error


def _same_version(client: Any, address: str) -> None:
    """See that there are workers, and that they would carry units out as this program would."""
    try:
        client.wait_for_workers(1, timeout=_CONNECT_S)
    except TimeoutError as error:
        raise UsageError(
            "the scheduler has no workers",
            where=f"cluster {address}",
            remedy=f"start some with: dask worker {address}",
        ) from error
    here = software_version()
    for worker, there in client.run(software_version, on_error="return").items():
        if there != here:
            said = f"softwake {there}" if isinstance(there, str) else f"no softwake ({there})"
            raise UsageError(
                f"worker {worker} has {said}, here is softwake {here}",
                where=f"cluster {address}",
                remedy="install the same version everywhere",
            )


def _fill(client: Any, job: Job, running: set[Any], chunks: Iterator[Sequence[int]]) -> None:
    cores = max(1, sum(client.ncores().values()))
    while len(running) < _AHEAD * cores:
        chunk = next(chunks, None)
        if chunk is None:
            return
        # The job travels with every chunk: kept on a worker, it would be lost with that worker.
        # pure=False: a key of its own, so that an earlier campaign's result is never taken for it.
        running.add(client.submit(run_units, job, chunk, pure=False, retries=_RETRIES))


def _finished(distributed: Any, running: set[Any]) -> list[Any]:
    try:
        done = distributed.wait(running, timeout=_LOOK_S, return_when="FIRST_COMPLETED").done
    except TimeoutError:
        return []
    return list(done)


def _lines(future: Any) -> list[str]:
    try:
        lines: list[str] = future.result()
    except Exception as error:
        raise HarnessError(
            f"a part of the campaign failed on the cluster ({type(error).__name__}: {error})",
            remedy="start the same command again: it goes on where it was",
        ) from error
    return lines
