"""What is connected, what it says it is, and which dialect fits; nothing but questions is asked.

The network is searched only in the addresses that somebody gives.
"""

from __future__ import annotations

import contextlib
import importlib
import ipaddress
import socket
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from typing import Any, NamedTuple

from harness.bench.address import SCPI_PORT, Interface, read_address
from harness.bench.deadline import call_with_timeout
from harness.bench.dialect import BUILT_IN, Dialect, load_dialect
from harness.bench.finding import Heard, plausible_identity, terminator_of
from harness.bench.link import TERMINATORS, open_visa
from harness.bench.listen import ask_serial
from harness.bench.probe import Probe, only_asks, probe_at
from harness.bench.scpi import MarkerAnswer, boolean, error_entry, number
from harness.errors import FileError, InstrumentError, Refused, UsageError
from harness.profile.instruments import SerialLine
from harness.profile.measures import OPERATIONS, REQUIRED
from harness.quantity import shown

#: Most addresses of a range, and how many are tried at a time.
_MOST_ADDRESSES, _AT_A_TIME = 1024, 64
#: Longest wait for one of them to take a connection, and for an answer.
_REACH_S, _ANSWER_S = 0.4, 1.0
#: Longest wait for a VISA library's list.
_LISTING_S = 20.0
#: Speeds that are tried on a serial port, and the wait for an answer there (common practice).
_RATES, _SERIAL_S = (9600, 115200), 0.4
#: Questions that tell nothing of what it is, or that do more than read where leads are connected.
_UNTOLD = {"identify", "error", "self_test", "complete", "status"} | {
    *("measure_resistance", "measure_temperature", "measure_frequency"),
    *("voltage_protection_setting", "current_protection_setting", "watchdog_setting"),
}
#: An error queue longer than this is left as it is.
_QUEUE_LIMIT = 32


class Found(NamedTuple):
    """One thing that is connected."""

    resource: str
    identity: str  # empty where nothing answered
    note: str  # why it was not asked, or has no identity
    settings: tuple[str, ...]  # lines for its table in a bench file beside the resource
    dialects: tuple[str, ...]  # that fit, the one that says most first


def addresses_of(text: str) -> tuple[str, ...]:
    """Return the addresses of a range such as ``192.0.2.0/28``.

    Raises:
        UsageError: It is none, or has more addresses than are searched.
    """
    try:
        network = ipaddress.ip_network(text.strip(), strict=False)
    except ValueError:
        raise UsageError(
            f"{shown(text)} is no range of addresses",
            where="--addresses",
            remedy="write it as in 192.0.2.0/28",
        ) from None
    if network.num_addresses > _MOST_ADDRESSES:
        raise UsageError(
            f"{text} has {network.num_addresses} addresses, and at most {_MOST_ADDRESSES} are "
            "searched",
            where="--addresses",
            remedy="give the part of your network that instruments are in",
        )
    return tuple(map(str, network.hosts()))


def dialects_at_hand(files: Iterable[str]) -> dict[str, Dialect]:
    """Load the built-in dialects and those among some files, by the name a bench file has them."""
    found = {name: load_dialect(name) for name in BUILT_IN}
    for name in files:
        with contextlib.suppress(FileError):  # another kind of file, or one with mistakes
            found[name] = load_dialect(name)
    return found


def discover(
    visa: str,
    dialects: Mapping[str, Dialect],
    reserve: Callable[[str], AbstractContextManager[None]],
    addresses: Iterable[str] = (),
) -> Iterator[Found]:
    """Yield what is connected to this computer and listens at the addresses, one after the other.

    ``reserve`` holds the only right to a resource for a moment, or raises :class:`Refused`.

    Raises:
        LinkError: There is no VISA library to look with.
    """
    manager = open_visa(visa)
    try:
        resources = _local(manager)
        resources += [f"TCPIP0::{host}::{SCPI_PORT}::SOCKET" for host in _listening(addresses)]
        for resource in resources:
            try:
                with reserve(resource):
                    found = _looked_at(manager, resource, dialects)
            except Refused as error:
                found = Found(resource, "", str(error), (), ())
            yield found
    finally:
        with contextlib.suppress(Exception):  # nothing was switched on
            manager.close()


def _local(manager: Any) -> list[str]:
    """List what the VISA library knows of, without a word to the network.

    pyvisa-py would ask it; a library of the system lists what was set up there.
    """
    if type(manager.visalib).__module__.partition(".")[0] != "pyvisa_py":
        listed = call_with_timeout(
            _LISTING_S, lambda: manager.list_resources("?*"), give_back=lambda late: late
        )
        return list(listed)
    from pyvisa.constants import InterfaceType

    sessions: Any = importlib.import_module("pyvisa_py.sessions")
    found: list[str] = []
    local = (InterfaceType.usb, InterfaceType.gpib, InterfaceType.asrl)
    for (interface, kind), session in sessions.Session.iter_valid_session_classes():
        if interface in local and kind == "INSTR":
            with contextlib.suppress(Exception), warnings.catch_warnings():  # of a driver missing
                warnings.simplefilter("ignore")
                found += session.list_resources()
    return found


