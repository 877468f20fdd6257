"""What a VISA resource string says of the way to an instrument (VPP-4.3, section 4.3.1; pure)."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

#: Port registered for SCPI over a raw socket ("scpi-raw", IANA service names and port numbers).
SCPI_PORT = 5025
#: Port of the port mapper, which VXI-11 asks for its own (RFC 1833), and of HiSLIP (IVI-6.1).
_PORT_MAPPER, _HISLIP = 111, 4880


class Interface(StrEnum):
    """What an instrument is connected to."""

    SOCKET = "TCP socket"
    VXI11 = "VXI-11"
    HISLIP = "HiSLIP"
    SERIAL = "serial port"
    USB = "USB"
    GPIB = "GPIB"
    OTHER = "another interface"


class Address(NamedTuple):
    """The way to an instrument."""

    interface: Interface
    #: Host, serial port as the system names it, or USB vendor and product number in hex with a
    #: colon between them; empty where there is none.
    place: str = ""
    port: int = 0  # TCP port to connect to first; zero where there is none


def read_address(resource: str) -> Address | None:
    """Read a resource string; None where it is none (VPP-4.3, section 4.3.1)."""
    from pyvisa import rname

    try:
        parsed = rname.ResourceName.from_string(resource)
        match parsed:
            case rname.TCPIPSocket():
                return Address(Interface.SOCKET, parsed.host_address, int(parsed.port))
            case rname.TCPIPInstr():
                return _lan_device(parsed.host_address, parsed.lan_device_name)
            case rname.ASRLInstr():  # a bare number is a COM port of Windows
                board = parsed.board
                return Address(Interface.SERIAL, f"COM{board}" if board.isdigit() else board)
            case rname.USBInstr() | rname.USBRaw():
                vendor, product = int(parsed.manufacturer_id, 0), int(parsed.model_code, 0)
                return Address(Interface.USB, f"{vendor:04x}:{product:04x}")
            case rname.GPIBInstr():
                return Address(Interface.GPIB)
    except (rname.InvalidResourceName, ValueError):
        return None
    return Address(Interface.OTHER)


def _lan_device(host: str, device: str) -> Address:
    """Tell HiSLIP from VXI-11 by the device name; either may carry a port after a comma."""
    if device.lower().startswith("hislip"):
        return Address(Interface.HISLIP, host, int(device.partition(",")[2] or _HISLIP))
    host, _, port = host.partition(",")
    return Address(Interface.VXI11, host, int(port or _PORT_MAPPER))
