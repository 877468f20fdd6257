from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from harness.profile.load import load_profile
from harness.rehearse.circuit.charger import ChargerState
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.operator import Nobody
from harness.run.result import Outcome

CHARGE = """
[[steps]]
kind = "load"
title = "charge"
load = "battery"
dwell = "1 s"
[[steps.checks]]
name = "battery"
measure = "meter.voltage_dc"
low = "7.2 V"
high = "18.3 V"
"""
NOMINAL = """
[[steps]]
kind = "nominal"
dwell = "0.3 s"
[[steps.checks]]
name = "nothing"
measure = "meter.voltage_dc"
low = "-0.5 V"
high = "0.5 V"
"""
SOAK = """
[[steps]]
kind = "soak"
duration = "5 min"
load = "battery"
[[steps.checks]]
name = "ended"
measure = "meter.current_dc"
figure = "end"
high = "0.2 A"
"""
DRAIN = """
[[steps]]
kind = "drain"
[[steps.checks]]
name = "reverse leakage"
measure = "meter.current_dc"
low = "-5 mA"
high = "5 mA"
"""
BY_LOAD = """
[[steps]]
kind = "load"
title = "held"
mode = "voltage"
voltages = ["7.2 V", "17 V"]
wake = "5 V"
dwell = "0.5 s"
[[steps.checks]]
name = "charge current"
measure = "load.current"
low = "1.8 A"
high = "2.2 A"
"""


def hand(**does: Any) -> Callable[[SimulatedBench], SimulatedOperator]:
    """Return an operator at a charger who does some things otherwise."""

    def made(bench: SimulatedBench) -> SimulatedOperator:
        operator = SimulatedOperator(bench, load_profile("lamp-battery-charger").unit)
        for name, method in does.items():
            setattr(operator, name, method)
        return operator

    return made


def state(bench: SimulatedBench) -> ChargerState:
    """Return the charger on a bench."""
    charger = bench.circuit.converter
    assert isinstance(charger, ChargerState)
    return charger


