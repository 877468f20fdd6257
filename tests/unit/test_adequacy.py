from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.unit.assess import assess
from harness.unit.assessment import Adequacy, Replacement
from harness.unit.ratings import at_least
from harness.unit.unit_file import UnitFile

from .conftest import AC_UNIT

UnitOf = Callable[[dict[str, Any]], UnitFile]

UNACCEPTABLE, NOTE, EQUIVALENT, BETTER = Adequacy

#: What a part has beside its ratings.
_NO_RATINGS = {
    *("kind", "exponent", "bleeder", "resistance_of_winding", "reflected_voltage"),
    *("spike_allowance", "output"),
}


def ratings(name: str) -> dict[str, Any]:
    """Return what is printed on a part of the demo unit."""
    part = AC_UNIT["parts"][name]
    left_out = _NO_RATINGS | ({"resistance"} if part["kind"] == "common-mode-choke" else set())
    return {key: value for key, value in part.items() if key not in left_out}


def replaced(ac_unit: UnitOf, name: str, extra: dict[str, Any], **fitted: Any) -> Replacement:
    """Return the verdict on a part fitted with some ratings changed."""
    changes = {**extra, f"parts.{name}.fitted": {**ratings(name), **fitted}}
    [found] = assess(ac_unit(changes)).replacements
    return found


class TestLikeForLike:
    @pytest.mark.parametrize("name", AC_UNIT["parts"])
    def test_an_equal_part_is_equivalent(self, ac_unit: UnitOf, name: str) -> None:
        """A part with the original's ratings is equivalent, stated or taken for granted."""
        extra = {"service.prospective_current": "30 A"}

        assert replaced(ac_unit, name, extra).adequacy is EQUIVALENT
        [silent] = assess(ac_unit({f"parts.{name}.replaced": True})).replacements
        assert silent.adequacy is EQUIVALENT

    def test_nothing_replaced_is_acceptable(self, ac_unit: UnitOf) -> None:
        """A unit without replacements has none that is not acceptable."""
        found = assess(ac_unit({}))

        assert found.replacements == ()
        assert found.acceptable

    def test_the_worst_stands_first(self, ac_unit: UnitOf) -> None:
        """Replacements are listed the worst first, then along the path."""
        found = assess(
            ac_unit(
                {
                    "parts.F1.replaced": True,
                    "parts.C1.fitted": {**ratings("C1"), "voltage": "160 V"},
                    "parts.Q1.fitted": {**ratings("Q1"), "voltage": "650 V"},
                }
            )
        )

        assert [part.name for part in found.replacements] == ["C1", "F1", "Q1"]
        assert not found.acceptable
        assert any(point.startswith("C1: the part fitted") for point in found.open_points)


class TestVaristor:
    @pytest.mark.parametrize(
        ("fitted", "adequacy"),
        [
            ("130 V", UNACCEPTABLE),  # below 132 V
            ("131.9 V", UNACCEPTABLE),
            ("132 V", NOTE),  # just bears it, less margin than the original
            ("140 V", NOTE),
            ("150 V", EQUIVALENT),
            ("175 V", NOTE),  # bears more, but clamps higher
        ],
    )
    def test_continuous_rating_against_the_highest_line(
        self, ac_unit: UnitOf, fitted: str, adequacy: Adequacy
    ) -> None:
        """A varistor must bear nominal plus tolerance for ever."""
        assert replaced(ac_unit, "VR1", {}, maximum_ac=fitted).adequacy is adequacy

    def test_the_class_that_is_due_is_named(self, ac_unit: UnitOf) -> None:
        """The reason gives both figures and the class to fit."""
        found = replaced(ac_unit, "VR1", {}, maximum_ac="130 V").findings[0]

        assert found.item == "continuous AC voltage"
        assert found.reason == (
            "130 V is below the highest line voltage, 132 V; fit the 140 V class or the next above"
        )

    def test_an_original_below_the_line_is_no_excuse(self, ac_unit: UnitOf) -> None:
        """A like part is not acceptable where the original was below the highest line itself."""
        changes = {"parts.VR1.maximum_ac": "130 V", "parts.VR1.replaced": True}
        [found] = assess(ac_unit(changes)).replacements

        assert found.adequacy is UNACCEPTABLE

    @pytest.mark.parametrize(
        ("clamping", "adequacy"),
        [("395 V", EQUIVALENT), ("380 V", BETTER), ("500 V", NOTE), ("601 V", UNACCEPTABLE)],
    )
    def test_clamping_voltage_against_the_next_part(
        self, ac_unit: UnitOf, clamping: str, adequacy: Adequacy
    ) -> None:
        """A varistor may not clamp above what the bridge behind it is rated for."""
        found = replaced(ac_unit, "VR1", {}, clamping_voltage=clamping)

        assert found.adequacy is adequacy

    def test_a_bridge_below_the_clamping_voltage(self, ac_unit: UnitOf) -> None:
        """A bridge that gives way before the varistor clamps is not acceptable."""
        found = replaced(ac_unit, "BR1", {}, reverse_voltage="390 V")

        assert found.adequacy is UNACCEPTABLE
        assert "clamps to 395 V" in found.findings[0].reason


