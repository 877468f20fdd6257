"""Sums over X and Y capacitors, series resistance, ripple current, too little capacitance."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from harness.unit.assess import assess
from harness.unit.assessment import Adequacy, Finding, Replacement
from harness.unit.unit_file import UnitFile

from .conftest import AC_UNIT, part

UnitOf = Callable[[dict[str, Any]], UnitFile]

UNACCEPTABLE, NOTE, EQUIVALENT, BETTER = Adequacy

X2: dict[str, Any] = {"kind": "x-capacitor", "voltage": "275 V", "class": "X2"}
Y2: dict[str, Any] = {"kind": "y-capacitor", "voltage": "250 V", "class": "Y2"}

#: Nothing happened, so that only the replacement speaks; 230 V, 50 and 60 Hz, class I.
CLASS_I: dict[str, Any] = {
    "event": None,
    "unit.protection_class": "I",
    "unit.input.nominal": "230 V",
    "unit.input.frequency": ["50 Hz", "60 Hz"],
}


def judged(found: Replacement, item: str) -> Finding:
    return next(one for one in found.findings if one.item == item)


def replaced(unit: UnitFile, name: str) -> Replacement:
    return next(one for one in assess(unit).replacements if one.name == name)


class TestXCapacitorsOnTheirBleeder:
    """Voltage at the pins: sqrt(2) V exp(-t / RC), 34 V after 1 s at most, IEC 60335-1, 22.5."""

    LINE: dict[str, Any] = {  # noqa: RUF012 - never changed
        "event": None,
        "unit.input.nominal": "100 V",
        "unit.input.tolerance": "1 %",
        "parts.CX1": {**X2, "capacitance": "470 nF", "bleeder": "1 Mohm"},
    }

    def test_one_alone_is_within(self, ac_unit: UnitOf) -> None:
        """0.47 uF on 1 Mohm at 101 V hold 17.0 V after a second (tau 0.47 s)."""
        changes = {"parts.CX1.replaced": True}
        found = judged(replaced(ac_unit({**self.LINE, **changes}), "CX1"), "plug pins after 1 s")

        assert found.adequacy is EQUIVALENT
        assert found.fitted == "17 V"

    def test_a_second_one_adds_up(self, ac_unit: UnitOf) -> None:
        """With 0.33 uF more tau is 0.8 s, beyond the 0.70 s that 100 V leaves: 40.9 V are held."""
        more = {**X2, "capacitance": "330 nF"}
        unit = ac_unit({**self.LINE, "parts.CX1.replaced": True, "parts.CX2": more})
        found = judged(replaced(unit, "CX1"), "plug pins after 1 s")

        held_v = math.sqrt(2) * 101 * math.exp(-1 / 0.8)
        assert found.fitted == f"{held_v:.1f} V" == "40.9 V"
        assert found.adequacy is UNACCEPTABLE
        assert "800 nF in all" in found.reason

    def test_bleeders_stand_side_by_side(self, ac_unit: UnitOf) -> None:
        """Two of 1 Mohm are 500 kohm: tau 0.4 s, 11.7 V."""
        more = {**X2, "capacitance": "330 nF", "bleeder": "1 Mohm"}
        found = assess(ac_unit({**self.LINE, "parts.CX1.replaced": True, "parts.CX2": more}))

        [replacement] = found.replacements
        assert judged(replacement, "plug pins after 1 s").fitted == "11.7 V"
        assert "about 500 kohm" in found.checks[-1].expected

    def test_two_small_ones_are_not_exempt(self, ac_unit: UnitOf) -> None:
        """Up to 0.1 uF nobody asks; two of 0.1 uF are 0.2 uF."""
        small = {**X2, "capacitance": "100 nF"}
        one = {"event": None, "parts.CX1": {**small, "replaced": True}}
        items = [one.item for one in replaced(ac_unit(one), "CX1").findings]
        both = [
            found.item for found in replaced(ac_unit({**one, "parts.CX2": small}), "CX1").findings
        ]

        assert "plug pins after 1 s" not in items
        assert "plug pins after 1 s" in both

    def test_what_stands_there_is_an_open_point(self, ac_unit: UnitOf) -> None:
        """A unit that holds more than allowed says so, whatever was replaced."""
        more = {**X2, "capacitance": "330 nF"}
        found = assess(ac_unit({**self.LINE, "parts.CX2": more}))

        [point] = found.open_points
        assert point == (
            "CX1 and CX2: unplugged at the peak the pins of the plug hold 40.9 V after 1 s: above "
            "the 34 V of IEC 60335-1, 22.5."
        )
        assert part(found, "CX2").remarks[-1].startswith("With CX1, unplugged at the peak")


class TestYCapacitorsOnTheirPath:
    """2 pi f C V at 253 V and 60 Hz; 3.5 mA and 0.5 mA: EN 50678 (DIN VDE 0701-0702:2008)."""

    @pytest.mark.parametrize(
        ("capacitance", "milliamperes", "adequacy"),
        [
            ("10 nF", 1.91, EQUIVALENT),
            ("15 nF", 2.86, EQUIVALENT),  # 3.43 mA with the tolerance
            ("16 nF", 3.05, NOTE),  # 3.66 mA with the tolerance
            ("22 nF", 4.20, UNACCEPTABLE),
        ],
    )
    def test_two_to_earth_add_up(
        self, ac_unit: UnitOf, capacitance: str, milliamperes: float, adequacy: Adequacy
    ) -> None:
        """Of two on one path each counts, also that from neutral, at the highest frequency."""
        pair = {**Y2, "capacitance": capacitance}
        unit = ac_unit({**CLASS_I, "parts.CY1": {**pair, "replaced": True}, "parts.CY2": pair})
        found = judged(replaced(unit, "CY1"), "leakage at the line")

        farads = 2 * float(capacitance.removesuffix(" nF")) * 1e-9
        assert 2 * math.pi * 60 * farads * 253 * 1e3 == pytest.approx(milliamperes, abs=0.005)
        assert found.fitted == f"{milliamperes:.3g} mA"
        assert found.adequacy is adequacy

    def test_another_path_is_another_sum(self, ac_unit: UnitOf) -> None:
        """A capacitor to the output of a class I unit is held against the touch current."""
        to_output = {**Y2, "capacitance": "4.7 nF", "path": "accessible part", "replaced": True}
        to_earth = {**Y2, "capacitance": "10 nF"}
        unit = ac_unit({**CLASS_I, "parts.CY1": to_output, "parts.CY2": to_earth})
        found = judged(replaced(unit, "CY1"), "leakage at the line")

        assert found.fitted == "448 uA"  # 2 pi 60 Hz 4.7 nF 253 V
        assert found.adequacy is NOTE  # 538 uA with the tolerance
        assert "touch current" in found.reason

    def test_a_chain_stands_in_series(self, ac_unit: UnitOf) -> None:
        """Two of 4.7 nF in series are 2.35 nF: 224 uA at 253 V and 60 Hz."""
        link = {**Y2, "capacitance": "4.7 nF", "chain": "to the output"}
        changes = {**CLASS_I, "unit.protection_class": "II", "parts.CY2": link}
        unit = ac_unit({**changes, "parts.CY1": {**link, "replaced": True}})
        found = judged(replaced(unit, "CY1"), "leakage at the line")

        assert found.fitted == "224 uA"
        assert found.adequacy is EQUIVALENT

    def test_what_stands_there_is_an_open_point(self, ac_unit: UnitOf) -> None:
        """Too much on a path is told whatever was replaced."""
        pair = {**Y2, "capacitance": "22 nF"}
        found = assess(ac_unit({**CLASS_I, "parts.CY1": pair, "parts.CY2": pair}))

        [point] = [point for point in found.open_points if point.startswith("CY")]
        assert point == (
            "CY1 and CY2: at the highest line and frequency 4.2 mA pass, above the 3.5 mA of EN "
            "50678, protective conductor of class I."
        )


class TestSeriesResistance:
    @pytest.mark.parametrize(
        ("fitted", "adequacy"),
        [
            ("150 mohm", BETTER),
            ("200 mohm", EQUIVALENT),
            ("300 mohm", NOTE),
            ("400 mohm", NOTE),
            ("410 mohm", UNACCEPTABLE),
            (None, NOTE),
        ],
    )
    @pytest.mark.parametrize("name", ["C1", "C8"])
    def test_less_is_better(
        self, ac_unit: UnitOf, name: str, fitted: str | None, adequacy: Adequacy
    ) -> None:
        """Twice the printed series resistance is a worn-out part (data sheets, common practice)."""
        keys = ("capacitance", "voltage", "temperature")
        ratings = {key: AC_UNIT["parts"][name][key] for key in keys}
        like = {**ratings, "ripple_current": "1.3 A"}
        if fitted is not None:
            like["series_resistance"] = fitted
        unit = ac_unit(
            {
                f"parts.{name}.series_resistance": "200 mohm",
                f"parts.{name}.ripple_current": "1.3 A",
                f"parts.{name}.fitted": like,
            }
        )
        found = judged(replaced(unit, name), "series resistance")

        assert found.adequacy is adequacy
        if fitted == "300 mohm":
            assert found.reason == (
                "1.5 times the original's, and so are its heat and its ripple voltage at the same "
                "ripple current"
            )


class TestRippleCurrent:
    def test_one_that_nobody_gave_is_to_be_looked_up(self, ac_unit: UnitOf) -> None:
        """What a bulk capacitor has to bear is known, so what it bears has to be known.

        sqrt(1.2^2 - (60 / 0.85 / (169.71 - 1.4))^2) = 1.124 A: rms of the line less the mean.
        """
        keys = ("capacitance", "voltage", "temperature")
        fitted = {key: AC_UNIT["parts"]["C1"][key] for key in keys}
        unit = ac_unit({"parts.C1.ripple_current": None, "parts.C1.fitted": fitted})
        found = judged(replaced(unit, "C1"), "ripple current")

        assert found.adequacy is NOTE
        assert found.reason == "not given: look it up; its ripple current at full load is 1.12 A"


class TestFarTooLittle:
    """Half the capacitance is no replacement unless hold-up and ripple are shown."""

    HALF: dict[str, str] = {  # noqa: RUF012 - never changed
        "capacitance": "75 uF",
        "voltage": "200 V",
        "temperature": "105 degC",
    }

    def test_nothing_is_shown(self, ac_unit: UnitOf) -> None:
        """Where nothing says what the unit needs, half the value is not acceptable."""
        found = judged(replaced(ac_unit({"parts.C1.fitted": self.HALF}), "C1"), "capacitance")

        assert found.adequacy is UNACCEPTABLE
        assert found.reason == (
            "50 % of the original's, and hold-up and ripple are not shown: state hold_up in "
            "[service], least_bulk_voltage in [service], ripple_current of the fitted part"
        )

    @pytest.mark.parametrize(
        ("hold_up", "least_v", "ripple", "adequacy"),
        [
            ("2 ms", "80 V", "1.3 A", NOTE),
            ("2 ms", "80 V", "1 A", UNACCEPTABLE),  # 1.12 A have to be borne
            ("3 ms", "80 V", "1.3 A", UNACCEPTABLE),  # 2.3 ms are there
            ("2 ms", "90 V", "1.3 A", UNACCEPTABLE),  # it falls to 85.3 V at the lowest line
        ],
    )
    def test_all_is_shown(
        self, ac_unit: UnitOf, hold_up: str, least_v: str, ripple: str, adequacy: Adequacy
    ) -> None:
        """Hold-up, valley and ripple current that suffice make it acceptable with a note.

        60 uF (75 uF less 20 %) and 70.6 W at 50 Hz, stepped through the ideal circuit in
        microseconds: the valley is 85.3 V on 108 V, 108.7 V on 120 V; from there to 80 V it takes
        2.3 ms by C (V1^2 - V2^2) / 2P.
        """
        unit = ac_unit(
            {
                "service.hold_up": hold_up,
                "service.least_bulk_voltage": least_v,
                "parts.C1.fitted": {**self.HALF, "ripple_current": ripple},
            }
        )
        found = replaced(unit, "C1")
        judged_f = judged(found, "capacitance")

        assert found.adequacy is adequacy
        if adequacy is NOTE:
            assert judged_f.reason == (
                "50 % of the original's; shown at full load: hold-up at least 2.3 ms, not below "
                "85.3 V at the lowest line, and its ripple current"
            )

    def test_a_fifth_less_is_the_tolerance_of_the_original(self, ac_unit: UnitOf) -> None:
        """Down to the tolerance of the original, 20 %, a note with the hold-up will do."""
        fitted = {**self.HALF, "capacitance": "120 uF", "ripple_current": "1.3 A"}
        found = judged(replaced(ac_unit({"parts.C1.fitted": fitted}), "C1"), "capacitance")

        assert found.adequacy is NOTE
        assert "hold-up at full load at least" in found.reason


class TestOutputCapacitor:
    """Ripple current of 2.5 A at the edge of continuous conduction: D = 100 / (100 + 151.3).

    2.5 A sqrt(4 / (3 x 0.602) - 1) = 2.755 A; textbook, worked out by hand.
    """

    @pytest.mark.parametrize(
        ("printed", "fitted", "adequacy"),
        [
            (None, "2.80 A", Adequacy.EQUIVALENT),
            (None, "2.70 A", Adequacy.UNACCEPTABLE),
            ("2.2 A", "2.2 A", Adequacy.EQUIVALENT),  # what the original bore for years will do
            ("2.2 A", "2.1 A", Adequacy.UNACCEPTABLE),
            ("4 A", "3 A", Adequacy.NOTE),
            ("4 A", "2.70 A", Adequacy.UNACCEPTABLE),
            ("4 A", "5 A", Adequacy.BETTER),
        ],
    )
    def test_is_judged_by_its_ripple_current(
        self, ac_unit: UnitOf, printed: str | None, fitted: str, adequacy: Adequacy
    ) -> None:
        """It has to bear what the converter puts into it, or what the original was made for."""
        found = judged(self.fitted(ac_unit, printed, fitted), "ripple current")

        assert found.adequacy is adequacy

    def test_without_a_figure_it_is_to_be_looked_up(self, ac_unit: UnitOf) -> None:
        """Where neither part states one, the note says how much it is."""
        found = judged(self.fitted(ac_unit, None, None), "ripple current")

        assert found.adequacy is Adequacy.NOTE
        assert found.reason == "not given: look it up; its ripple current at full load is 2.75 A"

    def test_two_of_an_output_share_it(self, ac_unit: UnitOf) -> None:
        """Beside one of half its capacitance it takes two thirds, 1.84 A; another output none."""
        beside = {"kind": "output-capacitor", "capacitance": "500 uF", "voltage": "35 V"}
        for fitted, adequacy in (("1.9 A", Adequacy.EQUIVALENT), ("1.8 A", Adequacy.UNACCEPTABLE)):
            found = self.fitted(ac_unit, None, fitted, **{"parts.C9": beside})

            assert judged(found, "ripple current").adequacy is adequacy

    def test_a_step_down_converter_has_little(self, dc_unit: UnitOf) -> None:
        """30 % of 2 A peak to peak over sqrt(12): 0.173 A."""
        for fitted, adequacy in (
            ("0.18 A", Adequacy.EQUIVALENT),
            ("0.17 A", Adequacy.UNACCEPTABLE),
        ):
            ratings = {"capacitance": "220 uF", "voltage": "16 V"}
            like = {**ratings, "ripple_current": fitted}
            part = {"kind": "output-capacitor", **ratings, "fitted": like}
            found = judged(replaced(dc_unit({"parts.C8": part}), "C8"), "ripple current")

            assert found.adequacy is adequacy

    def test_of_an_unknown_transformer_nothing_is_claimed(self, ac_unit: UnitOf) -> None:
        """Without the reflected voltage the original's figure alone counts."""
        unknown = {"parts.Q1.reflected_voltage": None}
        found = self.fitted(ac_unit, None, "0.1 A", **unknown)

        assert judged(found, "ripple current").adequacy is Adequacy.EQUIVALENT

    @staticmethod
    def fitted(
        ac_unit: UnitOf, printed: str | None, fitted: str | None, **extra: object
    ) -> Replacement:
        """Return the verdict on another of the same kind, by both ripple currents."""
        ratings = {"capacitance": "1000 uF", "voltage": "35 V", "temperature": "105 degC"}
        like = {**ratings, **({} if fitted is None else {"ripple_current": fitted})}
        changes = {"parts.C8.ripple_current": printed, "parts.C8.fitted": like, **extra}
        return replaced(ac_unit(changes), "C8")
