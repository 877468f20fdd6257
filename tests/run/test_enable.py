"""Whole runs of a unit with an enable input: by an auxiliary supply, a relay, or a hand."""

from __future__ import annotations

from typing import Any

import pytest

from harness.api import plan_for
from harness.errors import FileError, PowerOffUnconfirmed
from harness.profile.bench_file import BenchFile
from harness.profile.instruments import Aux, EnableSwitch
from harness.profile.load import load_profile
from harness.profile.preflight import preflight
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from tests.run.conftest import HEADS, STARTED, RunSteps
from tests.run.test_cycle import cycle

AUX = "TCPIP0::127.0.0.1::5031::SOCKET"
RELAY = "TCPIP0::127.0.0.1::5032::SOCKET"
PIN = '\n[unit.enable]\npin = "pin 4 of J2"\nnominal = "5 V"\n'
BOUNDS = '\n[envelope.aux]\nvoltage = "5.5 V"\ncurrent = "5 mA"\n'
STEPS = """
[[steps]]
kind = "nominal"
title = "disabled"
dwell = "0.3 s"

[[steps.checks]]
name = "rail is off"
measure = "meter.voltage_dc"
high = "0.2 V"

[[steps]]
kind = "nominal"
title = "enabled"
enable = true
dwell = "0.5 s"

[[steps.checks]]
name = "rail"
measure = "meter.voltage_dc"
low = "4.9 V"
high = "5.1 V"
"""
OF_AUX = """
[[steps.checks]]
name = "current of the pin"
measure = "aux.current"
low = "0.1 mA"
high = "1 mA"
"""
AGAIN = """
[[steps]]
kind = "nominal"
title = "disabled again"
enable = false
dwell = "5 s"

[[steps.checks]]
name = "rail is off again"
measure = "meter.voltage_dc"
figure = "end"
high = "0.2 V"
"""


