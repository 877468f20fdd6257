"""Whole runs on instruments whose readings are wrong: none may pass, none may go unseen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.errors import PowerOffUnconfirmed
from harness.power.trip import TripReason
from harness.rehearse.simulated_instruments import SimulatedInstrument
from tests.instrument_faults import freeze, meddle, round_to, spoil, stick

NOMINAL = """
[[steps]]
kind = "nominal"
dwell = "2 s"
"""

CHECKED = (
    NOMINAL
    + """
[[steps.checks]]
name = "rail"
measure = "meter.voltage_dc"
low = "4.90 V"
high = "5.10 V"
[[steps.checks]]
name = "idle current"
measure = "supply.current"
high = "80 mA"
"""
)
SUPPLY = ("MEAS:VOLT?", "MEAS:CURR?")


def turned(answer: str) -> str:
    """Return a number with its sign changed, as a shunt the wrong way round gives it."""
    return f"{-float(answer):.6E}"


class TestReversedSign:
    @pytest.mark.parametrize(
        ("kind", "question", "fault"),
        [
            ("dc", "MEAS:CURR?", "shorted-input"),
            ("dc", "MEAS:CURR?", "switch-breakdown"),
            ("ac", "MEAS:POW?", "leaky-bulk-capacitor"),
        ],
    )
    def test_a_short_read_the_wrong_way_round_is_off_as_fast_as_any(
        self, run_steps: Callable[..., Any], kind: str, question: str, fault: str
    ) -> None:
        """A reversed sign must not let more through a fault than the budget does."""

        def bend(devices: dict[str, SimulatedInstrument]) -> None:
            spoil(devices["supply"], question, turned)

        true = run_steps(kind, fault=fault)
        wrong = run_steps(kind, fault=fault, bend=bend)

        assert wrong.result.trip is not None
        assert wrong.result.trip.reason is TripReason.REVERSED_CURRENT
        through = wrong.bench.circuit.let_through.i2t_a2s
        assert through <= true.bench.circuit.let_through.i2t_a2s

    def test_a_healthy_unit_read_the_wrong_way_round_is_cut_at_its_first_charge(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Leads the wrong way round are found by the first charge that a reading sees."""
        ran = run_steps("dc", bend=lambda devices: spoil(devices["supply"], "MEAS:CURR?", turned))

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.REVERSED_CURRENT
        assert ran.readings["value"].max() < 12.0


class TestSettingsThatChange:
    @pytest.mark.parametrize("unit", ["CURR 5", "VOLT:PROT 60"])
    def test_a_setting_changed_by_somebody_else_ends_the_run(
        self, run_steps: Callable[..., Any], unit: str
    ) -> None:
        """A limit set from 1.5 A to 5 A in the nominal hold moves no reading, and is seen."""
        ran = run_steps("dc", after=NOMINAL, bend=lambda on: meddle(on["supply"], 370, unit))

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.SETTING_CHANGED
        assert ran.said("step")[-1] == "nominal"