class TestFuse:
    @pytest.mark.parametrize(
        ("fitted", "adequacy"),
        [
            ({"current": "2.5 A"}, UNACCEPTABLE),
            ({"current": "1.6 A"}, NOTE),
            ({"current": "1 A"}, UNACCEPTABLE),  # below the nameplate's 1.2 A
            ({"characteristic": "TT"}, UNACCEPTABLE),
            ({"characteristic": "F"}, NOTE),
            ({"voltage": "110 V"}, UNACCEPTABLE),
            ({"voltage": "125 V"}, NOTE),  # rated against nominal, 120 V, by IEC 60127-1
            ({"voltage": "500 V"}, BETTER),
            ({"breaking": "H"}, BETTER),
            ({"melting_i2t": "0.3 A2s"}, UNACCEPTABLE),  # opens at switch-on: 0.26 A2s at 10 ohm
            ({"melting_i2t": "40 A2s"}, NOTE),
            ({"melting_i2t": "100 A2s"}, NOTE),
        ],
    )
    def test_figures(self, ac_unit: UnitOf, fitted: dict[str, str], adequacy: Adequacy) -> None:
        """A fuse is replaced by its like: each figure that differs has its verdict."""
        extra = {"service.prospective_current": "30 A", "parts.C1.capacitance": "200 uF"}

        assert replaced(ac_unit, "F1", extra, **fitted).adequacy is adequacy

    @pytest.mark.parametrize(
        ("prospective", "breaking", "adequacy"),
        [
            ("35 A", "L", EQUIVALENT),
            ("36 A", "L", UNACCEPTABLE),
            ("1500 A", "H", BETTER),
            ("1501 A", "H", UNACCEPTABLE),
            (None, "L", NOTE),  # as printed; nobody knows what the supply gives: taken high
            (None, "H", BETTER),
        ],
    )
    def test_breaking_capacity_against_the_supply(
        self, ac_unit: UnitOf, prospective: str | None, breaking: str, adequacy: Adequacy
    ) -> None:
        """The breaking capacity must cover the stated prospective current."""
        extra = {"service.prospective_current": prospective}

        assert replaced(ac_unit, "F1", extra, breaking=breaking).adequacy is adequacy

    def test_less_breaking_capacity_where_nothing_is_known(self, ac_unit: UnitOf) -> None:
        """Less than printed is not acceptable where the usual supply could burst it."""
        extra = {"service.prospective_current": None, "parts.F1.breaking": "H"}

        assert replaced(ac_unit, "F1", extra, breaking="L").adequacy is UNACCEPTABLE


