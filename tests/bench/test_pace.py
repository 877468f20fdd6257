"""How far apart readings are, on instruments that take their time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from harness.bench.finding import Finding, Mark
from harness.bench.pace import reading_pace
from harness.errors import InstrumentError
from harness.profile.instruments import Instrument as InstrumentTable
from harness.profile.load import load_bench
from harness.rehearse.clock import SimulatedClock

BENCH = load_bench("bench-simulated-dc")


@dataclass
class Unhurried:
    """An instrument whose readings take so long, one after the other."""

    clock: SimulatedClock
    take_s: Sequence[float]
    asked: list[str] = field(default_factory=list)

    def has(self, operation: str) -> bool:
        """Whether its dialect can say it."""
        return operation == "measure_voltage_dc"

    def sample(self) -> None:
        """Read as a supply does."""
        self._read("sample")

    def read(self, *quantities: str) -> None:
        """Read as a meter does."""
        self._read(*quantities)

    def _read(self, *what: str) -> None:
        self.clock.sleep_s(self.take_s[min(len(self.asked), len(self.take_s) - 1)])
        self.asked += what


def paced(
    role: str, *take_s: float, stated_s: float | None = None
) -> tuple[list[Finding], Unhurried]:
    table: InstrumentTable = BENCH.instruments[role].model_copy(
        update={"reading_time_s": stated_s} if role != "load" else {}
    )
    clock = SimulatedClock()
    instrument: Any = Unhurried(clock, take_s)
    return list(reading_pace(instrument, table, clock)), instrument


class TestPace:
    def test_it_is_the_median_and_comes_as_a_line(self) -> None:
        """The first reading counts for nothing, one slow one for little; the line reads back."""
        [found], instrument = paced("supply", 0.5, 0.008, 0.100, 0.008)

        assert found.mark is Mark.NOTE
        assert found.text == "a pair of readings each 8 ms; the bench file has no reading_time"
        assert found.write == ('reading_time = "8 ms"',)
        assert set(instrument.asked) == {"sample"}

    def test_a_meter_is_asked_for_dc_voltage(self) -> None:
        """What a meter follows through a discharge is its DC voltage."""
        [found], instrument = paced("meter", 0.052)

        assert found.text.startswith("a reading of DC voltage each 52 ms")
        assert set(instrument.asked) == {"voltage_dc"}

    @pytest.mark.parametrize(
        ("stated_s", "mark"),
        [(0.010, Mark.OK), (0.0149, Mark.OK), (0.0151, Mark.NOTE), (0.0066, Mark.NOTE)],
    )
    def test_what_the_bench_file_says_holds_within_a_half(
        self, stated_s: float, mark: Mark
    ) -> None:
        """A stated time that is off by no more than half is left as it is."""
        [found], _ = paced("supply", 0.010, stated_s=stated_s)

        assert found.mark is mark
        assert bool(found.write) is (mark is Mark.NOTE)

    def test_a_slow_instrument_holds_nobody_up(self) -> None:
        """After three seconds it is known well enough."""
        [found], instrument = paced("meter", 1.0)

        assert found.write == ('reading_time = "1 s"',)
        assert len(instrument.asked) == 4

    def test_others_are_not_timed(self) -> None:
        """A load's readings no plan reckons with; nor is there a pace where no time passes."""
        assert paced("load", 0.01)[0] == []
        assert paced("supply", 0.0)[0] == []

    def test_a_reading_that_fails_is_wrong(self) -> None:
        """An instrument that stops answering is told as any other trouble."""
        instrument: Any = Unhurried(SimulatedClock(), (0.01,))

        def fail() -> None:
            raise InstrumentError("no answer", instrument="supply", remedy="look at it")

        instrument.sample = fail
        [found] = reading_pace(instrument, BENCH.instruments["supply"], instrument.clock)

        assert (found.mark, found.text, found.remedy) == (Mark.WRONG, "no answer", "look at it")