class TestBatteryByHand:
    def test_it_is_measured_then_connected_with_power_off(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Off, measured, connected, up again, judged, off, taken off: in this order."""
        ran = run_steps("charger", after=NOMINAL + CHARGE + NOMINAL.replace("nothing", "gone"))
        of_step = ran.events[ran.events["step"] == "charge"]
        told = of_step[of_step["kind"].isin(["power off", "load", "power on"])]

        assert list(told["kind"]) == ["power off", "load", "load", "power on", "power off", "load"]
        assert told["detail"].iloc[1].startswith("battery: 17.35 V before it is connected")
        assert ran.result.outcome is Outcome.COMPLETED
        assert set(ran.checks["verdict"]) == {"pass"}
        assert ran.result.warnings == ()

    @pytest.mark.parametrize("voltage_v", [-12.0, 7.1, 18.4, 24.0, float("nan")])
    def test_one_that_the_charger_is_not_for_is_never_connected(
        self, run_steps: Callable[..., Any], voltage_v: float
    ) -> None:
        """Too low, too high or the wrong way round: the run goes no further, power stays off."""
        connected: list[str] = []

        def place_load(load: str, text: str) -> bool:
            connected.append(f"{load} {text}")
            return True

        ran = run_steps(
            "charger",
            after=NOMINAL + CHARGE,
            operator=hand(ask_value=lambda *_: (voltage_v, ""), place_load=place_load),
        )

        assert connected == []
        assert ran.result.outcome is Outcome.INTERRUPTED
        assert "It was not connected" in ran.result.reason
        assert not ran.bench.circuit.source_on

    def test_one_that_nobody_measured_is_undecided(self, run_steps: Callable[..., Any]) -> None:
        """Nobody connects what nobody measured."""
        ran = run_steps("charger", after=CHARGE, operator=lambda _: Nobody())

        assert ran.verdict("battery") == "undecided"
        assert state(ran.bench).battery is None

    def test_the_output_must_show_it_before_power_comes_on(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """A fuse open in its lead, or leads swapped: the meter shows it, power stays off."""
        ran = run_steps(
            "charger", after=CHARGE, operator=hand(place_load=lambda _load, _text: True)
        )

        assert ran.result.outcome is Outcome.INTERRUPTED
        assert "the output reads" in ran.result.reason
        assert "Power stays off" in ran.result.reason
        kinds = list(ran.events.loc[ran.events["step"] == "charge", "kind"])
        assert "power on" not in kinds

    def test_whoever_connects_it_is_warned(self, run_steps: Callable[..., Any]) -> None:
        """Polarity, heat, gas, the fuse in its lead, and that it is never left alone."""
        told: list[str] = []

        class Listens(SimulatedOperator):
            def place_load(self, load: str, text: str) -> bool:
                told.append(text)
                return super().place_load(load, text)

        unit = load_profile("lamp-battery-charger").unit
        ran = run_steps("charger", after=CHARGE, operator=lambda bench: Listens(bench, unit))

        assert any("plus on plus. Batteries:" in asked for asked in ran.said("question"))
        connect, disconnect = (" ".join(text.split()) for text in told)
        assert all(line.startswith("  ") for line in told[0].splitlines()[1:])
        for word in ("The supply's output is off", "plus on plus", "polarity", "fuse", "warm"):
            assert word in connect
        for word in ("vents gas", "never leave one unattended", "sound battery"):
            assert word in connect
        assert "the fuse of its lead first" in disconnect

    def test_a_charge_that_moves_on_disturbs_no_hold(self, run_steps: Callable[..., Any]) -> None:
        """From 2 A to the end of the charge, in one hold: only the voltage has to rest."""
        ran = run_steps("charger", after=SOAK, without=("load",))
        rows = ran.readings[ran.readings["step"] == "soak"]
        amps = rows.loc[(rows["source"] == "meter") & (rows["quantity"] == "current_dc"), "value"]

        assert ran.said("disturbed") == []
        assert amps.max() == pytest.approx(2.0, abs=0.02)
        assert ran.verdict("ended") == "pass"

    def test_while_it_moves_on_the_envelope_cuts_all_the_same(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """More power than the envelope in the middle of a charge is off with the next message."""

        class Overcharges(SimulatedOperator):
            def place_load(self, load: str, text: str) -> bool:
                done = super().place_load(load, text)
                charger = state(self._bench)
                charger.stage = replace(charger.stage, current_a=5.0, voltage_v=30.0)
                return done

        unit = load_profile("lamp-battery-charger").unit
        ran = run_steps("charger", after=SOAK, operator=lambda bench: Overcharges(bench, unit))

        assert ran.result.outcome is Outcome.TRIPPED
        assert "is the envelope" in ran.result.reason
        assert not ran.bench.circuit.source_on
        assert "Battery is still connected to output main" in ran.result.warnings[-1]


class TestByLoad:
    def test_a_load_that_holds_a_voltage_stands_for_the_battery(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """The small supply is asked for, the charger wakes, and each voltage gets its current."""
        ran = run_steps("charger", after=BY_LOAD + NOMINAL)

        assert ran.said("load")[0] == "small supply 5 V connected"
        assert list(ran.checks["verdict"]) == ["pass"] * 3
        assert ran.said("disturbed") == []
        assert not ran.bench.circuit.load.on
        assert state(ran.bench).small_supply_v == 0.0

    def test_without_a_small_supply_nobody_judges(self, run_steps: Callable[..., Any]) -> None:
        """A charger that nobody woke is not judged by its silence."""
        ran = run_steps("charger", after=BY_LOAD, operator=lambda _: Nobody())

        assert ran.verdict("charge current") == "undecided"


class TestDrain:
    def test_it_is_measured_with_mains_off(self, run_steps: Callable[..., Any]) -> None:
        """The meter goes in series, then the battery; power is off from before until after."""
        ran = run_steps("charger", after=NOMINAL + DRAIN)
        of_step = ran.events[ran.events["step"] == "drain"]
        moved = of_step.loc[of_step["kind"].isin(["meter", "load"]), "detail"]

        assert "power on" not in set(of_step["kind"])
        assert [text.partition(":")[0] for text in moved] == [
            "connected in series with the output",
            "battery",
            "battery connected",
            "battery disconnected",
        ]
        assert ran.verdict("reverse leakage") == "pass"
        # 18 V through 12 kohm, three tenths of the 5 mA of the nameplate
        value = ran.checks.set_index("check").loc["reverse leakage", "value"]
        assert -3e-3 < value < -0.5e-3

    def test_no_lead_is_moved_beside_a_battery(self, run_steps: Callable[..., Any]) -> None:
        """Where the meter goes elsewhere, the battery is taken off first, and put back after."""
        ran = run_steps("charger", after=CHARGE + SOAK.replace("5 min", "10 s") + DRAIN)
        moves = [
            (kind, detail)
            for kind, detail in zip(ran.events["kind"], ran.events["detail"], strict=True)
            if kind in {"meter", "load"} and "before it is connected" not in detail
        ]

        assert [detail for _, detail in moves] == [
            "battery connected",
            "battery disconnected",
            "connected in series with the output",
            "battery connected",
            "battery disconnected",
        ]
