"""A charger that a load hangs at: woken by the bench's auxiliary supply, or by a person's."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from harness.profile.bench_file import BenchFile
from harness.rehearse.circuit.charger import ChargerState, Phase
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.enable import end_waking
from tests.run.conftest import HEADS, RunSteps
from tests.run.test_batteries import BY_LOAD, CHARGE, hand, state

BOUNDS = '\n[envelope.aux]\nvoltage = "6.5 V"\ncurrent = "20 mA"\n'


@pytest.fixture(autouse=True)
def with_envelope(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the charger's profile bound an auxiliary supply."""
    monkeypatch.setitem(HEADS, "charger", HEADS["charger"] + BOUNDS)


def kinds(ran: Any) -> list[str]:
    """Return what became of power, what hangs at the output, and what wakes it, in order."""
    of_step = ran.events[ran.events["step"] == "held"]
    return [kind for kind in of_step["kind"] if kind in {"power on", "power off", "load", "enable"}]


class TestByTheAuxiliarySupply:
    def test_it_is_woken_with_power_on_and_nobody_connects_anything(
        self, run_steps: RunSteps
    ) -> None:
        """Set above the wake voltage by what the diode drops, and off before the load is."""
        asked: list[str] = []

        def place_load(load: str, text: str) -> bool:
            asked.append(load)
            return bool(text)

        ran = run_steps("charger", after=BY_LOAD, operator=hand(place_load=place_load))

        assert ran.result.exit_code == 0, ran.result.reason
        assert set(ran.checks["verdict"]) == {"pass"}
        assert asked == []
        assert ran.said("enable")[:2] == [
            "charger woken with 5.7 V by the auxiliary supply, limit 19.9 mA",
            "let go, and says so",
        ]
        assert kinds(ran)[:3] == ["enable", "enable", "power off"]

    def test_with_an_envelope_of_just_what_wakes_it(
        self, run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """It is set to what the mistake in a lower envelope proposes, to the last digit."""
        monkeypatch.setitem(HEADS, "charger", HEADS["charger"].replace("6.5 V", "6.1 V"))

        def exact(file: BenchFile) -> BenchFile:
            assert file.aux is not None
            return file.model_copy(update={"aux": file.aux.model_copy(update={"accuracy": {}})})

        ran = run_steps("charger", after=BY_LOAD.replace("5 V", "5.4 V"), bench=exact)

        assert ran.result.exit_code == 0, ran.result.reason

    def test_an_envelope_that_its_own_readings_leave_is_refused(
        self, run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Set to 5.7 V within 5.7 V, chance would cut a healthy unit: told before power."""
        monkeypatch.setitem(HEADS, "charger", HEADS["charger"].replace("6.5 V", "5.7 V"))
        ran = run_steps("charger", after=BY_LOAD)

        assert ran.result.exit_code == 5
        assert "set to 5.7 V, may read up to" in ran.result.reason

    @pytest.mark.parametrize("seed", range(6))
    def test_in_its_limit_it_cuts_nothing(self, run_steps: RunSteps, seed: int) -> None:
        """Capacitors at an output hold it there for a while, whatever its readings are off by."""

        def operator(bench: SimulatedBench) -> SimulatedOperator:
            charger = state(bench)
            charger.stage = replace(charger.stage, drain_ohm=20.0)
            return hand()(bench)

        ran = run_steps("charger", after=BY_LOAD, operator=operator, seed=seed)

        assert ran.result.trip is None, ran.result.reason

    def test_the_load_holds_its_voltage_before_it_wakes(
        self, run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A charger that is awake with nothing at it would stand at its highest voltage."""
        woken_at: list[float] = []
        before = ChargerState.connect_small_supply

        def connect(self: ChargerState, voltage_v: float, limit_a: float) -> None:
            if voltage_v > 0.0:
                woken_at.append(self.held_v)
            before(self, voltage_v, limit_a)

        monkeypatch.setattr(ChargerState, "connect_small_supply", connect)
        run_steps("charger", after=BY_LOAD)

        assert woken_at == [7.2]

    def test_power_is_off_after_it(self, run_steps: RunSteps) -> None:
        """A charger that is awake may stay so: the next step finds it asleep."""
        nothing = CHARGE.replace('load = "battery"\n', "").replace('"load"', '"nominal"')
        nothing = nothing.replace("7.2 V", "-0.5 V").replace("18.3 V", "0.5 V")
        ran = run_steps("charger", after=BY_LOAD + nothing)

        assert ran.verdict("battery") == "pass"
        assert kinds(ran) == ["enable", "enable", "power off", "enable"]

    def test_it_is_off_while_a_battery_is_there(self, run_steps: RunSteps) -> None:
        """The step before has let go of it, and power off has told it so again."""
        seen: list[float] = []

        class Looks(SimulatedOperator):
            def place_load(self, load: str, text: str) -> bool:
                seen.append(self._bench.pin.voltage_v)
                return super().place_load(load, text)

        def operator(bench: SimulatedBench) -> SimulatedOperator:
            usual = hand()(bench)
            return Looks(bench, usual._unit)

        ran = run_steps("charger", after=BY_LOAD + CHARGE, operator=operator)

        assert ran.result.exit_code == 0, ran.result.reason
        assert seen == [0.0, 0.0]

    def test_a_diode_that_is_missing_cuts_power(self, run_steps: RunSteps) -> None:
        """The output's voltage, read at the auxiliary supply, is outside its envelope."""
        on_bench: dict[str, Any] = {}

        def bend(on: dict[str, Any]) -> None:
            live = on["aux"]._getters
            volts, show = live["MEAS:VOLT?"]

            def at_output() -> float:
                return float(max(volts(), on_bench["bench"].circuit.converter.output_v))

            live["MEAS:VOLT?"] = (at_output, show)

        def operator(bench: SimulatedBench) -> SimulatedOperator:
            on_bench["bench"] = bench
            return hand()(bench)

        ran = run_steps("charger", after=BY_LOAD, bend=bend, operator=operator)

        assert ran.result.exit_code == 3
        assert "V read at the auxiliary supply, 6.5 V is its envelope" in ran.result.reason
        assert ran.bench.pin.voltage_v == 0.0
        assert not ran.bench.circuit.source_on

    def test_what_leaks_back_holds_it_in_its_limit(self, run_steps: RunSteps) -> None:
        """It never wakes: the auxiliary supply cannot bring the output to the wake voltage."""

        def operator(bench: SimulatedBench) -> SimulatedOperator:
            charger = state(bench)
            charger.stage = replace(charger.stage, drain_ohm=20.0)
            return hand()(bench)

        ran = run_steps("charger", after=BY_LOAD, operator=operator)

        assert ran.result.exit_code != 0
        assert state(ran.bench).phase is Phase.ASLEEP


CORNERS = """
[[steps]]
kind = "line"
title = "corners"
voltages = ["90 %", "110 %"]
frequencies = ["50 Hz"]
load_voltage = "17.5 V"
wake = "5 V"
dwell = "0.3 s"
[[steps.checks]]
name = "charge current"
measure = "load.current"
low = "1.8 A"
high = "2.2 A"
"""


class TestAtTheCornersOfTheLine:
    """The load holds the voltage of a battery while the line goes from one end to the other."""

    @pytest.mark.parametrize("without", [(), ("aux",)])
    def test_the_charge_is_judged_at_each(
        self, run_steps: RunSteps, without: tuple[str, ...]
    ) -> None:
        """Woken once for both, by the auxiliary supply or by hand; power is off afterwards."""
        ran = run_steps("charger", after=CORNERS, without=without)
        told = ran.events.loc[ran.events["step"] == "corners", "kind"]

        assert ran.result.exit_code == 0, ran.result.reason
        assert ran.verdict("charge current at 90 %") == "pass"
        assert ran.verdict("charge current at 110 %") == "pass"
        assert [kind for kind in told if kind in {"enable", "load", "power off"}] == (
            ["power off", "load", "power off", "load"]
            if without
            else ["enable", "enable", "power off", "enable"]
        )
        assert not ran.bench.circuit.load.on

    def test_what_wakes_it_goes_off_before_the_load_does(
        self, run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Without the load it would feed the output of a charger that is awake."""
        benches: list[SimulatedBench] = []
        loaded: list[bool] = []

        def operator(bench: SimulatedBench) -> SimulatedOperator:
            benches.append(bench)
            return hand()(bench)

        def ends(context: Any) -> None:
            loaded.append(benches[0].circuit.load.on)
            end_waking(context)

        monkeypatch.setattr("harness.run.levels.end_waking", ends)
        ran = run_steps("charger", after=CORNERS, operator=operator)

        assert ran.result.exit_code == 0, ran.result.reason
        assert loaded == [True]

    @pytest.mark.parametrize(("load_v", "found"), [("12 V", False), ("17.5 V", True)])
    def test_one_that_gives_in_at_high_line_shows_near_its_full_power(
        self, run_steps: RunSteps, load_v: str, *, found: bool
    ) -> None:
        """Into a battery that is low it gives less power than it is weak at."""
        ran = run_steps(
            "charger", after=CORNERS.replace("17.5 V", load_v), fault="gives-in-at-high-line"
        )

        assert (ran.result.exit_code != 0) is found


class TestByHand:
    def test_where_the_bench_has_none_it_is_connected_with_power_off(
        self, run_steps: RunSteps
    ) -> None:
        """As before: power off, connected, up again, off, taken off."""
        ran = run_steps("charger", after=BY_LOAD, without=("aux",))

        assert ran.result.exit_code == 0, ran.result.reason
        assert ran.said("enable") == []
        assert kinds(ran) == ["power off", "load", "power on", "power off", "load"]

    def test_the_leads_of_the_supply_are_told_of(self, run_steps: RunSteps) -> None:
        """Diode, limit, polarity, and by what it is set higher."""
        told: list[str] = []

        class Listens(SimulatedOperator):
            def place_load(self, load: str, text: str) -> bool:
                told.append(text)
                return super().place_load(load, text)

        make: Callable[[SimulatedBench], SimulatedOperator] = lambda bench: Listens(  # noqa: E731
            bench, hand()(bench)._unit
        )
        run_steps("charger", after=BY_LOAD, without=("aux",), operator=make)

        for word in ("50 mA", "plus on plus", "diode", "700 mV"):
            assert word in told[0]
