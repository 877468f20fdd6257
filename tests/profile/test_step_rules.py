"""What the steps of a profile owe each other, the unit, and their checks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Literal

import pytest

from harness.errors import FileError
from harness.profile.expand import make_plan
from harness.profile.held_steps import NominalStep
from harness.profile.load import load_profile
from harness.profile.plan import Plan
from harness.profile.step import Place
from harness.profile.steps import STEP_KINDS, step_kinds

HEAD = """\
title = "Dome-shutter power unit"
[unit]
input  = { kind = "ac", nominal = "120 V", tolerance = "10 %", frequency = ["50 Hz", "60 Hz"], \
current = "1.2 A", bulk_capacitance = "150 uF", idle_power = "2 W", start_threshold = "55 V" }
output = { main = { kind = "dc", nominal = "24 V", current = "2.5 A", limit = "3 A" } }
protection_class = "II"
[envelope]
voltage = "132 V"
current = "1.5 A"
power = "90 W"
"""
START = (
    '[[steps]]\nkind = "start"\nlevels = ["50 %", "100 %"]\ncurrent_limit = "1 A"\ndwell = "1 s"\n'
)


def step(kind: str, *lines: str) -> str:
    return "\n".join(["[[steps]]", f'kind = "{kind}"', *lines, ""])


def check(*lines: str, name: str = "c") -> str:
    return "\n".join(["[[steps.checks]]", f'name = "{name}"', *lines, ""])


Mistakes = Callable[[str], list[str]]


@pytest.fixture
def mistakes(written: Callable[[str | bytes], str]) -> Mistakes:
    """Return a function that loads the steps of a text and gives what is wrong with them."""

    def found(steps: str) -> list[str]:
        try:
            load_profile(written(HEAD + steps))
        except FileError as error:
            return [f"{mistake.key}: {mistake.problem}" for mistake in error.mistakes]
        return []

    return found


@pytest.fixture
def plan_of(written: Callable[[str | bytes], str]) -> Callable[[str], Plan]:
    """Return a function that expands the steps of a text."""
    return lambda steps: make_plan(load_profile(written(HEAD + steps)))


OHMS = check('measure = "meter.resistance"', 'across = "fuse"', 'high = "2 ohm"')
LINE = step("line", 'voltages = ["90 %", "110 %"]', 'dwell = "1 s"')
SOAK = step("soak", 'duration = "10 min"')
DISCHARGE = step("discharge", 'below = "60 V"', 'within = "2 s"')
NOMINAL = step("nominal", 'dwell = "1 s"')


class TestOrder:
    def test_a_whole_release_loads(self, mistakes: Mistakes) -> None:
        """Cold, start, nominal, line, load, soak, discharge: nothing to complain of."""
        load = step("load", 'currents = ["0 A", "2.5 A"]', 'dwell = "1 s"')
        steps = step("cold") + OHMS + START + NOMINAL + LINE + load + SOAK + DISCHARGE

        assert mistakes(steps) == []

    def test_a_start_may_come_again(self, mistakes: Mistakes) -> None:
        """A later start has power off before it, for as long as it says."""
        assert mistakes(START + NOMINAL + START + 'off = "2 s"\nbulk_below = "5 V"\n' + LINE) == []

    @pytest.mark.parametrize(
        ("steps", "problem"),
        [
            (
                START + step("cold") + OHMS,
                "steps[1].kind: a cold step after power: cold checks come before the first start",
            ),
            (
                START + DISCHARGE + NOMINAL,
                "steps[2].kind: a nominal step after a discharge step: that is the last of a run",
            ),
            (
                START + step("cycle", "times = 0", 'off = "1 s"', 'dwell = "1 s"'),
                "steps[1].times: expected a whole number from 1 to 1000, got 0",
            ),
            (
                step("cycle", "times = 2", 'off = "1 s"', 'dwell = "1 s"'),
                (
                    "steps[0].kind: a cycle step before any start step: power must first come by a "
                    "current-limited start"
                ),
            ),
            (
                START + 'off = "2 s"\n' + NOMINAL,
                ("steps[0].off: power has not been on before the first start: leave this key out"),
            ),
            (
                START + 'bulk_below = "5 V"\n' + NOMINAL,
                (
                    "steps[0].bulk_below: power has not been on before the first start: leave this "
                    "key out"
                ),
            ),
            (
                START + 'polarity = "reversed"\n' + NOMINAL,
                (
                    "steps[0].polarity: the leads are changed over at an AC unit with "
                    'feed = "dc" alone'
                ),
            ),
            (
                LINE + START,
                (
                    "steps[0].kind: a line step before any start step: power must first come by a "
                    "current-limited start"
                ),
            ),
            (
                START.replace(', "100 %"', "") + SOAK,
                (
                    "steps[1].kind: the start before it ends at 50 %: a soak step needs nominal "
                    "voltage; end the start at 100 %, or put a nominal step between"
                ),
            ),
        ],
    )
    def test_steps_come_in_their_order(self, mistakes: Mistakes, steps: str, problem: str) -> None:
        """A step that comes too early or too late is told, and why."""
        assert mistakes(steps) == [problem]


class TestClassified:
    """What nobody has classified is refused: no kind of step slips past the order of steps."""

    @pytest.mark.parametrize("kind", sorted(STEP_KINDS))
    def test_every_kind_states_its_place(self, kind: str) -> None:
        """Each kind that validation knows is one that the order of steps knows."""
        assert isinstance(STEP_KINDS[kind].place, Place)

    def test_a_kind_without_a_place_is_an_error_of_the_program(self) -> None:
        """A step class that does not say where it stands keeps the program from starting."""

        class HoverStep(NominalStep.__base__):  # type: ignore[misc, name-defined]
            """A kind that nobody classified."""

            kind: Literal["hover"]

        with pytest.raises(TypeError, match="'hover' does not state its place"):
            step_kinds([*STEP_KINDS.values(), HoverStep])

    @pytest.mark.parametrize(
        "steps",
        [
            pytest.param(NOMINAL, id="nominal"),
            pytest.param(LINE, id="line"),
            pytest.param(step("load", 'currents = ["1 A"]', 'dwell = "1 s"'), id="load"),
            pytest.param(SOAK, id="soak"),
            pytest.param(DISCHARGE, id="discharge"),
        ],
    )
    def test_no_kind_comes_to_power_without_a_start(self, mistakes: Mistakes, steps: str) -> None:
        """A profile without any start step never plans."""
        (found,) = mistakes(step("cold") + OHMS + steps)

        assert "before any start step: power must first come by a current-limited start" in found

    def test_a_kind_that_does_not_exist_is_refused(self, mistakes: Mistakes) -> None:
        """An unknown kind is told, and does not hide what follows it."""
        found = mistakes(step("hover", 'dwell = "1 s"') + NOMINAL)

        assert [one.partition(":")[0] for one in found] == ["steps[0].kind", "steps[1].kind"]


class TestCorners:
    @pytest.mark.parametrize(
        ("lines", "problem"),
        [
            (
                ('voltages = ["90 %", "120 %"]', 'dwell = "1 s"'),
                "steps[1].voltages[1]: 120 % is 144 V, outside the envelope's 132 V",
            ),
            (
                ('voltages = ["90 %", "110.1 %"]', 'dwell = "1 s"'),
                "steps[1].voltages[1]: 110.1 % is 132.1 V, outside the envelope's 132 V",
            ),
            (
                ('voltages = ["40 %"]', 'dwell = "1 s"'),
                "steps[1].voltages[0]: 40 % is 48 V, below the unit's start_threshold of 55 V",
            ),
            (
                ('voltages = ["90 %"]', 'frequencies = ["50 Hz", "400 Hz"]', 'dwell = "1 s"'),
                "steps[1].frequencies[1]: 400 Hz is none of the unit's: 50 Hz, 60 Hz",
            ),
            (
                ('voltages = ["90 %"]', 'current = "2.6 A"', 'dwell = "1 s"'),
                (
                    "steps[1].current: 2.6 A is more than the nominal 2.5 A of output 'main': "
                    "overload belongs in a load step"
                ),
            ),
        ],
    )
    def test_stay_where_the_unit_works(
        self, mistakes: Mistakes, lines: tuple[str, ...], problem: str
    ) -> None:
        """Every corner lies inside the envelope and above the threshold, at a known frequency."""
        assert mistakes(START + step("line", *lines)) == [problem]

    @pytest.mark.parametrize(
        ("measure", "high"), [("line_regulation", "1 %"), ("input_power_rise", "1 W")]
    )
    def test_a_comparison_needs_two_voltages(
        self, mistakes: Mistakes, measure: str, high: str
    ) -> None:
        """One voltage has nothing to be compared with."""
        one = step("line", 'voltages = ["90 %"]', 'dwell = "1 s"')
        found = mistakes(START + one + check(f'measure = "{measure}"', f'high = "{high}"'))

        assert found == [
            (
                f"steps[1].checks[0].measure: {measure} compares voltages: the step needs two "
                "different ones"
            )
        ]

    @pytest.mark.parametrize("kind", ["line", "soak"])
    @pytest.mark.parametrize(
        ("lines", "problem"),
        [
            (
                ('load = "resistor 12 ohm"', 'current = "1 A"'),
                "current: a load that is connected by hand takes what it takes: leave this key out",
            ),
            (
                ('load = "resistor 8 ohm"',),
                (
                    "load: 8 ohm (3 A) is more than the nominal 2.5 A of output 'main': overload "
                    "belongs in a load step"
                ),
            ),
            (('load = "resistor 0 ohm"',), "load: 'resistor 0 ohm' is not above zero"),
        ],
    )
    def test_a_load_by_hand_is_held_against_the_output(
        self, mistakes: Mistakes, kind: str, lines: tuple[str, ...], problem: str
    ) -> None:
        """A resistor in a line or soak step is the only load, and within the nominal current."""
        own = {"line": ('voltages = ["90 %"]', 'dwell = "1 s"'), "soak": ('duration = "1 s"',)}

        assert mistakes(START + step(kind, *own[kind], *lines)) == [f"steps[1].{problem}"]

    def test_all_frequencies_of_the_unit_are_walked(self, plan_of: Callable[[str], Plan]) -> None:
        """Left out, the frequencies are the nameplate's; voltages go in the order of the file."""
        levels = plan_of(START + LINE).steps[1].levels

        assert [(level.voltage_v, level.frequency_hz) for level in levels] == [
            (108.0, 50.0),
            (132.0, 50.0),
            (108.0, 60.0),
            (132.0, 60.0),
        ]


