"""The shipped supply with universal input and a boost stage: healthy, and with what goes wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from harness.api import rehearse_profile
from harness.profile.allowance import InrushAllowance
from harness.profile.load import load_profile
from harness.qualify.population import Mix
from harness.qualify.unit_result import End, UnitResult
from harness.qualify.worker import Job, run_units
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.unit.assess import assess
from harness.unit.unit_file import load_unit

if TYPE_CHECKING:
    from harness.profile.schema import Profile
    from harness.run.result import RunResult

SHORT, FULL = "instrument-supply", "instrument-supply-full-release"
UNIT = "instrument-supply-HRW-0031"


def last_level(result: RunResult) -> str:
    """Return the level at which a run ended."""
    readings = result.record.readings
    return str(readings[readings["source"] == "supply"]["level"].iloc[-1])


@pytest.fixture(scope="module")
def full() -> RunResult:
    """The full release, carried out once."""
    return rehearse_profile(FULL, model=UNIT)


class TestHealthy:
    """Healthy units pass both profiles."""

    def test_every_check_passes(self, full: RunResult) -> None:
        """Starts at low and at high line, corners of both ends, dips, load, soak, discharge."""
        assert (full.verdict, full.trip) == ("pass", None)

    def test_the_power_factor_is_judged_at_both_ends(self, full: RunResult) -> None:
        """At full load it is above 0.9 in every corner."""
        checks = full.record.checks
        values = checks.loc[checks["quantity"] == "power_factor", "value"]
        assert len(values) == 13
        assert values.min() > 0.98

    def test_each_start_has_its_own_allowance(self, full: RunResult) -> None:
        """Power came on more than once, and what a boost stage takes was allowed each time."""
        events = full.record.events
        assert (events["kind"] == "power on").sum() >= 2

    def test_hold_up_is_measured_at_low_line(self, full: RunResult) -> None:
        """It bridges more than a period, by the readings of the load."""
        checks = full.record.checks.set_index("quantity")
        row = checks.loc["dip.hold_up"]
        assert row["value"] - row["uncertainty"] > 0.016

    def test_units_inside_their_tolerances_are_released(self) -> None:
        """None of a few is held."""
        job = Job(profile=load_profile(FULL), seed=5, mix=Mix.HEALTHY)
        units = [UnitResult.from_line(line) for line in run_units(job, range(2))]
        assert [(one.end, one.caught_by) for one in units if one.end is not End.RELEASED] == []

    def test_the_unit_file_is_in_order(self) -> None:
        """Every replacement is acceptable, and the bulk capacitor is held against 390 V."""
        found = assess(load_unit(UNIT))
        assert found.acceptable


class TestFaults:
    """What goes wrong is found."""

    def test_a_dead_boost_stage(self) -> None:
        """It works at the peak of the line: cut, or told by its power factor at full load."""
        result = rehearse_profile(SHORT, fault="boost-stage-dead")
        found = result.trip is not None
        if not found:
            checks = result.record.checks.set_index("quantity")
            found = checks.loc["power_factor", "verdict"] == "fail"
        assert found
        assert result.verdict != "pass"

    @pytest.mark.parametrize(
        "fault", ["shorted-switch", "shorted-varistor", "leaky-bulk-capacitor"]
    )
    def test_shorts_and_leaks_are_found_at_the_level_they_are_without_the_allowance(
        self, fault: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """What a boost stage may take hides none of them: the same level, the same reason."""
        with_it = rehearse_profile(SHORT, fault=fault)
        monkeypatch.setattr(InrushAllowance, "boost_j", lambda *_: 0.0)
        without = rehearse_profile(SHORT, fault=fault)
        assert with_it.trip is not None
        assert without.trip is not None
        assert with_it.trip.reason is without.trip.reason
        assert last_level(with_it) == last_level(without)

    def test_without_the_allowance_a_healthy_one_is_cut(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The energy of a boost stage is what no other unit takes."""
        monkeypatch.setattr(InrushAllowance, "boost_j", lambda *_: 0.0)
        result = rehearse_profile(SHORT)
        assert result.trip is not None
        assert result.trip.reason == "energy_budget"
        assert last_level(result) == "90 %"


@pytest.fixture(scope="module")
def starts() -> Profile:
    """The steps of the full release up to the start at high line, none cold."""
    profile = load_profile(FULL)
    steps = [step for step in profile.steps if step.kind in ("start", "nominal")][:3]
    return profile.model_copy(update={"steps": tuple(steps)})


class TestBoostedVoltage:
    """What the boost stage holds is read across the bulk capacitor, at the start at high line."""

    @pytest.mark.parametrize(
        ("fault", "verdict"),
        [(None, "pass"), ("boost-voltage-high", "fail"), ("boost-voltage-low", "fail")],
    )
    def test_it_is_judged(self, starts: Profile, fault: str | None, verdict: str) -> None:
        """The usual drift fails either way; the meter knows the voltage far better than that."""
        result = rehearse_profile(starts, fault=fault)
        checks = result.record.checks.set_index("check")
        row = checks.loc["boosted voltage"]
        assert (row["verdict"], result.trip) == (verdict, None)
        assert row["uncertainty"] < 0.5


class TestCautions:
    """Who moves a lead to the bulk capacitor is told what may stand across it."""

    def test_the_meter_is_moved_with_a_warning(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """The instruction names the boosted voltage each time, and at no other place."""
        told: list[tuple[str, str]] = []
        place = SimulatedOperator.place_meter

        def listening(self: SimulatedOperator, where: str, text: str) -> bool:
            told.append((where, text))
            return place(self, where, text)

        monkeypatch.setattr(SimulatedOperator, "place_meter", listening)
        rehearse_profile(FULL, fault="open-fuse")
        warned = {where for where, text in told if "UP TO 390 V DC MAY STAND ACROSS IT" in text}
        assert warned == {where for where, _ in told if where == "bulk"} == {"bulk"}
