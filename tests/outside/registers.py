"""A supply of registers: pymodbus's own server, with the outside bench's SCPI supply behind it.

It imports nothing of the product. Its registers, addresses as they go on the wire:

    holding 0x10  u16   voltage setting, 10 mV a count
    holding 0x11  u16   current limit, 1 mA a count
    input   0x20  i16   voltage, 10 mV a count
    input   0x21  i32   current, 0.1 mA a count, low word first
    coil    1           output
    discrete 2          protection has tripped

    with RegisterSupply(bench.ports["supply"], station=7) as supply:
        ...  # the product talks to supply.port; or to supply.device with serial=True
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Sequence
from types import TracebackType
from typing import Any, Self

from pymodbus.constants import ExcCodes
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

_LIMIT_COUNTS = 6000  # beyond 60 V the setting is refused


class RegisterSupply:
    """The supply, as a context.

    Args:
        behind: Port of the SCPI supply; None for one that only remembers.
        station: Its address; others are not answered.
        serial: On a pseudo-terminal in place of a TCP port.

    Attributes:
        port: Where it listens.
        device: The serial port that leads to it.
        written: Every write in order, as function, address, values.
        silent: While true, it answers nothing.
    """

    def __init__(
        self, behind: int | None = None, *, station: int = 7, serial: bool = False
    ) -> None:
        self._behind = None if behind is None else socket.create_connection(("127.0.0.1", behind))
        self._told = self._behind.makefile("rb") if self._behind is not None else None
        self._station = station
        self._serial = serial
        self.written: list[tuple[int, int, tuple[int, ...]]] = []
        self.silent = False
        self.port = 0
        self.device = ""
        self._ready = threading.Event()
        self._ended = threading.Event()
        self._ptys: list[int] = []

    def __enter__(self) -> Self:
        """Serve."""
        self._threads = [threading.Thread(target=lambda: asyncio.run(self._serve()))]
        if self._serial:
            self._threads.append(threading.Thread(target=self._relay, args=self._wired()))
        else:
            with socket.create_server(("127.0.0.1", 0)) as free:
                self.port = free.getsockname()[1]
        for thread in self._threads:
            thread.start()
        assert self._ready.wait(10.0)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop."""
        self._ended.set()
        for thread in self._threads:
            thread.join()
        for descriptor in self._ptys:
            os.close(descriptor)
        if self._behind is not None and self._told is not None:
            self._told.close()
            self._behind.close()

    @property
    def resource(self) -> str:
        """Where it is, as a bench file says it."""
        if self._serial:
            return f"ASRL{self.device}::INSTR"
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    async def _serve(self) -> None:
        words = DataType.REGISTERS
        device = SimDevice(
            self._station,
            simdata=(
                [SimData(0, values=[False] * 16, datatype=DataType.BITS)],
                [SimData(0, values=[False] * 16, datatype=DataType.BITS)],
                [SimData(0x10, count=2, values=0, datatype=words)],
                [SimData(0x20, count=3, values=0, datatype=words)],
            ),
            action=self._act,
        )
        identity = ModbusDeviceIdentification(
            info_name={
                "VendorName": "Workshop",
                "ProductCode": "PS-200",
                "MajorMinorRevision": "1.0",
            }
        )
        common: dict[str, Any] = {"identity": identity, "trace_pdu": self._maybe}
        server: Any
        if self._serial:
            server = ModbusSerialServer(
                device, port=os.ttyname(self._ptys[3]), baudrate=9600, **common
            )
        else:
            server = ModbusTcpServer(device, address=("127.0.0.1", self.port), **common)
        transports: list[asyncio.Transport] = []
        new_connection = server.callback_new_connection

        def noted() -> Any:
            handler = new_connection()
            made = handler.connection_made
            handler.connection_made = lambda transport: (
                transports.append(transport),
                made(transport),
            )
            return handler

        server.callback_new_connection = noted
        await server.serve_forever(background=True)
        self._ready.set()
        await asyncio.to_thread(self._ended.wait)
        await asyncio.sleep(0.05)  # who has just connected is taken in, to be let go
        await server.shutdown()
        for transport in transports:  # the server lets go of some without closing them
            transport.abort()
        await asyncio.sleep(0.05)  # what is closed goes on the next turns of the loop

    def _maybe(self, sending: bool, pdu: Any) -> Any:
        if sending and self.silent:
            time.sleep(0.4)
        return pdu

    async def _act(
        self,
        function: int,
        _start: int,
        address: int,
        _count: int,
        registers: list[int],
        values: Sequence[int] | None,
    ) -> ExcCodes | None:
        if values is not None:
            self.written.append((function, address, tuple(int(each) for each in values)))
            return self._set(function, address, values)
        self._refresh(function, registers)
        return None

    def _set(self, function: int, address: int, values: Sequence[int]) -> ExcCodes | None:
        if function == 5:
            self._say(f"OUTP {'ON' if values[0] else 'OFF'}")
            return None
        for place, value in enumerate(values, address):
            if place == 0x10 and value > _LIMIT_COUNTS:
                return ExcCodes.ILLEGAL_VALUE
            self._say(f"VOLT {value * 0.01:.2f}" if place == 0x10 else f"CURR {value * 1e-3:.3f}")
        return None

    def _refresh(self, function: int, registers: list[int]) -> None:
        if self._behind is None:
            return
        if function == 1:
            registers[0] = 2 * int(self._ask("OUTP?"))
        elif function == 3:
            registers[:] = [
                round(float(self._ask("VOLT?")) * 100),
                round(float(self._ask("CURR?")) * 1000),
            ]
        elif function == 4:
            volts, amps = float(self._ask("MEAS:VOLT?")), float(self._ask("MEAS:CURR?"))
            current = round(amps * 1e4) & 0xFFFFFFFF
            registers[:] = [round(volts * 100) & 0xFFFF, current & 0xFFFF, current >> 16]

    def _say(self, message: str) -> None:
        if self._behind is not None:
            self._behind.sendall(message.encode() + b"\n")

    def _ask(self, question: str) -> str:
        assert self._told is not None
        self._say(question)
        return self._told.readline().decode().strip()

    # --- a serial line: two pseudo-terminals, back to back

    def _wired(self) -> tuple[int, int]:
        import pty
        import tty

        for _ in range(2):
            ours, theirs = pty.openpty()
            tty.setraw(theirs)
            self._ptys += [ours, theirs]
        self.device = os.ttyname(self._ptys[1])
        return self._ptys[0], self._ptys[2]

    def _relay(self, one: int, other: int) -> None:
        while not self._ended.is_set():
            for ready in select.select([one, other], [], [], 0.05)[0]:
                with contextlib.suppress(OSError):
                    os.write(other if ready == one else one, os.read(ready, 1024))