class TestLoads:
    @pytest.mark.parametrize(
        ("lines", "problem"),
        [
            (('mode = "power"',), "steps[1].powers: this key is missing"),
            (
                ('currents = ["1 A"]', 'powers = ["1 W"]'),
                (
                    "steps[1].powers: the step's mode is 'current': leave this key out, or say "
                    'mode = "power"'
                ),
            ),
            (
                ('load = "resistor 10 ohm"', 'currents = ["1 A"]'),
                (
                    "steps[1].currents: a load that is connected by hand has no load points: leave "
                    "this key out"
                ),
            ),
            (
                ('load = "resistor ten"',),
                "steps[1].load: 'ten' is not a resistance",
            ),
            (
                ('currents = ["2.8 A"]',),
                (
                    "steps[1].currents: 2.8 A is more than the nominal 2.5 A of output 'main': say "
                    "overload = true to go there on purpose"
                ),
            ),
            (
                ('currents = ["3.2 A"]', "overload = true"),
                "steps[1].currents: 3.2 A is more than 3 A, the limit of output 'main'",
            ),
            (
                ('mode = "resistance"', 'resistances = ["6 ohm"]'),
                (
                    "steps[1].resistances: 6 ohm (4 A) is more than the nominal 2.5 A of output "
                    "'main': say overload = true to go there on purpose"
                ),
            ),
            (
                ('mode = "power"', 'powers = ["90 W"]', "overload = true"),
                "steps[1].powers: 90 W (3.75 A) is more than 3 A, the limit of output 'main'",
            ),
            (
                ('mode = "voltage"', 'voltages = ["12 V"]'),
                (
                    "steps[1].voltages: a load in constant voltage takes all that output 'main' "
                    "gives, its limit: say overload = true to go there on purpose"
                ),
            ),
            (
                ('mode = "voltage"', 'voltages = ["24 V"]', "overload = true"),
                (
                    "steps[1].voltages[0]: 24 V is not below the nominal 24 V of output 'main': a "
                    "load that holds it takes nothing"
                ),
            ),
            (
                ('load = "resistor 5 ohm"',),
                (
                    "steps[1].load: 5 ohm (4.8 A) is more than the nominal 2.5 A of output 'main': "
                    "say overload = true to go there on purpose"
                ),
            ),
        ],
    )
    def test_points_fit_their_mode_and_the_output(
        self, mistakes: Mistakes, lines: tuple[str, ...], problem: str
    ) -> None:
        """Each mode has its own points, and none asks an output for more than is on purpose."""
        assert mistakes(START + step("load", *lines, 'dwell = "1 s"')) == [problem]

    @pytest.mark.parametrize(
        ("points", "what"),
        [
            ('currents = ["2.8 A"]', "how much it bears"),
            ('mode = "voltage"\nvoltages = ["12 V"]', "how much that is"),
        ],
    )
    def test_overload_without_a_stated_limit_is_refused(
        self, written: Callable[[str | bytes], str], points: str, what: str
    ) -> None:
        """Who goes beyond nominal says how far the output may be asked."""
        steps = START + step("load", points, "overload = true", 'dwell = "1 s"')
        with pytest.raises(FileError, match=f"does not say {what}"):
            load_profile(written(HEAD.replace(', limit = "3 A"', "") + steps))

    def test_what_is_held_is_not_regulated(self, mistakes: Mistakes) -> None:
        """No load regulation where the load holds the voltage."""
        points = 'mode = "voltage"\nvoltages = ["12 V", "18 V"]\noverload = true\ndwell = "1 s"'
        asked = check('measure = "load_regulation"', 'high = "1 %"')

        assert mistakes(START + step("load", points) + asked) == [
            (
                "steps[1].checks[0].measure: there is no load_regulation where the load holds the "
                "voltage: leave it out"
            )
        ]

    @pytest.mark.parametrize(
        ("points", "at", "problem"),
        [
            ('mode = "power"\npowers = ["30 W", "60 W"]', "60 W", None),
            (
                'mode = "power"\npowers = ["30 W", "60 W"]',
                "2.5 A",
                "'2.5 A' is none of the step's load points: 30 W, 60 W",
            ),
            (
                'mode = "resistance"\nresistances = ["10 ohm"]',
                "20 ohm",
                "20 ohm is none of the step's load points: 10 ohm",
            ),
        ],
    )
    def test_a_point_is_named_in_the_modes_unit(
        self, mistakes: Mistakes, points: str, at: str, problem: str | None
    ) -> None:
        """``at`` is one of the step's points, in its unit."""
        power = check('measure = "supply.power"', f'at = "{at}"', 'high = "80 W"')
        found = mistakes(START + step("load", points, 'dwell = "1 s"') + power)

        assert found == ([] if problem is None else [f"steps[1].checks[0].at: {problem}"])

    def test_average_efficiency_needs_its_four_points(self, mistakes: Mistakes) -> None:
        """25, 50, 75 and 100 % of nominal current must be there (EU 2019/1782, Annex II)."""
        average = check('measure = "average_efficiency"', 'low = "80 %"')
        found = mistakes(
            START + step("load", 'currents = ["1.25 A", "2.5 A"]', 'dwell = "1 s"') + average
        )

        assert found == [
            (
                "steps[1].checks[0].measure: average_efficiency needs the load points 25, 50, 75 "
                "and 100 % of nominal current"
            )
        ]

    def test_an_electronic_loads_figures_need_one(self, mistakes: Mistakes) -> None:
        """A load by hand measures nothing, and a line walk without a load has no efficiency."""
        efficiency = check('measure = "efficiency"', 'low = "80 %"')
        by_hand = step("load", 'load = "the shutter motor"', 'dwell = "1 s"')

        assert mistakes(START + by_hand + efficiency) == [
            (
                "steps[1].checks[0].measure: efficiency needs an electronic load, not one that is "
                "connected by hand"
            )
        ]
        assert mistakes(START + LINE + efficiency) == [
            "steps[1].checks[0].measure: efficiency needs a load: give the line step its current"
        ]

    def test_power_comes_back_after_a_load_by_hand(self, plan_of: Callable[[str], Plan]) -> None:
        """The loaded unit is started below its threshold and at nominal; the next one likewise."""
        by_hand = step("load", 'load = "the shutter motor"', 'dwell = "1 s"')
        low = START.replace('"50 %"', '"25 %", "50 %"')
        plan = plan_of(low + by_hand + NOMINAL)

        assert [level.label for level in plan.steps[1].restart] == ["25 %"]
        assert [level.label for level in plan.steps[1].levels] == ["the shutter motor"]
        assert [level.label for level in plan.steps[2].restart] == ["25 %", "50 %", "100 %"]

    @pytest.mark.parametrize(
        "lines",
        [
            ("load", 'dwell = "1 s"'),
            ("line", 'voltages = ["90 %", "110 %"]', 'dwell = "1 s"'),
            ("soak", 'duration = "1 s"'),
        ],
    )
    def test_whatever_is_loaded_by_hand_starts_low_and_is_bounded_at_the_limit(
        self, plan_of: Callable[[str], Plan], lines: tuple[str, ...]
    ) -> None:
        """Power comes back below the threshold, and no level stays long at the current limit.

        The load is on already: no budget tells a short from it, so time bounds what a fault takes.
        """
        low = START.replace('"50 %"', '"25 %", "50 %"')
        plan = plan_of(low + step(*lines, 'load = "resistor 12 ohm"'))

        assert [level.label for level in plan.steps[1].restart] == ["25 %"]
        assert {level.time_at_limit_s for level in plan.steps[1].all_levels} == {0.5}

    def test_without_a_load_by_hand_nothing_waits_at_the_limit(
        self, plan_of: Callable[[str], Plan]
    ) -> None:
        """Corners and soaks that are not loaded by hand find power on, and keep no such clock."""
        soak = step("soak", 'duration = "1 s"', 'current = "1 A"')
        plan = plan_of(START + LINE + soak)

        for each in plan.steps[1:]:
            assert each.restart == ()
            assert {level.time_at_limit_s for level in each.levels} == {None}


