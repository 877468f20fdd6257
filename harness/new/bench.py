"""The draft of a bench file."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from harness.new.text import Line, header, quantity, quoted, table

__all__ = ["BenchAnswers", "draft_bench"]

_DIALECTS = {"dc": "scpi-dc-supply", "ac": "scpi-ac-source"}


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchAnswers:
    """What a bench file's draft is made from; None where the user does not know yet.

    Attributes:
        name: What the workshop calls the bench.
        visa: PyVISA library.
        kind: What the supply gives.
        supply: Its VISA resource.
        voltage_v: Its largest voltage.
        current_a: Its largest current.
        identity: Text its answer to ``*IDN?`` must contain.
        voltage_accuracy: As its data sheet gives it, such as ``0.05 % + 10 mV``.
        current_accuracy: The same of its current.
        calibration_due: Day from which its calibration is overdue.
        meter: VISA resource of the meter, or None for a bench without one.
        load: VISA resource of the electronic load, or None.
    """

    name: str
    visa: str
    kind: Literal["dc", "ac"]
    supply: str
    voltage_v: float
    current_a: float
    identity: str | None = None
    voltage_accuracy: str | None = None
    current_accuracy: str | None = None
    calibration_due: dt.date | None = None
    meter: str | None = None
    load: str | None = None


def draft_bench(answers: BenchAnswers) -> str:
    """Return a bench file that loads as it stands."""
    top = table(
        "",
        (
            Line("name", quoted(answers.name)),
            Line("visa", quoted(answers.visa), '"" is the VISA library installed on the machine'),
        ),
    )
    parts = [header(_TOP), top, _supply(answers)]
    parts += [_meter(answers.meter)] if answers.meter else []
    parts += [_load(answers.load)] if answers.load else []
    return "\n".join(parts)


_TOP = (
    "A first bench file, drafted from a few answers: your instruments, how to reach them, and how "
    "exact they are. Take every figure from the data sheet, for the measuring range you use.\n"
    "\n"
    "An instrument without a stated accuracy decides no check; one whose calibration is overdue "
    "is refused. Lines that begin with # and a key are not known yet: complete them.\n"
    "\n"
    "AN AC SOURCE IS MAINS, AND MAINS CAN KILL. Wire an emergency stop that cuts supply and unit, "
    "and an RCD (GFCI). Local codes and licensed practice come first.\n"
    "\n"
    "Next: `softwake bench` with the name of this file. It finds and identifies the instruments "
    "and energises nothing. Then prove it with a resistor on the output before you trust a unit "
    "to it."
)


def _supply(answers: BenchAnswers) -> str:
    ac = answers.kind == "ac"
    spans = (
        f"{{ voltage = {quantity(answers.voltage_v, 'V')}, "
        f"current = {quantity(answers.current_a, 'A')} }}"
    )
    lines = [
        Line("kind", quoted(answers.kind)),
        Line("resource", quoted(answers.supply), "its VISA address"),
        Line("dialect", quoted(_DIALECTS[answers.kind]), "or a file of your own beside this one"),
        _identity(answers.identity),
        Line("range", spans, "the largest settings"),
        _due(answers.calibration_due),
    ]
    if ac:
        lines.append(Line("averaging_window", '"50 ms"', "its readings are averaged. CHECK"))
    known = {"voltage": answers.voltage_accuracy, "current": answers.current_accuracy}
    examples = (
        {"voltage": '"0.1 % + 0.1 V"', "current": '"0.2 % + 3 mA"'}
        if ac
        else {
            "voltage": '"0.05 % + 10 mV"',
            "current": '"0.2 % + 2 mA"',
        }
    )
    accuracy = [
        Line(key, examples[key], left_out=True) if text is None else Line(key, quoted(text))
        for key, text in known.items()
    ]
    if ac:
        accuracy += [Line("power", '"0.3 % + 0.2 W"', "real power", left_out=True)]
    return "\n".join(
        (
            table("[supply]", lines, "The one role every run needs."),
            table(
                "[supply.accuracy]", accuracy, "Of reading + fixed. CHECK against the data sheet."
            ),
        )
    )


def _meter(resource: str) -> str:
    lines = (
        Line("resource", quoted(resource)),
        Line("dialect", '"scpi-meter"'),
        _identity(None),
        _due(None),
    )
    accuracy = (
        Line("voltage_dc", '"0.02 % + 2 mV"', left_out=True),
        Line("voltage_ac", '"0.5 % + 2 mV"', "ripple", left_out=True),
        Line("resistance", '"0.1 % + 0.1 ohm"', left_out=True),
    )
    return "\n".join(
        (
            table("[meter]", lines, "On the unit's output: output voltage, ripple, cold checks."),
            table("[meter.accuracy]", accuracy),
        )
    )


def _load(resource: str) -> str:
    lines = (
        Line("resource", quoted(resource)),
        Line("dialect", '"scpi-load"'),
        _identity(None),
        Line("range", '{ voltage = "80 V", current = "10 A", power = "150 W" }', left_out=True),
        _due(None),
    )
    accuracy = (
        Line("voltage", '"0.05 % + 10 mV"', left_out=True),
        Line("current", '"0.1 % + 5 mA"', left_out=True),
    )
    return "\n".join(
        (
            table("[load]", lines, "The electronic load on the unit's output."),
            table("[load.accuracy]", accuracy),
        )
    )


def _identity(text: str | None) -> Line:
    comment = "text that its answer to *IDN? must contain"
    if text is None:
        return Line("identity", '"PS-200"', comment, left_out=True)
    return Line("identity", quoted(text), comment)


def _due(day: dt.date | None) -> Line:
    if day is None:
        return Line("calibration_due", "2027-05-01", "from its label", left_out=True)
    return Line("calibration_due", day.isoformat())
