from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from harness.api import rehearse_profile
from harness.power.trip import TripReason
from harness.profile.level import resistor_ohm
from harness.profile.load import load_profile
from harness.profile.load_step import LoadStep
from harness.profile.step import HandLoadedStep
from harness.record.figures import read_figures
from harness.record.run_summary import Outcome
from harness.rehearse.faults import FAULTS
from harness.rehearse.worn_faults import WORN_FAULTS
from harness.run.result import RunResult
from tests.repeats import repeats

NAME = "mount-controller-full-release"
AT_LOAD = "at resistor 2.5 ohm"
#: Of the line, under the same load.
CORNERS = ("at 90 %", "at 100 %", "at 110 %")

SHORT_IN = {"input, one way", "input, other way"}
SHORT_BULK = {"bulk capacitor is not shorted", "input, one way"}
DEAD = {"5 V rail", f"5 V rail {AT_LOAD}", "idle power", f"input power {AT_LOAD}"}
OFF = {"5 V rail", "5 V rail at 90 %", "5 V rail at 110 %", f"5 V rail {AT_LOAD}"}

#: Each fault a DC unit can have, by how it ends: the cold checks that refuse it, the reason for
#: which power is cut, or the checks that fail.
REFUSED = {
    "shorted-input": SHORT_IN,
    "shorted-varistor": {*SHORT_IN, "no visible damage"},
    "shorted-switch": SHORT_BULK,
    "leaky-bulk-capacitor": SHORT_BULK,
    "open-fuse": {"fuse"},
    # a fifth of the capacitance is left, and the series resistance is five times the usual one
    "weak-bulk-capacitor": {"bulk capacitor's series resistance"},
}
TRIPS = {
    "switch-breakdown": {TripReason.CHARGE_BUDGET},
    "idle-over-consumption": {TripReason.CHARGE_BUDGET},
    "intermittent-contact": {TripReason.UNSETTLED, TripReason.VOLTAGE_NOT_REACHED},
}
FAILS = {
    "open-rectifier-diode": DEAD,
    "no-start": {*DEAD, "bulk below 10 V"},
    "output-low": OFF,
    "output-high": OFF,
    "current-limit-folded-back": {f"5 V rail {AT_LOAD}", f"input power {AT_LOAD}"},
}
SEEDS = repeats(range(1, 6))


@cache
def rehearsed(fault: str | None, seed: int) -> RunResult:
    """Rehearse the board once for every test that looks at it."""
    return rehearse_profile(NAME, fault=fault, seed=seed)


def failed(result: RunResult) -> set[str]:
    assert result.record is not None
    checks = result.record.checks
    return set(checks.loc[checks["verdict"] == "fail", "check"])


def powered(result: RunResult) -> bool:
    assert result.record is not None
    return "power on" in set(result.record.events["kind"])


class TestTheBoard:
    def test_the_tables_name_every_fault_of_a_dc_unit(self) -> None:
        """No fault of a DC unit is left out but the worn ones, whose tables are beside these."""
        known = {name for name, fault in FAULTS.items() if fault.fits("dc")}

        assert {*REFUSED, *TRIPS, *FAILS} == known - {one.name for one in WORN_FAULTS}

    @pytest.mark.parametrize("seed", SEEDS)
    def test_a_healthy_board_passes(self, seed: int) -> None:
        """A healthy board passes every check whatever the errors of the instruments."""
        result = rehearsed(None, seed)

        assert result.outcome is Outcome.COMPLETED
        assert result.record is not None
        assert set(result.record.checks["verdict"]) == {"pass"}

    @pytest.mark.parametrize("seed", SEEDS)
    @pytest.mark.parametrize("fault", REFUSED)
    def test_what_an_ohmmeter_finds_is_never_energised(self, fault: str, seed: int) -> None:
        """A short, a leak, a blown fuse or a dry capacitor fails the cold checks that show it.

        Source: measure before power what can be measured without: common practice.
        """
        result = rehearsed(fault, seed)

        assert result.outcome is Outcome.REFUSED
        assert failed(result) == REFUSED[fault]
        assert not powered(result)

    @pytest.mark.parametrize("seed", SEEDS)
    @pytest.mark.parametrize("fault", TRIPS)
    def test_power_is_cut_for_the_right_reason(self, fault: str, seed: int) -> None:
        """What only shows under voltage and endangers the board cuts power by its own reason."""
        result = rehearsed(fault, seed)

        assert result.outcome is Outcome.TRIPPED
        assert result.trip is not None
        assert result.trip.reason in TRIPS[fault]

    @pytest.mark.parametrize("seed", SEEDS)
    @pytest.mark.parametrize("fault", FAILS)
    def test_the_right_checks_fail(self, fault: str, seed: int) -> None:
        """What endangers nothing at first power ends in failed checks."""
        result = rehearsed(fault, seed)

        assert result.outcome is Outcome.COMPLETED
        assert failed(result) >= FAILS[fault]


