"""A strict VXI-11 server: one core channel, with an instrument behind each link.

Written from VXI-11 revision 1.0 (1995), B.4 to B.6, and ONC RPC with XDR (RFC 5531, RFC 4506), from
memory. Nothing here comes from the product under test, nor from the library that it uses.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Callable, Iterator

PROGRAM, VERSION = 0x0607AF, 1
CREATE_LINK, WRITE, READ, DESTROY_LINK = 10, 11, 12, 23
NO_ERROR, NOT_ACCESSIBLE, INVALID_LINK, IO_TIMEOUT = 0, 3, 4, 15
_END, _CHAR_SET = 8, 128  # operation flags
_COUNT, _CHAR, _ENDED = 1, 2, 4  # reasons why a read ends

Handler = Callable[[str], str | None]


class _Arguments:
    """XDR, read one after the other."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def number(self) -> int:
        (value,) = struct.unpack_from(">I", self._data, self._at)
        self._at += 4
        return int(value)

    def opaque(self) -> bytes:
        size = self.number()
        value = self._data[self._at : self._at + size]
        self._at += (size + 3) // 4 * 4
        return value


class Vxi11Server:
    """The server; ``handle`` answers whole messages.

    Args:
        handle: Takes a program message, returns the response message or None.
        most_payload: Longest piece that it takes and gives.

    Attributes:
        port: Of its core channel.
        breaches: What a client did against the standard.
        links: How many links are open.
    """

    def __init__(self, handle: Handler, *, most_payload: int = 1 << 16) -> None:
        self._handle, self._most = handle, most_payload
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self.breaches: list[str] = []
        self.links = 0

    @contextlib.contextmanager
    def serving(self) -> Iterator[None]:
        """Serve every connection in a thread of its own."""
        threads: list[threading.Thread] = []
        sockets: list[socket.socket] = []

        def accept() -> None:
            with contextlib.suppress(OSError):
                while True:
                    connection = self._server.accept()[0]
                    sockets.append(connection)
                    threads.append(threading.Thread(target=self._converse, args=(connection,)))
                    threads[-1].start()

        acceptor = threading.Thread(target=accept)
        acceptor.start()
        yield
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        acceptor.join()
        for one in sockets:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        for thread in threads:
            thread.join()

    def _converse(self, connection: socket.socket) -> None:
        link = _Link()
        with contextlib.suppress(OSError, EOFError), connection:
            while True:
                reply = self._answer(_record(connection), link)
                connection.sendall(struct.pack(">I", 0x80000000 | len(reply)) + reply)

    def _answer(self, call: bytes, link: _Link) -> bytes:
        told = _Arguments(call)
        transaction, kind, rpc = told.number(), told.number(), told.number()
        program, version, procedure = told.number(), told.number(), told.number()
        for _ in range(2):  # credentials and verifier
            told.number()
            told.opaque()
        if (kind, rpc, program, version) != (0, 2, PROGRAM, VERSION):
            self.breaches.append(f"call of {program:#x} version {version} by RPC {rpc}")
        results = {
            CREATE_LINK: self._create,
            WRITE: self._write,
            READ: self._read,
            DESTROY_LINK: self._destroy,
        }[procedure](told, link)
        return struct.pack(">IIIIII", transaction, 1, 0, 0, 0, 0) + results

    def _create(self, told: _Arguments, link: _Link) -> bytes:
        told.number()  # the client's own number
        told.number()  # lock it
        told.number()  # lock time-out
        there = told.opaque() == b"inst0"
        link.open = there
        self.links += there
        return struct.pack(">IIII", NO_ERROR if there else NOT_ACCESSIBLE, 1, 0, self._most)

    def _write(self, told: _Arguments, link: _Link) -> bytes:
        number, _, _, flags = (told.number() for _ in range(4))
        data = told.opaque()
        if not link.open or number != 1:
            return struct.pack(">II", INVALID_LINK, 0)
        if len(data) > self._most:
            self.breaches.append(f"{len(data)} bytes in one write, with {self._most} allowed")
        link.received += data
        if flags & _END:
            message, link.received = link.received.decode("ascii").rstrip("\r\n"), b""
            if link.answer:
                self.breaches.append(f"{message!r} before the last answer was read")
            answer = self._handle(message)
            link.answer = b"" if answer is None else answer.encode("ascii") + b"\n"
        return struct.pack(">II", NO_ERROR, len(data))

    def _read(self, told: _Arguments, link: _Link) -> bytes:
        number, wanted, _, _, flags, end = (told.number() for _ in range(6))
        if not link.open or number != 1:
            return struct.pack(">III", INVALID_LINK, 0, 0)
        if not link.answer:
            return struct.pack(">III", IO_TIMEOUT, 0, 0)
        piece = link.answer[: min(wanted, self._most)]
        reason = _COUNT if len(piece) == wanted else 0
        if flags & _CHAR_SET and bytes([end & 0xFF]) in piece:
            piece = piece[: piece.index(end & 0xFF) + 1]
            reason |= _CHAR
        link.answer = link.answer[len(piece) :]
        reason |= 0 if link.answer else _ENDED
        padded = piece + b"\0" * (-len(piece) % 4)
        return struct.pack(">III", NO_ERROR, reason, len(piece)) + padded

    def _destroy(self, told: _Arguments, link: _Link) -> bytes:
        there = link.open and told.number() == 1
        link.open = False
        self.links -= there
        return struct.pack(">I", NO_ERROR if there else INVALID_LINK)


class _Link:
    """What one connection has under way."""

    def __init__(self) -> None:
        self.open = False
        self.received = b""
        self.answer = b""


def _record(connection: socket.socket) -> bytes:
    """Receive one record: fragments up to the last one (RFC 5531, 11)."""
    record = b""
    while True:
        (head,) = struct.unpack(">I", _exactly(connection, 4))
        record += _exactly(connection, head & 0x7FFFFFFF)
        if head & 0x80000000:
            return record


def _exactly(connection: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        piece = connection.recv(size - len(data))
        if not piece:
            raise EOFError
        data += piece
    return data
