"""Samples a second of a real run with twenty viewers on its page, over those without one.

``python -m benchmarks.viewers ADDRESS COUNT`` watches a page so often, until its input ends.
"""

from __future__ import annotations

import asyncio
import contextlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

from benchmarks.figure import Figure, Goal
from benchmarks.live_unit import served_bench, take_in_hand
from benchmarks.turns import in_turns
from harness.bench.clock import SystemClock
from harness.power.process_bench import open_process_bench
from harness.watch.page_server import PageServer

__all__ = ["watched_samples"]

_ROOT = Path(__file__).resolve().parents[1]
_LATE_S = 60.0


def watched_samples(*, seconds: float = 3.0, viewers: int = 20, rounds: int = 5) -> Figure:
    """Measure the samples a second of a run that is watched, over those of one that is not.

    Args:
        seconds: How long each turn holds, on the run's clock.
        viewers: How many watch, of whom every second one never reads.
        rounds: Turns of each side.
    """
    clock = SystemClock()
    with contextlib.ExitStack() as stack:
        bench = stack.enter_context(served_bench())
        opened = stack.enter_context(open_process_bench(bench, clock))
        opened.identities()
        unit = stack.enter_context(take_in_hand(opened, clock))
        page = PageServer(lambda _: None)
        stack.callback(page.close)
        folder = unit.context.sink.folder
        assert folder is not None
        page.start(folder)
        unit.start()

        def watched() -> float:
            unit.context.host.expect_silence(_LATE_S)  # while the viewers gather
            with _viewers(page.view_address, viewers):
                sample_s = unit.hold(seconds)
                unit.context.host.expect_silence(_LATE_S)  # while they leave
            return sample_s

        both = in_turns(watched, lambda: unit.hold(seconds), rounds)
    return Figure(
        name=f"samples a second with {viewers} viewers over those without",
        value=1.0 / both.ratio,
        goal=Goal(">=", 0.95),
        told=f"{1.0 / both.ours_s:.0f} a second against {1.0 / both.theirs_s:.0f}",
        conditions=(
            "unit A at nominal voltage on loopback TCP, the supply answers at once; keeper, "
            "engine, page and viewers are a process each, the page's in both turns; every "
            f"second viewer never reads; medians of {rounds} turns of {seconds:g} s"
        ),
    )


@contextlib.contextmanager
def _viewers(address: str, count: int) -> Iterator[None]:
    """Have a page watched by so many, from another process, while the block runs."""
    command = [sys.executable, "-m", "benchmarks.viewers", address, str(count)]
    with subprocess.Popen(  # noqa: S603 - our own
        command, cwd=_ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="ascii"
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == f"{count}\n"  # all of them see something
            yield
        finally:
            process.stdin.close()


async def _watch(address: str, count: int) -> None:
    """Open so many streams, say how many there are, and read every second one to no end."""
    told = urlsplit(address)
    streams = []
    for _ in range(count):
        reader, writer = await asyncio.open_connection(told.hostname, told.port)
        writer.write(f"GET {told.path}events HTTP/1.1\r\nHost: {told.netloc}\r\n\r\n".encode())
        await asyncio.wait_for(reader.readuntil(b"data: "), _LATE_S)
        streams.append((reader, writer))
    print(count, flush=True)
    tasks = [asyncio.create_task(_read(reader)) for reader, _ in streams[::2]]
    await asyncio.to_thread(sys.stdin.read)
    for task in tasks:
        task.cancel()


async def _read(reader: asyncio.StreamReader) -> None:
    while await reader.read(65536):
        pass


if __name__ == "__main__":
    asyncio.run(_watch(sys.argv[1], int(sys.argv[2])))
