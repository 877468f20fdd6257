"""Messages of registers: what they mean, and what is wrong with them."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.registers import Registers, read_registers


class TestRead:
    @pytest.mark.parametrize(
        ("message", "means"),
        [
            ("holding 16", Registers(table="holding", address=16, types=("u16",))),
            ("input 0x20 i32", Registers(table="input", address=32, types=("i32",))),
            ("coil 1", Registers(table="coil", address=1)),
            ("coil 1 = on", Registers(table="coil", address=1, written=("on",))),
            ("device", Registers(table="device")),
            (
                "holding 0x10 u16 u32-swapped = 5 6",
                Registers(
                    table="holding", address=16, types=("u16", "u32-swapped"), written=("5", "6")
                ),
            ),
        ],
    )
    def test_a_message_names_table_address_types_and_values(
        self, message: str, means: Registers
    ) -> None:
        """What a line of a dialect says is what goes on the wire."""
        assert read_registers(message) == means

    @pytest.mark.parametrize(
        ("message", "says"),
        [
            ("", "expected holding, input, coil, discrete and an address"),
            ("holdng 5", "did you mean 'holding'"),
            ("holding", "and an address"),
            ("holding five", "'five' is no address, such as 16 or 0x10"),
            ("holding 65536", "addresses go from 0 to 65535"),
            ("holding 65535 u32", "no more than 60 registers"),
            ("holding 1 u61", "did you mean 'u16'"),
            ("holding 1 u16-swapped", "there is no type"),
            ("coil 1 u16", "a bit has no type"),
            ("input 1 = 5", "nothing can be written to input"),
            ("holding 1 = ", "there are 1 values to write, not 0"),
            ("holding 1 = 5 6", "there are 1 values to write, not 2"),
            ("holding 1 text4 = ABC", "text is only read"),
            ("coil 1 = 2", "a bit is on or off, not '2'"),
            ("device = 1", "expected"),
        ],
    )
    def test_what_is_wrong_is_said(self, message: str, says: str) -> None:
        """A message that means nothing is a mistake with its reason."""
        with pytest.raises(ValueError, match=says):
            read_registers(message)


class TestValues:
    # Two's complement and IEEE 754 as struct packs them, high word first: the usual order of
    # instruments (common practice); the specification leaves it open.
    @pytest.mark.parametrize(
        ("name", "code", "values"),
        [
            ("u16", ">H", (0, 1200, 65535)),
            ("i16", ">h", (-32768, -1, 32767)),
            ("u32", ">I", (0, 65536, 2**32 - 1)),
            ("i32", ">i", (-(2**31), -1, 2**31 - 1)),
            ("f32", ">f", (0.0, -1.5, 12.25)),
        ],
    )
    def test_values_have_the_words_that_struct_gives_them(
        self, name: str, code: str, values: tuple[float, ...]
    ) -> None:
        """Width, sign and order of words, both ways."""
        for value in values:
            raw = struct.pack(code, value)
            words = list(struct.unpack(f">{len(raw) // 2}H", raw))
            for label, order in ((name, words), (f"{name}-swapped", words[::-1])):
                if label.endswith("16-swapped"):
                    continue
                message = read_registers(f"holding 0 {label} = {value}")
                assert message.words() == order
                assert float(message.text_of(order)) == value

    @given(st.floats(width=32, allow_nan=False, allow_infinity=False))
    def test_a_float_comes_back_as_it_was(self, value: float) -> None:
        """Nine digits are enough for any float of 32 bits."""
        message = read_registers(f"holding 0 f32 = {value!r}")

        assert struct.pack(">f", float(message.text_of(message.words()))) == struct.pack(
            ">f", value
        )

    @pytest.mark.parametrize(
        ("name", "value", "says"),
        [
            ("u16", "65536", "does not fit into u16"),
            ("u16", "-1", "does not fit into u16"),
            ("i16", "40000", "does not fit into i16"),
            ("u16", "12.5", "no whole number"),
            ("f32", "1e39", "does not fit into f32"),
            ("u16", "nan", "does not fit"),
            ("u16", "x", "does not fit"),
        ],
    )
    def test_what_does_not_fit_is_never_written(self, name: str, value: str, says: str) -> None:
        """A value beyond its type is refused, not cut."""
        with pytest.raises(ValueError, match=says):
            read_registers(f"holding 0 {name} = {value}").words()

    def test_several_values_stand_one_after_the_other(self) -> None:
        """One message reads a block of them."""
        message = read_registers("input 0x20 i16 i32-swapped text2")

        assert message.count == 5
        assert message.text_of([0xFFFF, 5, 0, 0x4142, 0x4300]) == "-1;5;ABC"
