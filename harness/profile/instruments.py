"""The tables of a bench file: instruments, how they are reached, and how exact they are."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field, ValidationError, ValidationInfo, field_validator
from pydantic_core import InitErrorDetails, PydanticCustomError

from harness.errors import did_you_mean
from harness.files.field_types import (
    Amps,
    Farads,
    Flag,
    Name,
    Ohms,
    Seconds,
    Table,
    Volts,
    Watts,
    mistaken,
)
from harness.profile.accuracy import Accuracy, accuracy_example, read_digit
from harness.profile.measures import BANDED, READINGS, TESTER_READINGS
from harness.quantity import format_quantity, shown

#: Longest time-out by role, and longest rest after a setting. While supply or load is waited for,
#: nobody reads the supply under power; a meter may take its time over a reading. That the supply's
#: output is off is asked after the contact was told to open, and what drives an enable input to let
#: go, so these are waited for least.
_LONGEST_WAITS_S = {"supply": 5.0, "load": 5.0, "meter": 60.0, "switch": 1.0}
_LONGEST_WAITS_S |= {"power_meter": 60.0, "aux": 1.0, "enable_switch": 1.0}


def wait_bound_s(role: str) -> float:
    """Return the longest time that an instrument of a role may be waited for."""
    return _LONGEST_WAITS_S[role]


def wait_problem(role: str, wait_s: float) -> str | None:
    """Say what is wrong with an instrument's time-out, or its rest after a setting, if anything."""
    longest_s = wait_bound_s(role)
    role = role.replace("_", " ")
    if wait_s <= longest_s:
        return None
    given, longest = format_quantity(wait_s, "s"), format_quantity(longest_s, "s")
    why = "" if role.endswith("meter") else ", for power hangs on it"
    return f"{given} is more than {longest}, the longest that a {role} may be waited for{why}"


def _date(value: object) -> dt.date:
    if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
        raise mistaken(f"expected a date without quotes, got {shown(value)}", "2027-05-01")
    return value


def printable_text(value: object) -> str:
    """Read one line of text."""
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


class Calibrated(Table):
    """What everything has that is read: how exact it is, and until when that holds."""

    #: What it does on the bench; empty for what no link leads to.
    role: ClassVar[str] = ""
    #: What it reads, each with its unit.
    reads: ClassVar[Mapping[str, str]] = {}
    #: Whether it changes its measuring range by itself.
    has_ranges: ClassVar[bool] = False

    #: Both by quantity name (``voltage``, ``voltage_dc`` …).
    accuracy: dict[str, Accuracy] = Field(
        default_factory=dict, examples=['{ voltage = "0.05 % + 10 mV" }']
    )
    #: Last digit of the display, in SI; a quantity left out has it inside its accuracy.
    resolution: dict[str, float] = Field(default_factory=dict, examples=['{ voltage = "1 mV" }'])
    #: Day from which its calibration is overdue.
    calibration_due: Annotated[dt.date, BeforeValidator(_date)] | None = None
    allow_overdue: Flag = False  # use it overdue all the same; the report says so

    @field_validator("accuracy", "resolution", mode="before")
    @classmethod
    def _by_quantity(cls, table: object, field: ValidationInfo) -> object:
        """Read a table by quantity, and tell every mistake in it at its own key."""
        if not isinstance(table, dict):
            return table
        accuracy = field.field_name == "accuracy"
        values: dict[str, object] = {}
        wrong: list[InitErrorDetails] = []
        for key, text in table.items():
            try:
                unit = cls._unit(key)
                banded = f"{cls.role}.{key}" in BANDED
                values[key] = (
                    cls._accuracy(text, unit, banded=banded) if accuracy else read_digit(text, unit)
                )
            except PydanticCustomError as error:
                wrong.append(InitErrorDetails(type=error, loc=(key,), input=text))
        if wrong:
            raise ValidationError.from_exception_data(cls.__name__, wrong)
        return values

    @classmethod
    def _unit(cls, key: str) -> str:
        known = cls.reads
        if not known:
            raise mistaken(f"a {cls.role} reads nothing")
        if key not in known:
            hint = did_you_mean(key, known) or f"; there are {', '.join(known)}"
            raise mistaken(f"there is no quantity {shown(key)} here{hint}")
        return known[key]

    @classmethod
    def _accuracy(cls, text: object, unit: str, *, banded: bool) -> Accuracy:
        if isinstance(text, dict):
            if not cls.has_ranges:
                raise mistaken(
                    "only a meter's accuracy goes by range; expected one for the range in use",
                    accuracy_example(unit),
                )
            return Accuracy.by_range(text, unit, banded=banded)
        return text if isinstance(text, Accuracy) else Accuracy.parse(text, unit, banded=banded)


