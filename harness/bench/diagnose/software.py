"""Causes on this computer: a library or a package that is not there (pure)."""

from __future__ import annotations

from collections.abc import Callable

from harness.bench.diagnose.address import Interface
from harness.bench.diagnose.cause import Cause

__all__ = ["missing_library", "missing_package"]

#: What pyvisa-py needs beyond itself: the module it imports, and the extra that brings it.
_NEEDS = {
    Interface.USB: ("usb", "usb"),
    Interface.SERIAL: ("serial", "serial"),
    Interface.GPIB: ("gpib_ctypes", "gpib"),
}


def missing_package(interface: Interface, installed: Callable[[str], bool]) -> Cause | None:
    """Say which optional package pyvisa-py lacks for an interface.

    Args:
        interface: What the instrument is connected to.
        installed: Whether a module is there.
    """
    if interface not in _NEEDS:
        return None
    module, extra = _NEEDS[interface]
    if installed(module):
        return None
    return Cause(
        what=f"pyvisa-py needs a package for {interface.value} that is not installed",
        remedy="install it, then try again:",
        write=(f'pip install "softwake[{extra}]"',),
    )


def missing_library(visa: str, problem: str) -> Cause:
    """Say why a bench file's VISA library cannot be opened.

    Args:
        visa: What stands in the bench file.
        problem: What PyVISA says.
    """
    own = 'visa = "@py"'
    if visa in {"", "@ivi"}:
        return Cause(
            what="there is no system VISA library on this computer",
            remedy="install the one of your interface's maker, or write in the bench file:",
            write=(own,),
        )
    if "@" in visa and "Wrapper not found" in problem:
        return Cause(
            what=f"PyVISA knows no library {visa!r}",
            remedy="write in the bench file, for the one that comes along:",
            write=(own,),
        )
    return Cause(
        what=f"the VISA library {visa!r} cannot be opened: {problem.strip()}",
        remedy='check its path, or write in the bench file visa = "" for the system\'s, or:',
        write=(own,),
    )
