"""The engine's end of the pipe to the keeper process: messages, and signs of life both ways."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from harness.bench.clock import SystemClock
from harness.power import messages
from harness.power.vigil import LOOK_S, Silence

__all__ = ["Channel", "start_keeper"]

#: Longest wait for a killed process to be gone, with its links.
_KILLING_S = 0.3


class Channel:
    """Sends, receives, and gives signs of life while we wait.

    What is on its way to the keeper is bounded: a request waits for its answer, room for samples is
    made once for half a window, and a mere sign of life goes out only where nothing else waits.

    Args:
        process: The keeper's process.
        clock: The run's clock.

    Attributes:
        attend: Called at least each 50 ms from a thread of its own, and by whoever waits here: what
            must be seen in time is seen whatever this process is doing.
    """

    def __init__(self, process: subprocess.Popen[bytes], clock: SystemClock) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self.attend: Callable[[], None] = lambda: None
        self._process = process
        self._clock = clock
        self._incoming: SimpleQueue[Any] = SimpleQueue()
        self._outgoing: SimpleQueue[Any] = SimpleQueue()
        self._silence = Silence(clock.now_s())
        self._sent_s = 0.0
        self._beat_until_s = 0.0
        self._closed = threading.Event()
        messages.pump_in(process.stdout, self._arrived)
        self._sender = messages.pump_out(process.stdin, self._outgoing)
        threading.Thread(target=self._go_on, name="beats", daemon=True).start()

    def send(self, message: Any) -> None:
        """Send a message; nothing here ever waits for the other end."""
        self._outgoing.put(message)
        self._sent_s = self._clock.now_s()

    def beat(self, longest_s: float) -> None:
        """Give signs of life for at most so long, or until the next message is waited for."""
        now_s = self._clock.now_s()
        self._show_life(now_s)
        self._beat_until_s = now_s + longest_s

    def silent_s(self) -> float:
        """Return how long the keeper has been silent, as far as we were there to hear it."""
        return self._silence.look(self._clock.now_s())

    def receive(self, longest_s: float) -> Any:
        """Return the next message; None if the keeper is silent for so long."""
        self._beat_until_s = 0.0
        while True:
            self._show_life(self._clock.now_s())
            message = None
            with contextlib.suppress(Empty):
                message = self._incoming.get(timeout=LOOK_S)
            self.attend()  # before the message: it may be from before we were held up
            if message is not None or self.silent_s() > longest_s:
                return message

    def close(self) -> None:
        """Let the other end know that we are gone."""
        self._closed.set()
        self._outgoing.put(messages.Closed())
        self._sender.join(timeout=1.0)
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()

    def kill(self) -> None:
        """End the process at once, so that its links are free; whoever waits here is told."""
        self._process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(timeout=_KILLING_S)
        self._incoming.put(messages.Closed())

    def _arrived(self, message: Any) -> None:
        self._silence.heard(self._clock.now_s())
        if not isinstance(message, messages.Alive):
            self._incoming.put(message)

    def _show_life(self, now_s: float) -> None:
        if now_s - self._sent_s >= LOOK_S and self._outgoing.empty():
            self.send(messages.Alive())

    def _go_on(self) -> None:
        while not self._closed.wait(LOOK_S):
            self.attend()
            now_s = self._clock.now_s()
            if now_s < self._beat_until_s:
                self._show_life(now_s)


def start_keeper() -> subprocess.Popen[bytes]:
    """Start the process outside the terminal's process group: Ctrl-C is not for it."""
    apart: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    # Our own path, made absolute, and not the current folder: a workshop's queue.py must not get
    # between the keeper and its library.
    path = os.pathsep.join(str(Path(entry).resolve()) for entry in sys.path if entry)
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "harness.power.keeper_process"],
        env={**os.environ, "PYTHONPATH": path},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        **apart,
    )
