from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from harness.unit.assess import KINDS, assess
from harness.unit.assessment import Severity
from harness.unit.ratings import severity_of
from harness.unit.reference import reference
from harness.unit.unit_file import UnitFile

from .conftest import part, stress

UnitOf = Callable[[dict[str, Any]], UnitFile]

WITHIN, MARGINAL, OVER, DESTROYED = Severity


class TestVerdict:
    @pytest.mark.parametrize(
        ("ratio", "severity"),
        [
            (0.0, WITHIN),
            (0.9, WITHIN),
            (0.901, MARGINAL),
            (1.0, MARGINAL),
            (1.001, OVER),
            (1.2, OVER),
            (1.201, DESTROYED),
        ],
    )
    def test_each_bound_belongs_to_the_milder_side(self, ratio: float, severity: Severity) -> None:
        """A ratio on a bound gets the milder of the two verdicts."""
        assert severity_of(ratio, 0.9, 1.2) is severity

    def test_wrong_line_on_the_demo_unit(self, ac_unit: UnitOf) -> None:
        """230 V on the 120 V unit destroys fuse, varistor and bulk capacitor, not the rest."""
        found = assess(ac_unit({}))

        assert {part.name: part.severity for part in found.parts} == {
            "F1": DESTROYED,
            "VR1": DESTROYED,
            "C1": DESTROYED,
            "BR1": OVER,
            "CY1": WITHIN,
            "CX1": WITHIN,
            "Q1": WITHIN,
            "C8": WITHIN,
            "L1": WITHIN,
            "D5": WITHIN,
            "NTC1": WITHIN,
        }

    def test_right_line_harms_nothing(self, ac_unit: UnitOf) -> None:
        """At the nominal voltage no part is past its rating, and none carries a short."""
        found = assess(ac_unit({"event.voltage": "120 V", "event.opened": "nothing"}))

        assert all(not part.severity.suspect for part in found.parts)
        assert stress(found, "F1", "melting integral").event == 0.0

    def test_nothing_happened(self, ac_unit: UnitOf) -> None:
        """Without an event only the stress in service counts."""
        found = assess(ac_unit({"event": None}))

        assert all(row.event is None for part in found.parts for row in part.stresses)
        assert "nothing is known to have happened" in found.story


class TestOrder:
    def test_gravest_first_then_ratio_then_path(self, ac_unit: UnitOf) -> None:
        """Parts stand by verdict, then by ratio, then by their place in the current path."""
        found = assess(ac_unit({"parts.L1.current": "1.5 A", "parts.NTC1.current": "1.5 A"}))
        keys = [
            (-part.severity.rank, -part.worst.ratio, [*KINDS].index(part.kind))
            for part in found.parts
        ]

        assert keys == sorted(keys)
        alike = [part.name for part in found.parts if part.worst.ratio == pytest.approx(0.8)]
        assert alike == ["NTC1", "L1"]

    def test_checks_in_the_order_of_doing(self, ac_unit: UnitOf) -> None:
        """First stored charge, then a look, the suspects along the path, the rest, the input."""
        found = assess(ac_unit({}))

        assert [check.part for check in found.checks] == [
            *("", ""),
            *("F1", "VR1", "BR1", "C1"),
            *("NTC1", "CX1", "L1", "CY1", "Q1", "D5", "C8"),
            "",
        ]
        assert found.checks[0].high == 60.0
        assert "324 V" in found.checks[0].expected


class TestChecks:
    def test_what_stands_there_now_is_checked(self, ac_unit: UnitOf) -> None:
        """A replaced part is measured against the one fitted, and is not replaced again."""
        fitted = {"capacitance": "180 uF", "voltage": "250 V", "series_resistance": "100 mohm"}
        left = part(assess(ac_unit({})), "C1").check
        new = part(assess(ac_unit({"parts.C1.fitted": fitted})), "C1").check

        assert left.expected.endswith("replace it even if it measures well: it was over-stressed")
        assert (new.low, new.high) == (pytest.approx(144e-6), pytest.approx(216e-6))
        assert new.expected == (
            "144 uF to 216 uF; series resistance below 200 mohm; no bulge, no leak"
        )


