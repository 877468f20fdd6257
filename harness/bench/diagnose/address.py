"""What a VISA resource string says about the way to an instrument (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Address", "Interface", "read_address"]

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """The way to an instrument.

    Attributes:
        interface: What it is connected to.
        host: Name or address of the host; empty where there is none.
        port: TCP port to connect to first; zero where there is none.
        device: Serial port as the system names it; empty where there is none.
        vendor_id: USB vendor number; zero where there is none.
        product_id: USB product number; zero where there is none.
    """

    interface: Interface
    host: str = ""
    port: int = 0
    device: str = ""
    vendor_id: int = 0
    product_id: int = 0


def read_address(resource: str) -> Address | None:
    """Read a resource string; None where it is none (VPP-4.3, section 4.3.1)."""
    from pyvisa import rname

    try:
        parsed = rname.ResourceName.from_string(resource)
        match parsed:
            case rname.TCPIPSocket():
                return Address(
                    interface=Interface.SOCKET, host=parsed.host_address, port=int(parsed.port)
                )
            case rname.TCPIPInstr():
                return _lan_device(parsed.host_address, parsed.lan_device_name)
            case rname.ASRLInstr():
                return Address(interface=Interface.SERIAL, device=_port_name(parsed.board))
            case rname.USBInstr() | rname.USBRaw():
                return Address(
                    interface=Interface.USB,
                    vendor_id=int(parsed.manufacturer_id, 0),
                    product_id=int(parsed.model_code, 0),
                )
            case rname.GPIBInstr():
                return Address(interface=Interface.GPIB)
    except (rname.InvalidResourceName, ValueError):
        return None
    return Address(interface=Interface.OTHER)


def _lan_device(host: str, device: str) -> Address:
    """Tell HiSLIP from VXI-11 by the device name; either may carry a port after a comma."""
    if device.lower().startswith("hislip"):
        port = device.partition(",")[2]
        return Address(interface=Interface.HISLIP, host=host, port=int(port or _HISLIP))
    host, _, port = host.partition(",")
    return Address(interface=Interface.VXI11, host=host, port=int(port or _PORT_MAPPER))


def _port_name(board: str) -> str:
    """Return the system's name of a serial port: a bare number is a COM port of Windows."""
    return f"COM{board}" if board.isdigit() else board
