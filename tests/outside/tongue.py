r"""An instrument that speaks its own way: a strict partner before one of the outside bench.

It takes bytes as that instrument would, puts what they mean to the SCPI instrument behind it, and
writes the answer its own way. It imports nothing of the product. What it does not understand to
the letter it does not carry out, does not answer, and notes in ``strange``.

    rules = [Rule(r"VOLT(\d{4})", lambda tenths: [f"VOLT {int(tenths) / 10}"])]
    with Tongue(bench.ports["supply"], rules) as tongue:
        ...  # the product talks to tongue.port
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import socket
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

#: How an answer is written, of what each question behind it was answered.
Writer = Callable[..., str]


@dataclass(frozen=True)
class Rule:
    """One message: its pattern, whole; what it means in SCPI; how the answer is written."""

    pattern: str
    means: Callable[..., Sequence[str]]  # groups of the pattern to SCPI messages
    answer: Writer | None = None  # None: there is none


class Tongue:
    """The partner, as a context.

    Args:
        behind: Port of the SCPI instrument.
        rules: What it understands, first match counts.
        ends: What ends a message, both ways.
        echo: Whether each message comes back before its answer.

    Attributes:
        port: Where it listens.
        heard: Every message with the time it came, on the monotonic clock; ``""`` is a connection.
        strange: What it did not understand.
    """

    def __init__(
        self, behind: int, rules: Sequence[Rule], *, ends: bytes = b"\n", echo: bool = False
    ) -> None:
        self._behind = behind
        self._rules = [(re.compile(rule.pattern), rule) for rule in rules]
        self._ends = ends
        self._echo = echo
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self.heard: list[tuple[float, str]] = []
        self.strange: list[str] = []
        self._lock = threading.Lock()
        self._threads: list[threading.Thread] = []
        self._open: list[socket.socket] = []

    @property
    def resource(self) -> str:
        """Where it is, as a bench file says it."""
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    @property
    def messages(self) -> list[str]:
        """What was said to it, in order."""
        return [message for _, message in self.heard]

    def __enter__(self) -> Self:
        """Listen."""
        self._threads.append(threading.Thread(target=self._accept))
        self._threads[0].start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let go of everybody."""
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self.drop()
        for thread in list(self._threads):
            thread.join()

    def drop(self) -> None:
        """Break every connection there is."""
        for one in list(self._open):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                connection = self._server.accept()[0]
                self._open.append(connection)
                self._threads.append(threading.Thread(target=self._converse, args=(connection,)))
                self._threads[-1].start()

    def _converse(self, connection: socket.socket | Terminal) -> None:
        self._hear("")
        known: dict[str, str] = {}
        behind = socket.create_connection(("127.0.0.1", self._behind))
        self._open.append(behind)
        for one in (connection, behind):
            if isinstance(one, Terminal):
                continue
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with (
            contextlib.suppress(OSError),
            contextlib.closing(connection),
            behind,
            behind.makefile("rb") as answers,
        ):
            self.greet(connection)
            received = b""
            while piece := connection.recv(4096):
                received += piece
                *whole, received = self.cut(received)
                for message in whole:
                    text = message.decode("latin-1")
                    self._hear(text)
                    if self._echo:
                        connection.sendall(message + self._ends)
                    if not self.takes(text, known):
                        continue
                    answer = self._answer(text, behind, answers.readline)
                    if answer is not None:
                        connection.sendall(answer.encode("latin-1") + self._ends)

    def greet(self, connection: socket.socket | Terminal) -> None:
        """Say something to whoever connects: nothing."""

    def takes(self, text: str, known: dict[str, str]) -> bool:  # noqa: ARG002 - of others
        """Say whether it takes a message, by what is known of this connection: it does."""
        return True

    def cut(self, received: bytes) -> list[bytes]:
        """Cut what came into whole messages and the rest."""
        return received.split(self._ends)

    def _hear(self, text: str) -> None:
        self.heard.append((time.monotonic(), text))

    def _answer(self, text: str, behind: socket.socket, read: Callable[[], bytes]) -> str | None:
        for pattern, rule in self._rules:
            match = pattern.fullmatch(text)
            if match is None:
                continue
            told = []
            with self._lock:
                for message in rule.means(*match.groups()):
                    behind.sendall(message.encode() + b"\n")
                    if "?" in message:
                        told.append(read().decode().strip())
            return None if rule.answer is None else rule.answer(*told)
        self.strange.append(text)
        return None


class Terminal:
    """Our end of a pseudo-terminal, spoken to as if it were a socket."""

    def __init__(self) -> None:
        import pty
        import tty

        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        self.device = os.ttyname(self._theirs)
        self._ended = threading.Event()

    def recv(self, size: int) -> bytes:
        """Return what came; nothing once it has ended."""
        while not self._ended.is_set():
            if select.select([self._ours], [], [], 0.05)[0]:
                return os.read(self._ours, size)
        return b""

    def sendall(self, data: bytes) -> None:
        """Send."""
        os.write(self._ours, data)

    def end(self) -> None:
        """Have whoever receives stop."""
        self._ended.set()

    def close(self) -> None:
        """Let go of both ends."""
        os.close(self._ours)
        os.close(self._theirs)


class SerialTongue(Tongue):
    """The partner on a serial port, with whole messages told by their pattern and by nothing else.

    There is no terminator, either way. The port stays as it is while others open and close it.
    """

    def __init__(self, *arguments: Any, **keys: Any) -> None:
        super().__init__(*arguments, **{**keys, "ends": b""})
        self._server.close()
        self._terminal = Terminal()

    @property
    def resource(self) -> str:
        """Where it is, as a bench file says it."""
        return f"ASRL{self._terminal.device}::INSTR"

    def __enter__(self) -> Self:
        """Listen."""
        self._threads.append(threading.Thread(target=self._converse, args=(self._terminal,)))
        self._threads[0].start()
        return self

    def drop(self) -> None:
        """Hear nothing any more."""
        self._terminal.end()
        super().drop()

    def cut(self, received: bytes) -> list[bytes]:
        """Take a message off as soon as it is whole."""
        whole = []
        found: re.Match[str] | None
        while found := next(
            filter(None, (p.match(received.decode()) for p, _ in self._rules)), None
        ):
            whole.append(found[0].encode())
            received = received[found.end() :]
        return [*whole, received]
