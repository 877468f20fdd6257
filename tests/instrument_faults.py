"""Instruments that misbehave on purpose: simulated ones, spoilt on their way to the wire."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

from harness.rehearse.simulated_instruments import SimulatedInstrument

__all__ = ["freeze", "meddle", "round_to", "spoil", "stick", "swap_answers"]


def spoil(device: SimulatedInstrument, question: str, change: Callable[[str], str]) -> None:
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


def meddle(device: SimulatedInstrument, after: int, unit: str) -> None:
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


def swap_answers(device: SimulatedInstrument, after: int, question: str) -> None:
    """Let answers belong to other questions from some reading on: it no longer says who it is.

    Args:
        device: The simulated instrument.
        after: Answers to the question that go before it.
        question: The question whose answers are counted.
    """
    readings = itertools.count(1)
    swapped: list[str] = []

    def count(answer: str) -> str:
        if next(readings) >= after:
            swapped.append(answer)
        return answer

    spoil(device, question, count)
    spoil(device, "*IDN?", lambda answer: swapped[-1] if swapped else answer)


def freeze(device: SimulatedInstrument, after: int, *questions: str) -> None:
    """Let readings stand still, to the last digit, from some reading on.

    Args:
        device: The simulated instrument.
        after: Answers to each question that are true.
        questions: What freezes.
    """
    for question in questions:
        said: list[str] = []

        def stand(answer: str, said: list[str] = said) -> str:
            if len(said) < after:
                said.append(answer)
            return said[-1]

        spoil(device, question, stand)


def round_to(device: SimulatedInstrument, decimals: int, *questions: str) -> None:
    """Give readings with so many decimals, as a coarse instrument does."""
    for question in questions:
        spoil(device, question, lambda answer: f"{float(answer):.{decimals}f}")


def stick(device: SimulatedInstrument, *, times: float = math.inf) -> None:
    """Let the output relay stick: the supply believes that it is off, and current flows.

    After so many times of being switched off it lets go.
    """
    true = device._part
    offs = 0  # since the output was switched on

    def part(unit: str) -> str | None:
        nonlocal offs
        if unit == "OUTP ON":
            offs = 0
        elif unit == "OUTP OFF":
            offs += 1
        if offs > times:
            return true(unit)
        if unit == "OUTP?" and offs:
            return "0"
        return None if unit == "OUTP OFF" else true(unit)

    device._part = part  # type: ignore[method-assign]
