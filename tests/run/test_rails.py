"""A unit with several outputs, rehearsed: standby, negative, power good, and their order."""

from __future__ import annotations

import pytest

from harness.api import plan_for, simulated_bench_file, simulated_unit
from harness.power.local_bench import open_bench
from harness.profile.load import load_profile
from harness.record.recorder import MemoryRecorder
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.engine import carry_out
from harness.run.result import RunInfo
from tests.run.conftest import STARTED, Ran
from tests.units import RAILS

STEPS = """
[[steps]]
kind = "nominal"
title = "standby"
dwell = "0.5 s"

[[steps.checks]]
name = "standby is alive"
measure = "meter.voltage_dc"
output = "standby"
low = "4.75 V"
high = "5.25 V"

[[steps.checks]]
name = "main is off"
measure = "meter.voltage_dc"
output = "main"
high = "0.5 V"

[[steps]]
kind = "nominal"
title = "enabled"
enable = true
dwell = "0.5 s"

[[steps.checks]]
name = "minus"
measure = "meter.voltage_dc"
output = "minus"
low = "-12.6 V"
high = "-11.4 V"

[[steps.checks]]
name = "power good"
measure = "meter.voltage_dc"
output = "power_good"
low = "2.4 V"

[[steps.checks]]
name = "main after standby"
measure = "rise_delay"
output = "main"
after = "standby"
low = "0 s"

[[steps.checks]]
name = "power good after main"
measure = "rise_delay"
output = "power_good"
after = "main"
low = "-0.5 s"
high = "0.5 s"

[[steps]]
kind = "load"
currents = ["0 A", "2 A"]
others = { standby = "1 A", minus = "0.1 A" }
dwell = "0.3 s"

[[steps.checks]]
name = "standby"
measure = "meter.voltage_dc"
output = "standby"
low = "4.75 V"
high = "5.25 V"

[[steps.checks]]
name = "cross"
measure = "cross_regulation"
output = "minus"
high = "6 %"

[[steps.checks]]
name = "efficiency"
measure = "efficiency"
at = "2 A"
low = "75 %"
"""


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """One rehearsal of a healthy unit."""
    path = tmp_path_factory.mktemp("rails") / "rails.toml"
    path.write_text(RAILS + STEPS, encoding="utf-8")
    profile = load_profile(path)
    file, clock = simulated_bench_file(profile), SimulatedClock()
    bench = SimulatedBench(simulated_unit(profile), file, clock)
    sink = MemoryRecorder(serial="HRW-0021", started=STARTED)
    result = carry_out(
        plan_for(profile, file),
        connect=lambda: open_bench(file, clock, library=bench.library()),
        clock=clock,
        sink=sink,
        info=RunInfo(serial="HRW-0021", started=STARTED, rehearsal=True),
        operator=SimulatedOperator(bench, profile.unit),
    )
    frames = sink.frames()
    return Ran(result, frames.checks, frames.events, frames.readings, bench, sink)


def value(ran: Ran, check: str) -> float:
    """Return what a check found."""
    return float(ran.checks.set_index("check").loc[check, "value"])


class TestHealthy:
    def test_every_check_passes(self, ran: Ran) -> None:
        """Standby before main, minus below zero, order, and each within its limits."""
        assert ran.result.exit_code == 0, ran.result.reason
        assert set(ran.checks["verdict"]) == {"pass"}

    def test_standby_is_alive_before_the_enable_input_is_pulled(self, ran: Ran) -> None:
        """It is another converter: main is not up yet."""
        assert value(ran, "standby is alive") == pytest.approx(5.01, abs=0.02)
        assert abs(value(ran, "main is off")) < 0.01

    def test_the_negative_one_is_read_below_zero(self, ran: Ran) -> None:
        """By the sign of the meter."""
        assert value(ran, "minus") == pytest.approx(-12.02, abs=0.05)

    def test_cross_regulation_is_what_the_windings_make(self, ran: Ran) -> None:
        """Main's own drop, 3 % at 2 A, less its droop; the other's load does not change.

        Source: V2 = n (V1 + R1 I1) - R2 I2, the ideal transformer, textbook.
        """
        model, ratio = ran.bench.circuit.model, 12.0 / 24.0
        droop_v = model.converter.output_resistance_ohm * 2.0
        expected = ratio * (model.loop_ohm * 2.0 - droop_v) / 12.0

        assert value(ran, "cross") == pytest.approx(expected, rel=0.05)
        assert expected > 0.02

    def test_efficiency_counts_the_power_of_every_load(self, ran: Ran) -> None:
        """48 W, 5 W and 1.2 W; without the last two it would read a tenth less."""
        assert 0.83 < value(ran, "efficiency") < 0.93

    def test_loads_are_off_at_the_end(self, ran: Ran) -> None:
        """Each of the three, by its own word."""
        asked = [
            device.ask("INP?")
            for device in ran.bench.devices.values()
            if "EL-150" in device.ask("*IDN?")
        ]
        assert asked == ["0"] * 4
