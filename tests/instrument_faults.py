"""Instruments that misbehave on purpose: simulated ones, spoilt on their way to the wire."""

from __future__ import annotations

import itertools
from collections.abc import Callable

from harness.rehearse.coupled import CoupledDevice

__all__ = ["meddle", "spoil"]


def spoil(device: CoupledDevice, question: str, change: Callable[[str], str]) -> None:
    """Change every answer of a device to one question.

    Args:
        device: The simulated instrument.
        question: The program message unit as it stands on the wire, without a colon in front.
        change: Makes the answer that goes out from the true one.
    """
    true = device._part

    def part(unit: str) -> str | None:
        answer = true(unit)
        return change(answer) if answer is not None and unit == question else answer

    device._part = part  # type: ignore[method-assign]


def meddle(device: CoupledDevice, after: int, unit: str) -> None:
    """Carry out a message nobody of us sent, as a second client or a hand on the panel does.

    Args:
        device: The simulated instrument.
        after: Readings of the voltage that go before it.
        unit: The program message unit.
    """
    readings = itertools.count(1)

    def count(answer: str) -> str:
        if next(readings) == after:
            device._part(unit)
        return answer

    spoil(device, "MEAS:VOLT?", count)
