"""Each way of speaking that the guide shows, at the instrument: what is sent, what is understood.

The answers are those of the guide's own words. Whole runs with partners on a wire are in
``tests/acceptance/test_ways_of_speaking.py``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import pytest

from harness.bench.dialect import BUILT_IN, Dialect, load_dialect
from harness.bench.roles import Instrument
from harness.rehearse.clock import SimulatedClock
from tests.markdown import fenced, named_files

DOCS = Path(__file__).parents[2] / "docs"
GUIDE = (DOCS / "own-instrument.md").read_text(encoding="utf-8")
FILES = {
    name: text
    for page in ("own-instrument", "files-by-hand")
    for name, text in named_files(
        page, tuple(fenced((DOCS / f"{page}.md").read_text(encoding="utf-8")))
    ).items()
}


class Case(NamedTuple):
    """What goes over the wire, and what is made of it."""

    answers: Mapping[str, str]
    sent: Mapping[str, float | None]  # operations in order, with their values
    messages: tuple[str, ...]  # what they put on the wire
    read: Mapping[str, float]  # of a supply, load or power meter: its readings
    values: Mapping[str, float] = {}
    states: Mapping[str, bool] = {}


BOTH = {"set_voltage": 12.0, "set_current_limit": 0.5}
CASES = {
    "two-channel-supply.toml": Case(
        {"MEAS:VOLT? (@1);:MEAS:CURR? (@1);:STAT:QUES:COND?": "12.0;0.25;0", "OUTP? (@1)": "1"},
        BOTH,
        ("VOLT 12.000,(@1)", "CURR 0.500,(@1)"),
        {"voltage": 12.0, "current": 0.25},
        states={"output_state": True},
    ),
    "chosen-channel-supply.toml": Case(
        {"SYST:ERR?": '0,"No error"', "MEAS:VOLT?;:MEAS:CURR?": "12.0;0.25"},
        BOTH,
        ("SYST:ERR?", "SYST:REM", "INST:NSEL 2", "SYST:ERR?", "VOLT 12.000", "CURR 0.5000"),
        {"voltage": 12.0, "current": 0.25},
    ),
    "apply-supply.toml": Case(
        {
            "APPL P1,12.000,0.0000": "OK",
            "APPL P1,12.000,0.5000": "OK",
            "APPL? P1": "12.000,0.5000",
            "MEAS? P1": "11.998,0.2500",
            "OUT? P1": "OFF",
        },
        BOTH,
        ("APPL P1,12.000,0.0000", "APPL P1,12.000,0.5000"),
        {"voltage": 11.998, "current": 0.25},
        {"voltage_setting": 12.0, "current_limit_setting": 0.5},
        {"output_state": False},
    ),
    "letter-supply.toml": Case(
        {"VO?": "11.998", "IO?": "00.2500", "ST?": "\xc0", "V1?": "12.00"},
        BOTH,
        ("V1:12.00", "I1:0.500"),
        {"voltage": 11.998, "current": 0.25},
        {"voltage_setting": 12.0},
        {"output_state": True},
    ),
    "word-supply.toml": Case(
        {"READ?": "11.998V  0.2500A CC", "SET:V?": "12.000 V", "OUT?": "OUT OFF"},
        BOTH,
        ("SET:V 12.000", "SET:I 0.5000"),
        {"voltage": 11.998, "current": 0.25, "status": 1},
        {"voltage_setting": 12.0},
        {"output_state": False},
    ),
    "counting-supply.toml": Case(
        {"GET?": "11998,02500,7", "VOLT?": "12000", "STAT?": "41"},
        BOTH,
        ("VOLT12000", "CURR05000"),
        {"voltage": 11.998, "current": 0.25},
        {"voltage_setting": 12.0},
        {"output_state": False},
    ),
    "echoing-supply.toml": Case(
        {"MEAS:VOLT?": "12.0", "MEAS:CURR?": "0.25", "OUTP:MODE?": "CC", "PROT:TRIP?": "NO"},
        BOTH,
        ("VOLT 12.000", "CURR 0.5000"),
        {"voltage": 12.0, "current": 0.25},
        states={"current_limit_state": True, "protection_state": False},
    ),
    "register-supply.toml": Case(
        {"input 0x20 i16 i32-swapped": "1200;2500", "discrete 2": "0", "coil 1": "1"},
        BOTH,
        ("holding 0x10 = 1200", "holding 0x11 = 500"),
        {"voltage": 12.0, "current": 0.25},
        states={"output_state": True},
    ),
    "configured-meter.toml": Case({"READ?": "5.01"}, {}, (), {}, {"measure_voltage_dc": 5.01}),
    "scanning-meter.toml": Case(
        {"MEAS:VOLT:DC? AUTO,(@101)": "+5.01E+00", "MEAS:TEMP? TC,K,(@102)": "+2.3E+01"},
        {},
        (),
        {},
        {"measure_voltage_dc": 5.01, "measure_temperature": 23.0},
    ),
    "channel-load.toml": Case(
        {"CHAN 1;:MEAS:VOLT?;:MEAS:CURR?": "5.0;1.25", "CHAN 1;:IN?": "1"},
        {"set_constant_current": None, "set_current": 1.25, "input_on": None},
        ("CHAN 1;:MODE CC", "CHAN 1;:MODE CC;:LEV 1.2500", "CHAN 1;:IN ON"),
        {"voltage": 5.0, "current": 1.25},
        states={"input_state": True},
    ),
    "relay-board.toml": Case(
        {"A?": "A:1"},
        {"contact_close": None, "contact_open": None},
        ("A1", "A0"),
        {},
        states={"contact_state": True},
    ),
}


class Wire:
    """A link with these answers, and no others."""

    name = "instrument (wire)"
    timeout_s = 1.0

    def __init__(self, answers: Mapping[str, str]) -> None:
        self.answers = answers
        self.messages: list[str] = []

    def write(self, message: str) -> None:
        """Note it."""
        self.messages.append(message)

    def query(self, message: str) -> str:
        """Answer it."""
        self.messages.append(message)
        return self.answers[message]

    def reopen(self) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Do nothing."""


