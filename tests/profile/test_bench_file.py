from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from pydantic_core import PydanticCustomError

from harness.errors import FileError
from harness.profile.accuracy import Accuracy, Band
from harness.profile.bench_file import BenchFile
from harness.profile.instruments import SerialLine
from harness.profile.load import load_bench


class TestAccuracy:
    @pytest.mark.parametrize(
        ("text", "unit", "accuracy"),
        [
            ("0.05 % + 10 mV", "V", Accuracy(0.0005, 0.01)),
            ("10 mV + 0.05 %", "V", Accuracy(0.0005, 0.01)),
            ("50 ppm+1uA", "A", Accuracy(50e-6, 1e-6)),
            ("0.2 %", "A", Accuracy(0.002, 0.0)),
            ("1e+1 mV", "V", Accuracy(0.0, 0.01)),
            ("0.1 % + 0.1 ohm", "ohm", Accuracy(0.001, 0.1)),
            ("1 degC", "degC", Accuracy(0.0, 1.0)),
            ("0.5 K", "degC", Accuracy(0.0, 0.5)),
        ],
    )
    def test_reads_a_share_and_a_fixed_part(self, text: str, unit: str, accuracy: Accuracy) -> None:
        """A share of the reading and a fixed part stand in either order, or alone."""
        assert Accuracy.parse(text, unit) == accuracy

    @pytest.mark.parametrize(
        ("text", "problem"),
        [
            ("10 mV + 20 mV", "'10 mV + 20 mV' gives a fixed part twice"),
            ("10 mV + 10 mV", "'10 mV + 10 mV' gives a fixed part twice"),
            ("0.05 + 10 mV", "'0.05' has no unit; expected a voltage"),
            ("-1 % + 10 mV", "'-1 %' is below zero"),
            ("0.05 % + ", "'' is not a voltage"),
            ("200 %", "'200 %' is more than the whole reading"),
            ("", "'' is not a voltage"),
        ],
    )
    def test_tells_what_is_wrong(self, text: str, problem: str) -> None:
        """Anything else is answered by what is wrong with it."""
        with pytest.raises(PydanticCustomError) as caught:
            Accuracy.parse(text, "V")

        assert caught.value.message() == problem

    def test_an_ac_voltage_goes_with_its_band(self) -> None:
        """What an accuracy of an AC voltage holds for stands behind it."""
        accuracy = Accuracy.parse("0.5 % + 2 mV, 20 Hz to 20 MHz", "V", banded=True)

        assert accuracy == Accuracy(0.005, 0.002, band=Band(20.0, 20e6))
        assert str(accuracy.band) == "20 Hz to 20 MHz"

    @pytest.mark.parametrize(
        ("text", "problem"),
        [
            ("1 mV, 20 Hz", "expected a band of frequencies, got '20 Hz'"),
            ("1 mV, 20 Hz to", "expected a band of frequencies, got '20 Hz to'"),
            ("1 mV, 20 to 40 Hz", "'20' has no unit; expected a frequency"),
            ("1 mV, 20 Hz to 20 Hz", "'20 Hz to 20 Hz' does not rise from zero or above"),
            ("1 mV, -1 Hz to 20 Hz", "'-1 Hz to 20 Hz' does not rise from zero or above"),
            (
                "20 Hz to 40 Hz",
                "'20 Hz to 40 Hz' is in a unit that is not known here; expected a voltage",
            ),
        ],
    )
    def test_tells_what_is_wrong_with_a_band(self, text: str, problem: str) -> None:
        """A band that is none is answered by what is wrong with it."""
        with pytest.raises(PydanticCustomError) as caught:
            Accuracy.parse(text, "V", banded=True)

        assert caught.value.message() == problem

    def test_only_an_ac_voltage_has_a_band(self) -> None:
        """A band elsewhere is a mistake: it would be believed and never looked at."""
        with pytest.raises(PydanticCustomError) as caught:
            Accuracy.parse("1 mV, 20 Hz to 40 Hz", "V")

        assert caught.value.message() == (
            "only an AC voltage of the meter has a band of frequencies"
        )

    @given(st.floats(0, 1), st.floats(0, 1e3), st.floats(-1e6, 1e6))
    def test_the_bound_never_depends_on_the_sign(
        self, share: float, fixed: float, reading: float
    ) -> None:
        """A bound is never negative, and the same for both signs of a reading."""
        accuracy = Accuracy(share, fixed)

        assert accuracy.bound(reading) == accuracy.bound(-reading) >= fixed


