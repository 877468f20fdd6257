from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.quantity import (
    QuantityError,
    format_limits,
    format_pair,
    format_quantity,
    parse_quantity,
    shown,
    split_quantity,
    unit_of,
)

UNITS = ("V", "A", "W", "VA", "F", "H", "C", "J", "ohm", "s", "Hz", "m")
REGISTRY = pint.UnitRegistry()
PREFIXES = ("p", "n", "u", "\u00b5", "\u03bc", "m", "", "k", "M")


class TestParse:
    @pytest.mark.parametrize(
        ("text", "unit", "value"),
        [
            ("24 V", "V", 24.0),
            ("24V", "V", 24.0),
            ("  24   V ", "V", 24.0),
            ("+.5 A", "A", 0.5),
            ("-5 degC", "degC", -5.0),
            ("1e3 mV", "V", 1.0),
            ("470 uF", "F", 470e-6),
            ("470 \u00b5F", "F", 470e-6),
            ("57 %", "%", 0.57),
            ("50 ppm", "%", 50e-6),
            ("1.5 kohm", "ohm", 1500.0),
            ("1.5 k\u03a9", "ohm", 1500.0),
            ("25 \u00b0C", "degC", 25.0),
            ("2 min", "s", 120.0),
            ("2000 h", "s", 7.2e6),
            ("2 days", "s", 172800.0),
            ("1 kilovolt", "V", 1000.0),
            ("0.1 kilohertz", "Hz", 100.0),
            ("300 K", "degC", 26.85),
            ("3.3 mH", "H", 3.3e-3),
            ("8 mm", "m", 8e-3),
            ("1200 rpm", "rpm", 1200.0),
            ("45 dB", "dB", 45.0),
            ("0.95", "1", 0.95),
            (3, "1", 3.0),
        ],
    )
    def test_reads_what_technicians_write(self, text: object, unit: str, value: float) -> None:
        """Numbers with usual and unusual spellings of their unit read as SI values."""
        assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)

    @pytest.mark.parametrize(
        ("spelling", "unit"),
        [("uF", "F"), ("Mohm", "ohm"), ("min", "s"), ("1", None), ("", "1"), ("Nm", None)],
    )
    def test_a_spelling_is_of_one_unit(self, spelling: str, unit: str | None) -> None:
        """A unit in any prefix is known by its own name; what no instrument shows is none."""
        assert unit_of(spelling) == unit

    @pytest.mark.parametrize(
        ("text", "unit", "message"),
        [
            (24, "V", 'the number 24 has no unit; expected a voltage; for example: "24 V"'),
            ("24", "V", "'24' has no unit; expected a voltage; for example: \"24 V\""),
            ("5 A", "V", "'5 A' is a current; expected a voltage; for example: \"24 V\""),
            ("40 VA", "W", "'40 VA' is an apparent power; expected a power; for example: \"36 W\""),
            (
                "5 wums",
                "s",
                (
                    "'5 wums' is in a unit that is not known here; expected a time; "
                    'for example: "1 s"'
                ),
            ),
            ("fast", "s", "'fast' is not a time; for example: \"1 s\""),
            ("", "A", "'' is not a current; for example: \"300 mA\""),
            ("1e999 V", "V", "'1e999 V' is not a voltage; for example: \"24 V\""),
            ("1e308 V", "V", "'1e308 V' is too large; for example: \"24 V\""),
            (1e19, "1", "1e+19 is too large; for example: 0.95"),
            (
                "5e-324 F",
                "F",
                ("'5e-324 F' is too small; if it means nothing, write 0; for example: \"470 uF\""),
            ),
            ("1e307 MV", "V", "'1e307 MV' is too large; for example: \"24 V\""),
            (True, "V", 'expected a voltage with its unit, got true; for example: "24 V"'),
            ([1], "A", 'expected a current with its unit, got a list; for example: "300 mA"'),
            ({}, "A", 'expected a current with its unit, got a table; for example: "300 mA"'),
            (True, "1", "expected a plain number, got true; for example: 0.95"),
            (math.nan, "1", "nan is not a plain number; for example: 0.95"),
            (10**400, "1", "a very large whole number is not a plain number; for example: 0.95"),
            (
                "50 rpm",
                "Hz",
                ("'50 rpm' is a speed of rotation; expected a frequency; for example: \"50 Hz\""),
            ),
            (
                "3 dB",
                "%",
                "'3 dB' is a sound level; expected a percentage; for example: \"10 %\"",
            ),
        ],
    )
    def test_tells_what_is_wrong(self, text: object, unit: str, message: str) -> None:
        """Every text that is no such quantity is answered by what it is and an example."""
        with pytest.raises(QuantityError) as caught:
            parse_quantity(text, unit)

        assert str(caught.value) == message

    @pytest.mark.parametrize("text", ["9**9**9 V", "1 V**9", "1 (V)", "1 __import__", "1 V;A"])
    def test_works_nothing_out(self, text: str) -> None:
        """An expression where a unit is due is refused, never worked out."""
        with pytest.raises(QuantityError):
            parse_quantity(text, "V")

    @pytest.mark.parametrize("unit", UNITS)
    @pytest.mark.parametrize("prefix", PREFIXES)
    def test_agrees_with_pint(self, unit: str, prefix: str) -> None:
        """The table of prefixes gives what the reference library gives.

        Source: pint, for SI prefixes (ISO 80000-1).
        """
        wanted = {"VA": "volt*ampere", "C": "coulomb", "F": "farad"}.get(unit, unit)
        expected = REGISTRY.Quantity(3.7, f"{prefix}{unit}").to(wanted).magnitude

        assert parse_quantity(f"3.7 {prefix}{unit}", unit) == pytest.approx(expected, rel=1e-12)

    @pytest.mark.parametrize("unit", ["min", "h"])
    def test_times_agree_with_pint(self, unit: str) -> None:
        """Longer times are what the reference library takes them for, and nothing but times.

        Source: pint, for units accepted with the SI (ISO 80000-3).
        """
        expected = REGISTRY.Quantity(3.7, unit).to("s").magnitude

        assert parse_quantity(f"3.7 {unit}", "s") == pytest.approx(expected, rel=1e-12)
        with pytest.raises(QuantityError, match="is a time; expected a voltage"):
            parse_quantity(f"3.7 {unit}", "V")

    @given(st.text(max_size=120), st.sampled_from([*UNITS, "%", "degC", "1"]))
    def test_no_text_breaks_it(self, text: str, unit: str) -> None:
        """Any text at all gives a finite value or a QuantityError."""
        try:
            value = parse_quantity(text, unit)
        except QuantityError:
            return
        assert math.isfinite(value)

    @given(st.integers(0, 10_000))
    def test_percentages_round_once(self, hundredths: int) -> None:
        """A percentage reads as the float nearest to the share that is written."""
        assert parse_quantity(f"{hundredths} %", "%") == hundredths / 100