class TestFuse:
    @pytest.mark.parametrize(
        ("opened", "voltage", "words"),
        [
            ("fuse", "230 V", "It opened as it should: by the figures a short in C1 parts it"),
            ("fuse", "120 V", "no part here draws enough"),
            ("breaker", "230 V", "A breaker opened; by the figures a short in C1 parts the fuse"),
            ("nothing", "230 V", "If it is whole, check its rating"),
        ],
    )
    def test_story_against_figures(
        self, ac_unit: UnitOf, opened: str, voltage: str, words: str
    ) -> None:
        """What opened is held against what the figures expect."""
        found = assess(ac_unit({"event.opened": opened, "event.voltage": voltage}))

        assert words in " ".join(part(found, "F1").remarks)

    def test_an_opened_fuse_is_open_whatever_the_figures(self, ac_unit: UnitOf) -> None:
        """A fuse that the story says opened needs its check even where no figure explains it."""
        found = assess(ac_unit({"event.voltage": "120 V"}))

        assert part(found, "F1").severity is DESTROYED

    def test_breaking_capacity_counts_only_with_a_short(self, ac_unit: UnitOf) -> None:
        """Without a short there is nothing to interrupt."""
        assert stress(assess(ac_unit({})), "F1", "breaking capacity").event == pytest.approx(400.0)
        quiet = assess(ac_unit({"event.voltage": "120 V"}))
        assert stress(quiet, "F1", "breaking capacity").event is None

    @pytest.mark.parametrize(("breaking", "told"), [("L", True), ("H", False)])
    def test_a_fuse_that_broke_too_much(self, ac_unit: UnitOf, breaking: str, told: bool) -> None:
        """37 A into the short of C1, behind the limiter, are more than the 35 A of letter L."""
        remarks = " ".join(part(assess(ac_unit({"parts.F1.breaking": breaking})), "F1").remarks)

        assert ("more than it is rated for" in remarks) is told

    def test_odd_rating_is_named(self, ac_unit: UnitOf) -> None:
        """A rating outside the preferred series points at the other standard."""
        found = assess(ac_unit({"parts.F1.current": "3 A"}))

        assert "UL 248-14" in " ".join(part(found, "F1").remarks)

    def test_gate_bounds_an_integral_by_letters(self, ac_unit: UnitOf) -> None:
        """Without a sheet's integral the gate at ten times the rating says what is possible."""
        found = assess(ac_unit({"parts.F1.melting_i2t": None}))
        remarks = " ".join(part(found, "F1").remarks)

        assert "allows 8 A2s to 120 A2s (IEC 60127-2, standard sheet 3" in remarks


class TestVaristor:
    def test_below_its_voltage_nothing(self, ac_unit: UnitOf) -> None:
        """A line below the continuous voltage puts no energy into a varistor."""
        found = assess(ac_unit({"event.voltage": "150 V"}))

        assert [row.quantity for row in part(found, "VR1").stresses] == ["continuous voltage"]
        assert "carried nothing" in " ".join(part(found, "VR1").remarks)

    def test_without_an_energy_rating(self, ac_unit: UnitOf) -> None:
        """A varistor far past its voltage fails short even where no energy rating is given."""
        found = assess(ac_unit({"parts.VR1.energy": None, "parts.C1.voltage": "400 V"}))

        assert part(found, "VR1").severity is DESTROYED
        assert "a short in VR1" in " ".join(part(found, "F1").remarks)

    def test_short_event_is_survived(self, ac_unit: UnitOf) -> None:
        """An event that ends before the energy is spent leaves no short."""
        found = assess(ac_unit({"event.duration": "10 ms", "parts.C1.voltage": "400 V"}))

        assert (stress(found, "VR1", "energy").event_ratio or 0.0) < 0.05
        assert stress(found, "F1", "breaking capacity").event is None

    def test_dc_has_its_own_rating(self, ac_unit: UnitOf) -> None:
        """A DC event is held against the DC rating, service against the AC rating."""
        found = assess(ac_unit({"event.kind": "dc", "event.voltage": "190 V"}))
        rows = {row.rating for row in part(found, "VR1").stresses}

        assert rows == {150.0, 200.0}


class TestBulk:
    @pytest.mark.parametrize(
        ("rated", "duration", "severity"),
        [
            ("350 V", "5 s", WITHIN),
            ("330 V", "5 s", MARGINAL),  # ratio 0.98
            ("300 V", "5 s", MARGINAL),  # 1.08: within the surge voltage, and brief
            ("300 V", "60 s", OVER),  # the same for longer than a surge lasts
            ("270 V", "5 s", OVER),  # 1.20
            ("200 V", "5 s", DESTROYED),
        ],
    )
    def test_surge_voltage_is_borne_for_a_while(
        self, ac_unit: UnitOf, rated: str, duration: str, severity: Severity
    ) -> None:
        """Between rated and surge voltage the time decides."""
        found = assess(ac_unit({"parts.C1.voltage": rated, "event.duration": duration}))

        assert part(found, "C1").severity is severity

    def test_rectified_peak_less_two_drops(self, ac_unit: UnitOf) -> None:
        """The bulk capacitor charges to the peak less two diode drops."""
        row = stress(assess(ac_unit({})), "C1", "rated voltage")

        assert row.event == pytest.approx(325.27 - 1.4, abs=0.01)
        assert row.service == pytest.approx(186.68 - 1.4, abs=0.01)