class TestBenchFile:
    def test_takes_accuracies_from_a_script(self) -> None:
        """A script may hand in accuracies as they are, without text."""
        bench = BenchFile.model_validate(
            {
                "name": "bench",
                "supply": {
                    "kind": "dc",
                    "resource": "X",
                    "dialect": "scpi-dc-supply",
                    "accuracy": {"voltage": Accuracy(0.1, 0.2)},
                },
            }
        )

        assert bench.supply.accuracy["voltage"].bound(1.0) == pytest.approx(0.3)
        assert list(bench.instruments) == ["supply"]


def bench_with(**supply: object) -> BenchFile:
    table = {"kind": "dc", "resource": "ASRL3::INSTR", "dialect": "scpi-dc-supply", **supply}
    return BenchFile.model_validate({"name": "bench", "supply": table})


class TestLink:
    def test_a_bench_says_how_an_instrument_is_reached(self) -> None:
        """Time-out, terminator, settle time and serial port can be said for each instrument."""
        supply = bench_with(
            timeout="2 s",
            terminator="CRLF",
            settle="50 ms",
            serial_line={"baud_rate": 19200, "parity": "even", "flow_control": "rts/cts"},
        ).supply

        assert (supply.timeout_s, supply.terminator, supply.settle_s) == (2.0, "CRLF", 0.05)
        assert supply.serial_line == SerialLine(
            baud_rate=19200, data_bits=8, parity="even", stop_bits=1, flow_control="rts/cts"
        )

    @pytest.mark.parametrize("key", ["timeout", "settle"])
    @pytest.mark.parametrize(
        ("role", "longest_s"), [("supply", 5.0), ("load", 5.0), ("meter", 60.0)]
    )
    def test_nobody_is_waited_for_longer_than_power_may_hang_on_it(
        self, tmp_path: Path, role: str, longest_s: float, key: str
    ) -> None:
        """A time-out beyond its bound is refused, with file, line, key, reason and example."""
        text = 'name = "b"\n[supply]\nkind = "dc"\nresource = "A"\ndialect = "d"\n'
        if role != "supply":
            text += f'[{role}]\nresource = "B"\ndialect = "d"\n'
        file = tmp_path / "bench.toml"
        file.write_text(f'{text}{key} = "{longest_s:g} s"\n', encoding="utf-8")
        assert getattr(load_bench(file).instruments[role], f"{key}_s") == longest_s

        file.write_text(f'{text}{key} = "1e6 s"\n', encoding="utf-8")
        with pytest.raises(FileError) as caught:
            load_bench(file)
        line = text.count("\n") + 1
        why = "" if role == "meter" else ", for power hangs on it"
        assert str(caught.value) == (
            f"{file}:{line}: {role}.{key}: 1e+06 s is more than {longest_s:g} s, the longest that "
            f'a {role} may be waited for{why}; for example: {key} = "2 s"'
        )

    def test_a_serial_port_is_as_instruments_leave_the_factory(self) -> None:
        """Left out, a serial port runs at 9600 baud, 8 bits, no parity, 1 stop bit."""
        # common practice: "9600 8N1"
        assert bench_with().supply.serial_line.model_dump() == {
            "baud_rate": 9600,
            "data_bits": 8,
            "parity": "none",
            "stop_bits": 1,
            "flow_control": "none",
        }

    @pytest.mark.parametrize("rate", ["9600", 9600.0, True, 0, 49, 4_000_001])
    def test_a_baud_rate_is_a_whole_number(self, rate: object) -> None:
        """A baud rate is a whole number between 50 and 4 million."""
        with pytest.raises(ValidationError, match="baud_rate"):
            bench_with(serial_line={"baud_rate": rate})
