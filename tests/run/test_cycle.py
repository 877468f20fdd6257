"""Power cycled: every restart under the rules of a first start."""

from __future__ import annotations

import pytest

from harness.power.trip import TripReason
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.operator import Nobody
from tests.run.conftest import Ran, RunSteps

RAIL = {"dc": ("4.9 V", "5.1 V"), "ac": ("23.3 V", "24.7 V")}


def cycle(kind: str, times: int, *lines: str) -> str:
    """A step that cycles power, with a check of the rail and one of the start."""
    low, high = RAIL[kind]
    text = ["[[steps]]", 'kind = "cycle"', f"times = {times}", 'dwell = "0.3 s"', *lines]
    text += ["[[steps.checks]]", 'name = "rail"', 'measure = "meter.voltage_dc"']
    text += [f'low = "{low}"', f'high = "{high}"']
    text += ["[[steps.checks]]", 'name = "off"', 'measure = "cycle.off_time"', 'high = "60 s"']
    text += ["[[steps.checks]]", 'name = "energy"', 'measure = "start.energy"', 'high = "50 J"']
    return "\n".join([*text, ""])


def times_s(ran: Ran, kind: str) -> list[float]:
    """When events of a kind were told."""
    return list(ran.events.loc[ran.events["kind"] == kind, "time_s"])


class BreaksLater(SimulatedOperator):
    """When asked what is left for the second time, it breaks: a short at its capacitor."""

    def __init__(self, bench: SimulatedBench) -> None:
        super().__init__(bench, None)  # type: ignore[arg-type]
        self.bench = bench
        self.asked = 0

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:  # noqa: ARG002
        """Answer, and let it break the second time."""
        told = self.bench.bulk_voltage_v()
        self.asked += 1
        if self.asked == 2:
            self.bench.circuit.connect_across_bulk(0.5)
        return told, "simulated"


class TestCycle:
    @pytest.fixture
    def ran(self, run_steps: RunSteps) -> Ran:
        """Unit A, cycled three times."""
        return run_steps("dc", after=cycle("dc", 3, 'off = "2 s"'))

    def test_every_restart_is_judged_by_its_number(self, ran: Ran) -> None:
        """Checks of the hold and of the start are there for each restart, and pass."""
        assert list(ran.checks["check"]) == [
            f"{name} at restart {number}"
            for number in (1, 2, 3)
            for name in ("rail", "off", "energy")
        ]
        assert set(ran.checks["verdict"]) == {"pass"}

    def test_power_stays_off_for_so_long(self, ran: Ran) -> None:
        """From confirmed off to power on it is never less than stated."""
        off_s, on_s = times_s(ran, "power off")[:3], times_s(ran, "power on")[1:]

        assert len(on_s) == 3
        assert all(on - off >= 2.0 for off, on in zip(off_s, on_s, strict=True))

    def test_how_long_it_was_off_is_a_figure(self, ran: Ran) -> None:
        """From message to message: what the events tell, to the time that these take."""
        rows = ran.checks[ran.checks["quantity"] == "cycle.off_time"]
        off_s, on_s = times_s(ran, "power off")[:3], times_s(ran, "power on")[1:]
        assert len(rows) == 3
        for (_, row), off, on in zip(rows.iterrows(), off_s, on_s, strict=True):
            assert row["value"] == pytest.approx(on - off, abs=0.02)
            assert 0.0 < row["uncertainty"] < 0.02
        told = ran.said("off time")
        assert len(told) == 3
        assert told[0].startswith("restart 1: off for 2.0")
        assert told[0].endswith("where 2 s at least was asked for")

    def test_what_is_left_is_measured_each_time(self, ran: Ran) -> None:
        """Nothing is assumed: one measurement before each restart."""
        assert len(times_s(ran, "residual")) == 3

    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_a_healthy_unit_restarts_from_whatever_is_left(
        self, run_steps: RunSteps, kind: str
    ) -> None:
        """Off for a moment, the converter may still run: that is no fault."""
        ran = run_steps(kind, after=cycle(kind, 2, 'off = "10 ms"'))

        assert ran.result.trip is None, ran.result.reason
        assert set(ran.checks["verdict"]) == {"pass"}

    def test_a_part_that_breaks_is_found_in_its_restart(self, run_steps: RunSteps) -> None:
        """Safety rule 6 in every restart: the second is cut at its lowest levels."""
        ran = run_steps("dc", after=cycle("dc", 3, 'off = "1 s"'), operator=BreaksLater)

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.CHARGE_BUDGET
        names = [f"{name} at restart 1" for name in ("rail", "off", "energy")]
        assert list(ran.checks["check"]) == names
        assert len(times_s(ran, "power on")) == 3

    def test_nobody_measures(self, run_steps: RunSteps) -> None:
        """Without a word of what is left power does not come back."""
        ran = run_steps("dc", after=cycle("dc", 3, 'off = "1 s"'), operator=lambda _bench: Nobody())

        assert ran.result.outcome == "interrupted"
        assert len(times_s(ran, "power on")) == 1
        assert ran.result.output == "off, confirmed"
