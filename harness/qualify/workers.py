"""Where a campaign is carried out: here, in processes of this machine, or on a Dask cluster.

A worker that dies takes nothing with it, since a unit follows from its number alone.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import islice
from typing import Any

from harness.errors import HarnessError, UsageError
from harness.qualify.worker import run_units
from harness.run.operator import StopRequest
from harness.shipped import version_of

#: Chunks on their way for each worker: enough that none waits, few enough that a stop is quick.
_AHEAD_LOCAL, _AHEAD_CLUSTER = 2, 3
#: How often a wait looks whether somebody wants to stop.
_LOOK_S = 0.2
#: Longest wait for the scheduler of a cluster, and for its first worker.
_CONNECT_S = 10.0
#: How often a cluster tries a chunk again whose worker died under it.
_RETRIES = 5
#: A unit leaves few cycles behind, so a worker looks for them seldom.
_GC_THRESHOLDS = (20_000, 20, 20)


#: Some units of a job, by their numbers there.
Chunk = tuple[Any, Sequence[int]]
#: Carries such units out and returns a line for each; importable, since workers are new processes.
Work = Callable[[Any, Sequence[int]], list[str]]


def usual_workers() -> int:
    """Return the number of cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def carried_out(
    chunks: Iterator[Chunk],
    stop: StopRequest,
    *,
    workers: int,
    cluster: str | None = None,
    work: Work = run_units,
) -> Iterator[list[str]]:
    """Yield the lines of chunks as they are finished, in so many processes; with one, in this one.

    A ``cluster`` has the work done instead: its scheduler's address, as ``tcp://10.0.0.5:8786``.

    Raises:
        UsageError: The extra is not installed, there is no scheduler at the address, or its workers
            have no harness of this version.
        HarnessError: A worker died, or a chunk failed on the cluster.
        Interrupted: Somebody wants to stop; nothing is left running.
    """
    if cluster is None and workers == 1:
        for job, indices in chunks:
            stop.raise_if_requested()
            yield work(job, indices)
        return
    with _processes(workers) if cluster is None else _cluster(cluster) as pool:
        yield from _through(pool, chunks, stop, work)


@dataclass(frozen=True, slots=True)
class _Pool:
    """An executor, how many chunks it takes at a time, and how it says that a worker died."""

    executor: Executor
    ahead: Callable[[], int]
    lost: type[Exception]
    what: str


def _through(
    pool: _Pool, chunks: Iterator[Chunk], stop: StopRequest, work: Work
) -> Iterator[list[str]]:
    running: set[Future[list[str]]] = set()
    try:
        while True:
            for chunk in islice(chunks, max(0, pool.ahead() - len(running))):
                running.add(pool.executor.submit(work, *chunk))
            if not running:
                return
            finished, running = wait(running, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
            stop.raise_if_requested()
            for future in finished:
                yield future.result()
    except pool.lost as error:
        stop.raise_if_requested()
        raise HarnessError(
            f"{pool.what} ({type(error).__name__}: {error})",
            remedy="start the same command again: it goes on where it was",
        ) from error
    finally:
        for future in running:
            future.cancel()


# --- processes of this machine


@contextlib.contextmanager
def _processes(workers: int) -> Iterator[_Pool]:
    # Spawned, not forked: the same on every system, and threads of the caller do not matter.
    context = multiprocessing.get_context("spawn")
    executor = ProcessPoolExecutor(workers, context, initializer=_begin)
    try:
        with _ignored_interrupt():
            for _ in range(workers):  # each starts a process
                executor.submit(int)
        yield _Pool(
            executor, lambda: _AHEAD_LOCAL * workers, BrokenProcessPool, "a worker process died"
        )
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


@contextlib.contextmanager
def _ignored_interrupt() -> Iterator[None]:
    """Have new processes ignore Ctrl-C from their first moment: it is for the parent to act on."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _begin() -> None:
    for name in ("SIGINT", "SIGHUP", "SIGBREAK"):  # a terminal sends them to the whole group
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    gc.freeze()  # what was imported leaves no cycles
    gc.set_threshold(*_GC_THRESHOLDS)
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End this process when its parent is gone, however that ended."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)


# --- a cluster


@contextlib.contextmanager
def _cluster(address: str) -> Iterator[_Pool]:
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError as error:
        raise UsageError(
            "a cluster needs the extra 'cluster'", remedy='pip install "softwake[cluster]"'
        ) from error
    try:
        client = distributed.Client(address, timeout=_CONNECT_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"no scheduler answers ({error})",
            where=f"cluster {address}",
            remedy="start one with: dask scheduler",
        ) from error
    with client:
        _check_version(client, address)
        # pure: a key of its own, so that an earlier campaign's result is never taken for it.
        executor = client.get_executor(pure=False, retries=_RETRIES)
        yield _Pool(
            executor,
            lambda: _AHEAD_CLUSTER * max(1, sum(client.ncores().values())),
            Exception,
            "a part of the campaign failed on the cluster",
        )


def _check_version(client: Any, address: str) -> None:
    """See that there are workers, and that they would carry units out as this program would."""
    try:
        client.wait_for_workers(1, timeout=_CONNECT_S)
    except TimeoutError as error:
        raise UsageError(
            "the scheduler has no workers",
            where=f"cluster {address}",
            remedy=f"start some with: dask worker {address}",
        ) from error
    here = version_of("softwake")
    for worker, there in client.run(version_of, "softwake", on_error="return").items():
        if there != here:
            said = f"softwake {there}" if isinstance(there, str) else f"no softwake ({there})"
            raise UsageError(
                f"worker {worker} has {said}, here is softwake {here}",
                where=f"cluster {address}",
                remedy="install the same version everywhere",
            )
