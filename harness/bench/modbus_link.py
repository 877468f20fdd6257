"""A link to an instrument of registers: Modbus over TCP, or over a serial line (RTU).

Sources: Modbus Application Protocol Specification V1.1b3; Modbus over Serial Line V1.02. The
messages are those of :mod:`harness.bench.registers`; pymodbus brings them to the wire.
"""

from __future__ import annotations

import contextlib
import logging
import socket
from collections.abc import Callable, Iterator
from typing import Any

from harness.bench.address import Address, Interface, read_address
from harness.bench.deadline import call_with_timeout
from harness.bench.dialect import Dialect
from harness.bench.registers import DEVICE, Registers, is_on, read_registers
from harness.errors import InstrumentError, LinkError, LinkTimeout, ReportedError
from harness.profile.instruments import Instrument
from harness.quantity import shown

#: What an instrument refuses a message with (section 7).
_REFUSALS = {
    1: "it does not know this function",
    2: "it has no such address",
    3: "it does not take this value",
    4: "it failed to carry this out",
    6: "it is busy",
}
#: Bit of the function code that says so.
_REFUSED = 0x80
#: Texts of an identity: vendor, product, revision (6.21, the basic objects).
_IDENTITY = (0, 1, 2)
_REMEDY = "check that it is on, its cable, and its station in the bench file"


