"""Which meter and load serve a step, what a person moves, and what a bench file says of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.errors import FileError
from harness.profile.expand import make_plan
from harness.profile.load import load_bench, load_profile
from harness.profile.plan import Plan
from harness.profile.preflight import preflight
from harness.shipped import shipped

HEAD = """
title = "Power unit with two rails"

[unit]
input  = { kind = "dc", nominal = "24 V", tolerance = "10 %", current = "1.2 A", \
bulk_capacitance = "470 uF", idle_power = "0.6 W" }
protection_class = "III"

[unit.output]
main    = { kind = "dc", nominal = "5 V", current = "2 A" }
standby = { kind = "dc", nominal = "12 V", current = "0.2 A" }

[envelope]
voltage = "26.4 V"
current = "1.5 A"
power   = "36 W"

[[steps]]
kind = "start"
levels = ["10 %", "25 %", "50 %", "75 %", "100 %"]
current_limit = "0.30 A"
dwell = "0.3 s"
"""
BOTH_RAILS = """
[[steps]]
kind = "nominal"
dwell = "0.3 s"

[[steps.checks]]
name = "main"
measure = "meter.voltage_dc"
low = "4.9 V"
high = "5.1 V"

[[steps.checks]]
name = "standby"
measure = "meter.voltage_dc"
output = "standby"
low = "11.8 V"
high = "12.2 V"
"""
APART = BOTH_RAILS.replace(
    '\n[[steps.checks]]\nname = "standby"',
    '\n[[steps]]\nkind = "soak"\nduration = "0.3 s"\n\n[[steps.checks]]\nname = "standby"',
)
LOADED = """
[[steps]]
kind = "nominal"
dwell = "0.3 s"

[[steps]]
kind = "load"
output = "standby"
currents = ["0 A", "0.1 A"]
dwell = "0.3 s"

[[steps.checks]]
name = "drawn"
measure = "load.power"
at = "0.1 A"
low = "1.1 W"
high = "1.3 W"
"""
CURRENT = """
[[steps]]
kind = "nominal"
dwell = "0.3 s"

[[steps.checks]]
name = "volts"
measure = "meter.voltage_dc"
low = "4.9 V"

[[steps.checks]]
name = "amps"
measure = "meter.current_dc"
high = "2 A"
"""
TWO_METERS = """
[meters.standby]
at = "standby"
resource = "TCPIP0::127.0.0.1::5126::SOCKET"
dialect = "scpi-meter"
accuracy = { voltage_dc = "0.02 % + 2 mV" }
"""
ON_STANDBY = """
[loads.standby]
at = "standby"
resource = "TCPIP0::127.0.0.1::5127::SOCKET"
dialect = "scpi-load"
range = { voltage = "80 V", current = "1 A", power = "20 W" }
accuracy = { voltage = "0.05 % + 10 mV", current = "0.1 % + 1 mA" }
"""

MakePlan = Callable[..., Plan]


@pytest.fixture
def plan(tmp_path: Path) -> MakePlan:
    """Make a plan of steps for the simulated bench with further tables, or tables changed."""
    source = shipped("profiles", "bench-simulated-dc.toml")
    assert source is not None

    def made(steps: str, tables: str = "", *changes: tuple[str, str]) -> Plan:
        profile, bench = tmp_path / "profile.toml", tmp_path / "bench.toml"
        profile.write_text(HEAD + steps, encoding="utf-8")
        text = source.read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        bench.write_text(text + tables, encoding="utf-8")
        return make_plan(load_profile(profile), load_bench(bench))

    return made


def refusals(plan: Plan) -> tuple[str, ...]:
    return preflight(plan, today=dt.date(2026, 11, 25)).reasons


AT_BULK = """
[meters.bulk]
at = "bulk"
resource = "TCPIP0::127.0.0.1::5127::SOCKET"
dialect = "scpi-meter"
accuracy = { voltage_dc = "0.02 % + 2 mV" }
"""
DISCHARGED = """
[[steps]]
kind = "load"
load = "resistor 10 ohm"
dwell = "0.3 s"

