"""Serves a page; that of one run follows the run's folder, in a process of its own.

It reads nothing from the run but the end of its pipe, and outlives it for a moment, so that open
pages see how it ended. Whatever becomes of this process, the run goes on.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path

from harness.watch.address import port_of
from harness.watch.app import Page, Runs
from harness.watch.feed import RunFeed
from harness.watch.fold import Output

#: Time between two looks into the run's folder.
_POLL_S = 0.1
#: How long the page stays after the run, so that whoever watches sees its end; and how long the
#: end may take to be written.
_STAY_S, _WRITTEN_S = 20.0, 3.0
_GONE = {
    Output.OFF: "the program that led this run is gone; output off is the last that is known. "
    "Measure before you touch",
    Output.ON: "the program that led this run is gone; the keeper switches off within about half a "
    "second of that, but did not say so. Look at the supply, and measure before you touch",
    Output.UNCONFIRMED: "the program that led this run is gone, and output off is not confirmed",
}


async def serve(page: Page, listener: socket.socket, turn: Callable[[], bool]) -> None:
    """Serve a page, and have something done in turn beside it until that says it is over."""
    import uvicorn

    config = uvicorn.Config(
        page,
        log_config=None,
        access_log=False,
        lifespan="off",
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=1,
        h11_max_incomplete_event_size=16384,
        http="h11",
        ws="none",
        loop="asyncio",
    )
    server = uvicorn.Server(config)
    # signals are for whoever started this
    server.capture_signals = contextlib.nullcontext  # type: ignore[method-assign,assignment]
    serving = asyncio.ensure_future(server.serve(sockets=[listener]))
    while not serving.done():
        if await asyncio.to_thread(turn):
            server.should_exit = True
        await asyncio.sleep(_POLL_S)
    await serving


class _OneRun(Runs):
    """One run, and whether its program is still there."""

    def __init__(self, folder: Path) -> None:
        self._feed = RunFeed(folder)
        self._gone = threading.Event()
        self._since_s: float | None = None

    def feed(self, name: str) -> RunFeed | None:
        """Return the one run there is."""
        return None if name else self._feed

    def listed(self) -> str | None:
        """There is only one."""
        return None

    def watch_pipe(self) -> None:
        """Wait for the end of the run's program."""
        with contextlib.suppress(OSError):
            while os.read(0, 4096):
                pass
        self._gone.set()

    def turn(self) -> bool:
        """Look for what is new; whether it is time to end."""
        self._feed.poll()
        if not self._gone.is_set():
            self._feed.look_for_silence()  # it may be stopped, and the pipe stay open
            return False
        now_s = time.monotonic()
        self._since_s = now_s if self._since_s is None else self._since_s
        if now_s - self._since_s > _WRITTEN_S:
            self._feed.lose(_GONE[self._feed.output])
        return now_s - self._since_s > _STAY_S


def serve_run(
    folder: Path,
    listener: socket.socket,
    switch_off: Callable[[], None],
    *,
    bench_token: str,
    view_token: str,
) -> None:
    """Serve a run's folder on a socket until some time after the pipe at standard input ends."""
    runs = _OneRun(folder)
    threading.Thread(target=runs.watch_pipe, name="pipe", daemon=True).start()
    page = Page(
        runs,
        port=port_of(listener),
        switch_off=switch_off,
        bench_token=bench_token,
        view_token=view_token,
    )
    asyncio.run(serve(page, listener, runs.turn))
