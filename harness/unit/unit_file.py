"""The unit file as data: nameplate, what happened, and the parts in the path."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from harness.files.field_types import Celsius, Flag, Hertz, Name, Seconds, Table, Volts, read_line
from harness.unit.nameplate import Unit
from harness.unit.parts import Part, SurgeAmps

#: One line of text, longer than a name.
Story = Annotated[
    str,
    BeforeValidator(lambda text: read_line(text, most=500)),
    Field(examples=['"a visitor\'s lead put 230 V on it"']),
]


class Event(Table):
    """What happened; what is None nobody knows."""

    kind: Literal["ac", "dc"] = Field(examples=['"ac"'])
    voltage_v: Volts = Field(alias="voltage", examples=['"230 V"'])  # rms for AC
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")  # None: the unit's first
    duration_s: Seconds | None = Field(default=None, alias="duration")  # until something opened
    #: What cut it off: the unit's fuse, a breaker outside it, nothing.
    opened: Literal["fuse", "breaker", "nothing", "unknown"] = Field(
        default="unknown", examples=['"fuse"']
    )
    #: What the supply can give into a short.
    prospective_current_a: SurgeAmps | None = Field(default=None, alias="prospective_current")
    polarity_reversed: Flag = False  # DC with the wrong polarity
    note: Story | None = None


class Service(Table):
    """Where the unit works."""

    #: What the supply there can give into a short.
    prospective_current_a: SurgeAmps | None = Field(default=None, alias="prospective_current")
    #: How long the outputs must last without line, from nominal voltage.
    hold_up_s: Seconds | None = Field(default=None, alias="hold_up")
    #: What the converter needs at full load; None: its start threshold's peak.
    least_bulk_v: Volts | None = Field(default=None, alias="least_bulk_voltage")
    #: Highest around the parts.
    temperature_degc: Celsius | None = Field(default=None, alias="temperature")


class UnitFile(Table):
    """One unit on the bench: its nameplate, what happened (None where nobody knows), its parts."""

    title: Name = Field(examples=['"Dome-shutter power unit"'])
    serial: Name = Field(examples=['"HRW-0007"'])
    maker: Name | None = None
    unit: Unit
    event: Event | None = None
    service: Service = Service()
    parts: tuple[Part, ...] = Field(min_length=1)
