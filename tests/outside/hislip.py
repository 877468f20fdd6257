"""A HiSLIP server that takes the standard at its word, in front of anything that answers messages.

Source: IVI-6.1, "IVI High-Speed LAN Instrument Protocol" (HiSLIP), revision 1.1: the message header
and types, the initialization of both channels, the largest message, message numbers, the
synchronized mode with its Interrupted messages, device clear. All from memory.

Nothing here imports the product.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from typing import NamedTuple

#: Prologue, message type, control code, message parameter, length of the payload.
HEADER = struct.Struct("!2sBBIQ")

INITIALIZE, INITIALIZE_RESPONSE, FATAL_ERROR = 0, 1, 2
DATA, DATA_END = 6, 7
DEVICE_CLEAR_COMPLETE, DEVICE_CLEAR_ACKNOWLEDGE = 8, 9
INTERRUPTED, ASYNC_INTERRUPTED = 13, 14
ASYNC_MAX_SIZE, ASYNC_MAX_SIZE_RESPONSE = 15, 16
ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 17, 18
ASYNC_DEVICE_CLEAR, ASYNC_STATUS_QUERY, ASYNC_STATUS_RESPONSE = 19, 21, 22
ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23

#: Number of the first message of a client; each further one counts two more.
FIRST_ID = 0xFFFF_FF00
VERSION, SESSION, VENDOR = 0x0101, 7, 0x5858


class Message(NamedTuple):
    """One message of the protocol."""

    kind: int
    control: int
    parameter: int
    payload: bytes


class BreachError(Exception):
    """The client broke the standard: the code of the fatal error, and what it did."""

    def __init__(self, code: int, what: str) -> None:
        super().__init__(what)
        self.code = code


class HislipServer:
    """One instrument behind HiSLIP on loopback.

    Args:
        answer: Carries a message out; returns its answer, or None where it has none.
        most_payload: An answer is cut into messages of so many bytes.
        sent_of: For a message: how many bytes of what answers it leave the instrument before it
            falls silent; None for all of them.

    Attributes:
        port: Where it listens.
        heard: Every program message, in order.
        breaches: What a client did against the standard.
        interruptions: How many answers were made void by the next message.
    """

    def __init__(
        self,
        answer: Callable[[str], str | None],
        *,
        most_payload: int = 1 << 20,
        sent_of: Callable[[str], int | None] = lambda _: None,
    ) -> None:
        self._answer = answer
        self._most_payload = most_payload
        self._sent_of = sent_of
        self._server = socket.create_server(("127.0.0.1", 0))
        self._channels: dict[str, socket.socket] = {}
        self._connections: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self.port = self._server.getsockname()[1]
        self.heard: list[str] = []
        self.breaches: list[str] = []
        self.interruptions = 0

    @contextlib.contextmanager
    def serving(self) -> Iterator[HislipServer]:
        """Serve until the block ends."""
        accepting = threading.Thread(target=self._accept)
        accepting.start()
        try:
            yield self
        finally:
            with contextlib.suppress(OSError):
                self._server.shutdown(socket.SHUT_RDWR)  # wakes the one that accepts
            accepting.join()
            self._server.close()
            for connection in self._connections:
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
            for thread in self._threads:
                thread.join()
            for connection in self._connections:
                connection.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                connection = self._server.accept()[0]
                self._connections.append(connection)
                self._threads.append(threading.Thread(target=self._serve, args=(connection,)))
                self._threads[-1].start()

    def _serve(self, connection: socket.socket) -> None:
        """Take one channel of a client from its first message to its end."""
        with contextlib.suppress(OSError):
            try:
                self._channel(connection)
            except BreachError as breach:
                self.breaches.append(str(breach))
                _send(connection, Message(FATAL_ERROR, breach.code, 0, str(breach).encode()))
                connection.shutdown(socket.SHUT_RDWR)

    def _channel(self, connection: socket.socket) -> None:
        first = _receive(connection)
        if first is None:
            return
        if first.kind == INITIALIZE:
            if first.parameter >> 16 < 0x0100 or not first.payload.startswith(b"hislip"):
                raise BreachError(3, f"no version or no sub-address: {first}")
            self._channels = {"sync": connection}
            reply = Message(INITIALIZE_RESPONSE, 0, VERSION << 16 | SESSION, b"")
            _send(connection, reply)
            self._synchronous(connection)
        elif first.kind == ASYNC_INITIALIZE:
            if first.parameter != SESSION or "sync" not in self._channels:
                raise BreachError(3, f"there is no session {first.parameter}")
            self._channels["async"] = connection
            _send(connection, Message(ASYNC_INITIALIZE_RESPONSE, 0, VENDOR, b""))
            self._asynchronous(connection)
        else:
            raise BreachError(3, f"message {first.kind} before the initialization")

    def _synchronous(self, connection: socket.socket) -> None:
        expected_id, program, delivered, waiting = FIRST_ID, b"", False, False
        while (message := _receive(connection)) is not None:
            if "async" not in self._channels:
                raise BreachError(2, "data before both channels stand")
            if message.kind == DEVICE_CLEAR_COMPLETE:
                expected_id, program, delivered, waiting = FIRST_ID, b"", False, False
                _send(connection, Message(DEVICE_CLEAR_ACKNOWLEDGE, 0, 0, b""))
                continue
            if message.kind not in {DATA, DATA_END} or message.control not in {0, 1}:
                raise BreachError(0, f"message {message.kind} with control {message.control}")
            if message.parameter != expected_id:
                raise BreachError(0, f"number {message.parameter:#x}, not {expected_id:#x}")
            if message.control and not delivered:
                raise BreachError(0, "it says an answer was delivered; none was")
            if waiting and not message.control:  # 3.1.1: the answer was not read to its end
                self.interruptions += 1
                _send(connection, Message(INTERRUPTED, 0, message.parameter, b""))
                interrupted = Message(ASYNC_INTERRUPTED, 0, message.parameter, b"")
                _send(self._channels["async"], interrupted)
            delivered = waiting = False
            expected_id = (expected_id + 2) & 0xFFFF_FFFF
            program += message.payload
            if message.kind == DATA:
                continue
            text, program = program.decode("ascii").removesuffix("\n"), b""
            self.heard.append(text)
            answer = self._answer(text)
            if answer is not None:
                delivered = self._respond(connection, text, answer + "\n", message.parameter)
                waiting = True

    def _respond(self, connection: socket.socket, text: str, answer: str, number: int) -> bool:
        """Send an answer, or as much of it as leaves the instrument; return whether all did."""
        data, most = answer.encode("ascii"), self._most_payload
        pieces = [data[start : start + most] for start in range(0, len(data), most)]
        stream = b"".join(
            HEADER.pack(b"HS", kind, 0, number, len(piece)) + piece
            for kind, piece in zip([DATA] * (len(pieces) - 1) + [DATA_END], pieces, strict=True)
        )
        sent = self._sent_of(text)
        connection.sendall(stream[:sent])
        return sent is None or sent >= len(stream)

    def _asynchronous(self, connection: socket.socket) -> None:
        while (message := _receive(connection)) is not None:
            match message.kind:
                case 15:  # AsyncMaxMsgSize
                    if len(message.payload) != 8:
                        raise BreachError(1, "the largest message is told in eight bytes")
                    size = struct.pack("!Q", 1 << 20)
                    _send(connection, Message(ASYNC_MAX_SIZE_RESPONSE, 0, 0, size))
                case 19:  # AsyncDeviceClear
                    _send(connection, Message(ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, 0, 0, b""))
                case 21:  # AsyncStatusQuery
                    _send(connection, Message(ASYNC_STATUS_RESPONSE, 0, 0, b""))
                case _:
                    raise BreachError(0, f"message {message.kind} on the asynchronous channel")


def _send(connection: socket.socket, message: Message) -> None:
    kind, control, parameter, payload = message
    connection.sendall(HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)


def _receive(connection: socket.socket) -> Message | None:
    """Return the next message, or None where the client has closed."""
    header = _exactly(connection, HEADER.size)
    if not header:
        return None
    prologue, kind, control, parameter, length = HEADER.unpack(header)
    if prologue != b"HS" or length > 1 << 20:
        raise BreachError(1, f"no header: {header!r}")
    return Message(kind, control, parameter, _exactly(connection, length))


def _exactly(connection: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        piece = connection.recv(size - len(data))
        if not piece:
            return b""
        data += piece
    return data