class TestChecks:
    @pytest.mark.parametrize(
        ("steps", "problem"),
        [
            (
                START
                + NOMINAL
                + check('measure = "meter.voltage_dc"', 'across = "bulk"', 'high = "1 V"'),
                (
                    "steps[1].checks[0].across: nobody moves the meter's leads while power is on: "
                    'this key belongs in a cold step, or, for the voltage across "bulk", in a '
                    "start step"
                ),
            ),
            (
                START + NOMINAL + check('measure = "supply.power"', 'ask = "x"', 'high = "1 W"'),
                "steps[1].checks[0].ask: supply.power asks nobody: leave this key out",
            ),
            (
                step("cold") + check('measure = "operator.yes_no"') + START,
                "steps[0].checks[0].ask: this key is missing",
            ),
            (
                step("cold")
                + check('measure = "operator.value"', 'ask = "x"', "high = 2", 'rule = "simple"')
                + START,
                "steps[0].checks[0].unit: this key is missing",
            ),
            (
                step("cold")
                + check('measure = "operator.value"', 'ask = "x"', 'unit = "ohm"', 'high = "2 ohm"')
                + START,
                (
                    "steps[0].checks[0].rule: the guarded rule needs the tester's accuracy; name a "
                    "tester of the bench file, give its accuracy here, or say that its reading is "
                    "compared as it is"
                ),
            ),
            (
                step("cold")
                + check('measure = "operator.value"', 'ask = "x"', 'limit = "touch curent"')
                + START,
                None,
            ),
            (
                START
                + NOMINAL
                + check(
                    'measure = "meter.voltage_dc"',
                    'bandwidth = "20 Hz to 20 MHz"',
                    'high = "1 V"',
                ),
                (
                    "steps[1].checks[0].bandwidth: meter.voltage_dc has no bandwidth: leave this "
                    "key out"
                ),
            ),
            (
                START
                + NOMINAL
                + check('measure = "meter.voltage_ac"', 'bandwidth = "20 MHz"', 'high = "1 V"'),
                "steps[1].checks[0].bandwidth: expected a band of frequencies, got '20 MHz'",
            ),
            (
                START + SOAK + check('measure = "power_factor"', 'figure = "drift"', "high = 0.1"),
                "steps[1].checks[0].figure: 'drift' needs readings of an instrument over a hold",
            ),
            (
                START + check('measure = "operator.yes_no"', 'ask = "x"'),
                (
                    "steps[0].checks[0].measure: operator.yes_no belongs in a cold or dip or line "
                    "or load or nominal or soak step, this is a start step"
                ),
            ),
            (
                START
                + step("load", 'currents = ["0 A", "1 A"]', 'dwell = "1 s"')
                + check('measure = "operator.yes_no"', 'ask = "Is air felt?"', 'at = "1 A"'),
                "steps[1].checks[0].at: operator.yes_no is asked about once: leave this key out",
            ),
            (
                START
                + check('measure = "operator.value"', 'ask = "x"', 'unit = "V"', 'high = "2 V"'),
                (
                    "steps[0].checks[0].measure: operator.value belongs in a cold or dip or line "
                    "or load or nominal or soak step, this is a start step"
                ),
            ),
            (
                step("cold")
                + check('measure = "operator.yes_no"', 'ask = "x"', 'when = "power on"')
                + START,
                (
                    "steps[0].checks[0].when: this key belongs to a question of a step that is "
                    "held under power: leave it out"
                ),
            ),
            (
                START
                + NOMINAL
                + check('measure = "operator.yes_no"', 'ask = "x"', 'within = "60 s"'),
                (
                    "steps[1].checks[0].within: only an answer that is waited for with power on "
                    "has a time: leave this key out"
                ),
            ),
            (
                START
                + NOMINAL
                + check('measure = "supply.power"', 'high = "2 W"', 'when = "power on"'),
                (
                    "steps[1].checks[0].when: this key belongs to a question of a step that is "
                    "held under power: leave it out"
                ),
            ),
            (
                START + step("discharge", 'below = "60 V"'),
                "steps[1]: a discharge step needs below and within, or a limit that has both",
            ),
        ],
    )
    def test_fit_their_step(self, mistakes: Mistakes, steps: str, problem: str | None) -> None:
        """A check that its step cannot make, or that says too little, is told."""
        found = mistakes(steps)

        assert (
            problem in found
            if problem
            else any("did you mean 'touch current'" in one for one in found)
        )

    def test_a_discharge_is_a_check_by_itself(self, plan_of: Callable[[str], Plan]) -> None:
        """The step's own check names the terminals and holds the time to its limit."""
        plan = plan_of(START + step("discharge", 'across = "bulk"', 'limit = "plug pins"'))
        (implied,) = plan.steps[1].checks

        assert (implied.name, implied.measure, implied.high) == (
            "bulk below 34 V",
            "discharge_time",
            1.0,
        )
        assert [level.label for level in plan.steps[1].restart] == ["50 %", "100 %"]

    def test_a_question_expects_a_yes(self, plan_of: Callable[[str], Plan]) -> None:
        """Without limits a question wants a yes, which is 1; a profile may want a no."""
        ask = check('measure = "operator.yes_no"', 'ask = "No damage?"')
        no = check('measure = "operator.yes_no"', 'ask = "Damage?"', "high = 0", name="d")
        checks = plan_of(step("cold") + ask + no + START).steps[0].checks

        assert [(one.low, one.high) for one in checks] == [(1.0, None), (None, 0.0)]


