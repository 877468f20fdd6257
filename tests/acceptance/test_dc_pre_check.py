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


class TestHealthy:
    def test_passes_and_releases_nothing(self, result: RunResult) -> None:
        """Every check passes, and that is a pre-check."""
        assert (result.verdict, result.purpose, result.released) == ("pass", "pre-check", False)

    def test_weighs_the_capacitor(self, result: RunResult) -> None:
        """The start's figures work through the bridge."""
        checks = result.record.checks.set_index("check")
        row = checks.loc["bulk capacitance"]

        assert abs(row["value"] - 150e-6) < row["uncertainty"] < 15e-6


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

    @pytest.mark.parametrize(
        ("fault", "check"),
        [("open-fuse", "bulk voltage")],
    )
    def test_found_by_a_check(self, fault: str, check: str) -> None:
        """What lets nothing through leaves the capacitor empty."""
        checks = rehearsed(fault).record.checks.set_index("check")

        assert checks.loc[check, "verdict"] == "fail"

    def test_weak_capacitor_is_not_passed(self) -> None:
        """One that has lost most of its capacitance cannot be told from none."""
        assert rehearsed("weak-bulk-capacitor").verdict in {"fail", "undecided"}