class TestInterferenceCapacitors:
    @pytest.mark.parametrize(
        ("name", "fitted", "adequacy"),
        [
            ("CX1", {"class": "X1"}, BETTER),
            ("CX1", {"class": "Y2"}, BETTER),
            ("CX1", {"class": "X3"}, UNACCEPTABLE),
            ("CX1", {"class": "none"}, UNACCEPTABLE),
            ("CX1", {"voltage": "110 V"}, UNACCEPTABLE),
            ("CX1", {"voltage": "125 V"}, NOTE),  # rated against nominal, by IEC 60384-14
            ("CX1", {"voltage": "250 V"}, NOTE),
            ("CX1", {"voltage": "305 V"}, BETTER),
            ("CX1", {"capacitance": "330 nF"}, NOTE),
            ("CX1", {"capacitance": "1 uF"}, UNACCEPTABLE),  # holds 68 V after a second
            ("CY1", {"class": "Y1"}, BETTER),
            ("CY1", {"class": "X1"}, UNACCEPTABLE),
            ("CY1", {"class": "Y4"}, UNACCEPTABLE),
            ("CY1", {"capacitance": "4.7 nF"}, NOTE),
            ("CY1", {"capacitance": "47 nF"}, UNACCEPTABLE),  # 2.3 mA at the line
        ],
    )
    def test_figures(
        self, ac_unit: UnitOf, name: str, fitted: dict[str, str], adequacy: Adequacy
    ) -> None:
        """Class, voltage and what capacitance brings with it each have their verdict."""
        assert replaced(ac_unit, name, {}, **fitted).adequacy is adequacy

    def test_no_bleeder_is_a_note(self, ac_unit: UnitOf) -> None:
        """Without a known bleeder the discharge of the plug pins stays to be proved."""
        found = replaced(ac_unit, "CX1", {"parts.CX1.bleeder": None})

        assert found.adequacy is NOTE
        assert "no bleeder" in found.findings[0].reason


class TestBulk:
    @pytest.mark.parametrize(
        ("fitted", "adequacy"),
        [
            ({"voltage": "160 V"}, UNACCEPTABLE),
            ({"voltage": "186 V"}, NOTE),
            ({"voltage": "250 V"}, BETTER),
            ({"capacitance": "47 uF"}, UNACCEPTABLE),
            ({"capacitance": "120 uF"}, NOTE),
            ({"capacitance": "180 uF"}, BETTER),
            ({"capacitance": "330 uF"}, NOTE),
            ({"temperature": "85 degC"}, NOTE),
            ({"temperature": "55 degC"}, UNACCEPTABLE),
            ({"ripple_current": "1.2 A"}, NOTE),
            ({"ripple_current": "0.5 A"}, UNACCEPTABLE),
        ],
    )
    def test_figures(self, ac_unit: UnitOf, fitted: dict[str, str], adequacy: Adequacy) -> None:
        """Voltage at the peak, ripple, hold-up and temperature each have their verdict."""
        assert replaced(ac_unit, "C1", {}, **fitted).adequacy is adequacy

    def test_hold_up_that_is_wanted(self, ac_unit: UnitOf) -> None:
        """Too little capacitance for the hold-up that service wants is not acceptable."""
        found = replaced(ac_unit, "C1", {"service.hold_up": "40 ms"}, capacitance="150 uF")

        assert found.adequacy is UNACCEPTABLE
        assert "hold-up" in found.findings[0].reason

    def test_a_figure_that_nobody_gave(self, ac_unit: UnitOf) -> None:
        """A rating that the original had and the new part leaves out is to be looked up."""
        fitted = ratings("C1")
        del fitted["ripple_current"]
        [found] = assess(ac_unit({"parts.C1.fitted": fitted})).replacements

        assert found.adequacy is NOTE
        assert found.findings[0].reason == "not given for the fitted part: look it up"

    def test_inrush_against_the_fuse(self, ac_unit: UnitOf) -> None:
        """More capacitance than the fuse bears at switch-on is not acceptable."""
        extra = {"parts.F1.melting_i2t": "0.6 A2s"}
        found = replaced(ac_unit, "C1", extra, capacitance="400 uF")

        assert found.adequacy is UNACCEPTABLE
        assert "opens at switch-on" in found.findings[0].reason