class TestSplit:
    @pytest.mark.parametrize(
        ("text", "parts"),
        [("1.5 kohm", (1.5, "kohm")), ("7", (7.0, "")), ("-1e-3 V", (-1e-3, "V"))],
    )
    def test_parts_number_and_unit(self, text: str, parts: tuple[float, str]) -> None:
        """Number and unit come apart; the unit may be missing."""
        assert split_quantity(text) == parts

    @pytest.mark.parametrize("text", ["", "V", "1e999 V", "nan V", "inf", "1 2 V", "1" * 101])
    def test_refuses_what_is_no_number(self, text: str) -> None:
        """Text that begins with no finite decimal number is refused."""
        with pytest.raises(ValueError, match=r".*"):
            split_quantity(text)


class TestFormat:
    @pytest.mark.parametrize(
        ("value", "unit", "text"),
        [
            (470e-6, "F", "470 uF"),
            (0.08, "A", "80 mA"),
            (26.4, "V", "26.4 V"),
            (0.99996, "V", "1 V"),
            (1500.0, "ohm", "1.5 kohm"),
            (0.0, "V", "0 V"),
            (-0.0, "V", "0 V"),
            (-0.005, "A", "-5 mA"),
            (math.nan, "V", "-"),
            (math.inf, "V", "inf V"),
            (0.1, "%", "10 %"),
            (0.0000001, "%", "1e-05 %"),
            (0.95, "1", "0.95"),
            (0.05, "s", "50 ms"),
            (120.0, "s", "120 s"),
            (60.0, "Hz", "60 Hz"),
            (1200.0, "Hz", "1200 Hz"),
            (300e3, "Hz", "300 kHz"),
            (20e6, "Hz", "20 MHz"),
            (12345.6, "s", "12346 s"),
            (1e-15, "F", "0 F"),
            (-7.594e-24, "V", "0 V"),  # a difference of two floats, no voltage
            (-7.594e-24, "%", "0 %"),
            (0.6e-12, "V", "1 pV"),
            (1.25e-12, "F", "1.25 pF"),
            (25.0, "degC", "25 degC"),
        ],
    )
    def test_shows_what_technicians_read(self, value: float, unit: str, text: str) -> None:
        """Values are shown with the usual prefix, without needless digits."""
        assert format_quantity(value, unit) == text

    @given(
        st.sampled_from([*UNITS, "%", "degC", "1"]),
        st.floats(1e-9, 1e9) | st.floats(-1e9, -1e-9) | st.just(0.0),
        st.integers(1, 15),
    )
    def test_reads_back(self, unit: str, value: float, digits: int) -> None:
        """What was shown reads back as the value, to the digits shown."""
        text = format_quantity(value, unit, digits)

        assert parse_quantity(text, unit) == pytest.approx(value, rel=0.5001 * 10 ** (1 - digits))