class TestFrozenReadings:
    def test_a_supply_that_froze_in_the_hold_is_a_trip(self, run_steps: Callable[..., Any]) -> None:
        """Readings that stand to the last digit after OFF, while the rail falls: not watched."""
        ran = run_steps("dc", after=CHECKED, bend=lambda on: freeze(on["supply"], 370, *SUPPLY))

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.FROZEN_READINGS
        assert not ran.result.released
        assert ran.verdict("idle current") == "undecided"
        assert not ran.bench.circuit.source_on

    def test_without_a_meter_nothing_shows_that_it_is_off(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """A frozen supply alone on the bench: off was confirmed, and nothing shows it."""
        with pytest.raises(PowerOffUnconfirmed, match="no meter shows that the rail falls"):
            run_steps(
                "dc",
                after=NOMINAL,
                without=("meter",),
                bend=lambda on: freeze(on["supply"], 370, *SUPPLY),
            )

    def test_a_supply_that_froze_in_the_start_is_no_voltage_that_was_not_reached(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """A setting that moves no digit says what is wrong: the readings."""
        ran = run_steps("dc", after=CHECKED, bend=lambda on: freeze(on["supply"], 100, *SUPPLY))

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.FROZEN_READINGS
        assert ran.readings["value"].max() < 24.0

    def test_a_small_change_of_the_setting_is_enough(self, run_steps: Callable[..., Any]) -> None:
        """A step of 1 %, inside what a voltage may rest away: no digit moved, so it is a trip."""
        line = '[[steps]]\nkind = "line"\nvoltages = ["100 %", "101 %"]\ndwell = "0.5 s"\n'
        ran = run_steps("dc", after=line, bend=lambda on: freeze(on["supply"], 300, *SUPPLY))

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.FROZEN_READINGS
        assert "24 V and" in ran.result.trip.detail
        assert "since 24.24 V was set" in ran.result.trip.detail

    def test_a_frozen_meter_releases_nothing(self, run_steps: Callable[..., Any]) -> None:
        """A meter whose 5 V stand still, before and after OFF: its check decides nothing."""
        ran = run_steps(
            "dc", after=CHECKED, bend=lambda on: freeze(on["meter"], 10, "MEAS:VOLT:DC?")
        )

        assert ran.result.exit_code == 4
        assert not ran.result.released
        assert (ran.verdict("rail"), ran.verdict("idle current")) == ("undecided", "pass")
        (said,) = ran.said("not shown to live")
        assert said == "rail: meter.voltage_dc did not change after its hold"

    def test_a_relay_that_sticks_is_power_that_may_be_on(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Off by its own word, and current flows: told again, and then the mains must be cut."""
        with pytest.raises(PowerOffUnconfirmed, match="its readings still change") as caught:
            run_steps("dc", after=CHECKED, bend=lambda on: stick(on["supply"]))
        assert "cut the mains of the supply by hand now" in str(caught.value)

    def test_a_relay_that_lets_go_is_switched_off_again(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Off by its own word, and current flows: the second OUTP OFF opens it."""
        ran = run_steps("dc", after=CHECKED, bend=lambda on: stick(on["supply"], times=1))

        assert ran.said("switching off again") == [
            "output off is confirmed, but current still flows"
        ]
        assert not ran.bench.circuit.source_on
        assert ran.result.exit_code == 0

    @pytest.mark.parametrize(("kind", "decimals"), [("dc", 2), ("ac", 3)])
    def test_coarse_instruments_that_live_pass(
        self, run_steps: Callable[..., Any], kind: str, decimals: int
    ) -> None:
        """Digits of 10 mV and 10 mA: a rail of 5.00 V all through moves at OFF, and that counts."""

        def bend(devices: dict[str, SimulatedInstrument]) -> None:
            round_to(devices["supply"], 2, "MEAS:VOLT?", "MEAS:POW?")
            round_to(devices["supply"], decimals, "MEAS:CURR?")
            round_to(devices["meter"], 2, "MEAS:VOLT:DC?")

        after = (
            CHECKED
            if kind == "dc"
            else CHECKED.replace("4.90", "23.3").replace("5.10", "24.7").replace("80 mA", "0.2 A")
        )
        ran = run_steps(kind, after=after, bend=bend)

        assert set(ran.checks["verdict"]) == {"pass"}, ran.events
        assert ran.said("not shown to live") == []

    def test_a_frozen_load_releases_nothing(self, run_steps: Callable[..., Any]) -> None:
        """An efficiency made of a load's readings that stand still is undecided."""
        efficiency = """
[[steps]]
kind = "load"
currents = ["2.5 A"]
dwell = "1 s"
[[steps.checks]]
name = "efficiency"
measure = "efficiency"
low = "50 %"
"""
        questions = ("MEAS:VOLT?", "MEAS:CURR?", "MEAS:POW?")
        lives = run_steps("ac", after=efficiency)
        frozen = run_steps(
            "ac", after=efficiency, bend=lambda on: freeze(on["load"], 5, *questions)
        )

        assert lives.verdict("efficiency at 2.5 A") == "pass"
        assert frozen.verdict("efficiency at 2.5 A") == "undecided"
        assert frozen.result.exit_code == 4


class TestLongHold:
    SOAK = """
[[steps]]
kind = "soak"
duration = "70 s"
[[steps.checks]]
name = "idle current"
measure = "supply.current"
high = "80 mA"
"""

    def test_a_supply_that_freezes_in_a_soak_is_found_within_a_minute(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """A setting lowered a little that no digit follows: the bounds are not watched any more."""
        ran = run_steps("dc", after=self.SOAK, bend=lambda on: freeze(on["supply"], 1000, *SUPPLY))

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.FROZEN_READINGS
        froze_s = ran.readings.query("quantity == 'voltage' and source == 'supply'")
        froze_s = froze_s.loc[froze_s["value"].shift() != froze_s["value"], "time_s"].max()
        assert ran.result.trip.time_s - froze_s < 64.0
        assert not ran.bench.circuit.source_on

    def test_a_coarse_supply_follows_the_probe_and_nothing_else_comes_of_it(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Digits of 0.1 V and 10 mA stand still all through; what the probe moves is not judged."""

        def bend(devices: dict[str, SimulatedInstrument]) -> None:
            round_to(devices["supply"], 1, "MEAS:VOLT?")
            round_to(devices["supply"], 2, "MEAS:CURR?")

        ran = run_steps("dc", after=self.SOAK, bend=bend)

        assert ran.verdict("idle current") == "pass"
        (said,) = ran.said("probe")
        assert "set to 23.88 V, the supply read 23.9 V" in said
        assert ran.said("disturbed") == []
        soaked = ran.readings.query("source == 'supply' and quantity == 'voltage'")
        assert set(soaked.query("level == 'soak'")["value"]) == {24.0}
        on_s = ran.events.query("kind == 'settled'")["time_s"].iloc[-1]
        off_s = ran.events.query("kind == 'power off'")["time_s"].iloc[-1]
        assert off_s - on_s > 70.0 + 0.5  # the probe's time is not the soak's