class TestSemiconductors:
    @pytest.mark.parametrize(
        ("name", "fitted", "adequacy"),
        [
            ("BR1", {"reverse_voltage": "186 V"}, UNACCEPTABLE),
            ("BR1", {"reverse_voltage": "400 V"}, NOTE),
            ("BR1", {"reverse_voltage": "800 V"}, BETTER),
            ("BR1", {"current": "1 A"}, UNACCEPTABLE),
            ("BR1", {"surge_current": "15 A"}, UNACCEPTABLE),
            ("Q1", {"voltage": "340 V"}, UNACCEPTABLE),
            ("Q1", {"voltage": "500 V"}, NOTE),
            ("Q1", {"current": "5.6 A"}, NOTE),
            ("Q1", {"current": "5 A"}, UNACCEPTABLE),
            ("D5", {"reverse_voltage": "60 V"}, UNACCEPTABLE),
            ("D5", {"current": "2 A"}, UNACCEPTABLE),
            ("C8", {"voltage": "16 V"}, UNACCEPTABLE),
            ("C8", {"voltage": "25 V"}, NOTE),
            ("C8", {"capacitance": "470 uF"}, UNACCEPTABLE),
            ("C8", {"capacitance": "2200 uF"}, NOTE),
            ("NTC1", {"resistance": "2 ohm"}, UNACCEPTABLE),
            ("NTC1", {"resistance": "10 ohm"}, NOTE),
            ("NTC1", {"current": "1 A"}, UNACCEPTABLE),
            ("L1", {"current": "1 A"}, UNACCEPTABLE),
        ],
    )
    def test_figures(
        self, ac_unit: UnitOf, name: str, fitted: dict[str, str], adequacy: Adequacy
    ) -> None:
        """A rating below what service needs is not acceptable; below the original's, a note."""
        assert replaced(ac_unit, name, {}, **fitted).adequacy is adequacy


class TestDirectCurrent:
    DIODE: ClassVar = {
        "kind": "diode",
        "place": "series",
        "reverse_voltage": "60 V",
        "current": "3 A",
    }
    VARISTOR: ClassVar = {"kind": "varistor", "maximum_ac": "25 V"}

    @pytest.mark.parametrize(
        ("name", "part", "fitted", "adequacy"),
        [
            ("D1", DIODE, {"reverse_voltage": "60 V", "current": "3 A"}, EQUIVALENT),
            ("D1", DIODE, {"reverse_voltage": "26 V", "current": "3 A"}, UNACCEPTABLE),
            ("D1", DIODE, {"reverse_voltage": "40 V", "current": "3 A"}, NOTE),
            ("VR1", VARISTOR, {"maximum_ac": "25 V"}, NOTE),  # 77 V against the capacitor's 40 V
            ("VR1", VARISTOR, {"maximum_ac": "14 V"}, UNACCEPTABLE),  # 18 V DC below 26.4 V
        ],
    )
    def test_parts_of_a_dc_input(
        self,
        dc_unit: UnitOf,
        name: str,
        part: dict[str, Any],
        fitted: dict[str, Any],
        adequacy: Adequacy,
    ) -> None:
        """A DC input is held against its own ratings: the DC rating of a varistor among them."""
        [found] = assess(dc_unit({f"parts.{name}": {**part, "fitted": fitted}})).replacements

        assert found.adequacy is adequacy

    @pytest.mark.parametrize(
        ("capacitance", "hold_up", "adequacy"),
        [
            ("470 uF", None, EQUIVALENT),
            ("390 uF", None, NOTE),  # within the original's tolerance
            ("330 uF", None, UNACCEPTABLE),  # nothing shows that it lasts
            ("330 uF", "5 ms", NOTE),  # 0.8 x 330 uF: (24^2 - 7.2^2) C / 2P is 5.9 ms
            ("330 uF", "6 ms", UNACCEPTABLE),
        ],
    )
    def test_hold_up(
        self, dc_unit: UnitOf, capacitance: str, hold_up: str | None, adequacy: Adequacy
    ) -> None:
        """A DC bulk capacitor has no valley; hold-up counts from nominal voltage."""
        fitted = {"capacitance": capacitance, "voltage": "35 V", "ripple_current": "1 A"}
        changes: dict[str, Any] = {
            "parts.C1.fitted": fitted,
            "parts.C1.ripple_current": "1 A",
            "service.least_bulk_voltage": "7.2 V",
        }
        if hold_up is not None:
            changes["service.hold_up"] = hold_up
        [found] = assess(dc_unit(changes)).replacements

        assert found.adequacy is adequacy

    def test_plain_capacitors_may_stand_across_dc(self, dc_unit: UnitOf) -> None:
        """Across a DC input nobody asks for an interference suppression class."""
        part = {
            "kind": "x-capacitor",
            "capacitance": "1 uF",
            "voltage": "63 V",
            "class": "none",
            "replaced": True,
        }
        [found] = assess(dc_unit({"parts.CX1": part})).replacements

        assert found.adequacy is EQUIVALENT