class TestShown:
    @pytest.mark.parametrize(
        ("value", "text"),
        [
            ("a\nb", r"'a\nb'"),
            ("x" * 99, "'" + "x" * 56 + "..."),
            (True, "true"),
            ({"a": 1}, "a table"),
            ([1], "a list"),
            (10**400, "a very large whole number"),
            (1.5, "1.5"),
        ],
    )
    def test_stays_on_one_short_line(self, value: object, text: str) -> None:
        """Whatever stands in a file is shown on one line of bounded length."""
        assert shown(value) == text


class TestPair:
    @pytest.mark.parametrize(
        ("half", "most", "unit", "shown"),
        [
            (0.0087, 0.0087, "C", "8.7/8.7 mC"),
            (0.072, 0.301, "J", "72/301 mJ"),
            (0.00098, 1.234, "A²s", "0.00098/1.23 A²s"),
            (0.056, 0.155, "s", "0.056/0.155 s"),
            (0.0, 0.0, "C", "0/0 C"),
            (0.00095, 0.0009996, "J", "0.95/1 mJ"),
        ],
    )
    def test_two_figures_share_their_unit(
        self, half: float, most: float, unit: str, shown: str
    ) -> None:
        """Both figures come in the unit that suits the greater, which is written once."""
        assert format_pair(half, most, unit, 3) == shown


class TestFormatLimits:
    @pytest.mark.parametrize(
        ("low", "high", "text"),
        [
            (4.9, 5.1, "4.9 V to 5.1 V"),
            (4.9, None, "at least 4.9 V"),
            (math.nan, 0.08, "at most 80 mV"),
            (None, None, "none"),
            (math.nan, math.nan, "none"),
            (0.0, 0.1, "0 V to 100 mV"),
        ],
    )
    def test_limits_read_as_one_interval(
        self, low: float | None, high: float | None, text: str
    ) -> None:
        """Both limits, one, or none are put into words."""
        assert format_limits(low, high, "V") == text
