"""Invented everyday units, assessed as at the bench; each figure worked out by hand beside it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from harness.unit.assess import assess
from harness.unit.assessment import Adequacy, Assessment, Severity
from harness.unit.reference import reference
from harness.unit.unit_file import UnitFile

from .conftest import part, stress

WITHIN, MARGINAL, OVER, DESTROYED = Severity


def assessed(table: dict[str, Any], **changes: dict[str, Any]) -> Assessment:
    """Assess a unit, with keys of some of its parts changed."""
    parts = [{**part, **changes.get(part["name"], {})} for part in table["parts"]]
    return assess(UnitFile.model_validate({**table, "parts": parts}))


class TestChargerOnTheWrongLine:
    """A 100 V charger in a 230 V socket: nobody timed it, nobody knows the socket."""

    UNIT: dict[str, Any] = {  # noqa: RUF012 - never changed
        "title": "Charger, 100 V AC in, 12 V DC 1.5 A out",
        "serial": "HRW-0101",
        "observed": ["bang", "breaker tripped"],
        "unit": {
            "protection_class": "II",
            "input": {
                "kind": "ac",
                "nominal": "100 V",
                "tolerance": "10 %",
                "frequency": ["50 Hz", "60 Hz"],
                "current": "0.5 A",
            },
            "output": {"main": {"kind": "dc", "nominal": "12 V", "current": "1.5 A"}},
        },
        "event": {"kind": "ac", "voltage": "230 V", "opened": "fuse"},
        "parts": [
            {
                "name": "F1",
                "kind": "fuse",
                "current": "1 A",
                "characteristic": "T",
                "voltage": "250 V",
                "observed": ["open", "soot"],
                "replaced": True,
            },
            {
                "name": "VR1",
                "kind": "varistor",
                "maximum_ac": "130 V",
                "observed": ["burst"],
                "replaced": True,
            },
            {
                "name": "BR1",
                "kind": "bridge",
                "reverse_voltage": "600 V",
                "current": "1 A",
                "surge_current": "30 A",
            },
            {
                "name": "C1",
                "kind": "bulk-capacitor",
                "capacitance": "47 uF",
                "voltage": "200 V",
                "replaced": True,
            },
            {
                "name": "Q1",
                "kind": "switch",
                "voltage": "600 V",
                "reflected_voltage": "100 V",
                "observed": ["shorted"],
                "replaced": True,
            },
            {"name": "D5", "kind": "output-diode", "reverse_voltage": "60 V", "current": "5 A"},
        ],
    }

    def test_the_fuse(self) -> None:
        """15 A2s (1 A, T, L) go in 15 / 1500^2 s = 6.7 us at most, 15 / 80^2 s = 2.3 ms at least.

        1500 A are far more than the 35 A of letter L: it may have burst.
        """
        fuse = part(assessed(self.UNIT), "F1")

        assert "a short in Q1 parts it after 6.7 us to 2.3 ms" in " ".join(fuse.remarks)
        assert "It may have had to break more than it is rated for" in " ".join(fuse.remarks)

    def test_the_bridge_is_told_by_the_fault_not_by_an_inrush_it_stood_for_years(self) -> None:
        """330 A of inrush by the line's 0.472 ohm alone would be past 30 A in service as well.

        So a limiter is not named, and inrush is no evidence. The fault is: twice 15 A2s through
        diodes that bear 30^2 x 10 ms / 2 = 4.5 A2s.
        """
        found = assessed(self.UNIT)
        bridge = part(found, "BR1")

        assert bridge.severity is DESTROYED
        assert bridge.worst.quantity == "fault integral"
        assert bridge.worst.rating == pytest.approx(4.5)
        assert bridge.worst.event == pytest.approx(2 * 15, rel=0.01)
        assert all(row.quantity != "surge current" for row in bridge.stresses)
        assert any("Name the limiter" in remark for remark in bridge.remarks)
        assert found.open_points == (
            "BR1: destroyed likely, and not replaced: settle it by its cold check.",
        )

    def test_with_its_limiter_inrush_is_judged(self) -> None:
        """Behind 10 ohm sqrt(2) 110 / 10.472 = 14.9 A flow in service, 34.2 A at the event."""
        limiter = {
            "name": "NTC1",
            "kind": "inrush-limiter",
            "resistance": "10 ohm",
            "current": "1 A",
        }
        found = assessed({**self.UNIT, "parts": [limiter, *self.UNIT["parts"]]})
        surge = stress(found, "BR1", "surge current")

        assert surge.service == pytest.approx(math.sqrt(2) * 110 / 10.472)
        assert surge.event == pytest.approx(math.sqrt(2) * 253 / 10.472)

    def test_a_like_fuse_does_not_open_at_an_inrush_the_old_one_stood(self) -> None:
        """155.6^2 x 470 uF / (2 x 0.472) = 12 A2s melt no fuse of 10 A2s that stood for years."""
        found = assessed(
            self.UNIT,
            F1={"melting_i2t": "10 A2s"},
            C1={"capacitance": "470 uF"},
        )
        [fuse] = [one for one in found.replacements if one.name == "F1"]
        [melting] = [one for one in fuse.findings if one.item == "melting integral"]

        inrush_a2s = 2 * 110**2 * 470e-6 / (2 * 0.472)
        assert inrush_a2s == pytest.approx(12.05, abs=0.01)
        assert melting.adequacy is Adequacy.EQUIVALENT

    @pytest.mark.parametrize(
        ("threshold", "adequacy"), [(None, Adequacy.NOTE), ("50 V", Adequacy.UNACCEPTABLE)]
    )
    def test_a_small_capacitor_that_is_the_printed_one(
        self, threshold: str | None, adequacy: Adequacy
    ) -> None:
        """Only a need that is stated refuses the printed value: 27 uF for 18 W, from 90 V, 50 Hz.

        Less 20 %, stepped through the ideal circuit in microseconds, it falls to 59.8 V.
        """
        line = {**self.UNIT["unit"]["input"]}
        if threshold is not None:
            line["start_threshold"] = threshold
        unit = {**self.UNIT, "unit": {**self.UNIT["unit"], "input": line}}
        found = assessed(unit, C1={"capacitance": "27 uF"})
        [bulk] = [one for one in found.replacements if one.name == "C1"]

        assert bulk.adequacy is adequacy
        assert "falls to 59.8 V between peaks; the converter needs 70.7 V" in (
            bulk.findings[0].reason
        )

    def test_a_varistor_of_the_other_line_is_no_replacement(self) -> None:
        """One of the 275 V class bears the line, and clamps at 710 V: too late for 600 V diodes."""
        found = assessed(self.UNIT, VR1={"fitted": {"maximum_ac": "275 V"}})

        assert found.not_acceptable == ("VR1",)

    def test_the_output_diode(self) -> None:
        """12 V and 356.4 V x 12 / 100 behind the transformer are 54.8 V of 60 V: marginal."""
        diode = part(assessed(self.UNIT), "D5")

        peak_v = math.sqrt(2) * 253 - 1.4
        assert diode.worst.event == pytest.approx(12 + peak_v * 12 / 100)
        assert diode.severity is MARGINAL


class TestBoardTheWrongWayRound:
    """A 24 V board on a battery with its polarity reversed; nothing in it blocks that."""

    UNIT: dict[str, Any] = {  # noqa: RUF012 - never changed
        "title": "Dew heater board, 24 V DC in, 12 V DC 3 A out",
        "serial": "HRW-0102",
        "unit": {
            "protection_class": "III",
            "input": {"kind": "dc", "nominal": "24 V", "tolerance": "15 %", "current": "2 A"},
            "output": {"main": {"kind": "dc", "nominal": "12 V", "current": "3 A"}},
        },
        "event": {"kind": "dc", "voltage": "24 V", "polarity_reversed": True},
        "parts": [
            {
                "name": "F1",
                "kind": "fuse",
                "current": "3.15 A",
                "characteristic": "F",
                "voltage": "125 V",
                "observed": ["open"],
                "replaced": True,
            },
            {
                "name": "C1",
                "kind": "bulk-capacitor",
                "capacitance": "1000 uF",
                "voltage": "35 V",
                "replaced": True,
            },
            {"name": "Q1", "kind": "switch", "voltage": "60 V"},
            {"name": "D2", "kind": "output-diode", "reverse_voltage": "60 V", "current": "5 A"},
        ],
    }

    def test_the_path_through_the_converter_is_suspect(self) -> None:
        """Switch and free-wheeling diode in series conduct: two drops, and then only the fuse."""
        found = assessed(self.UNIT)

        for name in ("Q1", "D2"):
            assert part(found, name).severity is OVER
            assert part(found, name).reason == "conducted backwards"
        assert found.left_in_place == ("D2", "Q1")

    def test_behind_a_transformer_the_output_diode_is_spared(self) -> None:
        """With a transformer only the primary side carries it."""
        found = assessed(self.UNIT, Q1={"reflected_voltage": "30 V"})

        assert part(found, "Q1").severity is OVER
        assert part(found, "D2").severity is WITHIN

    @pytest.mark.parametrize("place", ["series", "across"])
    def test_a_diode_at_the_input_spares_both(self, place: str) -> None:
        """Blocked, or held to one diode's drop, nothing flows through two."""
        diode = {
            "name": "D1",
            "kind": "diode",
            "place": place,
            "reverse_voltage": "60 V",
            "current": "5 A",
        }
        found = assessed({**self.UNIT, "parts": [diode, *self.UNIT["parts"]]})

        assert part(found, "Q1").severity is WITHIN
        assert part(found, "D2").severity is WITHIN

    def test_a_fuse_that_was_found_open_opened(self) -> None:
        """What was seen on the fuse tells what opened; nobody has to say it twice."""
        found = assessed(self.UNIT)
        remarks = " ".join(part(found, "F1").remarks)

        assert "the unit's fuse opened" in found.story
        assert "It opened as it should: by the figures the current through Q1" in remarks
        assert "If it is whole" not in remarks

    def test_when_the_fuse_opens(self) -> None:
        """0.7 x 3.15^2 = 6.9 A2s: 6.9 us at 1000 A; 79 ms at 10 A with heat given off.

        t = -tau ln(1 - 6.9 / (10^2 tau)), tau = 6.9 / (1.55 x 3.15)^2 = 0.291 s.
        """
        melting_a2s = 0.7 * 3.15**2
        tau_s = melting_a2s / (1.55 * 3.15) ** 2
        latest_s = -tau_s * math.log(1 - melting_a2s / (100 * tau_s))

        assert latest_s == pytest.approx(79.3e-3, abs=1e-4)
        assert "after 6.9 us to 79 ms" in " ".join(part(assessed(self.UNIT), "F1").remarks)


