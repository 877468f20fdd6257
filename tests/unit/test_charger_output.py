from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import Unit

NAMEPLATE = {
    "kind": "charger",
    "range": ["7.2 V", "18 V"],
    "current": "2 A",
    "limit": "2.2 A",
    "wake": "5 V",
    "end_current": "0.2 A",
    "drain": "5 mA",
}


def output(**changes: Any) -> ChargerOutput:
    """Return the output of a nameplate; None takes a key away."""
    said = {key: value for key, value in {**NAMEPLATE, **changes}.items() if value is not None}
    return ChargerOutput.model_validate(said)


class TestChargerOutput:
    def test_what_is_said_counts(self) -> None:
        """What hangs at it must bear the highest voltage that it charges to."""
        found = output()

        assert (found.lowest_v, found.nominal_v, found.wake_v) == (7.2, 18.0, 5.0)
        assert (found.current_a, found.limit_a, found.drain_a) == (2.0, 2.2, 0.005)
        assert found.rating == "charges 7.2 V to 18 V with 2 A"

    def test_it_wakes_at_the_least_battery_where_nothing_is_said(self) -> None:
        """Every battery of the range is found."""
        assert output(wake=None).wake_v == 7.2

    @pytest.mark.parametrize(
        ("changes", "problem"),
        [
            ({"range": ["18 V", "7.2 V"]}, "its least and its highest one"),
            ({"range": ["18 V"]}, "its least and its highest one"),
            ({"wake": "7.3 V"}, "that one would never be found"),
            ({"limit": "1.9 A"}, "less than the charge current of 2 A"),
            ({"end_current": "2 A"}, "2 A is no end: the charge current is 2 A"),
            ({"end_current": None}, "say one of end_current and end_drop"),
            ({"end_drop": "80 mV"}, "say one of end_current and end_drop"),
            ({"end_current": None, "end_drop": "8 V"}, "more than a battery has"),
            ({"nominal": "18 V"}, "Extra inputs are not permitted"),
        ],
    )
    def test_what_no_charger_can_be_is_refused(self, changes: dict[str, Any], problem: str) -> None:
        """A charge has one end, below its current; a battery that is never found is none."""
        with pytest.raises(ValidationError, match=problem):
            output(**changes)

    def test_it_stands_beside_the_others(self) -> None:
        """A unit has outputs of either kind, told apart by it."""
        line = {"kind": "dc", "nominal": "24 V", "tolerance": "10 %", "current": "3 A"}
        fixed = {"kind": "dc", "nominal": "5 V", "current": "1 A"}
        unit = Unit.model_validate(
            {"input": line, "protection_class": "III", "output": {"a": NAMEPLATE, "b": fixed}}
        )

        assert isinstance(unit.output["a"], ChargerOutput)
        assert unit.output["b"].kind == "dc"
        assert unit.output_power_w == 18.0 * 2.0 + 5.0
