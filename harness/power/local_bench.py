"""Instruments and keeper in this process: a rehearsal and the keeper process hold a bench so."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from harness.bench.clock import Clock
from harness.bench.roles import Instrument, open_instruments
from harness.bench.trial import try_questions
from harness.power.envelope import OperatingEnvelope
from harness.power.keeper import Keeper
from harness.power.local_keeper import LocalKeeper
from harness.power.pin_moves import PIN_ROLES
from harness.power.port import OnEvent, OnSample
from harness.profile.bench_file import BenchFile


@contextlib.contextmanager
def open_bench(file: BenchFile, clock: Clock, *, library: Any = None) -> Iterator[LocalBench]:
    """Open every instrument of a bench; close them in reverse order on the way out.

    A VISA library object may be used instead of the file's ``visa``.

    Raises:
        LinkError: An instrument cannot be opened.
    """
    with open_instruments(file, tuple(file.instruments), clock, library) as instruments:
        yield LocalBench(file, clock, instruments)


@dataclass(frozen=True, slots=True)
class LocalBench:
    """Instruments and keeper in this process; fulfils :class:`harness.power.port.Bench`."""

    file: BenchFile
    clock: Clock
    instruments: Mapping[str, Instrument]  # by role

    @property
    def readers(self) -> Mapping[str, Instrument]:
        """What only reads, by role."""
        return {role: self.instruments[role] for role in self.file.readers}

    @property
    def meter(self) -> Instrument | None:
        """The meter, or None."""
        return self.instruments.get("meter")

    def identities(self) -> dict[str, str]:
        """Identify every instrument and empty its error queue."""
        return {role: known.identify_and_clear() for role, known in self.instruments.items()}

    def try_questions(self, questions: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
        """Put every question once, before power; return what is wrong with the answers."""
        return tuple(
            str(error)
            for role, asked in questions.items()
            if role in self.instruments
            for error in try_questions(self.instruments[role], asked)
        )

    def power(
        self, envelope: OperatingEnvelope, on_event: OnEvent, on_sample: OnSample
    ) -> LocalKeeper:
        """Give supply and load to a keeper with these bounds."""
        operations = {role: known.dialect.operations for role, known in self.instruments.items()}
        keeper = Keeper(
            envelope,
            supply=operations.get("supply", frozenset()),
            loads={key: operations[key] for key in self.file.all_loads},
            switch=operations.get("switch", frozenset()),
            pins={role: operations[role] for role in PIN_ROLES if role in operations},
            by_hand=self.file.by_hand is not None,
        )
        fed_by = self.file.fed_by
        return LocalKeeper(keeper, self.instruments, self.clock, on_event, on_sample, fed_by)
