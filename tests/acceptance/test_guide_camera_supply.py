"""The shipped supply with two rails, an enable input and a boost stage: its full release."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from harness.api import rehearse_profile
from harness.unit.assess import assess
from harness.unit.unit_file import load_unit

if TYPE_CHECKING:
    from harness.run.result import RunResult

UNIT = "guide-camera-supply-HRW-0021"


@pytest.fixture(scope="module")
def full() -> RunResult:
    """The full release, carried out once."""
    return rehearse_profile("guide-camera-supply-full-release", model=UNIT)


def test_every_check_passes(full: RunResult) -> None:
    """Both starts, both rails at both ends of the line, dips, current limit, soak, discharge."""
    assert (full.verdict, full.trip) == ("pass", None)


def test_the_power_factor_is_judged_at_both_ends(full: RunResult) -> None:
    """At full load it is above 0.9 in every corner."""
    checks = full.record.checks
    values = checks.loc[checks["quantity"] == "power_factor", "value"]

    assert len(values) == 13
    assert values.min() > 0.98


def test_each_end_of_the_line_has_its_own_start(full: RunResult) -> None:
    """The second begins from power off, with what is left on the bulk capacitor measured."""
    readings = full.record.readings
    rows = readings.loc[readings["quantity"].eq("bulk.voltage_dc") | readings["step"].eq("start")]
    events = full.record.events
    on = events.loc[events["kind"] == "power on", "step"]

    assert {"start", "start at high line"} <= set(on), set(on)
    assert not rows.empty


def test_both_rails_are_judged_in_every_corner(full: RunResult) -> None:
    """Twelve corners of the line, the 24 V rail and the standby rail in each."""
    checks = full.record.checks
    corners = checks.loc[checks["step"].isin(["low line, full load", "high line, full load"])]

    assert (corners["check"].str.startswith("24 V rail")).sum() == 12
    assert (corners["check"].str.startswith("5 V standby")).sum() == 12


def test_the_enable_input_is_obeyed_at_both_ends(full: RunResult) -> None:
    """Let go the 24 V rail is off and the standby rail stays: at the beginning and at the end."""
    checks = full.record.checks.set_index(["step", "check"])["verdict"]

    for step, standby in (("disabled", "5 V standby"), ("disabled again", "5 V standby stays")):
        assert checks[step, "24 V rail is off"] == "pass"
        assert checks[step, standby] == "pass"


def test_hold_up_weighs_the_bulk_capacitor_at_low_line(full: RunResult) -> None:
    """82 uF from 390 V bridge 65 W for some 80 ms, by the readings of the load."""
    row = full.record.checks.set_index("quantity").loc["dip.hold_up"]

    assert row["value"] == pytest.approx(0.08, rel=0.25)


def test_the_unit_file_is_in_order() -> None:
    """The replacement is acceptable, and the bulk capacitor is held against 390 V."""
    assert assess(load_unit(UNIT)).acceptable
