"""Mistakes in a dialect of registers, each by its name."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.bench.dialect import load_dialect
from harness.errors import FileError
from tests.markdown import fenced, named_files

PAGE = Path(__file__).parents[2] / "docs" / "own-instrument.md"
GOOD = named_files("own-instrument", tuple(fenced(PAGE.read_text(encoding="utf-8"))))[
    "register-supply.toml"
]


class TestMistakes:
    @pytest.mark.parametrize(
        ("old", "new", "says"),
        [
            ('"holding 0x10 = {value}"', '"VOLT {value}"', "expected holding, input, coil"),
            ('"holding 0x10 = {value}"', '"input 0x10 = {value}"', "written to input"),
            ('"coil 1 = on"', '"coil 1"', "send.output_on: nothing is written here: 'coil 1'"),
            ('"input 0x20 i16"', '"holding 1 = 5"', "a question writes nothing"),
            ('"input 0x20 i16"', '"input 0x20 u16 u16"', "several stand under [sample]"),
            ('"input 0x20 i16"', '"input 0x20 i61"', "did you mean 'i16'"),
            (
                "set_voltage       = { scale = 0.01 }",
                "",
                "decimals.set_voltage: a register takes whole numbers",
            ),
            ("{ scale = 0.01 }\nset", "2\nset", "a register takes whole numbers"),
            ('"input 0x20 i16 i32-swapped"', '"input 0x20 i16"', "is answered by 1 values"),
            ('"input 0x20 i16 i32-swapped"', '"holding 1 u16 u16 = 1 2"', "writes nothing"),
            ('"modbus"', '"modbus"\nterminator = "CR"', "registers know nothing like it"),
            ('"modbus"', '"modbus"\n[begin]\nsend = ["coil 2"]', "nobody reads the answer"),
            (
                '"modbus"',
                '"modbus"\n[begin]\nsend = ["coil 0x1 = off"]',
                "begin.send[0]: 'coil 0x1 = off' writes what output_on writes",
            ),
            (
                '"modbus"',
                '"modbus"\n[end]\nsend = ["holding 15 u32 = 0"]',
                "writes what set_voltage writes: that is the keeper's",
            ),
            ('output_off        = "coil 1 = off"', "", 'example: output_off = "coil 1 = on"'),
        ],
    )
    def test_each_is_named(self, tmp_path: Path, old: str, new: str, says: str) -> None:
        """A message that means nothing, or reaches what the keeper guards, is refused."""
        assert old in GOOD
        path = tmp_path / "own.toml"
        path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")

        with pytest.raises(FileError) as caught:
            load_dialect(str(path))

        assert says in str(caught.value)

    def test_a_contact_is_closed_by_the_keeper_alone(self, tmp_path: Path) -> None:
        """What comes first does not close the contact of a switch (safety rule 3)."""
        path = tmp_path / "relay.toml"
        path.write_text(
            'name = "relay"\nrole = "switch"\n[link]\nprotocol = "modbus"\n'
            '[begin]\nsend = ["coil 0x3 = on"]\n'
            '[send]\ncontact_close = "coil 3 = on"\ncontact_open = "coil 3 = off"\n'
            '[ask]\ncontact_state = "coil 3"\n',
            encoding="utf-8",
        )

        with pytest.raises(FileError, match="writes what contact_close writes"):
            load_dialect(str(path))