def loaded(name: str, folder: Path) -> Dialect:
    path = folder / name
    path.write_text(FILES[name], encoding="utf-8")
    return load_dialect(str(path))


@pytest.mark.parametrize("name", CASES)
class TestFile:
    def test_what_is_sent(self, name: str, tmp_path: Path) -> None:
        """Its messages are those of the manual, digit for digit."""
        case = CASES[name]
        wire = Wire(case.answers)
        instrument = Instrument(wire, loaded(name, tmp_path), SimulatedClock())

        for operation, value in case.sent.items():
            instrument.send(operation, value)

        assert tuple(wire.messages) == case.messages

    def test_what_is_understood(self, name: str, tmp_path: Path) -> None:
        """Its answers become volts, amperes, on and off."""
        case = CASES[name]
        instrument = Instrument(Wire(case.answers), loaded(name, tmp_path), SimulatedClock())

        if case.read:
            assert instrument.read(*case.read) == pytest.approx(dict(case.read))
        for operation, value in case.values.items():
            assert instrument.value(operation) == pytest.approx(value)
        for operation, on in case.states.items():
            assert instrument.state(operation) is on


class TestTable:
    ROWS = re.search(r"\| it \| on the wire .*?\n\n", GUIDE, re.DOTALL)

    def test_it_has_seventeen_ways_each_with_a_file_that_is_tried(self) -> None:
        """Every row leads to a file that is shown and driven here, or comes with the program."""
        assert self.ROWS is not None
        rows = self.ROWS[0].strip().splitlines()[2:]
        listed = "listed-power-meter.toml"  # tests/bench/test_power_meter.py

        assert len(rows) == 17
        for row in rows:
            files = re.findall(r"`([\w-]+\.toml|scpi-[\w-]+)`", row.rsplit("|", 2)[1])
            assert files, row
            assert set(files) <= {*CASES, *BUILT_IN, listed}, row
