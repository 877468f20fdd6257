"""Instruments that answer in tens of microseconds, or as late as a test says.

``python -m tests.power.quick_bench supply=0 meter=0.1`` serves a supply with a resistor on it, and
a meter that takes 0.1 s for each answer, in a process of its own: it prints their ports and ends
with its standard input.
"""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from harness.profile.bench_file import BenchFile

ROOT = Path(__file__).resolve().parents[2]

#: What hangs on the supply, in ohms.
RESISTOR_OHM = 80.0

_DIALECTS = {"supply": "scpi-dc-supply", "meter": "scpi-meter", "load": "scpi-load"}


class _Bench:
    """A supply with a resistor on it; the others read what it gives."""

    def __init__(self) -> None:
        self._settings = {"OUTP": "0", "INP": "0", "VOLT": "0", "CURR": "0"}

    def answer(self, message: str) -> str | None:
        """Carry a message out; return its answer, or None where there is none."""
        if "?" not in message:
            header, _, value = message.partition(" ")
            self._settings[header] = {"ON": "1", "OFF": "0"}.get(value, value)
            return None
        return ";".join(self._value(part.strip(":?")) for part in message.split(";"))

    def _value(self, header: str) -> str:
        voltage_v = float(self._settings["VOLT"]) if self._settings["OUTP"] == "1" else 0.0
        if header.startswith("MEAS:VOLT"):
            return f"{voltage_v:.6E}"
        if header.startswith("MEAS:CURR"):
            return f"{voltage_v / RESISTOR_OHM:.6E}"
        if header.startswith("MEAS:POW"):
            return f"{voltage_v**2 / RESISTOR_OHM:.6E}"
        fixed = {"*IDN": "Workshop,QUICK,1,1.0", "SYST:ERR": '0,"No error"'}
        return fixed.get(header) or self._settings.get(header, "0")


@contextlib.contextmanager
def quick_bench(**delays_s: float) -> Iterator[BenchFile]:
    """Serve instruments in another process for as long as the block runs.

    Args:
        delays_s: How long each takes to answer, by role.

    Yields:
        The bench file for them.
    """
    command = [sys.executable, "-m", "tests.power.quick_bench"]
    with subprocess.Popen(
        [*command, *(f"{role}={delay_s}" for role, delay_s in delays_s.items())],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="ascii",
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            ports = process.stdout.readline().split()
            yield _bench_file(dict(zip(delays_s, ports, strict=True)))
        finally:
            process.stdin.close()


def _bench_file(ports: dict[str, str]) -> BenchFile:
    tables = {
        role: {"resource": f"TCPIP0::127.0.0.1::{port}::SOCKET", "dialect": _DIALECTS[role]}
        for role, port in ports.items()
    }
    tables["supply"]["kind"] = "dc"
    return BenchFile.model_validate({"name": "Quick bench", "visa": "@py", **tables})


def _serve(answer: Callable[[str], str | None], delay_s: float) -> int:
    """Serve one instrument on a free port of loopback; return the port."""
    server = socket.create_server(("127.0.0.1", 0))

    def converse(connection: socket.socket) -> None:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with contextlib.suppress(OSError), connection, connection.makefile("rb") as messages:
            for message in messages:
                reply = answer(message.decode("ascii").strip())
                if reply is not None:
                    if delay_s:
                        time.sleep(delay_s)
                    connection.sendall(reply.encode("ascii") + b"\n")

    def accept() -> None:
        while True:
            connection = server.accept()[0]
            threading.Thread(target=converse, args=(connection,), daemon=True).start()

    threading.Thread(target=accept, daemon=True).start()
    return server.getsockname()[1]


if __name__ == "__main__":
    _on_the_table = _Bench()
    _delays = [float(_argument.partition("=")[2]) for _argument in sys.argv[1:]]
    print(*(_serve(_on_the_table.answer, _delay_s) for _delay_s in _delays), flush=True)  # noqa: T201
    sys.stdin.read()
