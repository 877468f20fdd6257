"""The pipe between engine and keeper process: pickled messages, both ways.

Both ends are this program, started by itself; nobody else can write to the pipe.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import IO, Any

from harness.bench.clock import SystemClock
from harness.power.attention import LOOK_S, Silence
from harness.power.off_line import inherited

#: So many samples may be on their way at a time. An engine takes one in about 0.15 ms, so that even
#: behind a full window it is 10 ms late, well inside the 50 ms that a sample may be old. At 400
#: samples a second a window bridges 160 ms, which most meters need, without leaving one out.
WINDOW = 64
#: Longest wait for a killed process to be gone, with its links.
_KILLING_S = 0.3


@dataclass(frozen=True, slots=True)
class Call:
    """To either end: call there this method of the ports in :mod:`harness.power.port`.

    To the keeper ``open`` comes first, with the bench file and the origin of the clock;
    ``make_room`` says how many samples were taken, so that there is room for as many more. To the
    engine there is ``on_event`` alone. An answer has the number of its call; before power they come
    one by one, and have none.
    """

    method: str
    arguments: tuple[Any, ...] = ()
    number: int = 0


@dataclass(frozen=True, slots=True)
class Answer:
    """To the engine: what came of a call, a value or the error that kept it from being made.

    Samples, and errors that have cut power, go to the engine as they are.
    """

    number: int
    value: Any = None
    live: bool = False


class Sign(Enum):
    """To either end: what is said without words."""

    ALIVE = "alive"  # sent where there is nothing else to say, which would tell so as well
    LEAVING = "leaving"  # the engine closes the pipe next, and sees to the record itself
    CLOSED = "closed"  # the other end is gone


def pump_in(stream: IO[bytes], arrived: Callable[[Any], None]) -> None:
    """Pass on each message as it comes in until the stream ends; then that it is closed.

    A thread of its own does this, since no way to wait for a pipe works on every system.
    """

    def pump() -> None:
        # whatever cannot be read, as a message that is cut off in the middle, is as good as closed
        with contextlib.suppress(Exception):
            while True:
                arrived(pickle.load(stream))  # noqa: S301 - ours
        arrived(Sign.CLOSED)

    threading.Thread(target=pump, name="incoming", daemon=True).start()


def pump_out(stream: IO[bytes], queue: SimpleQueue[Any]) -> threading.Thread:
    """Write messages from a queue until it is closed.

    A reader that does not read holds up this thread and no other.
    """

    def pump() -> None:
        with contextlib.suppress(OSError, ValueError):  # nobody listens; the other pipe says so
            while (message := queue.get()) is not Sign.CLOSED:
                stream.write(pickle.dumps(message, pickle.HIGHEST_PROTOCOL))
                if queue.empty():
                    stream.flush()
            stream.flush()

    thread = threading.Thread(target=pump, name="outgoing", daemon=True)
    thread.start()
    return thread


class Channel:
    """The engine's end: sends, receives, and gives signs of life while we wait.

    What is on its way to the keeper is bounded: a call waits for its answer, room for samples is
    made once for half a window, and a mere sign of life goes out only where nothing else waits.
    """

    def __init__(self, process: subprocess.Popen[bytes], clock: SystemClock) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        #: Called at least each 50 ms from a thread of its own, and by whoever waits here: what must
        #: be seen in time is seen whatever this process is doing.
        self.attend: Callable[[], None] = lambda: None
        self._process = process
        self._clock = clock
        self._incoming: SimpleQueue[Any] = SimpleQueue()
        self._outgoing: SimpleQueue[Any] = SimpleQueue()
        self._silence = Silence(clock.now_s())
        self._sent_s = 0.0
        self._beat_until_s = 0.0
        self._closed = threading.Event()
        pump_in(process.stdout, self._arrived)
        self._sender = pump_out(process.stdin, self._outgoing)
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

    @property
    def has_come(self) -> bool:
        """Whether a message of the keeper waits to be received."""
        return not self._incoming.empty()

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
        self._outgoing.put(Sign.LEAVING)
        self._outgoing.put(Sign.CLOSED)
        self._sender.join(timeout=1.0)
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()

    def kill(self) -> None:
        """End the process at once, so that its links are free; whoever waits here is told."""
        self._process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(timeout=_KILLING_S)
        self._incoming.put(Sign.CLOSED)

    def _arrived(self, message: Any) -> None:
        self._silence.heard(self._clock.now_s())
        if message is not Sign.ALIVE:
            self._incoming.put(message)

    def _show_life(self, now_s: float) -> None:
        if now_s - self._sent_s >= LOOK_S and self._outgoing.empty():
            self.send(Sign.ALIVE)

    def _go_on(self) -> None:
        while not self._closed.wait(LOOK_S):
            self.attend()
            now_s = self._clock.now_s()
            if now_s < self._beat_until_s:
                self._show_life(now_s)


def start_keeper(off_reader: int | None) -> subprocess.Popen[bytes]:
    """Start the keeper's process, with the end of a line on which off is said to it."""
    return start_own_process("harness.power.keeper_process", off_end=off_reader)


def start_own_process(
    module: str, *arguments: str, errors: int | None = None, off_end: int | None = None
) -> subprocess.Popen[bytes]:
    """Start a module of this program, with a pipe each way, outside the terminal's process group.

    Ctrl-C is not for it. ``errors`` is where its standard error goes; ``off_end`` is an end of an
    :class:`~harness.power.off_line.OffLine` that it gets as its last argument.
    """
    if off_end is not None:
        with inherited(off_end) as (argument, needed):
            return _start(module, *arguments, argument, stderr=errors, **needed)
    return _start(module, *arguments, stderr=errors)


def see_out(process: subprocess.Popen[bytes]) -> None:
    """Leave a process to end by itself, however long it takes; then nothing of it is left."""

    def waiting() -> None:
        process.wait()
        with contextlib.suppress(OSError):
            assert process.stdout is not None
            process.stdout.close()

    with contextlib.suppress(RuntimeError):  # no thread to be had: the system sees it out
        threading.Thread(target=waiting, name="see-out", daemon=True).start()


def _start(module: str, *arguments: str, **how: Any) -> subprocess.Popen[bytes]:
    apart: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    # Our own path, made absolute, and not the current folder: a workshop's queue.py must not get
    # between the keeper and its library.
    path = os.pathsep.join(str(Path(entry).resolve()) for entry in sys.path if entry)
    return subprocess.Popen(  # noqa: S603 - our own interpreter and module
        [sys.executable, "-P", "-m", module, *arguments],
        env={**os.environ, "PYTHONPATH": path},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        **apart,
        **how,
    )
