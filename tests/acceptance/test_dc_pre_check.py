"""The shipped pre-check of an AC unit by DC: what it finds before mains is near."""

from __future__ import annotations

import pytest

from harness.api import rehearse_profile
from harness.power.trip import TripReason
from harness.run.result import RunResult

NAME = "dome-shutter-dc-pre-check"


def rehearsed(fault: str | None = None) -> RunResult:
    return rehearse_profile(NAME, fault=fault)


@pytest.fixture(scope="module")
def result() -> RunResult:
    """One rehearsal of the healthy unit."""
    return rehearsed()


def verdicts(result: RunResult) -> list[str]:
    """What was found of the voltage across the capacitor, in each start that was finished."""
    checks = result.record.checks
    return list(checks[checks["check"] == "bulk voltage"]["verdict"])


class TestHealthy:
    def test_passes_and_releases_nothing(self, result: RunResult) -> None:
        """Every check passes, and that is a pre-check."""
        assert (result.verdict, result.purpose, result.released) == ("pass", "pre-check", False)

    def test_weighs_the_capacitor(self, result: RunResult) -> None:
        """The start's figures work through the bridge."""
        checks = result.record.checks
        for row in checks[checks["check"] == "bulk capacitance"].itertuples():
            assert abs(row.value - 150e-6) < row.uncertainty < 15e-6

    def test_leads_are_changed_over_once_all_is_discharged(self, result: RunResult) -> None:
        """Power is off, the leads are changed, a resistor empties the capacitor and comes off."""
        events = result.record.events
        kinds = ["power off", "leads", "load", "residual", "power on"]
        told = [kind for kind in events["kind"] if kind in kinds]

        assert told[told.index("leads") - 1 :][:6] == [
            *("power off", "leads", "load", "load", "residual", "power on")
        ]


class TestFaults:
    @pytest.mark.parametrize(
        "fault", ["shorted-varistor", "shorted-input", "shorted-switch", "leaky-bulk-capacitor"]
    )
    def test_found_at_the_lowest_level(self, fault: str) -> None:
        """A short or a leak is cut at 17 V and 20 mA."""
        result = rehearsed(fault)
        readings = result.record.readings
        supply = readings[readings["source"] == "supply"]
        volts = supply[supply["quantity"] == "voltage"]["value"].max()
        amperes = supply[supply["quantity"] == "current"]["value"].max()

        assert result.trip is not None
        assert result.trip.reason is TripReason.CHARGE_BUDGET
        assert volts < 17.1
        assert amperes < 0.025

    def test_open_fuse_found_by_a_check(self) -> None:
        """What lets nothing through leaves the capacitor empty."""
        assert verdicts(rehearsed("open-fuse")) == ["fail", "fail"]

    def test_open_diode_found_in_one_polarity(self) -> None:
        """The pair with the open diode charges nothing, the other pair does."""
        assert verdicts(rehearsed("open-rectifier-diode")) == ["pass", "fail"]

    def test_shorted_diode_found_in_one_polarity(self) -> None:
        """The leads the other way round, it is a short of the supply: at the lowest level."""
        result = rehearsed("shorted-bridge-diode")
        events = result.record.events
        levels = list(events[events["kind"] == "level"]["detail"].str.partition(":")[0])

        assert verdicts(result) == ["pass"]
        assert result.trip is not None
        assert result.trip.reason is TripReason.CHARGE_BUDGET
        assert levels == ["10 %", "20 %", "35 %", "10 %"]

    def test_weak_capacitor_is_not_passed(self) -> None:
        """One that has lost most of its capacitance cannot be told from none."""
        assert rehearsed("weak-bulk-capacitor").verdict in {"fail", "undecided"}