@pytest.fixture(autouse=True)
def with_pin(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have the board's nameplate name an enable input."""
    monkeypatch.setitem(HEADS, "dc", HEADS["dc"] + PIN + BOUNDS)


def with_aux(file: BenchFile, **keys: Any) -> BenchFile:
    """Return a bench with an auxiliary supply."""
    table = Aux.model_validate(
        {
            "resource": AUX,
            "dialect": "scpi-dc-supply",
            "accuracy": {"voltage": "0.1 % + 10 mV", "current": "0.2 % + 20 uA"},
            **keys,
        }
    )
    return file.model_copy(update={"aux": table})


def with_relay(file: BenchFile) -> BenchFile:
    """Return a bench with a relay at the pin."""
    table = EnableSwitch.model_validate({"resource": RELAY, "dialect": "scpi-switch"})
    return file.model_copy(update={"enable_switch": table})


def without_aux(file: BenchFile) -> BenchFile:
    """Return a bench whose only way is a person."""
    return file.model_copy(update={"aux": None})


class TestByTheAuxiliarySupply:
    def test_the_unit_works_while_it_drives_the_pin(self, run_steps: RunSteps) -> None:
        """Off before, on with the pin driven, off again: all in one run with power on."""
        ran = run_steps("dc", after=STEPS + OF_AUX + AGAIN, bench=with_aux)

        assert ran.result.exit_code == 0, ran.result.reason
        assert [*ran.checks["verdict"]] == ["pass"] * 4
        assert ran.said("enable") == [
            "driven to 5 V by the auxiliary supply, limit 5 mA",
            "let go, and says so",
            "the auxiliary supply's output is off, and says so",
        ]
        assert "aux" in set(ran.readings["source"])
        assert [kind for kind in ran.events["kind"] if kind.startswith("power")] == [
            "power on",
            "power off",
        ]

    def test_it_is_off_at_the_end_of_a_run_that_left_it_on(self, run_steps: RunSteps) -> None:
        """Nothing tells it off but the way out."""
        ran = run_steps("dc", after=STEPS, bench=with_aux)

        assert ran.result.exit_code == 0, ran.result.reason
        assert ran.bench.pin.voltage_v == 0.0

    def test_it_is_driven_again_each_time_power_comes_back(self, run_steps: RunSteps) -> None:
        """It went off with power, and what a unit does without it tells nothing."""
        ran = run_steps("dc", after=STEPS + cycle("dc", 2, 'off = "0.2 s"'), bench=with_aux)

        assert ran.result.exit_code == 0, ran.result.reason
        assert [text.startswith("driven to 5 V") for text in ran.said("enable")].count(True) == 3

    def test_a_pin_that_draws_too_much_cuts_power(self, run_steps: RunSteps) -> None:
        """A short at the pin holds the auxiliary supply in its limit, which is its envelope."""

        def bend(on: dict[str, Any]) -> None:
            live = on["aux"]._getters
            _, show = live["MEAS:CURR?"]
            live["MEAS:CURR?"] = (lambda: 0.0051, show)

        ran = run_steps("dc", after=STEPS, bench=with_aux, bend=bend)

        assert ran.result.exit_code == 3
        assert "read at the auxiliary supply, 5 mA is its envelope" in ran.result.reason
        assert ran.bench.pin.voltage_v == 0.0

    def test_one_that_stays_on_is_told_first_of_all(self, run_steps: RunSteps) -> None:
        """Its output does not go off: power may still be on."""

        def bend(on: dict[str, Any]) -> None:
            quantity, specs = on["aux"]._setters["OUTP"]
            told = quantity.set

            def sticks(text: str) -> None:
                if text in ("ON", "1"):
                    told(text)

            on["aux"]._setters["OUTP"] = (type(quantity)(quantity.get, sticks), specs)

        with pytest.raises(PowerOffUnconfirmed, match="AUXILIARY SUPPLY"):
            run_steps("dc", after=STEPS, bench=with_aux, bend=bend)


class TestByARelayOrAHand:
    def test_by_a_relay_with_power_on(self, run_steps: RunSteps) -> None:
        """Its contact closes for the step and is open at the end."""
        ran = run_steps("dc", after=STEPS, bench=with_relay, without=("aux",))

        assert ran.result.exit_code == 0, ran.result.reason
        assert ran.said("enable") == ["pulled by its relay, which says so"]
        assert ran.bench.devices[RELAY].ask("ROUT:CLOS? (@1)") == "0"

    def test_by_hand_with_power_off(self, run_steps: RunSteps) -> None:
        """Nobody touches the pin under power: it goes off, and comes back by the start's levels."""
        ran = run_steps("dc", after=STEPS, without=("aux",))

        assert ran.result.exit_code == 0, ran.result.reason
        assert ran.said("enable") == ["pulled by hand: pin 4 of J2"]
        kinds = [kind for kind in ran.events["kind"] if kind.startswith(("power", "enable"))]
        assert kinds == ["power on", "power off", "enable", "power on", "power off"]

    def test_what_nobody_pulls_is_undecided(self, run_steps: RunSteps) -> None:
        """The checks of the step prove nothing; the unit is not energised for them."""

        class Away(SimulatedOperator):
            def pull_enable(self, text: str, *, pulled: bool) -> bool:
                """Do nothing."""
                del text, pulled
                return False

        def operator(bench: SimulatedBench) -> SimulatedOperator:
            return Away(bench, load_profile("mount-controller-board").unit)

        ran = run_steps("dc", after=STEPS, operator=operator, without=("aux",))

        assert ran.verdict("rail") == "undecided"
        assert ran.verdict("rail is off") == "pass"
        assert ran.said("not done") == ["nobody pulled the enable input (pin 4 of J2)"]


def _plan(run: str, tmp_path: Any, bench: Any = with_aux) -> Any:
    path = tmp_path / "profile.toml"
    start = '\n[[steps]]\nkind = "start"\nlevels = ["100 %"]\ncurrent_limit = "0.3 A"\n'
    path.write_text(run + start + 'dwell = "0.3 s"\n' + STEPS, encoding="utf-8")
    profile = load_profile(path)
    from harness.api import simulated_bench_file

    return plan_for(profile, bench(simulated_bench_file(profile)))


class TestBeforePower:
    def test_its_envelope_is_inside_its_range(self, tmp_path: Any) -> None:
        """Beyond what it can give is refused before anything is opened (safety rule 1)."""
        plan = _plan(
            HEADS["dc"],
            tmp_path,
            lambda file: with_aux(file, range={"voltage": "5 V", "current": "1 mA"}),
        )

        assert preflight(plan, today=STARTED.date()).reasons == (
            "The auxiliary supply's envelope of 5.5 V is beyond its range of 5 V (voltage).",
            "The auxiliary supply's envelope of 5 mA is beyond its range of 1 mA (current).",
        )

    def test_the_plan_says_what_pulls_it_and_where(self, tmp_path: Any) -> None:
        """By which instrument, within which bounds, from which step on."""
        notes = " ".join(_plan(HEADS["dc"], tmp_path).notes)

        assert "The enable input (pin 4 of J2, at 5 V) is pulled by the auxiliary supply" in notes
        assert "Step 3 (enabled): the enable input is pulled, with power on." in notes
        by_hand = " ".join(_plan(HEADS["dc"], tmp_path, without_aux).notes)
        assert "Step 3 (enabled): power off: the enable input is pulled by hand; power" in by_hand

    @pytest.mark.parametrize(
        ("was", "wrong", "problem"),
        [
            ('voltage = "5.5 V"', 'voltage = "5.6 V"', "more than the 5.5 V that the enable input"),
            ('voltage = "5.5 V"', 'voltage = "4.9 V"', "could never be driven"),
            (PIN, "", "the unit has no enable input"),
            ('nominal = "5 V"\n\n[env', "\n[env", "no enable input that is driven"),
        ],
    )
    def test_a_profile_that_contradicts_itself_is_refused(
        self, tmp_path: Any, was: str, wrong: str, problem: str
    ) -> None:
        """The auxiliary envelope lies between what the pin needs and what it bears."""
        assert was in HEADS["dc"]
        before, _, after = HEADS["dc"].rpartition(was)

        with pytest.raises(FileError, match=problem):
            _plan(before + wrong + after, tmp_path)
