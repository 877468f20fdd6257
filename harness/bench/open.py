"""From a bench file to instruments: dialects first, links when asked."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from harness.bench.clock import Clock
from harness.bench.dialect import Dialect, bench_dialects
from harness.bench.host import KeeperHost
from harness.bench.keeper import Keeper
from harness.bench.limits import Limits
from harness.bench.link import VisaLink, open_link, open_visa
from harness.bench.port import OnEvent, OnSample
from harness.bench.roles import Instrument, Load, Meter, Supply
from harness.bench.trial import try_questions
from harness.profile.bench_file import BenchFile
from harness.profile.bench_file import Instrument as InstrumentTable

__all__ = [
    "ROLES",
    "OpenBench",
    "open_bench",
    "open_instrument_link",
    "open_meter",
]

#: What speaks for each role.
ROLES: dict[str, type[Instrument]] = {"supply": Supply, "meter": Meter, "load": Load}


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenBench:
    """Instruments and keeper in this process; fulfils :class:`harness.bench.port.Bench`.

    Attributes:
        file: The bench file.
        clock: The run's clock.
        supply: The supply.
        meter: The meter, or None.
        load: The load, or None.
    """

    file: BenchFile
    clock: Clock
    supply: Supply
    meter: Meter | None
    load: Load | None

    def identities(self) -> dict[str, str]:
        """Identify every instrument and empty its error queue."""
        roles = {"supply": self.supply, "meter": self.meter, "load": self.load}
        return {role: known.introduce() for role, known in roles.items() if known is not None}

    def try_questions(self, questions: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
        """Put every question once, before power; return what is wrong with the answers."""
        roles = {"supply": self.supply, "meter": self.meter, "load": self.load}
        return tuple(
            str(error)
            for role, asked in questions.items()
            if (instrument := roles[role]) is not None
            for error in try_questions(instrument, asked)
        )

    def power(self, limits: Limits, on_event: OnEvent, on_sample: OnSample) -> KeeperHost:
        """Give supply and load to a keeper with these bounds."""
        keeper = Keeper(
            limits,
            supply=self.supply.dialect.operations,
            load=self.load.dialect.operations if self.load else frozenset(),
        )
        return KeeperHost(keeper, self.supply, self.load, self.clock, on_event, on_sample)


@contextlib.contextmanager
def open_bench(file: BenchFile, clock: Clock, *, library: Any = None) -> Iterator[OpenBench]:
    """Open every instrument of a bench; close them in reverse order on the way out.

    Args:
        file: The bench file.
        clock: The run's clock.
        library: A VISA library object that is used instead of the file's ``visa``.

    Raises:
        LinkError: An instrument cannot be opened.
    """
    with _opened(file, tuple(file.instruments), clock, library) as instruments:
        supply, meter, load = (instruments.get(role) for role in ROLES)
        assert isinstance(supply, Supply)
        assert meter is None or isinstance(meter, Meter)
        assert load is None or isinstance(load, Load)
        yield OpenBench(file=file, clock=clock, supply=supply, meter=meter, load=load)


@contextlib.contextmanager
def open_meter(file: BenchFile, clock: Clock) -> Iterator[Meter]:
    """Open the meter of a bench alone.

    Raises:
        LinkError: It cannot be opened.
    """
    with _opened(file, ("meter",), clock, None) as instruments:
        meter = instruments["meter"]
        assert isinstance(meter, Meter)
        yield meter


@contextlib.contextmanager
def _opened(
    file: BenchFile, roles: tuple[str, ...], clock: Clock, library: Any
) -> Iterator[dict[str, Instrument]]:
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
