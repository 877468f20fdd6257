"""Causes at a port of this computer: serial and USB (pure, over what a look at it told)."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

from harness.bench.diagnose.address import Address
from harness.bench.diagnose.cause import Cause

__all__ = ["PortState", "port_state", "serial_cause", "udev_rule", "usb_cause"]

#: Error numbers as POSIX systems give them, and words as Windows and libusb do.
_DENIED, _BUSY, _ABSENT = {13, 1}, {16}, {2, 19}


class PortState(StrEnum):
    """What a look at a port told."""

    READY = "ready"
    ABSENT = "absent"
    DENIED = "denied"
    BUSY = "busy"
    NO_BACKEND = "no backend"
    FAILED = "failed"


def port_state(error: Exception) -> PortState:
    """Read from an error of pyserial or PyUSB what is the matter with a port."""
    number = getattr(error, "errno", None)
    text = str(error).lower()
    if type(error).__name__ == "NoBackendError":
        return PortState.NO_BACKEND
    # Windows: "PermissionError(13, 'Access is denied.')" stands for a port in use, not for a right.
    if (
        number in _BUSY
        or "busy" in text
        or "exclusively lock" in text
        or "access is denied" in text
    ):
        return PortState.BUSY
    if number in _DENIED or "permission" in text or "insufficient permissions" in text:
        return PortState.DENIED
    # PyUSB may not read texts of a device it has no right to, and says so in these words.
    if "langid" in text:
        return PortState.DENIED
    if number in _ABSENT or "no such" in text or "cannot find" in text or "filenotfound" in text:
        return PortState.ABSENT
    return PortState.FAILED


def serial_cause(
    address: Address, state: PortState, present: Sequence[str], *, problem: str = ""
) -> Cause | None:
    """Say why a serial port cannot be used.

    Args:
        address: Where it should be.
        state: What a look at it told.
        present: Names of the serial ports there are.
        problem: What the system says.
    """
    device = address.device
    match state:
        case PortState.READY:
            return None
        case PortState.ABSENT:
            there = ", ".join(present) if present else "none"
            return Cause(
                what=f"there is no serial port {device}; the system has {there}",
                remedy="plug the adapter in, and write in its table of the bench file:"
                if present
                else "plug the adapter in and look for the name it gets",
                write=tuple(f'resource = "{_resource(name)}"' for name in present[:4]),
            )
        case PortState.DENIED:
            return Cause(
                what=f"you may not open {device}",
                remedy="join the group that may (on most Linux systems dialout), then log in anew:",
                write=('sudo usermod -aG dialout "$USER"',),
            )
        case PortState.BUSY:
            return Cause(
                what=f"another program holds {device}",
                remedy="close it: a terminal program, a maker's own tool, or another softwake",
            )
        case PortState.NO_BACKEND | PortState.FAILED:
            return Cause(
                what=f"{device} cannot be opened ({problem})",
                remedy="unplug the adapter and try again",
            )


def _resource(name: str) -> str:
    """Return the resource string of a serial port."""
    return f"ASRL{name[3:] if name.upper().startswith('COM') else name}::INSTR"


def usb_cause(
    address: Address, state: PortState, *, linux: bool, problem: str = ""
) -> Cause | None:
    """Say why a USB instrument cannot be used.

    Args:
        address: Where it should be.
        state: What a look at it told.
        linux: Whether rights are given by udev rules here.
        problem: What the system says.
    """
    vendor, product = f"{address.vendor_id:04x}", f"{address.product_id:04x}"
    match state:
        case PortState.READY:
            return None
        case PortState.ABSENT:
            return Cause(
                what=f"no USB device {vendor}:{product} is plugged in",
                remedy="check that it is on, its cable, and that its USB port is set to USB-TMC in "
                "its menu; lsusb lists what is there",
            )
        case PortState.DENIED if linux:
            return Cause(
                what=f"you may not open the USB device {vendor}:{product}",
                remedy="write this line into /etc/udev/rules.d/70-softwake.rules, then run the "
                "second, and plug it in anew:",
                write=(udev_rule(address), "sudo udevadm control --reload"),
            )
        case PortState.DENIED:
            return Cause(
                what=f"you may not open the USB device {vendor}:{product}",
                remedy="give it a driver that programs may use (WinUSB on Windows), or use the "
                'system VISA library: visa = ""',
            )
        case PortState.BUSY:
            return Cause(
                what=f"another program holds the USB device {vendor}:{product}",
                remedy="close it: a maker's own tool, a system VISA library, or another softwake",
            )
        case PortState.NO_BACKEND:
            return Cause(
                what="PyUSB finds no libusb on this computer",
                remedy='use the system VISA library, visa = "", or install libusb 1.0; on Debian '
                "and Ubuntu:",
                write=("sudo apt install libusb-1.0-0",),
            )
        case PortState.FAILED:
            return Cause(
                what=f"the USB device {vendor}:{product} cannot be opened ({problem})",
                remedy="switch it off and on, and plug it in anew",
            )


def udev_rule(address: Address) -> str:
    """Return the rule that lets whoever is logged in at the machine use a USB device.

    The tag ``uaccess`` must be given by a file that sorts before 73 (systemd's own rules).
    """
    return (
        f'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{address.vendor_id:04x}", '
        f'ATTR{{idProduct}}=="{address.product_id:04x}", MODE="0660", TAG+="uaccess"'
    )