class Instrument(Calibrated):
    """What every instrument has; what is None comes from the dialect."""

    #: Whether it is the keeper's: power hangs on it. All others the engine reads by itself, so that
    #: no slow reading keeps the supply from being watched.
    kept: ClassVar[bool] = True
    #: The role its dialect is for, where that has another name.
    speaks: ClassVar[str] = ""

    #: VISA resource string, passed through unchanged.
    resource: Name = Field(examples=['"TCPIP0::192.0.2.10::5025::SOCKET"'])
    #: A built-in dialect's name, or the path of a dialect file (relative to the bench).
    dialect: Name = Field(examples=['"scpi-dc-supply"'])
    identity: Name | None = None  # text that *IDN? must contain
    timeout_s: Seconds | None = None  # for an answer
    terminator: Literal["LF", "CR", "CRLF", "none"] | None = None
    settle_s: Seconds | None = None  # wait after a setting
    serial_line: SerialLine = SerialLine()
    #: Its address on a Modbus line, or behind a Modbus gateway.
    station: Annotated[int, _whole(0, 255, "1")] = 1

    @field_validator("timeout_s", "settle_s")
    @classmethod
    def _bounded(cls, wait_s: float | None) -> float | None:
        problem = None if wait_s is None else wait_problem(cls.role, wait_s)
        if problem is not None:
            raise mistaken(problem, '"2 s"')
        return wait_s


class Tester(Calibrated):
    """What a person connects and reads, such as an insulation tester: no link leads to it."""

    reads = TESTER_READINGS
    has_ranges = True

    name: Name = Field(examples=['"insulation tester, 500 V"'])  # what it is
    serial: Name = Field(examples=['"HP-T3"'])  # its serial number

    @classmethod
    def quantity_in(cls, unit: str) -> str:
        """Return what is read in a unit, the key of its accuracy; empty for a plain number."""
        return next((name for name, its in cls.reads.items() if its == unit), "")


class Supply(Instrument):
    """The supply role: a DC supply or an AC source."""

    role = "supply"
    reads = READINGS["supply"]

    kind: Literal["dc", "ac"] = Field(examples=['"dc"'])
    range: Range = Range()
    #: Capacitance across a DC supply's own terminals, behind the shunt that measures its current,
    #: and what it may be off by; None: not known. ``bench --wiring`` measures it.
    output_capacitance_f: Farads | None = Field(default=None, examples=['"220 uF"'])
    output_capacitance_error_f: Farads | None = Field(default=None, examples=['"20 uF"'])
    #: Time from one pair of readings, voltage and current, to the next; None: not known.
    reading_time_s: Seconds | None = Field(default=None, examples=['"8 ms"'])
    #: Window over which an AC source's readings are averaged; at least one period of the mains.
    averaging_window_s: Seconds | None = None

    def most_output_f(self, unknown_f: float) -> float:
        """Return the most that may be across its own terminals, or what counts where unknown."""
        if self.output_capacitance_f is None:
            return unknown_f
        return self.output_capacitance_f + self.own_capacitance_error_f

    @property
    def own_capacitance_error_f(self) -> float:
        """What the stated capacitance may be off by; a fifth of it where nobody says.

        Source: letter M of IEC 60062, usual for aluminium electrolytics.
        """
        stated_f = self.output_capacitance_f or 0.0
        error_f = self.output_capacitance_error_f
        return 0.2 * stated_f if error_f is None else error_f


class MeterRange(Table):
    """The largest value a meter can show, beyond which it answers overload; left out: unknown."""

    resistance_ohm: Ohms | None = None


class Meter(Instrument):
    """The meter role."""

    role = "meter"
    kept = False
    reads = READINGS["meter"]
    has_ranges = True

    range: MeterRange = MeterRange()
    #: Where it is wired for good: an output of the unit by its name, or a place such as ``bulk``;
    #: None: its leads are moved by hand.
    at: Name | None = Field(default=None, examples=['"main"'])
    #: What it is wired for, where it is wired: across the output, or in series with it.
    wired_for: Literal["voltage", "current"] = "voltage"
    #: Time that a reading of DC voltage takes; None: not known.
    reading_time_s: Seconds | None = Field(default=None, examples=['"50 ms"'])
    #: What the leads may add to a two-wire resistance, at most; None: four wires, or leads that
    #: were zeroed.
    lead_resistance_ohm: Ohms | None = None


class LoadInstrument(Instrument):
    """The electronic load role."""

    role = "load"
    reads = READINGS["load"]

    range: Range = Range()
    #: Output of the unit that it is wired to, by its name; None: it is connected by hand where the
    #: unit has several.
    at: Name | None = Field(default=None, examples=['"main"'])


class PowerMeter(Instrument):
    """The power meter role: at the input of the unit, behind everything else in the feed."""

    role = "power_meter"
    kept = False
    reads = READINGS["power_meter"]
    has_ranges = True

    #: The largest voltage, current and power it can show; left out: unknown.
    range: Range = Range()
    #: Of leads and contacts between the supply's terminals, or sense leads, and its own, at most.
    lead_resistance_ohm: Ohms = 0.0
    #: Window over which its readings are averaged; at least one period of the mains.
    averaging_window_s: Seconds | None = Field(default=None, examples=['"100 ms"'])


class Switch(Instrument):
    """The switch role: a relay or contactor in the feed of the unit. It measures nothing."""

    role = "switch"
    reads = READINGS["switch"]

    #: What its contact may switch, for the kind of the supply; left out: unknown.
    range: Range = Range()


class Aux(Instrument):
    """The aux role: a second DC supply: drives an enable input or wakes a charger, no more."""

    role = "aux"
    speaks = "supply"
    reads = READINGS["aux"]

    #: The largest setting of it; left out: unknown.
    range: Range = Range()


class EnableSwitch(Instrument):
    """A relay that joins the unit's enable input to what it is pulled to. It measures nothing."""

    role = "enable_switch"
    speaks = "switch"
    reads = READINGS["enable_switch"]
