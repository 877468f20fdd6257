"""The search for the cause of a silent instrument: from this computer outwards, step by step."""

from __future__ import annotations

import contextlib
import errno
import importlib.util
import socket
import sys
from collections.abc import Callable
from functools import partial
from typing import Any

from harness.bench.address import SCPI_PORT, Address, Interface, read_address
from harness.bench.dialect import Dialect
from harness.bench.finding import Cause, Heard, answer_cause, cause_of, plausible_identity
from harness.bench.link import TERMINATORS
from harness.bench.listen import ask_serial, ask_socket
from harness.errors import InstrumentError
from harness.profile.instruments import Instrument

#: Baud rates of instruments, the most usual first (common practice).
_RATES = (9600, 115200, 19200, 38400, 57600, 4800, 2400, 1200)
#: The terminator in use gets so long at least: a slow instrument is no silent one.
_LEAST_WAIT_S = 3.0
#: Longest wait at a baud rate that is only tried.
_TRIAL_S = 0.4


#: What pyvisa-py needs beyond itself: the module it imports, and the extra that brings it.
_NEEDS = {
    Interface.USB: ("usb", "usb"),
    Interface.SERIAL: ("serial", "serial"),
    Interface.GPIB: ("gpib_ctypes", "gpib"),
}


def find_cause(
    manager: Any, instrument: Instrument, dialect: Dialect, error: InstrumentError
) -> Cause:
    """Find out why an instrument does not answer; its own link must be closed by now.

    Asks ``*IDN?`` and nothing else. The dialect has its link as the bench file says.
    """
    address = read_address(instrument.resource)
    if address is None:
        return cause_of("no resource", resource=instrument.resource)
    own_library = type(manager.visalib).__module__.startswith("pyvisa_py")
    found = _missing_package(address.interface, _installed) if own_library else None
    if found is None:
        match address.interface:
            case Interface.SOCKET | Interface.SERIAL if dialect.link.protocol == "modbus":
                over_network = address.interface is Interface.SOCKET
                found = _network(address, dialect) if over_network else _port(address.place)
                found = found or cause_of("no station", name=instrument.station)
            case Interface.SOCKET:
                found = _network(address, dialect) or _over_socket(address, dialect)
            case Interface.VXI11 | Interface.HISLIP:
                found = _network(address, dialect) or cause_of(
                    "no conversation", place=address.place, interface=address.interface
                )
            case Interface.SERIAL:
                found = _serial(manager, address.place, instrument, dialect)
            case Interface.USB:
                sign, problem = _look_at_usb(address.place)
                linux = sys.platform == "linux"
                found = _usb_cause(address.place, sign, linux=linux, problem=problem)
    return found or Cause(error.what, error.remedy or "switch it off and on, and try again")


# --- software on this computer


def _missing_package(interface: Interface, installed: Callable[[str], bool]) -> Cause | None:
    """Say which optional package pyvisa-py lacks for an interface."""
    module, extra = _NEEDS.get(interface, ("", ""))
    if not module or installed(module):
        return None
    return cause_of("package missing", interface=interface, extra=extra)


def missing_library(visa: str, problem: str) -> Cause:
    """Say why a bench file's VISA library cannot be opened; the problem is what PyVISA says."""
    if visa in {"", "@ivi"}:
        return cause_of("no system library")
    sign = "unknown library" if "@" in visa and "Wrapper not found" in problem else "library fails"
    return cause_of(sign, visa=visa, problem=problem.strip())


def _installed(module: str) -> bool:
    return importlib.util.find_spec(module) is not None


# --- the network

_NO_ROUTE = {errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN, errno.EHOSTDOWN}


def _reach(host: str, port: int, wait_s: float) -> tuple[str, str]:
    """Connect and let go; return the sign of what comes of it, empty if open, and what is said."""
    try:
        socket.create_connection((host, port), timeout=wait_s).close()
    except TimeoutError:
        return "no answer", f"nothing within {wait_s:g} s"
    except UnicodeError:  # a label of the name is empty, or longer than 63 characters
        return "no such name", "it cannot be a name"
    except OSError as error:
        told = {socket.gaierror: "no such name", ConnectionRefusedError: "refused"}
        sign = "no route" if error.errno in _NO_ROUTE else "connection fails"
        return told.get(type(error), sign), error.strerror or str(error)
    return "", ""


def _network(address: Address, dialect: Dialect) -> Cause | None:
    wait_s = max(dialect.link.timeout_s, 1.0)
    sign, problem = _reach(address.place, address.port, wait_s)
    scpi_port_open = sign == "refused" and not _reach(address.place, SCPI_PORT, wait_s)[0]
    return _network_cause(address, sign, problem, scpi_port_open=scpi_port_open)


def _network_cause(
    address: Address, sign: str, problem: str = "", *, scpi_port_open: bool
) -> Cause | None:
    """Say why an instrument cannot be reached; the sign is what :func:`_reach` says."""
    if not sign:
        return None
    interface, place, port = address
    closed = f"its port {port} is closed"
    if interface is not Interface.SOCKET:
        closed = f"takes no {interface}: port {port} is closed"
    if scpi_port_open and port != SCPI_PORT:
        sign = "refused, SCPI port open"
    return cause_of(
        sign, place=place, port=port, problem=problem, closed=closed, scpi_port=SCPI_PORT
    )


