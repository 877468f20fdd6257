"""The simulated bench without PyVISA's sessions in between: the same text, the same instruments.

A campaign asks some ten million questions. Engine, keeper, roles, dialects and simulated
instruments are those of a rehearsal; only the transport is a call. A test compares whole runs over
both ways, reading by reading.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping

from harness.bench.clock import Clock
from harness.bench.dialect import Dialect
from harness.bench.roles import Load, Meter, Supply
from harness.errors import LinkTimeout
from harness.power.local_bench import LocalBench
from harness.profile.bench_file import BenchFile
from harness.rehearse.simulated_instruments import SimulatedInstrument

__all__ = ["DirectLink", "memory_bench"]


class DirectLink:
    """A conversation with one simulated instrument; fulfils :class:`harness.bench.link.Link`.

    Args:
        device: The instrument.
        name: Role and resource, for messages.
        timeout_s: Longest wait for an answer; an answer that does not come is no wait here.
    """

    def __init__(self, device: SimulatedInstrument, name: str, timeout_s: float) -> None:
        self._device = device
        self.name = name
        self.timeout_s = timeout_s

    def write(self, message: str) -> None:
        """Send one message."""
        self._device.write(message.encode("ascii") + b"\n")

    def query(self, message: str) -> str:
        """Send one message and return its answer.

        Raises:
            LinkTimeout: It is no question, so that no answer comes.
        """
        answer = self._device.ask(message)
        if not answer:
            raise LinkTimeout("no answer in time", instrument=self.name, message=message)
        return answer

    def reopen(self) -> None:
        """Begin the conversation anew; between calls there is nothing to forget."""

    def close(self) -> None:
        """End the conversation."""


@contextlib.contextmanager
def memory_bench(
    file: BenchFile,
    clock: Clock,
    devices: Mapping[str, SimulatedInstrument],
    dialects: Mapping[str, Dialect],
) -> Iterator[LocalBench]:
    """Open a simulated bench as :func:`harness.power.local_bench.open_bench` does.

    Args:
        file: The bench file.
        clock: The run's clock.
        devices: Simulated instruments by resource name.
        dialects: Dialects by role, as :func:`harness.bench.open.bench_dialects` gives them.
    """

    def link(role: str) -> DirectLink:
        resource = file.instruments[role].resource
        return DirectLink(devices[resource], f"{role} ({resource})", dialects[role].link.timeout_s)

    yield LocalBench(
        file=file,
        clock=clock,
        supply=Supply("supply", link("supply"), dialects["supply"], clock),
        meter=Meter("meter", link("meter"), dialects["meter"], clock) if file.meter else None,
        load=Load("load", link("load"), dialects["load"], clock) if file.load else None,
    )
