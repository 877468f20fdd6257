"""Instruments and keeper in this process: a rehearsal and the keeper process hold a bench so."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from harness.bench.clock import Clock
from harness.bench.roles import ROLES, Instrument, Load, Meter, Supply, open_instruments
from harness.bench.trial import try_questions
from harness.power.commands import OperatingEnvelope
from harness.power.keeper import Keeper
from harness.power.local_keeper import LocalKeeper
from harness.power.port import OnEvent, OnSample
from harness.profile.bench_file import BenchFile


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalBench:
    """Instruments and keeper in this process; fulfils :class:`harness.power.port.Bench`."""

    file: BenchFile
    clock: Clock
    supply: Supply
    meter: Meter | None
    load: Load | None

    def identities(self) -> dict[str, str]:
        """Identify every instrument and empty its error queue."""
        return {role: known.identify_and_clear() for role, known in self._by_role.items()}

    def try_questions(self, questions: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
        """Put every question once, before power; return what is wrong with the answers."""
        return tuple(
            str(error)
            for role, asked in questions.items()
            if role in self._by_role
            for error in try_questions(self._by_role[role], asked)
        )

    @property
    def _by_role(self) -> dict[str, Instrument]:
        return {known.role: known for known in (self.supply, self.meter, self.load) if known}

    def power(
        self, envelope: OperatingEnvelope, on_event: OnEvent, on_sample: OnSample
    ) -> LocalKeeper:
        """Give supply and load to a keeper with these bounds."""
        keeper = Keeper(
            envelope,
            supply=self.supply.dialect.operations,
            load=self.load.dialect.operations if self.load else frozenset(),
        )
        return LocalKeeper(keeper, self.supply, self.load, self.clock, on_event, on_sample)


@contextlib.contextmanager
def open_bench(file: BenchFile, clock: Clock, *, library: Any = None) -> Iterator[LocalBench]:
    """Open every instrument of a bench; close them in reverse order on the way out.

    Args:
        file: The bench file.
        clock: The run's clock.
        library: A VISA library object that is used instead of the file's ``visa``.

    Raises:
        LinkError: An instrument cannot be opened.
    """
    with open_instruments(file, tuple(file.instruments), clock, library) as instruments:
        supply, meter, load = (instruments.get(role) for role in ROLES)
        assert isinstance(supply, Supply)
        assert meter is None or isinstance(meter, Meter)
        assert load is None or isinstance(load, Load)
        yield LocalBench(file=file, clock=clock, supply=supply, meter=meter, load=load)