class ModbusLink:
    """A link over pymodbus, for as long as it is open; fulfils :class:`harness.bench.link.Link`.

    Raises:
        LinkError: There is no such instrument, or pymodbus is not installed.
    """

    def __init__(self, role: str, instrument: Instrument, dialect: Dialect) -> None:
        self.name = f"{role} ({instrument.resource}, station {instrument.station})"
        self.timeout_s = dialect.link.timeout_s
        self._instrument = instrument
        self._client: Any = None
        self._begin()

    def _begin(self) -> None:
        address = read_address(self._instrument.resource)
        if address is None or address.interface not in (Interface.SOCKET, Interface.SERIAL):
            raise LinkError(
                "Modbus goes over a TCP socket or a serial port",
                instrument=self.name,
                remedy='write resource = "TCPIP0::192.0.2.10::502::SOCKET" in the bench file',
            )
        try:
            self._client = call_with_timeout(
                self.timeout_s + 1.0,
                lambda: self._connected(address),
                give_back=lambda late: late.close(),
            )
        except ImportError as error:
            raise LinkError(
                "pymodbus is not installed",
                instrument=self.name,
                remedy='install it: pip install "softwake[modbus]"',
            ) from error
        except Exception as error:
            raise LinkError(
                f"it cannot be opened ({error})", instrument=self.name, remedy=_REMEDY
            ) from error

    def _connected(self, address: Address) -> Any:
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient

        # It says what went wrong here as well; whoever calls is told by the error.
        logging.getLogger("pymodbus").addHandler(logging.NullHandler())
        logging.getLogger("pymodbus").propagate = False
        client: Any
        if address.interface is Interface.SOCKET:
            client = ModbusTcpClient(
                address.place, port=address.port, timeout=self.timeout_s, retries=0
            )
        else:
            line = self._instrument.serial_line
            client = ModbusSerialClient(
                address.place,
                baudrate=line.baud_rate,
                bytesize=line.data_bits,
                parity=line.parity[0].upper(),
                stopbits=line.stop_bits,
                timeout=self.timeout_s,
                retries=0,
            )
        if not client.connect():
            raise ConnectionError("nobody takes the connection")
        if address.interface is Interface.SOCKET:
            client.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            client.socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        return client

    def reopen(self) -> None:
        """Begin the conversation again: what was still on its way is forgotten."""
        self.close()
        self._begin()

    def close(self) -> None:
        """End the conversation; closing twice does nothing."""
        if self._client is not None:
            with contextlib.suppress(Exception):  # the output is off by now; nothing more to lose
                self._client.close()
            self._client = None

    @contextlib.contextmanager
    def extended_timeout(self, timeout_s: float) -> Iterator[None]:
        """Wait longer for answers while the block runs."""
        usual_s = self.timeout_s
        try:
            self._wait_for(timeout_s)
            yield
        finally:
            self._wait_for(usual_s)

    def _wait_for(self, timeout_s: float) -> None:
        self.timeout_s = timeout_s
        if self._client is not None:
            self._client.comm_params.timeout_connect = timeout_s

    def write(self, message: str) -> None:
        """Write what a message says; its answer, that it was taken, is waited for."""
        asked = self._read(message)
        if asked.written is None:
            raise self._misfit(message, "it writes nothing")
        try:
            words = asked.words() if asked.types else []
        except ValueError as error:
            raise self._misfit(message, str(error)) from error
        place, station = asked.address, self._station
        if asked.table == "coil":
            bit = is_on(asked.written[0])
            self._exchange(message, 5, lambda to: to.write_coil(place, bit, **station))
        elif len(words) == 1:
            self._exchange(message, 6, lambda to: to.write_register(place, words[0], **station))
        else:
            self._exchange(message, 16, lambda to: to.write_registers(place, words, **station))

    def query(self, message: str) -> str:
        """Read what a message asks for; several values are joined by ``;``."""
        asked = self._read(message)
        if asked.written is not None:
            raise self._misfit(message, "it asks nothing")
        place, where = asked.address, {"count": asked.count, **self._station}
        if asked.table == DEVICE:
            told = self._exchange(
                message, 43, lambda to: to.read_device_information(**self._station)
            ).information
            return ",".join(told.get(n, b"").decode("ascii", "replace") for n in _IDENTITY)
        function, read = {
            "coil": (1, lambda to: to.read_coils(place, **where)),
            "discrete": (2, lambda to: to.read_discrete_inputs(place, **where)),
            "holding": (3, lambda to: to.read_holding_registers(place, **where)),
            "input": (4, lambda to: to.read_input_registers(place, **where)),
        }[asked.table]
        answer = self._exchange(message, function, read)
        if not asked.types:
            return str(int(answer.bits[0]))
        if len(answer.registers) != asked.count:
            what = f"it answers {len(answer.registers)} registers, not {asked.count}"
            raise LinkError(what, instrument=self.name, message=message, remedy=_REMEDY)
        try:
            return asked.text_of(answer.registers)
        except UnicodeDecodeError as error:
            raise self._misfit(message, "what it answers is no text") from error

    @property
    def _station(self) -> dict[str, int]:
        return {"device_id": self._instrument.station}

    def _read(self, message: str) -> Registers:
        try:
            return read_registers(message)
        except ValueError as error:
            raise self._misfit(message, str(error)) from error

    def _misfit(self, message: str, what: str) -> InstrumentError:
        remedy = "mend this message in its dialect"
        return InstrumentError(what, instrument=self.name, message=message, remedy=remedy)

    def _exchange(self, message: str, function: int, carry_out: Callable[[Any], Any]) -> Any:
        """Carry out one exchange, whose function has this code (section 6).

        Nothing is sent on a link that broke, before it is opened again: pymodbus would connect
        again of itself, and what comes first would be left out. A late answer to another function
        is none to this one; on a serial line nothing else tells answers apart.
        """
        from pymodbus.exceptions import ConnectionException, ModbusException

        if self._client is None or not self._client.connected:
            raise LinkError(
                "the link failed (it is closed)",
                instrument=self.name,
                message=message,
                remedy="check the cable and that the instrument is on",
            )
        try:
            answer = carry_out(self._client)
        except (ConnectionException, OSError) as error:
            raise LinkError(
                f"the link failed ({error})",
                instrument=self.name,
                message=message,
                remedy="check the cable and that the instrument is on",
            ) from error
        except ModbusException as error:
            silent = "No response" in str(error)
            kind, what = (LinkTimeout, "no answer in time") if silent else (LinkError, str(error))
            raise kind(what, instrument=self.name, message=message, remedy=_REMEDY) from error
        except Exception as error:
            what = f"what it answers cannot be read ({shown(str(error))})"
            raise LinkError(what, instrument=self.name, message=message, remedy=_REMEDY) from error
        if answer.function_code & ~_REFUSED != function:
            what = "it answers another message than the last one"
            raise LinkError(what, instrument=self.name, message=message, remedy=_REMEDY)
        if answer.isError():
            code = answer.exception_code
            what = _REFUSALS.get(code, "it refuses")
            remedy = "check table, address and value against its manual"
            raise ReportedError(
                f"{what} (exception {code})", instrument=self.name, message=message, remedy=remedy
            )
        return answer