class TestPolarity:
    REVERSED = {"event.polarity_reversed": True}  # noqa: RUF012 - never changed

    def test_unprotected_board(self, dc_unit: UnitOf) -> None:
        """Wrong polarity without a diode destroys the bulk capacitor, and the fuse sees a short."""
        found = assess(dc_unit(self.REVERSED))

        assert part(found, "C1").worst.quantity == "reverse voltage"
        assert part(found, "C1").severity is DESTROYED
        assert part(found, "F1").severity is DESTROYED

    def test_series_diode_blocks(self, dc_unit: UnitOf) -> None:
        """A diode in series keeps wrong polarity from everything behind it."""
        diode = {
            "kind": "diode",
            "place": "series",
            "reverse_voltage": "60 V",
            "current": "3 A",
            "surge_current": "80 A",
        }
        found = assess(dc_unit({**self.REVERSED, "parts.D1": diode}))

        assert all(not part.severity.suspect for part in found.parts)
        assert stress(found, "D1", "reverse voltage").event == 24.0

    def test_diode_across_takes_it(self, dc_unit: UnitOf) -> None:
        """A diode across the input carries the current until the fuse opens."""
        diode = {
            "kind": "diode",
            "place": "across",
            "reverse_voltage": "60 V",
            "current": "3 A",
            "surge_current": "80 A",
        }
        found = assess(dc_unit({**self.REVERSED, "parts.D1": diode}))

        assert not part(found, "C1").severity.suspect
        assert "the current through D1" in " ".join(part(found, "F1").remarks)
        # Twice the melting integral of a quick 2 A link, by its letters: 2 x 0.7 x 4 A2s, and a
        # little for the heat it gives off in the 3 ms.
        assert stress(found, "D1", "fault integral").event == pytest.approx(5.6, rel=0.01)

    def test_bridge_takes_either(self, dc_unit: UnitOf) -> None:
        """Behind a bridge both polarities are the same."""
        bridge = {"kind": "bridge", "reverse_voltage": "100 V", "current": "4 A"}
        right = assess(dc_unit({"parts.BR1": bridge}))
        wrong = assess(dc_unit({**self.REVERSED, "parts.BR1": bridge}))

        assert stress(right, "C1", "rated voltage") == stress(wrong, "C1", "rated voltage")

    def test_ac_on_a_series_diode_doubles_its_reverse_voltage(self, dc_unit: UnitOf) -> None:
        """AC onto a DC input puts the peak and the bulk voltage on the series diode."""
        diode = {"kind": "diode", "place": "series", "reverse_voltage": "60 V", "current": "3 A"}
        found = assess(dc_unit({"event.kind": "ac", "event.voltage": "24 V", "parts.D1": diode}))

        assert stress(found, "D1", "reverse voltage").event == pytest.approx(
            2 * 33.94 - 0.7, abs=0.01
        )


class TestSwitchAndOutput:
    def test_switch_voltage_is_a_sum(self, ac_unit: UnitOf) -> None:
        """The switch blocks bulk voltage, reflected voltage and spike together."""
        row = stress(assess(ac_unit({})), "Q1", "blocking voltage")

        assert row.event == pytest.approx(323.87 + 100 + 60, abs=0.01)

    def test_lower_bound_without_reflected_voltage(self, ac_unit: UnitOf) -> None:
        """Where no reflected voltage is given, the figure says that it is a lower bound."""
        found = assess(ac_unit({"parts.Q1.reflected_voltage": None}))

        assert "lower bound" in " ".join(part(found, "Q1").remarks)
        assert [row.quantity for row in part(found, "D5").stresses] == ["average current"]

    def test_output_diode_sees_output_and_reflected_bulk(self, ac_unit: UnitOf) -> None:
        """The output diode blocks the output and the bulk voltage over the turns ratio."""
        row = stress(assess(ac_unit({})), "D5", "reverse voltage")

        assert row.event == pytest.approx(24 + 323.87 * 24 / 100, abs=0.01)


