"""The search for a cause: from this computer outwards, one step after the other."""

from __future__ import annotations

import sys
from typing import Any

from harness.bench.diagnose.address import Address, Interface, read_address
from harness.bench.diagnose.answers import Heard, answer_cause, plausible_identity
from harness.bench.diagnose.cause import Cause
from harness.bench.diagnose.listen import ask_serial, ask_socket
from harness.bench.diagnose.look import installed, look_at_serial, look_at_usb, serial_ports
from harness.bench.diagnose.network import (
    SCPI_PORT,
    Connection,
    connection_cause,
    reach,
    vxi11_cause,
)
from harness.bench.diagnose.ports import serial_cause, usb_cause
from harness.bench.diagnose.software import missing_package
from harness.bench.dialect import Dialect
from harness.bench.link import TERMINATORS
from harness.errors import InstrumentError
from harness.profile.bench_file import Instrument

__all__ = ["RATES", "find_cause"]

#: Baud rates of instruments, the most usual first (common practice).
RATES = (9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200)

#: The terminator in use gets so long at least: a slow instrument is no silent one.
_PATIENCE_S = 3.0
#: Longest wait at a baud rate that is only tried.
_TRIAL_S = 0.4


def find_cause(
    manager: Any, instrument: Instrument, dialect: Dialect, error: InstrumentError
) -> Cause:
    """Find out why an instrument does not answer; its own link must be closed by now.

    Asks ``*IDN?`` and nothing else.

    Args:
        manager: PyVISA's resource manager.
        instrument: Its table of the bench file.
        dialect: Its dialect, with the link as the bench file says.
        error: What went wrong.
    """
    address = read_address(instrument.resource)
    if address is None:
        return Cause(
            what=f"{instrument.resource!r} is no VISA resource string",
            remedy="write one like this, with the address of the instrument:",
            write=('resource = "TCPIP0::192.0.2.10::5025::SOCKET"',),
        )
    own_library = type(manager.visalib).__module__.startswith("pyvisa_py")
    if own_library and (cause := missing_package(address.interface, installed)):
        return cause
    return _on_the_way(manager, address, instrument, dialect) or _as_told(error)


def _as_told(error: InstrumentError) -> Cause:
    return Cause(what=error.what, remedy=error.remedy or "switch it off and on, and try again")


def _on_the_way(
    manager: Any, address: Address, instrument: Instrument, dialect: Dialect
) -> Cause | None:
    match address.interface:
        case Interface.SOCKET:
            return _network(address, dialect) or _over_socket(address, dialect)
        case Interface.VXI11 | Interface.HISLIP:
            return _network(address, dialect) or vxi11_cause(address)
        case Interface.SERIAL:
            return _serial(manager, address, instrument, dialect)
        case Interface.USB:
            state, problem = look_at_usb(address)
            return usb_cause(address, state, linux=sys.platform == "linux", problem=problem)
        case _:
            return None


def _network(address: Address, dialect: Dialect) -> Cause | None:
    wait_s = max(dialect.link.timeout_s, 1.0)
    reached = reach(address.host, address.port, wait_s)
    scpi_port_open = reached.connection is Connection.REFUSED and (
        reach(address.host, SCPI_PORT, wait_s).connection is Connection.OPEN
    )
    return connection_cause(address, reached, scpi_port_open=scpi_port_open)


def _over_socket(address: Address, dialect: Dialect) -> Cause:
    """Try every terminator on a raw socket."""
    configured, timeout_s = dialect.link.terminator, dialect.link.timeout_s
    heard: dict[str, Heard] = {}
    for name in _configured_first(configured):
        wait_s = max(_PATIENCE_S, 2 * timeout_s) if name == configured else timeout_s
        heard[name] = ask_socket(
            address.host, address.port, TERMINATORS[name].encode("ascii"), wait_s
        )
    cause = answer_cause(heard, configured=configured, timeout_s=timeout_s)
    if cause is not None:
        return cause
    if heard[configured].closed:
        return Cause(
            what="it takes the connection and closes it without an answer",
            remedy="close other programs that use it: many instruments take one connection only; "
            "then switch it off and on",
        )
    return Cause(
        what="it takes the connection, but answers *IDN? with none of LF, CR LF and CR",
        remedy=f"check in its manual that {address.port} is its port for SCPI, and that remote "
        "control is switched on; then switch it off and on",
    )


def _serial(
    manager: Any, address: Address, instrument: Instrument, dialect: Dialect
) -> Cause | None:
    """Look at a serial port, then try every terminator and every usual rate on it."""
    state, problem = look_at_serial(address)
    cause = serial_cause(address, state, serial_ports(), problem=problem)
    if cause is not None:
        return cause
    configured, timeout_s = dialect.link.terminator, dialect.link.timeout_s
    line = instrument.serial_line
    garbage: Cause | None = None
    for rate in (line.baud_rate, *(each for each in RATES if each != line.baud_rate)):
        tried = line.model_copy(update={"baud_rate": rate})
        in_use = rate == line.baud_rate
        heard: dict[str, Heard] = {}
        for name in _configured_first(configured):
            wait_s = max(_PATIENCE_S, 2 * timeout_s) if in_use and not heard else _TRIAL_S
            ending = TERMINATORS[name].encode("ascii")
            heard[name] = ask_serial(manager, instrument.resource, tried, ending, wait_s)
        found = answer_cause(
            heard, configured=configured, timeout_s=timeout_s, rate=None if in_use else rate
        )
        if any(plausible_identity(each.answer) for each in heard.values()):
            return found
        garbage = garbage or found
    return garbage or Cause(
        what=f"nothing answers on {address.device}, at {len(RATES)} baud rates and with LF, CR LF "
        "and CR",
        remedy="check that it is on, that its remote interface is set to RS-232, and whether the "
        "cable must be a crossed one (null modem)",
    )


def _configured_first(configured: str) -> list[str]:
    return sorted(TERMINATORS, key=lambda name: name != configured)
