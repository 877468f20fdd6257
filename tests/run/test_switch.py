"""Whole runs through a contact in the feed, sound and welded."""

from __future__ import annotations

from typing import Any

import pytest

from harness.api import plan_for
from harness.errors import PowerOffUnconfirmed
from harness.profile.bench_file import BenchFile
from harness.profile.instruments import Switch
from harness.profile.load import load_bench, load_profile
from harness.profile.preflight import preflight
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.result import Output
from tests.instrument_faults import stick
from tests.run.conftest import STARTED, RunSteps

ADDRESS = "TCPIP0::127.0.0.1::5028::SOCKET"
HOLD = """
[[steps]]
kind = "nominal"
dwell = "0.3 s"

[[steps.checks]]
name = "rail"
measure = "meter.voltage_dc"
low = "4.9 V"
high = "5.1 V"
"""


def with_switch(file: BenchFile, **keys: Any) -> BenchFile:
    """Return a bench with a switch in the feed."""
    table = Switch.model_validate({"resource": ADDRESS, "dialect": "scpi-switch", **keys})
    return file.model_copy(update={"switch": table})


class Welds(SimulatedOperator):
    """A person under whose eyes the contact welds as power comes on."""

    def power_on(self, step: str) -> None:  # noqa: ARG002 - the port's signature
        """Have it weld."""
        self._bench.welded = True


class TestSound:
    def test_a_unit_is_powered_through_it_and_it_is_open_at_the_end(
        self, run_steps: RunSteps
    ) -> None:
        """A run through a sound contact ends as any other, and the record says how it stood."""
        ran = run_steps("dc", after=HOLD, bench=with_switch)

        assert ran.verdict("rail") == "pass"
        assert ran.result.exit_code == 0
        assert not ran.bench.contact_closed
        assert ran.said("switch") == [
            "the contact in the feed is closed, and says so",
            "the contact in the feed is open, and says so",
        ]
        assert not [warning for warning in ran.result.warnings if "CONTACT" in warning]


class TestWelded:
    def test_a_weld_under_power_is_found_as_power_goes_off(self, run_steps: RunSteps) -> None:
        """All checks passed, and still: tripped, not released, told in capitals in the record."""

        def operator(bench: SimulatedBench) -> SimulatedOperator:
            return Welds(bench, load_profile("mount-controller-board").unit)

        ran = run_steps("dc", after=HOLD, bench=with_switch, operator=operator)

        assert ran.result.exit_code == 3
        assert ran.result.output is Output.OFF
        assert ran.result.reason.startswith("contact_welded: ")
        assert "THE CONTACT IN THE FEED DOES NOT OPEN" in ran.result.reason
        assert any("THE CONTACT IN THE FEED" in warning for warning in ran.result.warnings)
        assert not ran.result.released

    def test_current_through_a_contact_that_says_open(self, run_steps: RunSteps) -> None:
        """A switch that only repeats what it was told, and an output that sticks: current tells."""

        def operator(bench: SimulatedBench) -> Welds:
            bench.has_mirror_contact = False
            return Welds(bench, load_profile("mount-controller-board").unit)

        with pytest.raises(PowerOffUnconfirmed, match="TAKE THE CONTACT FOR WELDED") as caught:
            run_steps(
                "dc",
                after=HOLD,
                bench=with_switch,
                operator=operator,
                bend=lambda on: stick(on["supply"]),
            )
        assert "CURRENT FLOWS ALTHOUGH THE CONTACT IN THE FEED WAS OPENED" in str(caught.value)

    def test_an_output_that_sticks_is_cut_by_a_sound_contact(self, run_steps: RunSteps) -> None:
        """The supply says off and is not: the contact has taken the unit off all the same."""
        ran = run_steps("dc", after=HOLD, bench=with_switch, bend=lambda on: stick(on["supply"]))

        assert not ran.bench.contact_closed
        assert ran.said("switching off again") == []
        assert ran.result.exit_code == 0


class TestBeforePower:
    def test_the_envelope_is_inside_what_the_contact_may_switch(self) -> None:
        """It may have to break the largest voltage and current: beyond its range is refused."""
        profile = load_profile("mount-controller-board")
        small = {"voltage": "24 V", "current": "1 A"}
        file = with_switch(load_bench("bench-simulated-dc"), range=small)

        found = preflight(plan_for(profile, file), today=STARTED.date())

        assert found.reasons == (
            "The envelope of 26.4 V is beyond the switch's range of 24 V.",
            "The envelope of 1.5 A is beyond the switch's range of 1 A.",
        )

    def test_the_plan_says_when_it_closes_and_opens(self) -> None:
        """Whoever reads the plan knows what the contact does, and what its answer is worth."""
        plan = plan_for(
            load_profile("mount-controller-board"), with_switch(load_bench("bench-simulated-dc"))
        )

        assert any("mirror contact" in note for note in plan.notes)
        assert not any("calibration" in w for w in preflight(plan, today=STARTED.date()).warnings)
