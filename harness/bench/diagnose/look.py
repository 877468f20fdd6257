"""Looks at the ports of this computer, without a word to what is behind them."""

from __future__ import annotations

import contextlib
import importlib.util
from collections.abc import Callable
from typing import Any

from harness.bench.diagnose.address import Address
from harness.bench.diagnose.ports import PortState, port_state

__all__ = ["installed", "look_at_serial", "look_at_usb", "serial_ports"]


def installed(module: str) -> bool:
    """Whether a module is there, without importing it."""
    return importlib.util.find_spec(module) is not None


def serial_ports() -> tuple[str, ...]:
    """Name the serial ports of this computer; none where pyserial is not there to tell."""
    if not installed("serial"):
        return ()
    list_ports: Any = importlib.import_module("serial.tools.list_ports")
    return tuple(sorted(port.device for port in list_ports.comports()))


def look_at_serial(address: Address) -> tuple[PortState, str]:
    """Open a serial port for a moment.

    Returns:
        Its state, and what the system says where it is not ready.
    """
    if not installed("serial"):  # a system VISA library serves it; it has told what it knows
        return PortState.READY, ""
    serial: Any = importlib.import_module("serial")

    def attempt() -> None:
        # exclusive, so that another program's hold shows where the system would share the port
        with contextlib.closing(serial.serial_for_url(address.device, exclusive=True)):
            pass

    return _state(attempt)


def look_at_usb(address: Address) -> tuple[PortState, str]:
    """Find a USB device and read from it what anybody with the right to may read.

    Returns:
        Its state, and what the system says where it is not ready.
    """
    if not installed("usb"):
        return PortState.READY, ""
    core: Any = importlib.import_module("usb.core")
    util: Any = importlib.import_module("usb.util")
    found: list[Any] = []

    def attempt() -> None:
        device = core.find(idVendor=address.vendor_id, idProduct=address.product_id)
        if device is not None:
            found.append(device)
            device.get_active_configuration()
            util.get_string(device, device.iSerialNumber)

    try:
        state, problem = _state(attempt)
    finally:
        for device in found:
            with contextlib.suppress(Exception):
                util.dispose_resources(device)
    if state is PortState.READY and not found:
        return PortState.ABSENT, ""
    return state, problem


def _state(attempt: Callable[[], None]) -> tuple[PortState, str]:
    try:
        attempt()
    except Exception as error:  # noqa: BLE001 - of whatever a driver raises
        return port_state(error), str(error)
    return PortState.READY, ""
