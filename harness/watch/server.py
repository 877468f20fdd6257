"""Serves the page of one run, in a process of its own that follows the run's folder.

To the run it says one line with its port and tokens, and later perhaps one more: to switch off. It
reads nothing from the run but the end of its pipe, and outlives it for a moment, so that open pages
see how it ended. Whatever becomes of this process, the run goes on.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import socket
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from harness.power.off_line import say_off, taken_over
from harness.watch.app import Page, Runs
from harness.watch.feed import RunFeed
from harness.watch.fold import Output

#: Time between two looks into the run's folder.
_POLL_S = 0.1
#: How long the page stays after the run, so that whoever watches sees its end; and how long the
#: end may take to be written.
_STAY_S, _WRITTEN_S = 20.0, 3.0
#: 96 bits: half as many again as a session on the open network is asked for (common practice).
_TOKEN_BYTES = 12
_GONE = {
    Output.OFF: "the program that led this run is gone; output off is the last that is known. "
    "Measure before you touch",
    Output.ON: "the program that led this run is gone; the keeper switches off within about half a "
    "second of that, but did not say so. Look at the supply, and measure before you touch",
    Output.UNCONFIRMED: "the program that led this run is gone, and output off is not confirmed",
}

#: What is said to the run to have it switched off.
OFF = "off"


def listening() -> socket.socket:
    """Return a socket on a free port of this machine that only this machine reaches."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.bind(("127.0.0.1", 0))
    listener.listen()  # whoever is told the port may call at once
    return listener


def port_of(listener: socket.socket) -> int:
    """Return the port of a socket."""
    return int(listener.getsockname()[1])


def new_token() -> str:
    """Return a token that nobody guesses; with it an address still fits into 40 columns."""
    return secrets.token_urlsafe(_TOKEN_BYTES)


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


def main() -> None:
    """Serve the run whose folder the command line names."""
    off_end = taken_over(sys.argv[2]) if len(sys.argv) > 2 else None
    told = os.fdopen(os.dup(1), "w", encoding="utf-8", newline="\n")
    null = os.open(os.devnull, os.O_RDWR)
    os.dup2(null, 1)  # whatever a library prints is no message
    runs = _OneRun(Path(sys.argv[1]))
    threading.Thread(target=runs.watch_pipe, name="pipe", daemon=True).start()
    listener = listening()
    port = port_of(listener)
    tokens = {"bench_token": new_token(), "view_token": new_token()}

    def say(text: str) -> None:
        with contextlib.suppress(OSError, ValueError):  # the run is over
            told.write(f"{text}\n")
            told.flush()

    def switch_off() -> None:
        if off_end is not None:
            say_off(off_end, "on the page")  # to the keeper, whatever the run is doing
        say(OFF)

    page = Page(runs, port=port, switch_off=switch_off, **tokens)
    facts: dict[str, Any] = {"port": port, **tokens}
    say(json.dumps(facts))
    asyncio.run(serve(page, listener, runs.turn))
    os._exit(0)  # nothing is left to do, and no thread is waited for


if __name__ == "__main__":
    main()
