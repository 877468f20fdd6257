"""Causes on the way through the network: what a plain connection tells."""

from __future__ import annotations

import errno
import socket
from dataclasses import dataclass
from enum import StrEnum

from harness.bench.diagnose.address import Address, Interface
from harness.bench.diagnose.cause import Cause

__all__ = ["SCPI_PORT", "Connection", "Reached", "connection_cause", "reach", "vxi11_cause"]

#: Port registered for SCPI over a raw socket ("scpi-raw", IANA service names and port numbers).
SCPI_PORT = 5025


class Connection(StrEnum):
    """What came of a plain connection."""

    OPEN = "open"
    REFUSED = "refused"
    NO_ANSWER = "no answer"
    NO_SUCH_NAME = "no such name"
    NO_ROUTE = "no route"
    FAILED = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """A connection that was tried.

    Attributes:
        connection: What came of it.
        problem: What the system says; empty where it is open.
    """

    connection: Connection
    problem: str = ""


_NO_ROUTE = {errno.ENETUNREACH, errno.EHOSTUNREACH, errno.ENETDOWN, errno.EHOSTDOWN}


def reach(host: str, port: int, wait_s: float) -> Reached:
    """Connect and let go again."""
    try:
        socket.create_connection((host, port), timeout=wait_s).close()
    except socket.gaierror as error:
        return Reached(connection=Connection.NO_SUCH_NAME, problem=error.strerror or str(error))
    except TimeoutError:
        return Reached(connection=Connection.NO_ANSWER, problem=f"nothing within {wait_s:g} s")
    except ConnectionRefusedError as error:
        return Reached(connection=Connection.REFUSED, problem=error.strerror or str(error))
    except OSError as error:
        known = Connection.NO_ROUTE if error.errno in _NO_ROUTE else Connection.FAILED
        return Reached(connection=known, problem=error.strerror or str(error))
    except UnicodeError:  # a label of the name is empty, or longer than 63 characters
        return Reached(connection=Connection.NO_SUCH_NAME, problem="it cannot be a name")
    return Reached(connection=Connection.OPEN)


def connection_cause(address: Address, reached: Reached, *, scpi_port_open: bool) -> Cause | None:
    """Say why an instrument on the network cannot be reached (pure).

    Args:
        address: Where it should be.
        reached: What came of a plain connection to it.
        scpi_port_open: Whether the registered port for SCPI is open on that host.
    """
    host, port = address.host, address.port
    match reached.connection:
        case Connection.OPEN:
            return None
        case Connection.NO_SUCH_NAME:
            return Cause(
                what=f"the network knows no host {host!r} ({reached.problem})",
                remedy="check the name, or use the address that the instrument's menu shows",
            )
        case Connection.NO_ANSWER:
            return Cause(
                what=f"{host} does not answer ({reached.problem})",
                remedy="check that it is on, its network cable and the address in its menu; a "
                "firewall between you and it looks the same",
            )
        case Connection.NO_ROUTE:
            return Cause(
                what=f"there is no way to {host} ({reached.problem})",
                remedy="check this computer's network, and that both are in the same one",
            )
        case Connection.REFUSED:
            return _refused(address, scpi_port_open=scpi_port_open)
        case Connection.FAILED:
            return Cause(
                what=f"a connection to {host} port {port} fails ({reached.problem})",
                remedy="check this computer's network and firewall",
            )


def _refused(address: Address, *, scpi_port_open: bool) -> Cause:
    what = f"{address.host} is there, but its port {address.port} is closed"
    if address.interface is not Interface.SOCKET:
        what = f"{address.host} is there, but takes no {address.interface.value}: port "
        what += f"{address.port} is closed"
    if scpi_port_open and address.port != SCPI_PORT:
        return Cause(
            what=what,
            remedy=f"port {SCPI_PORT}, the usual one for SCPI, is open; write:",
            write=(f'resource = "TCPIP0::{address.host}::{SCPI_PORT}::SOCKET"',),
        )
    return Cause(
        what=what,
        remedy="switch remote control over the network on in its menu, look its port up in the "
        "manual, and close other programs that use it: many instruments take one connection only",
    )


def vxi11_cause(address: Address) -> Cause:
    """Say what is left where the port is open, but no conversation begins (pure)."""
    return Cause(
        what=f"{address.host} takes the connection, but does not answer over "
        f"{address.interface.value}",
        remedy="check the device name in the resource (inst0 and hislip0 are usual; gpib0,N behind "
        "a gateway), close other programs that use it, and switch it off and on",
    )
