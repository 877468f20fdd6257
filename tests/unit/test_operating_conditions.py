"""What is not known of an event or a supply is taken at its worse end."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from harness.unit.assess import assess
from harness.unit.assessment import Adequacy, Severity
from harness.unit.formulas import melting_time_s
from harness.unit.operating_conditions import operating_conditions
from harness.unit.unit_file import UnitFile

from .conftest import part, stress

UnitOf = Callable[[dict[str, Any]], UnitFile]

#: A 230 V unit on a 230 V line, with the tolerance of IEC 60038.
ON_230_V = {
    "unit.input.nominal": "230 V",
    "unit.input.start_threshold": "100 V",
    "event": None,
    "parts.C1.voltage": "400 V",
    "parts.VR1.maximum_ac": "275 V",
    "parts.CX1.voltage": "250 V",
    "parts.Q1.voltage": "800 V",
    "parts.D5.reverse_voltage": "300 V",
}


class TestEventVoltage:
    def test_a_voltage_nobody_measured_has_the_tolerance_of_a_supply(self, ac_unit: UnitOf) -> None:
        """230 V is taken as 253 V, +10 % by EN 50160 and IEC 60038: the peak is 357.80 V."""
        found = assess(ac_unit({"event.voltage_tolerance": None}))

        row = stress(found, "C1", "rated voltage")
        assert row.event == pytest.approx(357.80 - 1.4, abs=0.01)
        assert (
            "The event's voltage is 230 V within 10 % (not measured: tolerance of a supply, EN "
            "50160 and IEC 60038); each part is held against the worse end, 253 V."
            in found.assumptions
        )
        assert found.story.startswith("230 V AC (within 10 %) on a 120 V AC unit for 5 s")

    @pytest.mark.parametrize(
        ("told", "tolerance", "worse_v"), [("1 %", "1 %", 232.3), ("20 %", "20 %", 276.0)]
    )
    def test_the_file_can_say_how_exactly_it_is_known(
        self, ac_unit: UnitOf, told: str, tolerance: str, worse_v: float
    ) -> None:
        """A stated tolerance counts, and is told as the file's."""
        found = assess(ac_unit({"event.voltage_tolerance": told}))

        row = stress(found, "C1", "rated voltage")
        assert row.event == pytest.approx(math.sqrt(2) * worse_v - 1.4)
        assert f"230 V within {tolerance} (as the unit file says)" in " ".join(found.assumptions)

    def test_a_measured_voltage_needs_no_word(self, ac_unit: UnitOf) -> None:
        """A tolerance of zero means that it was measured."""
        assert not any("worse end" in told for told in assess(ac_unit({})).assumptions)


class TestDuration:
    def test_a_time_nobody_took_is_long(self, ac_unit: UnitOf) -> None:
        """Without a duration nothing is excused by a short time: no surge voltage, for one.

        Surge voltage of an aluminium electrolytic: 30 s at a time, IEC 60384-4 (from memory).
        """
        found = assess(ac_unit({"parts.C1.voltage": "300 V", "event.duration": None}))

        assert part(found, "C1").severity is Severity.OVER
        assert "How long the event lasted is not known: it is taken as long, 3600 s." in (
            found.assumptions
        )


class TestProspectiveCurrent:
    UNKNOWN = {"event.prospective_current": None}  # noqa: RUF012 - never changed

    def test_high_for_what_a_fuse_breaks(self, ac_unit: UnitOf) -> None:
        """At the event up to 1500 A (letter H of IEC 60127-2) may flow into a short at the line.

        Behind 5.6 ohm of limiter and choke Ohm's law leaves 230 V / (0.153 + 5.6) ohm = 39.98 A.
        """
        found = assess(ac_unit(self.UNKNOWN))
        behind = assess(ac_unit({**self.UNKNOWN, "parts.VR1.energy": "1 MJ"}))

        assert stress(found, "F1", "breaking capacity").event == pytest.approx(1500.0)
        assert stress(behind, "F1", "breaking capacity").event == pytest.approx(39.98, abs=0.01)
        told = " ".join(found.assumptions)
        assert "taken high, 1.5 kA, for what a fuse has to break, and low, 80 A" in told

    def test_low_for_when_it_opens(self, ac_unit: UnitOf) -> None:
        """With 80 A, five times a 16 A type B breaker (IEC 60898-1), it opens at the latest.

        Into a short behind 5.6 ohm: 230 / (230 / 80 + 5.6) = 27.14 A; 60 A2s over its square are
        81 ms, and some for the heat given off. With 1500 A 39.98 A flow: 38 ms.
        """
        unit = ac_unit({**self.UNKNOWN, "parts.VR1.energy": "1 MJ"})
        remarks = " ".join(part(assess(unit), "F1").remarks)

        assert "a short in C1 parts it after 38 ms to 82 ms" in remarks

    @pytest.mark.parametrize(
        ("breaking", "adequacy"), [("H", Adequacy.EQUIVALENT), ("L", Adequacy.UNACCEPTABLE)]
    )
    def test_the_finding_says_so(self, ac_unit: UnitOf, breaking: str, adequacy: Adequacy) -> None:
        """In service as well: L breaks 35 A, and what the supply gives is not stated."""
        printed = {"kind": "fuse", "current": "2 A", "characteristic": "T", "voltage": "250 V"}
        fitted = {"current": "2 A", "characteristic": "T", "voltage": "250 V", "breaking": breaking}
        changes = {
            "service.prospective_current": None,
            "parts.F1": {**printed, "breaking": "H", "fitted": fitted},
        }
        [found] = assess(ac_unit(changes)).replacements
        finding = next(one for one in found.findings if one.item == "breaking capacity")

        assert finding.adequacy is adequacy
        if adequacy is Adequacy.UNACCEPTABLE:
            assert finding.reason == (
                "the supply in service can give 1.5 kA (not stated: taken high): a short could "
                "burst it"
            )

    def test_a_slow_link_on_a_weak_supply(self, dc_unit: UnitOf) -> None:
        """A link that a short does not open is said so: 10 A never part one of 8 A (1.55 In)."""
        fitted = {"current": "8 A", "characteristic": "T", "voltage": "125 V"}
        changes = {
            "parts.F1": {"kind": "fuse", **fitted, "fitted": fitted},
            "service.prospective_current": None,
        }
        [found] = assess(dc_unit(changes)).replacements
        finding = next(one for one in found.findings if one.item == "opens on a short")

        assert finding.adequacy is Adequacy.NOTE
        assert finding.reason == (
            "with 10 A (prospective current not stated: taken low) a short does not open it"
        )


