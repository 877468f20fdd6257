"""A line below its tolerance: the converter takes the same power, and more current."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.unit.assess import assess
from harness.unit.assessment import Severity
from harness.unit.unit_file import UnitFile
from tests.unit.conftest import UnitOf, part, stress

#: What is held against a current, by the part.
STRESSED = {"F1": "steady current", "L1": "steady current", "BR1": "average current"}


def low(unit_of: UnitOf, voltage: str, **changes: Any) -> UnitFile:
    event = {"kind": "ac", "voltage": voltage, "voltage_tolerance": "0 %", "duration": "5 min"}
    return unit_of({"event": event, **changes})


class TestCurrents:
    """I = P / V, textbook; the nameplate's 1.2 A belong to 120 V, and 60 W leave at 85 %."""

    @pytest.mark.parametrize(
        ("voltage", "amperes"), [("90 V", 1.6), ("60 V", 2.4), ("55 V", 2.618), ("20 V", 2.618)]
    )
    def test_the_line_s_rises_until_the_converter_stops(
        self, ac_unit: UnitOf, voltage: str, amperes: float
    ) -> None:
        """At half the voltage it is twice as high; below 55 V, the threshold, nothing works."""
        found = stress(assess(low(ac_unit, voltage)), "F1", "steady current")

        assert found.event == pytest.approx(amperes, abs=1e-3)

    def test_the_stated_need_of_the_converter_goes_first(self, ac_unit: UnitOf) -> None:
        """What needs 90 V of bulk voltage stops at a line of (90 + 1.4) / sqrt 2 = 64.63 V."""
        unit = low(ac_unit, "20 V", **{"service.least_bulk_voltage": "90 V"})

        assert stress(assess(unit), "F1", "steady current").event == pytest.approx(2.228, abs=1e-3)

    def test_a_voltage_that_was_not_measured_is_taken_low(self, ac_unit: UnitOf) -> None:
        """Within its tolerance of 10 % the lower end counts: 80 V may have been 72 V."""
        unit = ac_unit({"event": {"kind": "ac", "voltage": "80 V"}})

        assert stress(assess(unit), "F1", "steady current").event == pytest.approx(2.0, abs=1e-3)

    def test_behind_the_bulk_capacitor(self, ac_unit: UnitOf) -> None:
        """At 60 V: 70.6 W from 83.5 V are 0.846 A; the switch conducts 54.5 % of the time."""
        unit = low(ac_unit, "60 V")

        assert stress(assess(unit), "BR1", "average current").event == pytest.approx(
            0.8458, abs=1e-4
        )
        assert stress(assess(unit), "Q1", "current").event == pytest.approx(1.552, abs=1e-3)

    @pytest.mark.parametrize(
        "event",
        [
            {"kind": "ac", "voltage": "108 V"},
            {"kind": "ac", "voltage": "230 V"},
            {"kind": "dc", "voltage": "60 V"},
            {"kind": "surge", "voltage": "60 V"},
            None,
        ],
    )
    def test_no_other_event_has_one(self, ac_unit: UnitOf, event: dict[str, str] | None) -> None:
        """From the lowest line in service on, and of another kind of event, nothing is said."""
        assessed = assess(ac_unit({"event": event}))

        assert (
            next(s.event for s in part(assessed, "L1").stresses if "steady" in s.quantity) is None
        )
        assert not [text for text in assessed.assumptions if "too low" in text]


class TestVerdicts:
    def test_what_carried_too_much_is_suspect(self, ac_unit: UnitOf) -> None:
        """2.6 A through a choke for 2 A: over-stressed, to be replaced or proved."""
        assessed = assess(low(ac_unit, "40 V"))
        choke = part(assessed, "L1")

        assert choke.severity is Severity.OVER
        assert choke.reason == "steady current 2.62 A at the event, rated 2 A"
        assert part(assessed, "BR1").severity is Severity.WITHIN

    def test_a_small_switch_is_suspect(self, ac_unit: UnitOf) -> None:
        """A switch for 1 A met 1.55 A while it conducted."""
        unit = low(ac_unit, "60 V", **{"parts.Q1.current": "1 A"})

        assert part(assess(unit), "Q1").severity is Severity.OVER

    def test_a_fuse_that_it_opened_is_explained(self, ac_unit: UnitOf) -> None:
        """2.6 A part a link for 1.25 A in time, and the page says that it did as it should."""
        changes = {"parts.F1.current": "1.25 A", "parts.F1.melting_i2t": "25 A2s"}
        unit = low(ac_unit, "40 V", **{**changes, "event.opened": "fuse"})
        remarks = " ".join(part(assess(unit), "F1").remarks)

        assert "by the figures the current that a low line takes parts it after" in remarks

    def test_the_page_says_what_is_taken_for_granted(self, ac_unit: UnitOf) -> None:
        """The assumptions name the current and the voltage it belongs to."""
        [said] = [text for text in assess(low(ac_unit, "40 V")).assumptions if "too low" in text]

        assert "the input current rises to 2.62 A at 55 V" in said

    @given(high_v=st.floats(20.0, 107.0), fall=st.floats(0.2, 1.0))
    @settings(max_examples=40)
    def test_a_lower_line_is_never_milder(
        self, ac_unit: UnitOf, high_v: float, fall: float
    ) -> None:
        """No part carries less at a lower line."""
        higher, lower = (
            assess(low(ac_unit, f"{voltage_v:.6f} V")) for voltage_v in (high_v, high_v * fall)
        )

        for name in STRESSED:
            assert part(lower, name).severity.rank >= part(higher, name).severity.rank
