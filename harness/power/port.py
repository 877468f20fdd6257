"""What the engine sees of a bench: instruments to identify, a meter, and power in a keeper's hands.

Two things fulfil these ports: instruments and keeper in this process
(:mod:`harness.power.local_bench`), as a rehearsal uses them, and a keeper in a process of its own
(:mod:`harness.power.keeper_client`), as a run uses it. The engine cannot tell them apart.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NoReturn, Protocol

from harness.bench.roles import Meter
from harness.bench.sample import SupplySample
from harness.power.commands import Command
from harness.power.operating_envelope import OperatingEnvelope
from harness.power.trip import Trip, TripReason
from harness.profile.bench_file import BenchFile
from harness.record.events import EventKind

__all__ = ["Bench", "OnEvent", "OnSample", "Power"]

#: Called with ``(kind, detail)`` for every change of power.
OnEvent = Callable[[EventKind, str], None]
#: Called with every sample, after the keeper has judged it and acted on it.
OnSample = Callable[[SupplySample], None]


class Power(Protocol):
    """Power in a keeper's hands: the only way to the supply and the load."""

    @property
    def live(self) -> bool:
        """Whether the output is, or may be, on."""
        ...

    @property
    def trip(self) -> Trip | None:
        """What cut power, if anything has; it may come to light only as power is switched off."""
        ...

    def command(self, command: Command) -> None:
        """Have a command carried out.

        Raises:
            CommandRefused: The keeper kept it from the wire.
            Tripped: Power has been cut on the way.
            PowerOffUnconfirmed: Switching off could not be confirmed.
        """
        ...

    def sample(self) -> SupplySample:
        """Return a sample of the supply, 50 ms old at most; the keeper has judged it.

        Raises:
            Tripped: It left the envelope or the budget, or was no reading; power has been cut.
        """
        ...

    def read_load(self) -> Mapping[str, float]:
        """Read the load; a failed reading cuts power.

        Raises:
            Tripped: It was no reading; power has been cut.
        """
        ...

    def read_off(self, role: str) -> Mapping[str, float]:
        """Read supply or load with the output off; whatever comes of it changes nothing.

        Args:
            role: ``supply`` or ``load``.

        Returns:
            ``voltage``, ``current`` and ``power``.

        Raises:
            InstrumentError: It gave no reading.
        """
        ...

    def read_status(self) -> int:
        """Read the supply's status register as it is; an answer that is none cuts power.

        Raises:
            Tripped: It was no number; power has been cut.
        """
        ...

    def expect_silence(self, longest_s: float) -> None:
        """Announce that nothing will be heard for so long, because a slow reading is taken."""
        ...

    def cut(self, reason: TripReason, detail: str) -> NoReturn:
        """Cut power for a reason the engine found.

        Raises:
            Tripped: Always.
        """
        ...

    def power_off(self) -> None:
        """Switch off and confirm, whatever has happened before; never raises a trip.

        Raises:
            PowerOffUnconfirmed: Output off could not be confirmed.
        """
        ...


class Bench(Protocol):
    """The instruments of a bench, with open links."""

    @property
    def file(self) -> BenchFile:
        """The bench file."""
        ...

    @property
    def meter(self) -> Meter | None:
        """The meter, or None."""
        ...

    def identities(self) -> dict[str, str]:
        """Identify every instrument and empty its error queue: old errors are not this run's."""
        ...

    def try_questions(self, questions: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
        """Put every question of a run once, before power (safety rule 1).

        Args:
            questions: By role, as :func:`harness.bench.trial.questions_of` gives them.

        Returns:
            What is wrong with the answers, each with what to do.
        """
        ...

    def power(self, limits: OperatingEnvelope, on_event: OnEvent, on_sample: OnSample) -> Power:
        """Give supply and load to a keeper with these bounds."""
        ...