def _over_socket(address: Address, dialect: Dialect) -> Cause:
    """Try every terminator on a raw socket."""
    configured, timeout_s = dialect.link.terminator, dialect.link.timeout_s
    ask = partial(ask_socket, address.place, address.port)
    heard = _ask_with_each(configured, ask, max(_LEAST_WAIT_S, 2 * timeout_s), timeout_s)
    sign = "socket closed" if heard[configured].closed else "socket silent"
    return answer_cause(heard, configured=configured, timeout_s=timeout_s) or cause_of(
        sign, port=address.port
    )


def _ask_with_each(
    configured: str, ask: Callable[[bytes, float], Heard], first_s: float, other_s: float
) -> dict[str, Heard]:
    """Ask with every terminator, the one in use first; with none at all where that is in use."""
    names = [name for name in TERMINATORS if name != "none" or configured == "none"]
    names.sort(key=lambda name: name != configured)
    return {
        name: ask(TERMINATORS[name].encode("ascii"), first_s if name == configured else other_s)
        for name in names
    }


# --- ports of this computer


def _port_sign(error: Exception) -> str:
    """Read from an error of pyserial or PyUSB what is the matter with a port."""
    number, text = getattr(error, "errno", None), str(error).lower()
    if type(error).__name__ == "NoBackendError":
        return "no backend"
    # Numbers are those of POSIX systems, words those of Windows and libusb. Windows says "Access is
    # denied" of a port in use, and PyUSB "langid" where it has no right to read a device's texts.
    for sign, numbers, words in (
        ("busy", {errno.EBUSY}, ("busy", "exclusively lock", "access is denied")),
        ("denied", {errno.EACCES, errno.EPERM}, ("permission", "langid")),
        ("absent", {errno.ENOENT, errno.ENODEV}, ("no such", "cannot find", "filenotfound")),
    ):
        if number in numbers or any(word in text for word in words):
            return sign
    return "fails"


def _serial_cause(
    device: str, sign: str, present: tuple[str, ...], *, problem: str = ""
) -> Cause | None:
    """Say why a serial port cannot be used; the sign is that of :func:`_port_sign`."""
    if not sign:
        return None
    lines: list[str] = []
    if sign == "absent" and present:
        sign = "absent, others there"
        names = (each[3:] if each.upper().startswith("COM") else each for each in present[:4])
        lines = [f'resource = "ASRL{name}::INSTR"' for name in names]
    sign = "fails" if sign == "no backend" else sign
    return cause_of(
        f"serial {sign}", place=device, present=", ".join(present), problem=problem, write=lines
    )


def _port(device: str) -> Cause | None:
    """Try to open a serial port."""
    if _installed("serial"):  # else a system VISA library serves it, and has told what it knows
        serial: Any = importlib.import_module("serial")
        ports: Any = importlib.import_module("serial.tools.list_ports")
        present = tuple(sorted(port.device for port in ports.comports()))
        sign = problem = ""
        try:  # exclusive, so that another program's hold shows where the system would share it
            serial.serial_for_url(device, exclusive=True).close()
        except Exception as error:  # noqa: BLE001 - of whatever a driver raises
            sign, problem = _port_sign(error), str(error)
        return _serial_cause(device, sign, present, problem=problem)
    return None


def _serial(manager: Any, device: str, instrument: Instrument, dialect: Dialect) -> Cause | None:
    """Try a serial port, then every terminator and every usual rate on it."""
    cause = _port(device)
    if cause is not None:
        return cause
    configured, timeout_s = dialect.link.terminator, dialect.link.timeout_s
    line = instrument.serial_line
    garbage: Cause | None = None
    for rate in (line.baud_rate, *(each for each in _RATES if each != line.baud_rate)):
        tried = line.model_copy(update={"baud_rate": rate})
        in_use = rate == line.baud_rate
        first_s = max(_LEAST_WAIT_S, 2 * timeout_s) if in_use else _TRIAL_S
        ask = partial(ask_serial, manager, instrument.resource, tried)
        heard = _ask_with_each(configured, ask, first_s, _TRIAL_S)
        found = answer_cause(
            heard, configured=configured, timeout_s=timeout_s, rate=None if in_use else rate
        )
        if any(plausible_identity(each.answer) for each in heard.values()):
            return found
        garbage = garbage or found
    return garbage or cause_of("serial silent", place=device, rates=len(_RATES))


def _usb_cause(place: str, sign: str, *, linux: bool, problem: str = "") -> Cause | None:
    """Say why a USB instrument cannot be used; Linux gives rights by udev rules."""
    if not sign:
        return None
    vendor, _, product = place.partition(":")
    sign = "denied, linux" if sign == "denied" and linux else sign
    return cause_of(f"usb {sign}", place=place, vendor=vendor, product=product, problem=problem)


def _look_at_usb(place: str) -> tuple[str, str]:
    """Read from a USB device what anybody with the right to may; as :func:`_reach` returns it."""
    if not _installed("usb"):
        return "", ""
    core: Any = importlib.import_module("usb.core")
    util: Any = importlib.import_module("usb.util")
    vendor, product = (int(number, 16) for number in place.split(":"))
    device: Any = None
    try:
        device = core.find(idVendor=vendor, idProduct=product)
        if device is None:
            return "absent", ""
        device.get_active_configuration()
        util.get_string(device, device.iSerialNumber)
    except Exception as error:  # noqa: BLE001 - of whatever a driver raises
        return _port_sign(error), str(error)
    finally:
        with contextlib.suppress(Exception):
            util.dispose_resources(device)
    return "", ""