LOCAL = """\
title = "Harrow Point workshop rule"
[[limit]]
name   = "insulation resistance"
unit   = "ohm"
low    = "5 Mohm"
source = "workshop rule 7"
"""
INSULATION = step("cold") + check(
    'measure = "operator.value"',
    'ask = "Insulation?"',
    'accuracy = "5 %"',
    'unit = "ohm"',
    'limit = "insulation resistance"',
)


class TestLimits:
    def test_come_from_the_shipped_table(self, plan_of: Callable[[str], Plan]) -> None:
        """A named limit is in figures in the plan, and the check says where it is from."""
        check = plan_of(INSULATION + START).steps[0].checks[0]

        assert check.low == 2e6
        assert str(check.source).startswith("DIN VDE 0701-0702:2008")

    def test_a_table_of_ones_own_goes_first(self, written: Callable[[str | bytes], str]) -> None:
        """A local rule takes the place of the shipped table, and the profile says which it was."""
        folder = Path(written("x")).resolve().parent
        (folder / "our.toml").write_text(LOCAL, encoding="utf-8")
        text = HEAD + '[limits]\nfile = "our.toml"\n' + INSULATION + START
        (folder / "own.toml").write_text(text, encoding="utf-8")
        profile = load_profile(str(folder / "own.toml"))

        assert profile.steps[0].checks[0].low == 5e6
        assert profile.limits_used is not None
        assert (profile.limits_used.title, profile.limits_used.source) == (
            "Harrow Point workshop rule",
            "our.toml",
        )
        assert len(profile.limits_used.sha256) == 64

    def test_a_mistake_in_that_table_is_told_in_its_lines(
        self, written: Callable[[str | bytes], str]
    ) -> None:
        """What is wrong with a table of limits is told by its file and line."""
        folder = Path(written("x")).resolve().parent
        (folder / "our.toml").write_text(LOCAL.replace("5 Mohm", "5 MV"), encoding="utf-8")
        text = HEAD + '[limits]\nfile = "our.toml"\n' + INSULATION + START
        (folder / "own.toml").write_text(text, encoding="utf-8")
        with pytest.raises(FileError, match=r"our.toml:5: limit\[0\].low: '5 MV' is a voltage"):
            load_profile(str(folder / "own.toml"))

    def test_a_limit_in_another_unit_is_told(self, mistakes: Mistakes) -> None:
        """A limit in ohms says nothing of a check in amperes."""
        found = mistakes(INSULATION.replace('unit = "ohm"', 'unit = "A"') + START)

        assert found == [
            "steps[0].checks[0].limit: the limit 'insulation resistance' is in ohm, the check in A"
        ]

    def test_limits_beside_a_limit_are_one_too_many(self, mistakes: Mistakes) -> None:
        """A check has limits of its own or a named one."""
        both = INSULATION.replace("limit =", 'low = "1 ohm"\nlimit =') + START

        assert "leave one of the two out" in mistakes(both)[0]


