"""What the engine sees of a bench: instruments to identify, a meter, and power in a keeper's hands.

A rehearsal has instruments and keeper in this process (:mod:`harness.power.local_bench`), a run has
the keeper in a process of its own (:mod:`harness.power.process_bench`). The engine cannot tell.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NoReturn, Protocol

from harness.bench.roles import Instrument
from harness.bench.sample import SupplySample
from harness.power.commands import Command
from harness.power.dip import Dip, DipRecord, Meanwhile
from harness.power.envelope import OperatingEnvelope
from harness.power.power_times import Span
from harness.power.trip import Trip, TripReason
from harness.profile.bench_file import BenchFile
from harness.record.events import EventKind

#: Called with ``(kind, detail)`` for every change of power.
OnEvent = Callable[[EventKind, str], None]
#: Called with every sample, after the keeper has judged it and acted on it.
OnSample = Callable[[SupplySample], None]


class Power(Protocol):
    """Power in a keeper's hands: the only way to the supply and the load.

    Each call raises :class:`~harness.power.trip.Tripped` where power has been cut, and
    :class:`~harness.errors.PowerOffUnconfirmed` where output off could not be confirmed.
    """

    @property
    def live(self) -> bool:
        """Whether the output is, or may be, on."""

    @property
    def trip(self) -> Trip | None:
        """What cut power, if anything has; it may come to light only as power is switched off."""

    def command(self, command: Command) -> None:
        """Have a command carried out; ``CommandRefused`` where the keeper keeps it off the wire."""

    def sample(self) -> SupplySample:
        """Return a sample of the supply, 50 ms old at most; the keeper has judged it."""

    def read(self, role: str, *quantities: str) -> Mapping[str, float]:
        """Read supply or load once, what its dialect can in one round trip.

        The quantities are from :data:`harness.profile.measures.READINGS` for its role, or
        ``status``. With the output on, or to come, a reading that fails cuts power; with the output
        off it raises ``InstrumentError`` and changes nothing.
        """

    def dip(self, dip: Dip, meanwhile: Meanwhile | None = None) -> DipRecord:
        """Have the input dropped for a stated time and brought back, timed where the link is.

        What is done ``meanwhile`` is called in this process, again and again until it is back. In a
        run nothing waits for it; in a rehearsal only what fits into the time is begun.
        """

    def off_time(self) -> tuple[Span, Span] | None:
        """Return when power last went off, and when it came back, each between two moments.

        Noted where the link is, from before a message to the answer that confirms it. None where
        power did not come back, or where nothing on the wire cuts and closes the feed.
        """

    def expect_silence(self, longest_s: float) -> None:
        """Announce that nothing will be heard for so long, because a slow reading is taken."""

    def cut(self, reason: TripReason, detail: str) -> NoReturn:
        """Cut power for a reason the engine found."""

    def power_off(self) -> None:
        """Switch off and confirm, whatever has happened before; never raises a trip."""


class Bench(Protocol):
    """The instruments of a bench, with open links."""

    @property
    def file(self) -> BenchFile:
        """The bench file."""

    @property
    def readers(self) -> Mapping[str, Instrument]:
        """What only reads, by role: the meter, the power meter, where there is one."""

    @property
    def meter(self) -> Instrument | None:
        """The meter, or None."""

    def identities(self) -> dict[str, str]:
        """Identify every instrument and empty its error queue: old errors are not this run's."""

    def try_questions(self, questions: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
        """Put every question of a run once, before power (safety rule 1).

        They come by role, from :func:`harness.bench.trial.questions_of`; what is wrong with the
        answers goes back, each with what to do.
        """

    def power(self, envelope: OperatingEnvelope, on_event: OnEvent, on_sample: OnSample) -> Power:
        """Give supply and load to a keeper with these bounds."""
