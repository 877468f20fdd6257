"""The profile as data: what the file says, read into SI floats, and nothing more."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from harness.unit.fields import Amps, Fraction, Hertz, Seconds, Table, Volts, Watts
from harness.unit.nameplate import Unit

__all__ = ["Check", "Envelope", "LoadStep", "NominalStep", "Profile", "StartStep", "Step"]


class Envelope(Table):
    """The hard bounds no command and no reading may leave (rms for AC)."""

    voltage_v: Volts = Field(alias="voltage")
    current_a: Amps = Field(alias="current")
    power_w: Watts = Field(alias="power")


class Check(Table):
    """A reading, or a figure computed from readings, and its limits.

    Attributes:
        name: What the technician calls it.
        measure: What is measured; a key of :data:`harness.profile.measures.MEASURES`.
        low: Lower limit in the measure's SI unit, or None.
        high: Upper limit, or None; at least one of the two is there.
        unit: The SI unit of value and limits (``1`` for a ratio), filled in from the measure.
        rule: Decision rule: ``guarded`` (by the expanded uncertainty) or ``simple``.
        at: The one load point (in amperes) it is judged at, or None for every point.
    """

    name: str
    measure: str
    low: float | None = None
    high: float | None = None
    unit: str = ""
    rule: Literal["guarded", "simple"] = "guarded"
    at: float | None = None


class _Step(Table):
    """What every step has.

    Attributes:
        title: A name for the table and the record; empty: the kind.
        checks: What is judged at the end of the step (at every level, for a load step).
    """

    title: str = ""
    checks: tuple[Check, ...] = ()


class StartStep(_Step):
    """Current-limited start: the voltage rises level by level.

    Attributes:
        levels_frac: Levels as shares of nominal voltage, rising, none above 1.
        current_limit_a: Limit of the supply during the start.
        dwell_s: Time each level is held once it has settled.
        charge_factor: How many times the charge (energy, for AC) that fills the bulk capacitor a
            healthy unit may take for the voltage gained (design: 2).
        time_at_limit_s: Longest time at the current limit where no capacitance is known.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    kind: Literal["start"]
    levels_frac: tuple[Fraction, ...] = Field(alias="levels", min_length=1)
    current_limit_a: Amps = Field(alias="current_limit")
    dwell_s: Seconds = Field(alias="dwell")
    charge_factor: float = Field(default=2.0, ge=1.0, le=10.0)
    time_at_limit_s: Seconds = Field(default=0.5, alias="time_at_limit", validate_default=False)
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")


class NominalStep(_Step):
    """Nominal voltage, held.

    Attributes:
        dwell_s: Time it is held once it has settled.
        current_limit_a: Limit of the supply, or None for the envelope's current.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    kind: Literal["nominal"]
    dwell_s: Seconds = Field(alias="dwell")
    current_limit_a: Amps | None = Field(default=None, alias="current_limit")
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")


class LoadStep(_Step):
    """Load points at nominal voltage.

    Attributes:
        currents_a: Constant-current load points in the order they are set; ``"0 A"`` is allowed.
        dwell_s: Time each point is held once it has settled.
        output: Name of the output that is loaded, or None for the first of the unit.
        current_limit_a: Limit of the supply, or None for the envelope's current.
        frequency_hz: Line frequency, or None for the unit's first.
    """

    kind: Literal["load"]
    currents_a: tuple[float, ...] = Field(alias="currents", min_length=1)
    dwell_s: Seconds = Field(alias="dwell")
    output: str | None = None
    current_limit_a: Amps | None = Field(default=None, alias="current_limit")
    frequency_hz: Hertz | None = Field(default=None, alias="frequency")


Step = Annotated[StartStep | NominalStep | LoadStep, Field(discriminator="kind")]


class Profile(Table):
    """What to do to a kind of unit.

    Attributes:
        title: One line that names the kind of unit.
        unit: Its nameplate.
        envelope: The hard bounds.
        steps: The steps in order; at least one.
        source: The file's name as given.
        text: The file's text, byte for byte, for the record.
        sha256: SHA-256 of the file, in hex.
    """

    title: str
    unit: Unit
    envelope: Envelope
    steps: tuple[Step, ...] = Field(min_length=1)
    source: str = Field(default="", exclude=True)
    text: str = Field(default="", exclude=True, repr=False)
    sha256: str = Field(default="", exclude=True)
