"""Several outputs: what a profile may ask of them at once, sign, order, and what a bench needs."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from harness.api import plan_for, simulated_bench_file
from harness.errors import FileError
from harness.profile.load import load_bench, load_profile
from harness.profile.preflight import preflight
from tests.units import RAILS

LOAD = """
[[steps]]
kind = "load"
currents = ["0 A", "2 A"]
others = { standby = "1 A", minus = "0.2 A" }
dwell = "0.5 s"

[[steps.checks]]
name = "cross"
measure = "cross_regulation"
output = "minus"
high = "6 %"
"""
RISE = """
[[steps]]
kind = "nominal"
enable = true
dwell = "0.5 s"

[[steps.checks]]
name = "order"
measure = "rise_delay"
output = "main"
after = "standby"
low = "0 s"

[[steps.checks]]
name = "minus"
measure = "meter.voltage_dc"
output = "minus"
low = "-12.6 V"
high = "-11.4 V"
"""


def profile(folder: Path, text: str) -> Path:
    path = folder / "rails.toml"
    path.write_text(text, encoding="utf-8")
    return path


class TestRefused:
    @pytest.mark.parametrize(
        ("was", "wrong", "problem"),
        [
            ('standby = "1 A", ', 'standby = "1.1 A", ', "more than the nominal 1 A of output"),
            ('standby = "1 A", ', 'aux = "1 A", ', "the unit has no output 'aux'"),
            ('standby = "1 A", ', 'main = "1 A", ', "the output that the step itself loads"),
            ('standby = "1 A", ', 'power_good = "1 mA", ', "nothing loads it here"),
            ('"60 W"', '"55 W"', "55.4 W are drawn at once, more than the 55 W that all outputs"),
            ('output = "minus"\nhigh = "6', 'high = "6', "change of another output than 'main'"),
            ('output = "minus"\nhigh = "6', 'output = "main"\nhigh = "6', "change of another"),
            ('["0 A", "2 A"]', '["2 A"]', "compares load points: the step needs two"),
            (
                '"-12.6 V"\nhigh = "-11.4 V"',
                '"11.4 V"\nhigh = "12.6 V"',
                "its limits are below zero",
            ),
            ("enable = true\n", "", "the outputs are up already"),
            ('after = "standby"\n', "", "this key is missing"),
            ('after = "standby"', 'after = "main"', "does not come up after itself"),
            (
                'output = "minus"\nlow',
                'output = "minus"\nafter = "main"\nlow',
                "waits for no other",
            ),
            (
                'measure = "cross_regulation"\noutput = "minus"',
                'measure = "load_regulation"\noutput = "minus"',
                "only what the meter reads at an output names one",
            ),
        ],
    )
    def test_a_profile_that_asks_for_what_cannot_be(
        self, tmp_path: Path, was: str, wrong: str, problem: str
    ) -> None:
        """Told with its line before any instrument is opened."""
        text = RAILS + RISE + LOAD
        assert was in text

        with pytest.raises(FileError, match=problem):
            load_profile(profile(tmp_path, text.replace(was, wrong)))

    @pytest.mark.parametrize(
        ("key", "what"),
        [
            ('polarity = "negative"', "a negative output"),
            ("standby = true", "a standby output"),
        ],
    )
    def test_the_first_output_is_the_main_one(self, tmp_path: Path, key: str, what: str) -> None:
        """Another one is named behind it."""
        text = RAILS.replace("[unit.output.main]", f"[unit.output.main]\n{key}")

        with pytest.raises(FileError, match=f"'main' is {what}"):
            load_profile(profile(tmp_path, text))

    def test_an_overload_of_one_output_is_there_on_purpose(self, tmp_path: Path) -> None:
        """It passes the total, too."""
        text = RAILS + LOAD.replace(
            'currents = ["0 A", "2 A"]', 'currents = ["0 A", "2.5 A"]\noverload = true'
        ).replace('standby = "1 A", minus = "0.2 A"', 'standby = "1 A"')
        text = text.replace('current = "2 A"', 'current = "2 A"\nlimit = "3 A"')

        assert load_profile(profile(tmp_path, text)).steps[-1].kind == "load"


class TestPreflight:
    def test_what_is_loaded_beside_needs_a_load_of_its_own(self, tmp_path: Path) -> None:
        """One load cannot draw from two outputs at once: refused before any is opened."""
        plan = plan_for(
            load_profile(profile(tmp_path, RAILS + RISE + LOAD)), load_bench("bench-simulated-ac")
        )

        reasons = preflight(plan, today=dt.date(2026, 11, 27)).reasons
        assert reasons == tuple(
            f"Step 3 (load) needs an electronic load, and none of this bench is at output {name}: "
            "the load is moved by hand."
            for name in ("standby", "minus")
        )

    def test_a_load_that_does_not_bear_it_is_refused(self, tmp_path: Path) -> None:
        """The range of the very load that hangs at the output counts."""
        read = load_profile(profile(tmp_path, RAILS + RISE + LOAD))
        bench = simulated_bench_file(read)
        small = bench.loads["standby"].range.model_copy(update={"current_a": 0.5})
        loads = bench.loads | {
            "standby": bench.loads["standby"].model_copy(update={"range": small})
        }
        plan = plan_for(read, bench.model_copy(update={"loads": loads}))

        [reason] = preflight(plan, today=dt.date(2026, 11, 27)).reasons
        assert reason.endswith("of 1 A is beyond the load standby's range of 500 mA.")


class TestPlan:
    def test_it_says_how_a_negative_output_is_loaded(self, tmp_path: Path) -> None:
        """Which terminal goes where, and what is drawn beside."""
        read = load_profile(profile(tmp_path, RAILS + RISE + LOAD))
        notes = " ".join(plan_for(read, simulated_bench_file(read)).notes)

        assert "Output minus is negative (-12 V DC, 300 mA): the plus terminal of its load" in notes
        assert "Step 3 (load) loads other outputs meanwhile: standby 1 A, minus 200 mA." in notes

    def test_with_one_meter_the_order_cannot_be_seen(self, tmp_path: Path) -> None:
        """The check falls away, and is an open point with its reason."""
        read = load_profile(profile(tmp_path, RAILS + RISE))
        plan = plan_for(read, load_bench("bench-simulated-ac"))

        told = " ".join(point.text for point in plan.open_points)
        assert "Check 'order' of step 2 (nominal) proves nothing: the meter stands at the" in told
        assert not plan_for(read, simulated_bench_file(read)).steps[1].dropped
