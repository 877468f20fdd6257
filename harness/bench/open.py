"""From a bench file to instruments: dialects first, links when asked."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

from harness.bench.clock import Clock
from harness.bench.dialect import Dialect, bench_dialects
from harness.bench.link import VisaLink, open_link, open_visa
from harness.bench.roles import Instrument, Load, Meter, Supply
from harness.profile.bench_file import BenchFile
from harness.profile.bench_file import Instrument as InstrumentTable

#: What speaks for each role.
ROLES: dict[str, type[Instrument]] = {"supply": Supply, "meter": Meter, "load": Load}


@contextlib.contextmanager
def open_meter(file: BenchFile, clock: Clock) -> Iterator[Meter]:
    """Open the meter of a bench alone.

    Raises:
        LinkError: It cannot be opened.
    """
    with open_instruments(file, ("meter",), clock, None) as instruments:
        meter = instruments["meter"]
        assert isinstance(meter, Meter)
        yield meter


@contextlib.contextmanager
def open_instruments(
    file: BenchFile, roles: tuple[str, ...], clock: Clock, library: Any
) -> Iterator[dict[str, Instrument]]:
    """Open the instruments of these roles; close them in reverse order on the way out.

    Raises:
        LinkError: An instrument cannot be opened.
    """
    dialects = bench_dialects(file)
    with contextlib.ExitStack() as stack:
        manager = open_visa(file.visa if library is None else library)
        stack.callback(_close_quietly, manager)
        opened: dict[str, Instrument] = {}
        for role in roles:
            link = open_instrument_link(manager, role, file.instruments[role], dialects[role])
            stack.callback(link.close)
            opened[role] = ROLES[role](role, link, dialects[role], clock)
        yield opened


def open_instrument_link(
    manager: Any, role: str, instrument: InstrumentTable, dialect: Dialect
) -> VisaLink:
    """Open the link to one instrument.

    Args:
        manager: PyVISA's resource manager.
        role: Its role.
        instrument: Its table of the bench file.
        dialect: Its dialect, with the link as the bench file says.

    Raises:
        LinkError: It cannot be opened.
    """
    return open_link(
        manager,
        role=role,
        resource=instrument.resource,
        timeout_s=dialect.link.timeout_s,
        terminator=dialect.link.terminator,
        line=instrument.serial_line,
    )


def _close_quietly(manager: Any) -> None:
    with contextlib.suppress(Exception):  # every output is off by now; nothing more to lose
        manager.close()