class TestTheStart:
    """What the start tells of the board, and what that decides."""

    @pytest.mark.parametrize("seed", SEEDS)
    def test_it_weighs_the_capacitor(self, seed: int) -> None:
        """The event at its end says the capacitance, within its uncertainty, and the curve."""
        record = rehearsed(None, seed).record
        assert record is not None
        (detail,) = record.events.loc[record.events["kind"] == "figures", "detail"]
        told = read_figures(detail)
        assert told is not None
        figures = {figure.measure: figure for figure in told.figures}
        bulk = figures["start.bulk_capacitance"]

        assert abs(bulk.value - 470e-6) <= bulk.expanded < 0.06 * 470e-6
        assert [level.level for level in told.fitted] == ["10 %"]
        assert told.fitted[0].times_s[0] > 0.0  # on the run's clock
        assert figures["start.series_resistance"].why_not

    @pytest.mark.parametrize("seed", SEEDS)
    def test_half_the_capacitance_is_not_released(self, seed: int, tmp_path: Path) -> None:
        """A board whose capacitor has half of what is printed fails, whatever the instruments."""
        path = tmp_path / "unit.toml"
        path.write_text(
            'title = "Half"\ninput = "dc"\n[bulk]\ncapacitance = "235 uF"\n', encoding="utf-8"
        )

        assert "bulk capacitance" in failed(rehearse_profile(NAME, model=path, seed=seed))


class TestTheLoad:
    def test_it_draws_the_nominal_current(self) -> None:
        """The resistor is nominal voltage over nominal current. Source: Ohm's law."""
        profile = load_profile(NAME)
        output = profile.unit.output["main"]
        loads = {
            step.title: step.load for step in profile.steps if isinstance(step, HandLoadedStep)
        }
        nominal_ohm = output.nominal_v / output.current_a

        for title in ("line, full load", "full load"):
            assert resistor_ohm(loads[title] or "") == pytest.approx(nominal_ohm)

    def test_one_and_a_half_times_nominal_is_asked_for_once(self) -> None:
        """The test of the current limit asks for 1.5 times the nominal current, within the limit.

        Source: limits of 105 % to 150 % on sheets: common practice.
        """
        output = load_profile(NAME).unit.output["main"]
        (over,) = [
            step
            for step in load_profile(NAME).steps
            if isinstance(step, LoadStep) and step.overload
        ]
        asked_a = output.nominal_v / (resistor_ohm(over.load or "") or 0.0)

        assert output.limit_a is not None
        assert 1.5 * output.current_a <= asked_a <= output.limit_a

    @pytest.mark.parametrize("seed", SEEDS)
    @pytest.mark.parametrize("severity", ["mild", "usual", "severe"])
    def test_it_alone_shows_an_output_that_gives_in(
        self, severity: str, seed: int, tmp_path: Path
    ) -> None:
        """From 95 % of its nominal current down the output gives in, and only loaded it tells."""
        path = tmp_path / "unit.toml"
        path.write_text(
            'title = "Gives in"\ninput = "dc"\n[[faults]]\nkind = "current-limit-folded-back"\n'
            f'severity = "{severity}"\n',
            encoding="utf-8",
        )
        result = rehearse_profile(NAME, model=path, seed=seed)

        assert result.outcome is Outcome.COMPLETED
        assert f"5 V rail {AT_LOAD}" in failed(result)
        assert all(check.endswith((AT_LOAD, *CORNERS)) for check in failed(result))

    @pytest.mark.parametrize("seed", SEEDS)
    def test_it_stands_at_limit_times_resistance(self, seed: int) -> None:
        """A limit of 60 % of 2 A leaves 1.2 A on 2.5 ohm: 3 V. Source: Ohm's law."""
        result = rehearsed("current-limit-folded-back", seed)
        assert result.record is not None
        rail = result.record.checks.set_index("check").loc[f"5 V rail {AT_LOAD}"]

        assert rail["value"] == pytest.approx(0.6 * 2.0 * 2.5, abs=rail["uncertainty"])
