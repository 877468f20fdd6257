from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.errors import FileError
from harness.profile.load import load_profile
from tests.profile.test_step_rules import step

HEAD = """
title = "Charger"
[unit]
protection_class = "II"
[unit.input]
kind = "ac"
nominal = "100 V"
tolerance = "10 %"
frequency = ["50 Hz"]
current = "1 A"
bulk_capacitance = "120 uF"
[unit.output.main]
kind = "charger"
range = ["7.2 V", "18 V"]
current = "2 A"
wake = "5 V"
end_current = "0.2 A"
[unit.output.side]
kind = "dc"
nominal = "5 V"
current = "1 A"
[envelope]
voltage = "110 V"
current = "1.5 A"
power = "90 W"
"""
START = step("start", 'levels = ["50 %", "100 %"]', 'current_limit = "0.5 A"', 'dwell = "1 s"')
INTO = "output 'main' is a charger and gives nothing but into a battery"


@pytest.fixture
def mistakes(written: Callable[[str | bytes], str]) -> Callable[[str], list[str]]:
    """Return what is wrong with steps after the start of a charger, without file and line."""

    def find(steps: str) -> list[str]:
        try:
            load_profile(written(HEAD + START + steps))
        except FileError as error:
            return [f"{one.key}: {one.problem}" for one in error.mistakes]
        return []

    return find


class TestChargerRules:
    @pytest.mark.parametrize(
        "lines",
        [
            ('load = "battery"', 'dwell = "5 s"'),
            ('load = "battery 12 V, 7 Ah"', 'dwell = "5 s"'),
            ('mode = "voltage"', 'voltages = ["7.2 V", "18 V"]', 'wake = "5 V"', 'dwell = "1 s"'),
        ],
    )
    def test_what_has_a_voltage_may_hang_there(
        self, mistakes: Callable[[str], list[str]], lines: tuple[str, ...]
    ) -> None:
        """A battery, or a load that holds the voltage of one and a small supply that wakes it."""
        assert mistakes(step("load", *lines)) == []

    @pytest.mark.parametrize(
        ("lines", "problem"),
        [
            (('load = "resistor 9 ohm"',), f"steps[1].load: {INTO}: connect one"),
            (
                ('currents = ["1 A"]',),
                (
                    f'steps[1].mode: {INTO}: say mode = "voltage" and voltages = ["8 V", "14 V"], '
                    'or load = "battery"'
                ),
            ),
            (
                ('mode = "voltage"', 'voltages = ["7 V"]', 'wake = "5 V"'),
                (
                    "steps[1].voltages[0]: 7 V is no battery of output 'main', which charges 7.2 V "
                    "to 18 V"
                ),
            ),
            (
                ('mode = "voltage"', 'voltages = ["12 V"]'),
                (
                    "steps[1].wake: this key is missing: a load has no voltage of its own, and "
                    "output 'main' waits for 5 V. A small supply of at least that wakes it"
                ),
            ),
            (
                ('mode = "voltage"', 'voltages = ["12 V"]', 'wake = "4 V"'),
                "steps[1].wake: 4 V does not wake output 'main': it waits for 5 V",
            ),
            (
                ('mode = "voltage"', 'voltages = ["9 V", "12 V"]', 'wake = "10 V"'),
                "steps[1].wake: 10 V is above the load's 9 V: the small supply would feed the load",
            ),
            (
                ('load = "battery"', 'wake = "5 V"'),
                "steps[1].wake: a battery wakes it: leave this key out",
            ),
            (
                ('output = "side"', 'load = "battery"'),
                (
                    "steps[1].load: output 'side' is no charger: nothing there ends the charge of "
                    'a battery. Where it is one, say so on the nameplate, kind = "charger"'
                ),
            ),
            (
                ('output = "side"', 'currents = ["1 A"]', 'wake = "5 V"'),
                "steps[1].wake: output 'side' is no charger: leave this key out",
            ),
        ],
    )
    def test_what_has_none_may_not(
        self, mistakes: Callable[[str], list[str]], lines: tuple[str, ...], problem: str
    ) -> None:
        """A charger gives nothing into it; and a battery hangs at nothing but a charger."""
        assert mistakes(step("load", *lines, 'dwell = "1 s"')) == [problem]

    @pytest.mark.parametrize(
        ("lines", "problem"),
        [
            (('load_voltage = "17 V"', 'wake = "5 V"'), None),
            (('load = "battery"',), None),
            (
                ('load_voltage = "17 V"',),
                (
                    "steps[1].wake: this key is missing: a load has no voltage of its own, and "
                    "output 'main' waits for 5 V. A small supply of at least that wakes it"
                ),
            ),
            (
                ('wake = "5 V"',),
                f'steps[1].load_voltage: {INTO}: say load = "battery", or load_voltage with wake',
            ),
            (
                ('current = "1 A"', 'load_voltage = "17 V"', 'wake = "5 V"'),
                f'steps[1].current: {INTO}: say load = "battery", or load_voltage with wake',
            ),
            (
                ('load_voltage = "19 V"', 'wake = "5 V"'),
                (
                    "steps[1].load_voltage: 19 V is no battery of output 'main', which charges "
                    "7.2 V to 18 V"
                ),
            ),
            (
                ('load_voltage = "8 V"', 'wake = "9 V"'),
                "steps[1].wake: 9 V is above the load's 8 V: the small supply would feed the load",
            ),
            (
                ('load = "battery"', 'load_voltage = "17 V"'),
                (
                    "steps[1].load_voltage: a load that is connected by hand takes what it takes: "
                    "leave this key out"
                ),
            ),
            (
                ('output = "side"', 'load_voltage = "4 V"'),
                "steps[1].load_voltage: output 'side' is no charger: leave this key out",
            ),
        ],
    )
    def test_at_a_corner_of_the_line_it_is_the_same(
        self, mistakes: Callable[[str], list[str]], lines: tuple[str, ...], problem: str | None
    ) -> None:
        """A battery, or the voltage of one and what wakes it."""
        found = mistakes(step("line", 'voltages = ["90 %", "110 %"]', 'dwell = "1 s"', *lines))
        assert found == ([] if problem is None else [problem])

    def test_a_soak_has_no_current(self, mistakes: Callable[[str], list[str]]) -> None:
        """No charger gives one into its load, but into a battery or the voltage of one."""
        [found] = mistakes(step("soak", 'current = "1 A"', 'duration = "10 s"'))

        assert found.startswith(f"steps[1].current: {INTO}")
        assert found.endswith("or load_voltage with wake")

    @pytest.mark.parametrize("line", ['current = "1 A"', 'load = "resistor 10 ohm"'])
    def test_nothing_loads_it_in_a_dip(
        self, mistakes: Callable[[str], list[str]], line: str
    ) -> None:
        """What it gives into would feed it meanwhile, so nothing is proposed in its place."""
        dip = ('residual = "0 %"', 'duration = "20 ms"', 'dwell = "1 s"')

        assert mistakes(step("dip", *dip)) == []
        key = line.partition(" ")[0]
        assert mistakes(step("dip", *dip, line)) == [f"steps[1].{key}: {INTO}: no dip has one"]

    def test_a_kind_of_output_that_there_is_not(
        self, written: Callable[[str | bytes], str]
    ) -> None:
        """It is an output that the message speaks of."""
        text = HEAD.replace('kind = "charger"', 'kind = "chager"') + START
        with pytest.raises(FileError, match="there is no kind of output 'chager', did you mean"):
            load_profile(written(text))