[[steps]]
kind = "discharge"
across = "bulk"
below = "5 V"
within = "60 s"
"""


class TestDischarge:
    @pytest.mark.parametrize(
        ("tables", "moved"),
        [
            ("", "goes off while the meter is moved to the bulk, comes back"),
            (AT_BULK, "comes back"),
        ],
    )
    def test_power_goes_off_for_a_meter_that_is_moved_alone(
        self, plan: MakePlan, tables: str, moved: str
    ) -> None:
        """One that is wired across the capacitor stays there; after the load power comes back."""
        [note] = [note for note in plan(DISCHARGED, tables).notes if "to be timed" in note]

        assert note.endswith(
            f"power {moved} by 10 %, 25 %, 50 %, 75 %, 100 %, and goes off again to be timed."
        )


class TestMeters:
    def test_each_output_has_its_own(self, plan: MakePlan) -> None:
        """Nobody moves leads where a meter is wired to each output; each check has its readings."""
        planned = plan(BOTH_RAILS, TWO_METERS).steps[1]

        assert planned.made_of == {
            "main": ("meter.voltage_dc",),
            "standby": ("meter standby.voltage_dc",),
        }
        assert not planned.moves
        assert not planned.dropped

    def test_one_meter_has_one_place_in_a_step(self, plan: MakePlan) -> None:
        """Leads are moved with power off alone: the second check falls away, and says why."""
        made = plan(BOTH_RAILS)

        ((check, why),) = made.steps[1].dropped
        assert check.name == "standby"
        assert why == (
            "the meter stands at the output main in this step, and its leads are moved with power "
            "off alone: give the bench a meter there, or the check a step of its own"
        )
        assert any("'standby'" in point.text for point in made.open_points)

    def test_in_a_step_of_its_own_it_is_moved_and_power_comes_back(self, plan: MakePlan) -> None:
        """The plan shows the move, and by which levels power comes back after it."""
        made = plan(APART)

        assert [step.moves for step in made.steps] == [False, False, True]
        assert made.steps[2].restart
        (note,) = [note for note in made.notes if note.startswith("Step 3")]
        assert note.startswith("Step 3 (soak), power off: the meter goes to the output standby;")
        assert "power comes back by " in note

    def test_where_each_is_wired_nothing_is_moved(self, plan: MakePlan) -> None:
        """The same steps with a second meter: power stays on."""
        made = plan(APART, TWO_METERS)

        assert not any(step.moves for step in made.steps)
        assert not made.steps[2].restart

    def test_current_and_voltage_of_one_meter_do_not_mix(self, plan: MakePlan) -> None:
        """The leads stand across the output or in series with it, never both."""
        ((check, why),) = plan(CURRENT).steps[1].dropped

        assert check.name == "amps"
        assert why.startswith("the meter stands at the output main in this step")

    def test_a_move_into_series_comes_with_the_caution(self, plan: MakePlan) -> None:
        """The plan says that current terminals are a short, in capitals."""
        apart = CURRENT.replace(
            '\n[[steps.checks]]\nname = "amps"',
            '\n[[steps]]\nkind = "soak"\nduration = "0.3 s"\n\n[[steps.checks]]\nname = "amps"',
        )
        made = plan(apart)

        assert made.steps[2].moves
        assert any("THE CURRENT TERMINALS OF A METER ARE A SHORT" in note for note in made.notes)

    def test_a_meter_wired_for_current_reads_it(self, plan: MakePlan) -> None:
        """With one meter across and one in series both checks stand."""
        in_series = TWO_METERS.replace('at = "standby"', 'at = "main"\nwired_for = "current"')
        planned = plan(CURRENT, in_series).steps[1]

        assert planned.made_of == {
            "volts": ("meter.voltage_dc",),
            "amps": ("meter standby.current_dc",),
        }

    def test_a_meter_elsewhere_is_none(self, plan: MakePlan) -> None:
        """A bench whose one meter is wired to the other output cannot make the check."""
        made = plan(BOTH_RAILS, "", ("[meter]", '[meter]\nat = "standby"'))

        ((check, why),) = made.steps[1].dropped
        assert check.name == "main"
        assert why == "no meter of this bench reads voltage dc at the output main"


class TestLoads:
    def test_the_load_that_is_wired_there_is_taken(self, plan: MakePlan) -> None:
        """A load step names the output, and gets the load of that output, unmoved."""
        planned = plan(LOADED, ON_STANDBY).steps[2]

        assert (planned.wiring.load, planned.wiring.load_at) == ("load standby", "")
        assert planned.made_of["drawn"] == ("load standby.power",)
        assert not planned.moves

    def test_a_load_on_another_output_is_refused(self, plan: MakePlan) -> None:
        """A load step never loads another rail than the one it names."""
        made = plan(LOADED, "", ("[load]", '[load]\nat = "main"'))

        [reason] = refusals(made)
        assert reason == (
            "Step 3 (load) needs an electronic load, and none of this bench is at output standby: "
            "the load is wired to main."
        )

    def test_one_without_a_place_is_connected_by_hand(self, plan: MakePlan) -> None:
        """Where the unit has several outputs, the plan shows the move and the output's rating."""
        made = plan(LOADED)

        assert made.steps[2].wiring.load_at == "standby"
        assert any(
            "the electronic load goes to output standby (12 V DC, 200 mA)" in note
            for note in made.notes
        )

    def test_the_very_load_is_held_to_its_own_range(self, plan: MakePlan) -> None:
        """Of two loads the one that is used must bear what is set."""
        small = ON_STANDBY.replace('current = "1 A"', 'current = "50 mA"')

        [reason] = refusals(plan(LOADED, small))
        assert reason == (
            "The load current of step 3 (load) of 100 mA is beyond the load standby's range of "
            "50 mA."
        )


