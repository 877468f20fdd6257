"""Workers on this machine: processes, each with a bench of its own."""

from __future__ import annotations

import contextlib
import gc
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from types import FrameType

from harness.errors import HarnessError
from harness.qualify.worker import Job, run_units
from harness.run.stop import StopRequest

__all__ = ["in_processes", "in_this_process"]

#: Chunks on their way for each worker: enough that none waits, few enough that a stop is quick.
_AHEAD = 2
#: How often a wait looks whether somebody wants to stop.
_LOOK_S = 0.2


def in_this_process(
    job: Job, chunks: Iterator[Sequence[int]], stop: StopRequest
) -> Iterator[list[str]]:
    """Yield the lines of chunk after chunk, carried out here.

    Raises:
        Interrupted: Somebody wants to stop.
    """
    for chunk in chunks:
        stop.raise_if_requested()
        yield run_units(job, chunk)


def in_processes(
    job: Job, chunks: Iterator[Sequence[int]], stop: StopRequest, *, workers: int
) -> Iterator[list[str]]:
    """Yield the lines of chunks as processes finish them.

    Raises:
        Interrupted: Somebody wants to stop; the workers are gone when it is raised.
        HarnessError: A worker died.
    """
    import multiprocessing

    # Spawned, not forked: the same on every system, and threads of the caller do not matter.
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(workers, context, initializer=_begin, initargs=(job,))
    running: set[Future[list[str]]] = set()
    try:
        with _unheard_interrupt():
            _fill(pool, running, chunks, workers)
        while running:
            finished, running = wait(running, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
            stop.raise_if_requested()
            _fill(pool, running, chunks, workers)
            for future in finished:
                yield future.result()
    except BrokenProcessPool as error:
        stop.raise_if_requested()
        raise HarnessError(
            "a worker process died", remedy="start the same command again: it goes on where it was"
        ) from error
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _fill(
    pool: ProcessPoolExecutor,
    running: set[Future[list[str]]],
    chunks: Iterator[Sequence[int]],
    workers: int,
) -> None:
    while len(running) < _AHEAD * workers:
        chunk = next(chunks, None)
        if chunk is None:
            return
        running.add(pool.submit(_work, chunk))


@contextlib.contextmanager
def _unheard_interrupt() -> Iterator[None]:
    """Have new processes ignore Ctrl-C from their first moment: it is for the parent to act on."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before: Callable[[int, FrameType | None], object] | int | None
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


# --- in the worker ------------------------------------------------------------------------------

_job: Job | None = None


def _begin(job: Job) -> None:
    global _job  # noqa: PLW0603 - one worker process serves one campaign
    _job = job
    for name in ("SIGINT", "SIGHUP", "SIGBREAK"):  # a terminal sends them to the whole group
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    # A unit leaves few cycles behind; what was imported leaves none. So look for them seldom.
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End this process when its parent is gone, however that ended."""
    import multiprocessing
    import os

    parent = multiprocessing.parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)


def _work(chunk: Sequence[int]) -> list[str]:
    assert _job is not None
    return run_units(_job, chunk)
