from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import pytest

from harness.profile.bench_file import BenchFile
from harness.rehearse.simulated_instruments import SimulatedInstrument
from tests.instrument_faults import spoil
from tests.run.conftest import RunSteps

SOAK = """
[[steps]]
kind = "soak"
duration = "DURATION"
LOAD
[[steps.checks]]
name = "drift"
measure = "meter.voltage_dc"
figure = "drift"
low = "-20 mV"
high = "20 mV"
[[steps.checks]]
name = "rail"
measure = "meter.voltage_dc"
low = "4.9 V"
high = "5.1 V"
[[steps.checks]]
name = "warming"
measure = "meter.temperature"
figure = "drift"
high = "2 degC"
[[steps.checks]]
name = "case"
measure = "meter.temperature"
high = "60 degC"
"""


def soak(duration: str, load: str = "") -> str:
    return SOAK.replace("DURATION", duration).replace("LOAD", load)


class TestSoak:
    @pytest.mark.parametrize("load", ["", 'current = "1 A"'])
    def test_a_healthy_unit_passes(self, run_steps: Callable[..., Any], load: str) -> None:
        """A healthy unit stays where it is, unloaded and loaded, and the load is off after it."""
        ran = run_steps("dc", after=soak("5 s", load))

        assert set(ran.checks["verdict"]) == {"pass"}
        assert not ran.bench.circuit.load.on

    def test_drift_is_known_better_than_the_meters_accuracy(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """An error that stays the same cancels in a drift: it is known far better than a mean."""
        ran = run_steps("dc", after=soak("5 s"))
        rows = ran.checks.set_index("check")

        assert rows.loc["drift", "uncertainty"] < 0.2 * rows.loc["rail", "uncertainty"]
        assert abs(rows.loc["drift", "value"]) <= rows.loc["drift", "uncertainty"] * 2

    def test_a_case_that_warms_up_shows_its_drift(self, run_steps: Callable[..., Any]) -> None:
        """Under load the case warms: a minute shows it, and the limit of 2 K is not passed."""
        ran = run_steps("dc", after=soak("60 s", 'current = "2 A"'))
        row = ran.checks.set_index("check").loc["warming"]

        assert row["value"] > 3 * row["uncertainty"]
        assert row["verdict"] == "pass"

    def test_the_end_of_a_soak_is_where_a_slow_rise_has_got_to(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """A case that warms for a minute ends above its mean, by about half of its drift."""
        end = """
[[steps.checks]]
name = "warmed to"
measure = "meter.temperature"
figure = "end"
high = "60 degC"
"""
        ran = run_steps("dc", after=soak("60 s", 'current = "2 A"') + end)
        rows = ran.checks.set_index("check")
        half = 0.5 * rows.loc["warming", "value"]

        assert rows.loc["warmed to", "value"] - rows.loc["case", "value"] == pytest.approx(
            half, rel=0.25
        )
        assert rows.loc["warmed to", "verdict"] == "pass"

    def test_a_long_hold_is_thinned_in_the_record_and_judged_by_all_readings(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """The record keeps the extremes of each second of a long hold, and no second is empty."""
        ran = run_steps("dc", after=soak("60 s"))
        rows = ran.readings[(ran.readings["step"] == "soak")]
        for source, most in (("supply", 7), ("meter", 6)):
            times = rows.loc[rows["source"] == source, "time_s"].drop_duplicates()

            assert len(times) <= 62 * most
            assert times.is_monotonic_increasing
            assert times.diff().max() < 2.1
        assert ran.verdict("rail") == "pass"

    def test_a_trip_during_a_thinned_hold_stands_in_the_record(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """What cuts power is never thinned away: the contact that opens shows in the readings."""
        ran = run_steps("dc", after=soak("120 s"), fault="intermittent-contact")

        assert ran.result.exit_code == 3
        assert not ran.bench.circuit.source_on


def coarse(digit_v: float, moves_v: float) -> Callable[[dict[str, SimulatedInstrument]], None]:
    """Return what makes the rail drift by so much in a soak of 5 s, and the meter show digits."""
    readings = itertools.count()

    def shown(answer: str) -> str:
        value_v = float(answer) + moves_v * min(next(readings) / 200, 1.0)
        return f"{round(value_v / digit_v) * digit_v:.6f}"

    return lambda devices: spoil(devices["meter"], "MEAS:VOLT:DC?", shown)


def showing(digit: str) -> Callable[[BenchFile], BenchFile]:
    """Return what states the last digit of the meter."""

    def changed(file: BenchFile) -> BenchFile:
        assert file.meter is not None
        raw = {"resource": "M", "dialect": "scpi-meter", "resolution": {"voltage_dc": digit}}
        given = type(file.meter).model_validate(raw).resolution
        meter = file.meter.model_copy(update={"resolution": given})
        return file.model_copy(update={"meter": meter})

    return changed


class TestCoarseDisplay:
    def test_a_drift_it_cannot_show_does_not_pass(self, run_steps: RunSteps) -> None:
        """A rail drifts by 24 mV, more than its limit of 20; a digit of 50 mV shows nothing."""
        ran = run_steps(
            "dc",
            after=soak("5 s"),
            bend=coarse(0.05, 0.024),
            bench=showing("50 mV"),
        )
        row = ran.checks.set_index("check").loc["drift"]

        assert (row["value"], row["verdict"]) == (0.0, "undecided")
        assert row["uncertainty"] == pytest.approx(0.060, rel=0.05)

    def test_a_digit_nobody_states_leaves_it_undecided(self, run_steps: RunSteps) -> None:
        """The reason stands in the record."""
        ran = run_steps("dc", after=soak("5 s"), bend=coarse(0.05, 0.024))

        why = "meter.voltage_dc: no reading changed, and the bench file gives no resolution"
        assert f"drift is undecided: {why}." in ran.result.warnings
        assert ran.said("check")[0].endswith(f"; {why}")

    def test_a_fine_display_shows_it(self, run_steps: RunSteps) -> None:
        """In digits of 1 mV the same drift fails, and none at all passes."""
        drifts = run_steps("dc", after=soak("5 s"), bend=coarse(0.001, 0.060))
        stays = run_steps("dc", after=soak("5 s"), bend=coarse(0.001, 0.0), bench=showing("1 mV"))

        assert (drifts.verdict("drift"), stays.verdict("drift")) == ("fail", "pass")
