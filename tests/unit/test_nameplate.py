from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from harness.unit.nameplate import Unit


def unit(**changes: Any) -> Unit:
    """Return the unit of a nameplate with parts of its input changed."""
    line = {"kind": "dc", "nominal": "24 V", "tolerance": "10 %", "current": "1.2 A", **changes}
    return Unit.model_validate({"input": line, "protection_class": "III"})


class TestInput:
    @pytest.mark.parametrize(
        ("nominal", "tolerance", "low_v", "high_v"),
        [
            # IEC 60038, Table 1: 230 V +-10 % is 207 V to 253 V
            ("230 V", "10 %", 207.0, 253.0),
            # Electricity Business Act ordinance, art. 38 (Japan): 202 V +-20 V
            ("202 V", "9.9009900990099 %", 182.0, 222.0),
            # ANSI C84.1, Range A, service: 120 V +-5 % is 114 V to 126 V
            ("120 V", "5 %", 114.0, 126.0),
            ("24 V", "10 %", 21.6, 26.4),
        ],
    )
    def test_tolerance_gives_the_line_corners(
        self, nominal: str, tolerance: str, low_v: float, high_v: float
    ) -> None:
        """Lowest and highest line voltage are nominal less and plus the tolerance."""
        line = unit(nominal=nominal, tolerance=tolerance).input

        assert (line.lowest_v, line.highest_v) == (pytest.approx(low_v), pytest.approx(high_v))

    def test_what_is_left_out_has_the_usual_value(self) -> None:
        """Idle power is a tenth of full power, DC starts at 30 % and AC at 50 % of nominal."""
        dc = unit().input
        ac = unit(kind="ac", nominal="120 V", frequency=["60 Hz"]).input

        assert dc.idle_power_w == pytest.approx(2.88)
        assert dc.start_threshold_v == pytest.approx(7.2)
        assert dc.leakage_a == pytest.approx(0.012)
        assert ac.start_threshold_v == pytest.approx(60.0)

    def test_what_is_said_counts(self) -> None:
        """A value on the nameplate goes before the usual one."""
        line = unit(idle_power="0.6 W", start_threshold="8 V", leakage="1 mA").input

        assert (line.idle_power_w, line.start_threshold_v, line.leakage_a) == (0.6, 8.0, 0.001)

    @pytest.mark.parametrize(
        ("rms", "peak_v"),
        # peak of a sine, root of two times rms: textbook
        [("100 V", 141.42), ("120 V", 169.71), ("200 V", 282.84), ("230 V", 325.27)],
    )
    def test_the_bulk_capacitor_charges_to_the_peak(self, rms: str, peak_v: float) -> None:
        """Behind a rectifier the voltage is the peak of the sine; behind DC it is the DC."""
        line = unit(kind="ac", nominal=rms, frequency=["50 Hz"]).input

        assert line.nominal_v * line.peak_factor == pytest.approx(peak_v, abs=0.005)
        assert unit().input.peak_factor == 1.0

    @given(st.floats(1e-3, 1e5), st.floats(0.1, 99.9))
    def test_nominal_lies_within_its_tolerance(self, nominal_v: float, percent: float) -> None:
        """Whatever the figures, nominal voltage lies between the corners."""
        line = unit(nominal=f"{nominal_v!r} V", tolerance=f"{percent!r} %").input

        assert 0 < line.lowest_v < line.nominal_v < line.highest_v < math.inf

    @pytest.mark.parametrize("tolerance", ["0 %", "100 %", "-5 %", "10", "10 V"])
    def test_a_tolerance_leaves_a_voltage(self, tolerance: str) -> None:
        """A tolerance is above zero and below the whole voltage."""
        with pytest.raises(ValidationError):
            unit(tolerance=tolerance)

    @pytest.mark.parametrize(
        ("key", "value", "problem"),
        [
            ("idle_power", "29 W", "29 W is more than the unit's nominal 28.8 W"),
            ("start_threshold", "25 V", "25 V is more than the unit's nominal 24 V"),
            ("leakage", "1.3 A", "1.3 A is more than the unit's nominal 1.2 A"),
        ],
    )
    def test_what_a_healthy_unit_draws_stays_within_its_rating(
        self, key: str, value: str, problem: str
    ) -> None:
        """Figures that would let a budget pass anything are refused."""
        with pytest.raises(ValidationError) as caught:
            unit(**{key: value})

        assert caught.value.errors()[0]["ctx"]["problem"] == problem

    def test_dc_has_no_frequency(self) -> None:
        """A frequency is a key of AC inputs alone."""
        with pytest.raises(ValidationError, match="frequency"):
            unit(frequency=["50 Hz"])


UNIVERSAL = {
    "kind": "ac",
    "nominal": "100 V to 240 V",
    "frequency": ["50 Hz", "60 Hz"],
    "current": "2.6 A",
    "boosted_voltage": "390 V",
}


class TestRange:
    """A nominal range (universal input) has two ends; its current is that of the lower one."""

    @pytest.fixture
    def line(self) -> Any:
        """Return the input of a universal unit with a boost stage."""
        return unit(**UNIVERSAL).input

    def test_both_ends_have_their_tolerance(self, line: Any) -> None:
        """The lowest line is the lower end less its tolerance, the highest the upper plus it."""
        assert (line.lowest_v, line.highest_v) == pytest.approx((90.0, 264.0))
        assert line.nominal == "100 V to 240 V"

    def test_what_is_left_out_goes_by_the_lower_end(self, line: Any) -> None:
        """Threshold and idle power that are left out are shares at the lower end."""
        assert line.start_threshold_v == pytest.approx(50.0)
        assert line.idle_power_w == pytest.approx(26.0)

    def test_on_one_line_it_is_an_input_of_that_voltage(self, line: Any) -> None:
        """On a line of one voltage nothing of the range is left but its threshold."""
        high = line.at(240.0)
        assert (high.nominal_v, high.low_nominal_v, high.has_range) == (240.0, 240.0, False)
        assert high.start_threshold_v == pytest.approx(50.0)

    def test_the_bulk_capacitor_holds_what_the_boost_stage_holds_it_at(self, line: Any) -> None:
        """It holds the boosted voltage, or the peak of a line that is above it."""
        assert line.stored_v(100.0) == pytest.approx(390.0)
        assert line.stored_v(300.0) == pytest.approx(300.0 * math.sqrt(2))

    @pytest.mark.parametrize(
        ("changes", "words"),
        [
            ({"nominal": "240 V to 100 V"}, "does not rise"),
            ({"nominal": "100 to 240 V"}, "'100'"),
            ({"nominal": "100 V to 200 V to 240 V"}, "no range"),
            ({"nominal": "0 V to 240 V"}, "not above zero"),
            ({"boosted_voltage": "300 V"}, "the peak of a line of 240 V"),
        ],
    )
    def test_what_is_no_range_is_told(self, changes: dict[str, str], words: str) -> None:
        """Each slip is told once, in its own words."""
        with pytest.raises(ValidationError, match=words) as failed:
            unit(**{**UNIVERSAL, **changes})
        assert failed.value.error_count() == 1
