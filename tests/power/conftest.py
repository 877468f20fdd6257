"""A bench that records every message, with answers a test decides."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.bench.dialect import Dialect, load_dialect
from harness.bench.roles import Instrument
from harness.bench.sample import SupplySample
from harness.power.envelope import OperatingEnvelope
from harness.power.keeper import Keeper
from harness.power.local_keeper import LocalKeeper
from harness.rehearse.clock import SimulatedClock

SAMPLE = "MEAS:VOLT?;:MEAS:CURR?"


class WireLink:
    """A link that keeps every message and behaves like an instrument that obeys.

    Args:
        name: Role and resource.
        clock: Advanced by a millisecond a message.
    """

    def __init__(self, name: str, clock: SimulatedClock) -> None:
        self.name = name
        self.timeout_s = 1.0
        self.reopened = 0
        self.messages: list[str] = []
        self.settings: dict[str, str] = {"OUTP": "0", "INP": "0"}
        self.answers: dict[str, Callable[[], str]] = {}
        self._clock = clock

    def write(self, message: str) -> None:
        """Note a message and remember the setting it makes."""
        self._clock.sleep_s(0.001)
        self.messages.append(message)
        header, _, value = message.partition(" ")
        if value:
            self.settings[header] = {"ON": "1", "OFF": "0"}.get(value, value)

    def query(self, message: str) -> str:
        """Note a question and answer it: as the test says, else from the settings."""
        self._clock.sleep_s(0.001)
        self.messages.append(message)
        if message in self.answers:
            return self.answers[message]()
        if message == "SYST:ERR?":
            return '0,"No error"'
        return self.settings.get(message.removesuffix("?"), "0")

    def reopen(self) -> None:
        """Note it."""
        self.reopened += 1

    def close(self) -> None:
        """Do nothing."""


class Wire:
    """A keeper in its host on recording links."""

    def __init__(self, limits: OperatingEnvelope, dialect: Dialect | None = None) -> None:
        self.clock = SimulatedClock()
        self.supply = WireLink("supply (wire)", self.clock)
        self.load = WireLink("load (wire)", self.clock)
        self.events: list[tuple[str, str]] = []
        self.samples: list[SupplySample] = []
        dialect = dialect or load_dialect("scpi-dc-supply")
        supply = Instrument(self.supply, dialect, self.clock)
        load = Instrument(self.load, load_dialect("scpi-load"), self.clock)
        loads = {"load": load.dialect.operations}
        self.keeper = Keeper(limits, supply=supply.dialect.operations, loads=loads)
        self.host = LocalKeeper(
            self.keeper,
            {"supply": supply, "load": load},
            self.clock,
            lambda kind, detail: self.events.append((kind, detail)),
            self.samples.append,
        )

    def reads(self, voltage: str, current: str) -> None:
        """Decide what the supply reads from now on."""
        self.supply.answers[SAMPLE] = lambda: f"{voltage};{current}"


LIMITS = OperatingEnvelope(voltage_v=26.4, current_a=1.5, power_w=36.0, load_current_a=2.0)


@pytest.fixture
def wire() -> Wire:
    """A bench with the envelope 26.4 V, 1.5 A, 36 W."""
    wire = Wire(LIMITS)
    wire.reads("0.0", "0.0")
    return wire
