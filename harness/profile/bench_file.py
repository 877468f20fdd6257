"""The bench as data: instruments, how they are reached, and how exact they are."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from pydantic import Field

from harness.unit.fields import Amps, Seconds, Table, Volts, Watts

__all__ = ["Accuracy", "BenchFile", "Instrument", "LoadInstrument", "Meter", "Range", "Supply"]


@dataclass(frozen=True, slots=True)
class Accuracy:
    """An instrument's accuracy for one quantity: bound = ``reading_frac`` x |reading| + ``fixed``.

    Attributes:
        reading_frac: Share of the reading.
        fixed: Fixed part in the quantity's SI unit.
    """

    reading_frac: float
    fixed: float

    def bound(self, reading: float) -> float:
        """Half-width of the interval the true value lies in, in the reading's unit."""
        return self.reading_frac * abs(reading) + self.fixed


class Range(Table):
    """The largest setting of a supply or load; left out: unknown."""

    voltage_v: Volts | None = Field(default=None, alias="voltage")
    current_a: Amps | None = Field(default=None, alias="current")
    power_w: Watts | None = Field(default=None, alias="power")


class Instrument(Table):
    """What every instrument has.

    Attributes:
        resource: VISA resource string, passed through unchanged.
        dialect: A built-in dialect's name, or the path of a dialect file (relative to the bench).
        identity: Text ``*IDN?`` must contain, or None.
        accuracy: Accuracy by quantity name (``voltage``, ``voltage_dc`` …).
        calibration_due: Day from which its calibration is overdue, or None if not given.
        allow_overdue: Use it overdue all the same; the report says so.
        timeout_s: Longest wait for an answer, or None for the dialect's.
        terminator: ``LF``, ``CR`` or ``CRLF``, or None for the dialect's.
    """

    resource: str = Field(min_length=1)
    dialect: str = Field(min_length=1)
    identity: str | None = None
    accuracy: dict[str, Accuracy] = Field(default_factory=dict)
    calibration_due: dt.date | None = None
    allow_overdue: bool = False
    timeout_s: Seconds | None = Field(default=None, alias="timeout")
    terminator: Literal["LF", "CR", "CRLF"] | None = None


class Supply(Instrument):
    """The supply role: a DC supply or an AC source.

    Attributes:
        kind: What it gives.
        range: Its largest settings.
        averaging_window_s: Window over which an AC source's readings are averaged, or None for the
            dialect's; at least one period of the mains.
    """

    kind: Literal["dc", "ac"]
    range: Range = Range()
    averaging_window_s: Seconds | None = Field(default=None, alias="averaging_window")


class Meter(Instrument):
    """The meter role."""


class LoadInstrument(Instrument):
    """The electronic load role."""

    range: Range = Range()


class BenchFile(Table):
    """The instruments at hand and how they are wired.

    Attributes:
        name: What the workshop calls the bench.
        visa: PyVISA library: ``""`` (system VISA), ``"@py"``, or ``"FILE.yaml@sim"``.
        supply: The supply; the one role every run needs.
        meter: The meter, or None.
        load: The electronic load, or None.
        source: The file's name as given.
    """

    name: str
    visa: str = ""
    supply: Supply
    meter: Meter | None = None
    load: LoadInstrument | None = None
    source: str = Field(default="", exclude=True)