class TestOpenPoints:
    def test_suspects_left_in_place_are_open(self, ac_unit: UnitOf) -> None:
        """An over-stressed part that was not replaced stays on the list."""
        found = assess(ac_unit({"parts.C1.replaced": True, "parts.F1.replaced": True}))
        named = [point.split(":")[0] for point in found.open_points]

        assert named == ["VR1", "BR1"]

    def test_a_part_past_its_rating_in_service_is_open(self, ac_unit: UnitOf) -> None:
        """A part that normal service overstrains is named even without an event."""
        found = assess(ac_unit({"event": None, "parts.VR1.maximum_ac": "130 V"}))

        assert any("VR1" in point and "in normal service" in point for point in found.open_points)

    def test_what_the_file_does_not_say_is_told(self, ac_unit: UnitOf) -> None:
        """Every value taken for granted is in the list of assumptions, with its source."""
        found = assess(
            ac_unit(
                {
                    "event.duration": None,
                    "event.prospective_current": None,
                    "service.prospective_current": None,
                    "parts.NTC1": None,
                    "parts.BR1": None,
                    "parts.F1.melting_i2t": None,
                }
            )
        )
        told = " ".join(found.assumptions)

        for words in (
            "taken as long, 3600 s",
            "IEC 60725",
            "service",
            "limiter",
            "bridge",
            "F1",
            "VR1",
        ):
            assert words in told

    def test_cautions_are_always_there(self, ac_unit: UnitOf, dc_unit: UnitOf) -> None:
        """Every assessment ends with the usual cautions and defers to local codes."""
        for found in (assess(ac_unit({})), assess(dc_unit({}))):
            told = " ".join(found.cautions)
            assert "discharge" in told
            assert "RCD" in told
            assert "Local codes" in told


def test_every_stress_has_bounds_and_a_source(ac_unit: UnitOf, dc_unit: UnitOf) -> None:
    """Each stress of each kind has a row in the table of bounds, and says where it comes from."""
    table = reference().stress
    for found in (assess(ac_unit({})), assess(dc_unit({"event.polarity_reversed": True}))):
        for assessed in found.parts:
            for row in assessed.stresses:
                assert table.bounds(assessed.kind, row.quantity)
                assert row.source
                assert row.margin_frac == pytest.approx(1 - row.ratio)


@given(
    low_v=st.floats(108.0, 600.0),
    rise=st.floats(1.0, 3.0),
    kind=st.sampled_from(["ac", "dc"]),
    known=st.booleans(),
)
@example(low_v=150.0, rise=1.0001, kind="ac", known=True)
@example(low_v=132.0, rise=1.2, kind="ac", known=False)
@settings(max_examples=60)
def test_a_higher_voltage_is_never_milder(
    ac_unit: UnitOf, low_v: float, rise: float, kind: str, known: bool
) -> None:
    """From the lowest line on no part gets a milder verdict from a higher event voltage."""
    changes: dict[str, Any] = {"event.kind": kind, "event.opened": "unknown"}
    if not known:
        changes["event.prospective_current"] = None
    low, high = (
        assess(ac_unit({**changes, "event.voltage": f"{voltage_v:.6f} V"}))
        for voltage_v in (low_v, low_v * rise)
    )

    for assessed in low.parts:
        assert part(high, assessed.name).severity.rank >= assessed.severity.rank, assessed.name


@given(low_v=st.floats(21.6, 100.0), rise=st.floats(1.0, 3.0), wrong_way=st.booleans())
@settings(max_examples=60)
def test_a_higher_dc_voltage_is_never_milder(
    dc_unit: UnitOf, low_v: float, rise: float, wrong_way: bool
) -> None:
    """The same holds for a DC unit, whichever way round."""
    low, high = (
        assess(
            dc_unit({"event.voltage": f"{voltage_v:.6f} V", "event.polarity_reversed": wrong_way})
        )
        for voltage_v in (low_v, low_v * rise)
    )

    for assessed in low.parts:
        assert part(high, assessed.name).severity.rank >= assessed.severity.rank, assessed.name


@given(low_v=st.floats(100.0, 6000.0), rise=st.floats(1.0, 3.0), clamped=st.booleans())
@settings(max_examples=40)
def test_a_higher_surge_is_never_milder(
    ac_unit: UnitOf, low_v: float, rise: float, *, clamped: bool
) -> None:
    """The same holds for a surge, behind a varistor or not."""
    changes: dict[str, Any] = {} if clamped else {"parts.VR1": None}
    low, high = (
        assess(ac_unit({**changes, "event": {"kind": "surge", "voltage": f"{voltage_v:.6f} V"}}))
        for voltage_v in (low_v, low_v * rise)
    )

    for assessed in low.parts:
        assert part(high, assessed.name).severity.rank >= assessed.severity.rank, assessed.name


@given(short_s=st.floats(1e-3, 100.0), longer=st.floats(1.0, 100.0))
@settings(max_examples=60)
def test_a_longer_event_is_never_milder(ac_unit: UnitOf, short_s: float, longer: float) -> None:
    """No part gets a milder verdict from a longer event."""
    short, long = (
        assess(ac_unit({"event.duration": f"{time_s:.6f} s", "event.opened": "unknown"}))
        for time_s in (short_s, short_s * longer)
    )

    for assessed in short.parts:
        assert part(long, assessed.name).severity.rank >= assessed.severity.rank, assessed.name