class TestProtectionClass:
    @pytest.mark.parametrize(
        ("protection", "adequacy"),
        [("I", NOTE), ("II", UNACCEPTABLE), ("III", NOTE)],
    )
    def test_leakage_limit(self, ac_unit: UnitOf, protection: str, adequacy: Adequacy) -> None:
        """22 nF pass 1.1 mA: too much for class II, within the limit of class I (EN 50678)."""
        extra = {"unit.protection_class": protection}

        assert replaced(ac_unit, "CY1", extra, capacitance="22 nF").adequacy is adequacy


def test_breaking_capacity_without_a_letter(ac_unit: UnitOf) -> None:
    """A breaking capacity that is stated counts before the letter's."""
    found = replaced(ac_unit, "F1", {}, breaking_capacity="100 A")

    assert found.adequacy is BETTER
    less = replaced(ac_unit, "F1", {}, breaking_capacity="31 A")
    assert less.adequacy is NOTE


FIGURES = st.floats(0.1, 1000.0)


@given(
    original=st.none() | FIGURES,
    fitted=FIGURES,
    rise=st.floats(1.0, 10.0),
    need=st.none() | FIGURES,
)
def test_raising_a_rating_never_makes_it_worse(
    original: float | None, fitted: float, rise: float, need: float | None
) -> None:
    """A rating of which more is better gets no worse verdict when it is raised."""
    [low] = at_least("rated voltage", "V", original, fitted, need=need)
    [high] = at_least("rated voltage", "V", original, fitted * rise, need=need)

    assert high.adequacy.rank >= low.adequacy.rank


@given(figure=FIGURES, need=st.none() | FIGURES)
def test_an_equal_rating_is_equivalent_or_was_never_enough(
    figure: float, need: float | None
) -> None:
    """A rating equal to the original's is equivalent, unless the original fell short itself."""
    [found] = at_least("rated voltage", "V", figure, figure, need=need)
    short = need is not None and figure < need * (1 - 1e-6)

    assert found.adequacy is (UNACCEPTABLE if short else EQUIVALENT)


RAISED = [
    ("F1", "voltage", "V"),
    ("NTC1", "current", "A"),
    ("VR1", "surge_current", "A"),
    ("VR1", "energy", "J"),
    ("CX1", "voltage", "V"),
    ("L1", "current", "A"),
    ("CY1", "voltage", "V"),
    ("BR1", "reverse_voltage", "V"),
    ("BR1", "current", "A"),
    ("BR1", "surge_current", "A"),
    ("C1", "voltage", "V"),
    ("C1", "ripple_current", "A"),
    ("Q1", "voltage", "V"),
    ("Q1", "current", "A"),
    ("D5", "reverse_voltage", "V"),
    ("D5", "current", "A"),
    ("C8", "voltage", "V"),
]


@given(
    rating=st.sampled_from(RAISED),
    share=st.floats(0.2, 2.0),
    rise=st.floats(1.0, 5.0),
)
@settings(max_examples=80)
def test_raising_a_rating_of_a_part_never_makes_it_worse(
    ac_unit: UnitOf, rating: tuple[str, str, str], share: float, rise: float
) -> None:
    """The same holds for whole parts, whatever else is judged of them."""
    name, key, unit = rating
    printed = float(AC_UNIT["parts"][name][key].split()[0])
    low, high = (
        replaced(ac_unit, name, {}, **{key: f"{printed * share * factor:.9g} {unit}"})
        for factor in (1.0, rise)
    )

    assert high.adequacy.rank >= low.adequacy.rank