def _listening(addresses: Iterable[str]) -> list[str]:
    """Return the hosts that take a connection at the port for SCPI."""

    def takes(host: str) -> bool:
        with contextlib.suppress(OSError):
            socket.create_connection((host, SCPI_PORT), timeout=_REACH_S).close()
            return True
        return False

    hosts = list(addresses)
    with ThreadPoolExecutor(_AT_A_TIME) as pool:
        return [host for host, open_ in zip(hosts, pool.map(takes, hosts), strict=True) if open_]


def _looked_at(manager: Any, resource: str, dialects: Mapping[str, Dialect]) -> Found:
    """Find out how it is spoken to, then who it is and what it understands."""
    address = read_address(resource)
    lines: list[SerialLine | None] = [None]
    if address is not None and address.interface is Interface.SERIAL:
        lines = [SerialLine(baud_rate=rate) for rate in _RATES]
    for line in lines:
        for name in ("LF", "CRLF", "CR"):
            identity = _identity(manager, resource, line, name)
            if identity:
                settings: tuple[str, ...] = () if name == "LF" else (f'terminator = "{name}"',)
                if line is not None and line.baud_rate != _RATES[0]:
                    settings += (f"serial_line = {{ baud_rate = {line.baud_rate} }}",)
                fits = _fitting(manager, resource, line, name, dialects)
                return Found(resource, identity, "", settings, fits)
    return Found(resource, "", "nothing answers *IDN?", (), ())


def _identity(manager: Any, resource: str, line: SerialLine | None, terminator: str) -> str:
    """Return its answer to ``*IDN?``; empty where none comes that looks like one."""
    if line is not None:
        end = TERMINATORS[terminator].encode("ascii")
        heard: Heard = ask_serial(manager, resource, line, end, _SERIAL_S)
        ends = terminator_of(heard.answer) in (terminator, "CRLF" if terminator == "LF" else "")
        return heard.answer.decode().strip() if plausible_identity(heard.answer) and ends else ""
    with contextlib.suppress(InstrumentError), _open(manager, resource, line, terminator) as probe:
        answer = probe.ask("*IDN?")
        return answer.strip() if plausible_identity(answer.encode("ascii", "replace")) else ""
    return ""


@contextlib.contextmanager
def _open(manager: Any, resource: str, line: SerialLine | None, terminator: str) -> Iterator[Probe]:
    table: dict[str, Any] = {"resource": resource}
    if line is not None:
        table["serial_line"] = {"baud_rate": line.baud_rate}
    link = {"terminator": terminator, "timeout": f"{_ANSWER_S} s"}
    with probe_at(manager, table, link) as probe:
        yield probe


def _fitting(
    manager: Any,
    resource: str,
    line: SerialLine | None,
    terminator: str,
    dialects: Mapping[str, Dialect],
) -> tuple[str, ...]:
    """Name the dialects whose questions it answers, the one with most of them first."""
    counted = {}
    for name, dialect in dialects.items():
        questions = _questions(dialect)
        if not questions or dialect.link.protocol != "text":
            continue
        with (
            contextlib.suppress(InstrumentError, ValueError),
            _open(manager, resource, line, terminator) as probe,
        ):
            for operation, question in questions.items():
                _read(dialect, operation, probe.ask(question))
            counted[name] = len(questions)
    with (
        contextlib.suppress(InstrumentError, ValueError),
        _open(manager, resource, line, terminator) as probe,
    ):
        for _ in range(_QUEUE_LIMIT):  # what the others asked is not left to be found by a run
            if error_entry(probe.ask("SYST:ERR?"))[0] == 0:
                break
    return tuple(sorted(counted, key=lambda name: -counted[name]))


def _questions(dialect: Dialect) -> dict[str, str]:
    """Return the questions that tell what it is; none where one of them could do more than ask."""
    found = {
        operation: question
        for operation, question in dialect.ask.items()
        if operation not in _UNTOLD and OPERATIONS[operation] in ("value", "state")
    }
    needed = set(REQUIRED[dialect.role]) - set(dialect.send) - _UNTOLD
    safe = all(map(only_asks, found.values())) and not dialect.begin.send
    return found if safe and needed <= found.keys() else {}


def _read(dialect: Dialect, operation: str, answer: str) -> None:
    """Raise a ValueError where an answer is none to this question; overload is one."""
    text = dialect.value_in(operation, answer)
    if OPERATIONS[operation] == "state":
        boolean(text)
    else:
        with contextlib.suppress(MarkerAnswer):
            number(text)