LEVELS = step(
    "start", 'levels = ["10 %", "25 %", "100 %"]', 'current_limit = "1 A"', 'dwell = "1 s"'
)


class TestLevelOfAFigure:
    @pytest.mark.parametrize(
        ("measure", "at", "problem"),
        [
            ("start.leakage_current", "25 %", None),
            ("start.idle_power", "100 %", None),
            (
                "start.leakage_current",
                "30 %",
                "'30 %' is none of the step's levels: 10 %, 25 %, 100 %",
            ),
            (
                "start.leakage_current",
                "1 A",
                "'1 A' is none of the step's levels: 10 %, 25 %, 100 %",
            ),
            (
                "start.leakage_current",
                "100 %",
                (
                    "100 % of nominal lies above the start threshold, where a level tells "
                    "start.idle_power"
                ),
            ),
            (
                "start.idle_power",
                "10 %",
                (
                    "10 % of nominal lies below the start threshold, where a level tells "
                    "start.leakage_current"
                ),
            ),
            (
                "start.energy",
                "10 %",
                "a start step has no load points: leave this key out",
            ),
        ],
    )
    def test_is_one_that_tells_it(
        self, measure: str, at: str, problem: str | None, mistakes: Mistakes
    ) -> None:
        """A level of the step, on the side of the start threshold where its figure is told."""
        high = {"start.leakage_current": "5 mA", "start.idle_power": "2 W"}.get(measure, "5 J")
        judged = check(f'measure = "{measure}"', f'at = "{at}"', f'high = "{high}"')
        told = [] if problem is None else [f"steps[0].checks[0].at: {problem}"]

        assert mistakes(LEVELS + judged) == told
