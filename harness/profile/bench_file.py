"""The bench as data: instruments, how they are reached, and how exact they are."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field, ValidationError, ValidationInfo, field_validator
from pydantic_core import InitErrorDetails, PydanticCustomError

from harness.errors import did_you_mean
from harness.files.field_types import (
    Amps,
    Flag,
    Name,
    Ohms,
    Seconds,
    Table,
    Volts,
    Watts,
    mistaken,
    problem_of,
    read_quantity,
)
from harness.files.named_file import FromFile
from harness.profile.measures import READINGS
from harness.quantity import format_quantity, shown, split_quantity

#: Longest time-out by role, and longest rest after a setting. While supply or load is waited for,
#: nobody reads the supply under power; a meter may take its time over a reading.
_LONGEST_WAITS_S = {"supply": 5.0, "load": 5.0, "meter": 60.0}


def wait_problem(role: str, wait_s: float) -> str | None:
    """Say what is wrong with an instrument's time-out, or its rest after a setting, if anything."""
    longest_s = _LONGEST_WAITS_S[role]
    if wait_s <= longest_s:
        return None
    given, longest = format_quantity(wait_s, "s"), format_quantity(longest_s, "s")
    why = "" if role == "meter" else ", for power hangs on it"
    return f"{given} is more than {longest}, the longest that a {role} may be waited for{why}"


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Accuracy of an instrument for one quantity: ``reading_frac`` x |reading| + ``fixed``."""

    reading_frac: float
    fixed: float  # in the quantity's SI unit
    up_to: float | None = None  # largest reading of the measuring range this holds for; None: all
    wider: Accuracy | None = None  # in the next wider range

    def bound(self, reading: float) -> float:
        """Half-width of the interval the true value lies in, in the reading's unit.

        It is that of the smallest range which holds the reading; beyond the widest, the widest's.
        """
        if self.wider is not None and self.up_to is not None and abs(reading) > self.up_to:
            return self.wider.bound(reading)
        return self.reading_frac * abs(reading) + self.fixed

    @classmethod
    def by_range(cls, table: Mapping[object, object], unit: str) -> Accuracy:
        """Read ``{ "10 V" = "0.01 % + 1 mV", "100 V" = "0.02 % + 10 mV" }``: one for each range."""
        ranges: dict[float, Accuracy] = {}
        for key, text in table.items():
            top = read_quantity(key, unit)
            if top <= 0:
                raise mistaken(f"the range {shown(key)} is not above zero")
            if top in ranges:
                raise mistaken(f"the range {shown(key)} is given twice")
            ranges[top] = cls.parse(text, unit)
        if not ranges:
            raise mistaken("expected a range, found none", _example(unit))
        widest, *narrower = sorted(ranges, reverse=True)
        accuracy = replace(ranges[widest], up_to=widest)
        for top in narrower:
            accuracy = replace(ranges[top], up_to=top, wider=accuracy)
        return accuracy

    @classmethod
    def parse(cls, text: object, unit: str) -> Accuracy:
        """Read ``"0.05 % + 10 mV"``: a share of the reading, a fixed part, or the sum of both.

        Raises:
            PydanticCustomError: It is no such text.
        """
        example = _example(unit)
        if not isinstance(text, str):
            raise mistaken(f"expected an accuracy, got {shown(text)}", example)
        parts: dict[str, float] = {}
        for term in map(str.strip, re.split(r"(?<![eE])\+", text)):
            share = term.endswith(("%", "percent", "ppm"))
            part = "share" if share else "fixed"
            if part in parts:
                kind = "a share of the reading" if share else "a fixed part"
                raise mistaken(f"{shown(text)} gives {kind} twice", example)
            parts[part] = _term(term, "%" if share else unit, example)
        if parts.get("share", 0.0) > 1:
            raise mistaken(f"{shown(text)} is more than the whole reading", example)
        return cls(parts.get("share", 0.0), parts.get("fixed", 0.0))


#: A fixed part and a last digit for the examples in messages, by unit.
_EXAMPLES = {
    "V": ("10 mV", "0.1 mV"),
    "A": ("5 mA", "0.1 mA"),
    "W": ("0.1 W", "10 mW"),
    "Hz": ("10 mHz", "10 mHz"),
    "ohm": ("0.1 ohm", "10 mohm"),
    "degC": ("1 degC", "0.1 degC"),
    "s": ("0.1 s", "10 ms"),
    "1": ("0.1", "0.1"),
}


def _example(unit: str) -> str:
    return f'"0.05 % + {_EXAMPLES[unit][0]}"'


def _term(term: str, unit: str, example: str) -> float:
    """Read one term of an accuracy, or a resolution."""
    try:
        # a fixed part in kelvins is a difference, which must not be moved to the Celsius scale
        kelvins = unit == "degC" and split_quantity(term)[1] == "K"
        value = split_quantity(term)[0] if kelvins else read_quantity(term, unit)
    except (ValueError, PydanticCustomError) as error:
        told = problem_of(error) if isinstance(error, PydanticCustomError) else f"{term!r} is none"
        raise mistaken(told, example) from None
    if value < 0:
        raise mistaken(f"{shown(term)} is below zero", example)
    return value


def _date(value: object) -> dt.date:
    if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
        raise mistaken(f"expected a date without quotes, got {shown(value)}", "2027-05-01")
    return value


def _printable(value: object) -> str:
    if not isinstance(value, str) or not value.isprintable():
        raise mistaken(f"expected one line of text, got {shown(value)}", '"@py"')
    return value


def _whole(low: int, high: int, example: str) -> BeforeValidator:
    """Return the part of a field type that reads a whole number from ``low`` to ``high``."""

    def read(value: object) -> int:
        if not isinstance(value, int) or isinstance(value, bool):
            raise mistaken(f"expected a whole number without quotes, got {shown(value)}", example)
        if not low <= value <= high:
            raise mistaken(f"expected a number from {low} to {high}, got {shown(value)}", example)
        return value

    return BeforeValidator(read)


class SerialLine(Table):
    """How a serial port is set up; what is left out is as most instruments leave the factory."""

    baud_rate: Annotated[int, _whole(50, 4_000_000, "9600")] = 9600
    data_bits: Annotated[int, _whole(7, 8, "8")] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Annotated[int, _whole(1, 2, "1")] = 1
    flow_control: Literal["none", "xon/xoff", "rts/cts", "dtr/dsr"] = "none"


class Range(Table):
    """The largest setting of a supply or load; left out: unknown."""

    voltage_v: Volts | None = None
    current_a: Amps | None = None
    power_w: Watts | None = None


class Instrument(Table):
    """What every instrument has; what is None comes from the dialect."""

    #: What it does on the bench; the catalogue has what it reads, and in which unit.
    role: ClassVar[str] = ""
    #: Whether it changes its measuring range by itself.
    has_ranges: ClassVar[bool] = False

    #: VISA resource string, passed through unchanged.
    resource: Name = Field(examples=['"TCPIP0::192.0.2.10::5025::SOCKET"'])
    #: A built-in dialect's name, or the path of a dialect file (relative to the bench).
    dialect: Name = Field(examples=['"scpi-dc-supply"'])
    identity: Name | None = None  # text that *IDN? must contain
    #: Both by quantity name (``voltage``, ``voltage_dc`` …).
    accuracy: dict[str, Accuracy] = Field(
        default_factory=dict, examples=['{ voltage = "0.05 % + 10 mV" }']
    )
    #: Last digit of the display, in SI; a quantity left out has it inside its accuracy.
    resolution: dict[str, float] = Field(default_factory=dict, examples=['{ voltage = "1 mV" }'])
    #: Day from which its calibration is overdue.
    calibration_due: Annotated[dt.date, BeforeValidator(_date)] | None = None
    allow_overdue: Flag = False  # use it overdue all the same; the report says so
    timeout_s: Seconds | None = None  # for an answer
    terminator: Literal["LF", "CR", "CRLF"] | None = None
    settle_s: Seconds | None = None  # wait after a setting
    serial_line: SerialLine = SerialLine()

    @field_validator("accuracy", "resolution", mode="before")
    @classmethod
    def _by_quantity(cls, table: object, field: ValidationInfo) -> object:
        """Read a table by quantity, and tell every mistake in it at its own key."""
        if not isinstance(table, dict):
            return table
        read = cls._accuracy if field.field_name == "accuracy" else cls._resolution
        values: dict[str, object] = {}
        wrong: list[InitErrorDetails] = []
        for key, text in table.items():
            try:
                values[key] = read(text, cls._unit(key))
            except PydanticCustomError as error:
                wrong.append(InitErrorDetails(type=error, loc=(key,), input=text))
        if wrong:
            raise ValidationError.from_exception_data(cls.__name__, wrong)
        return values

    @field_validator("timeout_s", "settle_s")
    @classmethod
    def _bounded(cls, wait_s: float | None) -> float | None:
        problem = None if wait_s is None else wait_problem(cls.role, wait_s)
        if problem is not None:
            raise mistaken(problem, '"2 s"')
        return wait_s

    @classmethod
    def _unit(cls, key: str) -> str:
        known = READINGS[cls.role]
        if key not in known:
            hint = did_you_mean(key, known) or f"; there are {', '.join(known)}"
            raise mistaken(f"there is no quantity {shown(key)} here{hint}")
        return known[key]

    @classmethod
    def _accuracy(cls, text: object, unit: str) -> Accuracy:
        if isinstance(text, dict):
            if not cls.has_ranges:
                raise mistaken(
                    "only a meter's accuracy goes by range; expected one for the range in use",
                    _example(unit),
                )
            return Accuracy.by_range(text, unit)
        return text if isinstance(text, Accuracy) else Accuracy.parse(text, unit)

    @staticmethod
    def _resolution(text: object, unit: str) -> float:
        example = f'"{_EXAMPLES[unit][1]}"'
        value = _term(text, unit, example) if isinstance(text, str) else 0.0
        if value <= 0:
            raise mistaken(f"expected the last digit with its unit, got {shown(text)}", example)
        return value


class Supply(Instrument):
    """The supply role: a DC supply or an AC source."""

    role = "supply"

    kind: Literal["dc", "ac"] = Field(examples=['"dc"'])
    range: Range = Range()
    #: Window over which an AC source's readings are averaged; at least one period of the mains.
    averaging_window_s: Seconds | None = None


class MeterRange(Table):
    """The largest value a meter can show, beyond which it answers overload; left out: unknown."""

    resistance_ohm: Ohms | None = None


class Meter(Instrument):
    """The meter role."""

    role = "meter"
    has_ranges = True

    range: MeterRange = MeterRange()
    #: What the leads may add to a two-wire resistance, at most; None: four wires, or leads that
    #: were zeroed.
    lead_resistance_ohm: Ohms | None = None


class LoadInstrument(Instrument):
    """The electronic load role."""

    role = "load"

    range: Range = Range()


class BenchFile(FromFile):
    """The instruments at hand and how they are wired."""

    name: Name = Field(examples=['"Dome workshop, bench 2"'])
    #: PyVISA library: ``""`` (system VISA), ``"@py"``, or ``"FILE.yaml@sim"``.
    visa: Annotated[str, BeforeValidator(_printable)] = ""
    supply: Supply  # the one role every run needs
    meter: Meter | None = None
    load: LoadInstrument | None = None

    @property
    def instruments(self) -> dict[str, Instrument]:
        """The instruments there are, by role."""
        there = (self.supply, self.meter, self.load)
        return {instrument.role: instrument for instrument in there if instrument is not None}
