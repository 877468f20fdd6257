from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from harness.errors import FileError
from harness.profile.expand import make_plan
from harness.profile.load import load_profile

if TYPE_CHECKING:
    from collections.abc import Callable

    Written = Callable[[str], str]

UNIVERSAL = """\
title = "Instrument supply"

[unit]
input = { kind = "ac", nominal = "100 V to 240 V", tolerance = "10 %", \
frequency = ["50 Hz", "60 Hz"], current = "2.6 A", bulk_capacitance = "150 uF", \
idle_power = "5 W", start_threshold = "80 V", boosted_voltage = "390 V" }
protection_class = "I"

[envelope]
voltage = "264 V"
current = "3.2 A"
power = "300 W"

[[steps]]
kind = "start"
levels = ["10 %", "50 %", "90 %", "100 %"]
current_limit = "1.2 A"
dwell = "1 s"

[[steps]]
kind = "nominal"
dwell = "1 s"

[[steps]]
kind = "line"
title = "low line"
voltages = ["90 %"]
frequencies = ["50 Hz"]
dwell = "1 s"

[[steps]]
kind = "nominal"
nominal = "240 V"
dwell = "1 s"

[[steps]]
kind = "line"
title = "high line"
voltages = ["110 %"]
dwell = "1 s"
"""


class TestNominalRange:
    """Shares are of the one of a nominal range that the step, or one before it, states."""

    def test_both_ends_are_reached(self, written: Written) -> None:
        """Levels and corners are at both ends of the range."""
        plan = make_plan(load_profile(written(UNIVERSAL)))
        volts = [[level.voltage_v for level in step.levels] for step in plan.steps]
        assert volts == [[10.0, 50.0, 90.0, 100.0], [100.0], [90.0], [240.0], [264.0, 264.0]]

    def test_the_way_up_to_the_other_end_is_watched_like_a_start(self, written: Written) -> None:
        """A nominal step at a higher voltage has an allowance of its own."""
        (level,) = make_plan(load_profile(written(UNIVERSAL))).steps[3].levels
        assert level.budget is not None
        assert (level.budget.from_v, level.budget.to_v) == (100.0, 240.0)

    def test_the_boost_stage_is_told_where_it_begins(self, written: Written) -> None:
        """The plan says at which level it takes its energy, and how much."""
        notes = " ".join(make_plan(load_profile(written(UNIVERSAL))).notes)
        assert "Step 1 (start), 90 %: the boost stage lifts the bulk capacitor to 390 V" in notes
        assert "10.2 J in one go" in notes

    def test_an_end_that_is_never_held_is_told(self, written: Written) -> None:
        """The plan says which end the unit is not shown to work at."""
        text = UNIVERSAL.replace('nominal = "240 V"\n', "")
        notes = " ".join(make_plan(load_profile(written(text))).notes)
        assert "No step holds 240 V" in notes
        assert "No step holds 100 V" not in notes

    @pytest.mark.parametrize(
        ("wrong", "words"),
        [
            ('nominal = "250 V"', "250 V is outside the nameplate's 100 V to 240 V"),
            ('nominal = "90 V"', "90 V is outside the nameplate's 100 V to 240 V"),
            ('nominal = "100 V"\ntitle = "back"', ""),
        ],
    )
    def test_a_step_stays_in_the_range(self, written: Written, wrong: str, words: str) -> None:
        """What a step states lies between the ends, and may come back to the lower one."""
        text = UNIVERSAL.replace('nominal = "240 V"', wrong)
        if not words:
            assert load_profile(written(text))
            return
        with pytest.raises(FileError, match=words):
            load_profile(written(text))

    def test_a_corner_below_the_threshold_goes_by_the_step_before(self, written: Written) -> None:
        """The same share may be below the threshold at one end and not at the other."""
        text = UNIVERSAL.replace('["90 %"]', '["70 %"]')
        with pytest.raises(FileError, match="70 % is 70 V, below the unit's start_threshold"):
            load_profile(written(text))
        load_profile(written(UNIVERSAL.replace('["110 %"]', '["70 %"]')))  # of 240 V

    def test_the_boosted_voltage_is_cautioned_of(self, written: Written) -> None:
        """The cautions say what stands on the bulk capacitor, on any line."""
        said = " ".join(make_plan(load_profile(written(UNIVERSAL))).cautions)
        assert "390 V DC on the bulk capacitor as soon as it runs, on the lowest line" in said
        assert "up to 390 V and 11 J" in said

    def test_a_discharge_says_where_it_begins(self, written: Written) -> None:
        """The meter goes across the boosted voltage: the plan says so before."""
        step = (
            '\n[[steps]]\nkind = "discharge"\nacross = "bulk"\nbelow = "60 V"\nwithin = "1 min"\n'
        )
        notes = " ".join(make_plan(load_profile(written(UNIVERSAL + step))).notes)
        assert "the bulk capacitor begins at 390 V, which the boost stage holds it at" in notes
