"""A fault as a unit model's file states it."""

from __future__ import annotations

from typing import Any

from pydantic import Field, ValidationInfo, field_validator

from harness.errors import did_you_mean
from harness.files.field_types import Name, Seconds, Table, Volts, mistaken
from harness.quantity import parse_quantity, shown
from harness.rehearse.fault import SEVERITIES, Severity
from harness.rehearse.faults import FAULTS


class FaultTable(Table):
    """Something wrong with the unit."""

    #: As ``--fault`` takes it.
    kind: Name = Field(examples=['"leaky-bulk-capacitor"'])
    #: One of :data:`SEVERITIES`, or the fault's own number.
    severity: float | str | None = Field(default=None, examples=['"mild"'])
    #: Bulk voltage at which it shows, and time with power on after which it does.
    onset_v: Volts | None = Field(default=None, alias="onset_voltage")
    onset_s: Seconds | None = Field(default=None, alias="onset_time")

    @field_validator("kind")
    @classmethod
    def _known(cls, value: str) -> str:
        if value not in FAULTS:
            hint = did_you_mean(value, FAULTS) or f"; there are {', '.join(FAULTS)}"
            raise mistaken(f"there is no fault {shown(value)}{hint}")
        return value

    @field_validator("severity", mode="before")
    @classmethod
    def _in_its_own_measure(cls, value: object, info: ValidationInfo) -> object:
        """Read a word, the fault's own unit, or a share of one as a plain number."""
        kind = info.data.get("kind")
        if kind is None:
            return None
        severity = FAULTS[kind].severity
        if severity is None:
            raise mistaken(f"{kind} is there or it is not: it has no severity; leave the key out")
        if isinstance(value, str) and value in SEVERITIES:
            return value
        plain = isinstance(value, int | float) and not isinstance(value, bool)
        try:
            number = parse_quantity(value, "1" if plain and severity.unit == "%" else severity.unit)
            return severity.number(number)
        except ValueError as error:
            problem = getattr(error, "problem", str(error))
            raise mistaken(f"{problem}; here it is {severity.what}", _example(severity)) from None

    @field_validator("onset_v", "onset_s")
    @classmethod
    def _can_come_late(cls, value: Any, info: ValidationInfo) -> Any:
        kind = info.data.get("kind")
        if kind is not None and FAULTS[kind].onset is None:
            late = ", ".join(name for name, fault in FAULTS.items() if fault.onset is not None)
            raise mistaken(f"{kind} is there from the beginning; only {late} can come late")
        return value


def _example(severity: Severity) -> str:
    usual = severity.number()
    if severity.unit == "1":
        return f"{usual:g}"
    return f'"{100.0 * usual:g} %"' if severity.unit == "%" else f'"{usual:g} {severity.unit}"'