class TestLetThrough:
    @pytest.mark.parametrize("current_a", [4.0, 10.0, 100.0])
    def test_a_low_current_lets_more_through(self, ac_unit: UnitOf, current_a: float) -> None:
        """What flows until the link melts, stepped through the heat equation, plus as much again.

        dH/dt = i^2 - H/tau up to 60 A2s, tau = 60 / (1.55 x 2)^2 s: first-order heating, textbook.
        """
        conditions = operating_conditions(ac_unit({}))
        melting_a2s, tau_s, step_s = 60.0, 60.0 / 3.1**2, 1e-6 if current_a > 50 else 1e-4
        heat_a2s = time_s = 0.0
        while heat_a2s < melting_a2s:
            heat_a2s += step_s * (current_a**2 - heat_a2s / tau_s)
            time_s += step_s

        assert conditions.let_through_a2s([current_a], math.inf) == pytest.approx(
            current_a**2 * time_s + melting_a2s, rel=2e-3
        )
        assert melting_time_s(current_a, melting_a2s, tau_s) == pytest.approx(time_s, rel=2e-3)

    def test_a_current_that_never_opens_it_flows_all_the_time(self, ac_unit: UnitOf) -> None:
        """3 A, below 1.55 times 2 A, for 100 s: 900 A2s."""
        conditions = operating_conditions(ac_unit({}))

        assert conditions.let_through_a2s([3.0], 100.0) == pytest.approx(900.0)


class TestRatedAgainstNominal:
    @pytest.mark.parametrize("name", ["F1", "CX1", "CY1"])
    def test_250_v_is_right_for_a_230_v_line(self, ac_unit: UnitOf, name: str) -> None:
        """Fuse links (IEC 60127-1), X and Y capacitors (IEC 60384-14) are rated for nominal lines.

        The tolerance of the line, 253 V, is in the rating. From memory.
        """
        found = assess(ac_unit({**ON_230_V, f"parts.{name}.replaced": True}))
        [replacement] = found.replacements

        assert part(found, name).severity is Severity.WITHIN
        assert stress(found, name, "rated voltage").service == pytest.approx(230.0)
        assert replacement.adequacy is Adequacy.EQUIVALENT
        assert found.open_points == ()

    @pytest.mark.parametrize("name", ["F1", "CX1", "CY1"])
    def test_a_rating_below_nominal_is_not(self, ac_unit: UnitOf, name: str) -> None:
        """200 V on a 230 V line is over-stressed in service, and no replacement."""
        changes = {f"parts.{name}.voltage": "200 V", f"parts.{name}.replaced": True}
        found = assess(ac_unit({**ON_230_V, **changes}))

        assert part(found, name).severity is Severity.OVER
        assert found.not_acceptable == (name,)

    def test_y4_is_for_lines_below_150_v(self, ac_unit: UnitOf) -> None:
        """Y4 stands on 140 V nominal, whose tolerance reaches 154 V (IEC 60384-14, from memory)."""
        changes = {
            "unit.input.nominal": "140 V",
            "parts.CY1": {
                "kind": "y-capacitor",
                "capacitance": "1 nF",
                "voltage": "150 V",
                "class": "Y4",
                "replaced": True,
            },
        }
        [found] = assess(ac_unit(changes)).replacements

        assert found.adequacy is Adequacy.EQUIVALENT