class TestSupplyThatMetASurge:
    """A class I supply on 230 V, with lightning nearby: 2 kV, taken as 2.2 kV."""

    UNIT: dict[str, Any] = {  # noqa: RUF012 - never changed
        "title": "Spectrograph supply, 230 V AC in, 24 V DC 5 A out",
        "serial": "HRW-0103",
        "unit": {
            "protection_class": "I",
            "input": {
                "kind": "ac",
                "nominal": "230 V",
                "tolerance": "10 %",
                "frequency": ["50 Hz"],
                "current": "1.5 A",
            },
            "output": {"main": {"kind": "dc", "nominal": "24 V", "current": "5 A"}},
        },
        "event": {"kind": "surge", "voltage": "2 kV"},
        "parts": [
            {
                "name": "F1",
                "kind": "fuse",
                "current": "3.15 A",
                "characteristic": "T",
                "breaking": "H",
                "voltage": "250 V",
            },
            {
                "name": "VR1",
                "kind": "varistor",
                "maximum_ac": "275 V",
                "surge_current": "4500 A",
                "energy": "75 J",
            },
            {
                "name": "CX1",
                "kind": "x-capacitor",
                "capacitance": "330 nF",
                "voltage": "275 V",
                "class": "X2",
                "bleeder": "470 kohm",
            },
            {
                "name": "CY1",
                "kind": "y-capacitor",
                "capacitance": "2.2 nF",
                "voltage": "250 V",
                "class": "Y2",
            },
            {
                "name": "BR1",
                "kind": "bridge",
                "reverse_voltage": "600 V",
                "current": "4 A",
                "surge_current": "150 A",
            },
            {"name": "C1", "kind": "bulk-capacitor", "capacitance": "100 uF", "voltage": "400 V"},
            {"name": "Q1", "kind": "switch", "voltage": "800 V", "reflected_voltage": "110 V"},
        ],
    }

    def without(self, *names: str) -> Assessment:
        """Assess it with some parts left out of the file."""
        parts = [part for part in self.UNIT["parts"] if part["name"] not in names]
        return assessed({**self.UNIT, "parts": parts})

    def test_the_wave(self) -> None:
        """Charge and heat of k t^3 exp(-t / 3.911 us), the 8/20 us wave, over its crest.

        The equation of IEEE C62.45 and of textbooks; integrated in steps of 1 ns.
        """
        time_s = np.arange(0.0, 200e-6, 1e-9)
        wave = time_s**3 * np.exp(-time_s / 3.911e-6)
        wave /= wave.max()
        surge = reference().stress.surge

        assert wave.sum() * 1e-9 == pytest.approx(surge.charge_s, rel=0.01)
        assert (wave**2).sum() * 1e-9 == pytest.approx(surge.heat_s, rel=0.01)

    def test_the_varistor(self) -> None:
        """Where (2200 - V) / 2 = 1 mA (V / 430)^30: 675 V, 762 A; with them 9.0 J: far within."""
        found = assessed(self.UNIT)
        current = stress(found, "VR1", "current").event
        assert current is not None

        assert 1e-3 * ((2200 - 2 * current) / 430) ** 30 == pytest.approx(current)
        assert current == pytest.approx(762.4, abs=0.5)
        assert stress(found, "VR1", "energy").event == pytest.approx(9.0, abs=0.05)
        assert part(found, "VR1").severity is WITHIN

    def test_the_bulk_capacitor(self) -> None:
        """Over 356.4 V (2200 - 356.4) V / 2 ohm x 17.5 us / 100 uF more: 517.7 V of 400 V."""
        found = assessed(self.UNIT)
        before_v = math.sqrt(2) * 253 - 1.4

        after_v = before_v + (2200 - before_v) / 2 * 17.5e-6 / 100e-6
        assert stress(found, "C1", "rated voltage").event == pytest.approx(after_v)
        assert part(found, "C1").severity is OVER
        assert stress(found, "Q1", "blocking voltage").event == pytest.approx(after_v + 110)

    def test_no_more_than_the_varistor_lets_stand(self) -> None:
        """Into 10 uF the same charge would be 1970 V; 675 V is what the varistor leaves."""
        found = assessed(self.UNIT, C1={"capacitance": "10 uF"})

        assert stress(found, "C1", "rated voltage").event == pytest.approx(675, abs=1)

    def test_x_is_clamped_and_y_is_not(self) -> None:
        """To earth nothing clamps: 2.2 kV on Y2 (5 kV), 675 V on X2 (2.5 kV; IEC 60384-14)."""
        found = assessed(self.UNIT)
        assert stress(found, "CX1", "class impulse").event == pytest.approx(675, abs=1)
        assert stress(found, "CY1", "class impulse").event == pytest.approx(2200)
        assert stress(self.without("VR1"), "CX1", "class impulse").event == pytest.approx(2200)

    def test_a_microsecond_is_held_against_no_lasting_rating(self) -> None:
        """Rated voltages of fuse, X and Y capacitors are for what lasts."""
        found = assessed(self.UNIT)

        for name in ("F1", "CX1", "CY1"):
            assert stress(found, name, "rated voltage").event is None
            assert part(found, name).severity is WITHIN

    def test_heat_in_fuse_and_bridge(self) -> None:
        """762 A: 7.1 A2s of 50; 922 A into the bridge: 10.4 A2s of 150^2 x 10 ms / 2 = 112."""
        found = assessed(self.UNIT)

        assert stress(found, "F1", "melting integral").event == pytest.approx(7.09, abs=0.02)
        assert stress(found, "BR1", "fault integral").event == pytest.approx(10.37, abs=0.02)

    def test_what_it_left_shorted_is_fed_by_the_line(self) -> None:
        """A shorted switch is fed by 230 V, not by the surge: 1500 A at most (letter H)."""
        found = assessed(self.UNIT, Q1={"observed": ["shorted"]})

        assert stress(found, "F1", "breaking capacity").event == pytest.approx(1500.0)
        assert "a short in Q1 parts it" in " ".join(part(found, "F1").remarks)

    def test_it_is_told(self) -> None:
        """The story names a surge, the assumptions its wave; there is no duration to wonder at."""
        found = assessed(self.UNIT)

        assert found.story.startswith("2 kV surge (within 10 %) on a 230 V AC unit; what opened")
        told = " ".join(found.assumptions)
        assert "8/20 us behind 2 ohm between the lines" in told
        assert "How long" not in told
