"""Every message of every built-in dialect, against instruments that parse SCPI-1999 strictly.

Whole runs against the same instruments are in ``tests/acceptance/test_outside_bench.py``.
"""

from __future__ import annotations

from typing import Any

import pytest

from harness.bench.dialect import BUILT_IN, load_dialect
from harness.bench.scpi import boolean, error_entry, number
from harness.profile.measures import OPERATIONS
from tests.outside.bench import Bench
from tests.outside.partner import OutsideBench

#: A value that each setting may have.
VALUES = {"set_frequency": 60.0, "set_voltage_protection": 26.4, "set_resistance": 10.0}
ALL = {"power_meter": True, "switch": True}


def device_of(name: str) -> Any:
    """Return the strict instrument that a dialect is for."""
    kind = "ac" if name.startswith("scpi-ac-source") else "dc"
    bench = Bench({"kind": kind, **ALL})
    return bench._instruments[load_dialect(name).role].device


@pytest.mark.parametrize("name", BUILT_IN)
class TestEachMessage:
    def test_it_is_understood(self, name: str) -> None:
        """No message, with a number or without, leaves anything in the error queue."""
        device, dialect = device_of(name), load_dialect(name)
        for operation in dialect.send:
            value = VALUES.get(operation, 0.5) if OPERATIONS[operation] == "number" else None
            assert device.handle(dialect.message(operation, value)) is None
            assert error_entry(device.handle("SYST:ERR?"))[0] == 0, operation

    def test_it_is_answered(self, name: str) -> None:
        """Each question has one answer that is read as what it is, and so has a whole sample."""
        device, dialect = device_of(name), load_dialect(name)
        read = {"value": number, "state": boolean, "text": str}
        for operation, question in dialect.ask.items():
            answer = device.handle(question)
            assert answer is not None, operation
            if operation != "measure_resistance":  # open leads: overload
                read[OPERATIONS[operation]](dialect.value_in(operation, answer))
        if dialect.sample is not None:
            answer = device.handle(dialect.sample.ask)
            assert len(answer.split(";")) == len(dialect.sample.answer)
        assert error_entry(device.handle("SYST:ERR?"))[0] == 0

    def test_a_word_that_it_does_not_know_is_in_its_queue(self, name: str) -> None:
        """The instrument is strict: a slip of one letter is -113 and answered by nothing."""
        device, dialect = device_of(name), load_dialect(name)

        for question in (text for text in dialect.ask.values() if text[0] != "*"):
            header, mark, rest = question.partition("?")
            assert device.handle(f"{header}X{mark}{rest}") is None
            assert error_entry(device.handle("SYST:ERR?"))[0] == -113


def test_the_outside_bench_speaks_all_of_them(tmp_path: Any) -> None:
    """Whole runs against it cover every dialect that ships."""
    spoken = {
        dialect
        for kind, others in (("dc", {}), ("ac", {}), ("ac", {"supply": "scpi-ac-source-peak"}))
        for dialect in OutsideBench(
            tmp_path / kind, {"kind": kind}, dialects=others
        )._dialects.values()
    }

    assert spoken == set(BUILT_IN)
