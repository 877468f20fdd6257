"""The auxiliary supply that wakes a charger: its envelope, its wiring, and what is said of both."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.api import plan_for, simulated_bench_file
from harness.errors import FileError
from harness.profile.cautions import cautions
from harness.profile.expand import make_plan
from harness.profile.load import load_profile
from harness.profile.plan import Plan
from tests.profile.test_charger_rules import HEAD, START
from tests.profile.test_step_rules import step

AUX = '[envelope.aux]\nvoltage = "6.5 V"\ncurrent = "20 mA"\n'
HELD = step(
    "load", 'mode = "voltage"', 'voltages = ["7.2 V", "12 V"]', 'wake = "5 V"', 'dwell = "1 s"'
)

LINE = step(
    "line",
    'voltages = ["90 %", "110 %"]',
    'load_voltage = "LOAD"',
    'wake = "5 V"',
    'dwell = "1 s"',
)

Written = Callable[[str | bytes], str]


def _plan(written: Written, *, aux: bool = True) -> Plan:
    profile = load_profile(written(HEAD + AUX + START + HELD))
    bench = simulated_bench_file(profile)
    return plan_for(profile, bench if aux else bench.model_copy(update={"aux": None}))


class TestEnvelope:
    @pytest.mark.parametrize(
        ("was", "wrong", "problem"),
        [
            ('"6.5 V"', '"5.6 V"', "envelope.aux.voltage: 5.6 V leaves no 5 V (wake)"),
            ('"6.5 V"', '"7.2 V"', "envelope.aux.voltage: 7.2 V is not below the load's 7.2 V"),
            ('"20 mA"', '"51 mA"', "envelope.aux.current: 51 mA is more than the 50 mA that wake"),
        ],
    )
    def test_it_lies_between_what_wakes_and_what_the_load_holds(
        self, written: Written, was: str, wrong: str, problem: str
    ) -> None:
        """Enough for the diode and the wake voltage; low enough that a missing diode shows."""
        with pytest.raises(FileError) as caught:
            load_profile(written(HEAD + AUX.replace(was, wrong) + START + HELD))

        [found] = caught.value.mistakes
        assert f"{found.key}: {found.problem}".startswith(problem)

    @pytest.mark.parametrize(("volts", "milliamps"), [("5.7 V", "50 mA"), ("7.19 V", "1 mA")])
    def test_the_edges_are_inside(self, written: Written, volts: str, milliamps: str) -> None:
        """Wake and diode at least, the most that wakes a charger, just below the load."""
        aux = AUX.replace("6.5 V", volts).replace("20 mA", milliamps)
        assert load_profile(written(HEAD + aux + START + HELD)).envelope.aux is not None

    def test_it_lies_below_what_the_load_of_a_line_step_holds(self, written: Written) -> None:
        """There the corners are shares of the line, and the load's voltage a key of its own."""
        aux = AUX.replace("6.5 V", "8 V")
        assert load_profile(written(HEAD + aux + START + LINE.replace("LOAD", "9 V")))
        with pytest.raises(FileError, match="8 V is not below the load's 8 V"):
            load_profile(written(HEAD + aux + START + LINE.replace("LOAD", "8 V")))

    def test_one_that_wakes_nothing_is_refused(self, written: Written) -> None:
        """Nobody bounds what is not used."""
        battery = step("load", 'load = "battery"', 'dwell = "1 s"')
        with pytest.raises(FileError, match="no step has wake"):
            load_profile(written(HEAD + AUX + START + battery))


class TestPlan:
    def test_an_input_in_its_limit_is_bounded_where_a_load_stands_in_for_a_battery(
        self, written: Written
    ) -> None:
        """A charger that wakes may take more than the limit for a while, and not for long."""
        idle = step("line", 'voltages = ["90 %"]', 'dwell = "1 s"')
        soak = step("soak", 'load_voltage = "17 V"', 'wake = "5 V"', 'duration = "1 s"')
        text = HEAD + START + LINE.replace("LOAD", "9 V") + soak + idle
        profile = load_profile(written(text))
        woken, soaked, alone = plan_for(profile, simulated_bench_file(profile)).steps[1:]

        for level in (*woken.levels, *soaked.levels):
            assert level.time_at_limit_s is not None
        assert [level.time_at_limit_s for level in alone.levels] == [None]

    def test_a_load_that_holds_no_voltage_is_an_objection(self, written: Written) -> None:
        """Told before power, of a line step as of a load step."""
        profile = load_profile(written(HEAD + START + LINE.replace("LOAD", "9 V")))
        both = frozenset({"measure_voltage", "measure_current", "set_current"})
        plan = make_plan(profile, simulated_bench_file(profile), operations={"load": both})

        [of_load] = [each for each in plan.objections if each.startswith("The load's")]
        assert of_load == (
            "The load's dialect has no voltage_setting, set_voltage: a line step in constant "
            "voltage needs it."
        )

    def test_it_says_how_it_is_wired_and_that_a_diode_is_in_the_lead(
        self, written: Written
    ) -> None:
        """Where, which way round, for which voltage, to what it is set, and when it goes off."""
        plan = _plan(written)
        [note] = [note for note in plan.notes if "wakes the charger" in note]

        assert plan.enable_way == "aux"
        for word in (
            "output main",
            "WITH A DIODE IN ITS PLUS LEAD",
            "bears 18 V the other way",
            "set to 5.7 V",
            "limit 20 mA",
            "goes off before the load, on every way out",
        ):
            assert word in note
        assert not any("small supply" in note for note in plan.notes)

    def test_power_comes_back_after_it_by_the_levels_of_the_start(self, written: Written) -> None:
        """It ends with power off, and does not begin so."""
        profile = load_profile(
            written(HEAD + AUX + START + HELD + step("nominal", 'dwell = "1 s"'))
        )
        held, nominal = plan_for(profile, simulated_bench_file(profile)).steps[1:]

        assert held.restart == ()
        assert nominal.restart != ()

    def test_without_one_a_small_supply_is_connected_by_hand(self, written: Written) -> None:
        """The bench decides, not the profile."""
        plan = _plan(written, aux=False)
        [note] = [note for note in plan.notes if "small supply 5 V is connected" in note]

        assert plan.enable_way == ""
        assert "a diode" in note

    def test_whoever_wakes_a_charger_by_a_supply_is_cautioned(self, written: Written) -> None:
        """The charger would drive its current back into it; one with batteries alone is not."""
        battery = step("load", 'load = "battery"', 'dwell = "1 s"')
        told = [
            " ".join(cautions(load_profile(written(HEAD + START + steps))))
            for steps in (HELD, battery)
        ]

        assert "diode in its plus lead" in told[0]
        assert "diode in its plus lead" not in told[1]