class TestMistakes:
    @pytest.mark.parametrize(
        ("tables", "told"),
        [
            (
                TWO_METERS.replace("5126", "5026"),
                "'TCPIP0::127.0.0.1::5026::SOCKET' is the address of the meter, too: one",
            ),
            (
                TWO_METERS.replace("TCPIP0::127.0.0.1::5126", "tcpip::127.0.0.1::5025"),
                "is the address of the supply, too",
            ),
            (
                TWO_METERS.replace('at = "standby"\n', ""),
                "one of several says where it is wired",
            ),
            (TWO_METERS.replace("meters.standby", 'meters."a.b"'), "a name has no dot in it"),
        ],
    )
    def test_a_bench_file_says_what_is_where(self, plan: MakePlan, tables: str, told: str) -> None:
        """One address has one role, and one of several has a place."""
        with pytest.raises(FileError, match="bench") as caught:
            plan(BOTH_RAILS, tables)

        assert told in str(caught.value)

    @pytest.mark.parametrize(
        ("key", "told"),
        [
            ('output = "stand-by"', "the unit has no output 'stand-by', did you mean 'standby'?"),
            ('output = "standby"\nmeasure = "supply.power"', "only what the meter reads"),
        ],
    )
    def test_a_check_names_an_output_that_there_is(
        self, plan: MakePlan, key: str, told: str
    ) -> None:
        """And only what the meter reads at an output names one."""
        steps = BOTH_RAILS.replace('output = "standby"', key)
        if "measure" in key:
            steps = steps.replace('measure = "meter.voltage_dc"\noutput', "output")
            steps = steps.replace('"11.8 V"', '"1 W"').replace('"12.2 V"', '"2 W"')

        with pytest.raises(FileError) as caught:
            plan(steps)
        assert told in str(caught.value)
