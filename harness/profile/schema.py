"""The profile as data: what the file says, read into SI floats, and nothing more."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pydantic import Field, PrivateAttr

from harness.files.field_types import Amps, Name, Table, Volts, Watts
from harness.files.named_file import FromFile
from harness.profile.check import Check
from harness.profile.step import Rest
from harness.profile.steps import Step
from harness.unit.nameplate import Unit

#: What a profile is for: to release a unit, or to look at it beforehand, which releases nothing.
Purpose = Literal["release", "pre-check"]

#: What feeds the unit where that is not what its nameplate says.
Feed = Literal["dc"]


class AuxEnvelope(Table):
    """The hard bounds of the auxiliary supply that drives an enable input or wakes a charger."""

    voltage_v: Volts
    current_a: Amps


class Envelope(Table):
    """The hard bounds no command and no reading may leave (rms for AC)."""

    voltage_v: Volts
    current_a: Amps
    power_w: Watts
    aux: AuxEnvelope | None = None  # None: no auxiliary supply is used


class Limits(Table):
    """Where the limits come from."""

    #: The table that gives the named ones, beside the profile; None: the one that is shipped.
    file: Name | None = Field(default=None, examples=['"our-limits.toml"'])
    #: Of every limit that neither a table nor its own check states a source for.
    source: Name | None = Field(default=None, examples=['"maker\'s test sheet 12, 2026"'])


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsUsed:
    """Which limits were taken from which table."""

    title: str  # what the table calls itself
    source: str  # the file's name; empty for the table that is shipped
    sha256: str  # of the file


class Profile(FromFile):
    """What to do to a kind of unit."""

    _limits_used: LimitsUsed | None = PrivateAttr(None)

    #: One line that names the kind of unit.
    title: Name = Field(examples=['"Mount controller board, 24 V DC in, 5 V DC out"'])
    purpose: Purpose = Field(default="release", examples=['"pre-check"'])
    #: A DC supply at the input of an AC unit, for a pre-check: its rectifier passes that.
    feed: Feed | None = Field(default=None, validate_default=False, examples=['"dc"'])
    unit: Unit
    envelope: Envelope
    limits: Limits = Limits()
    rest: Rest = Rest()  # in every step that does not say otherwise
    steps: tuple[Step, ...] = Field(min_length=1)

    @property
    def fed(self) -> Unit:
        """The unit as what feeds it finds it: levels, allowances and checks go by this one."""
        return self.unit if self.feed is None else self.unit.fed_with_dc()

    @property
    def checks(self) -> tuple[Check, ...]:
        """Every check of its steps, in order."""
        return tuple(check for step in self.steps for check in step.checks)

    @property
    def limits_used(self) -> LimitsUsed | None:
        """Which limits were taken from which table; None while none was."""
        return self._limits_used

    def with_steps(self, steps: tuple[Step, ...], used: LimitsUsed) -> Profile:
        """Return a copy with the limits of a table in its steps."""
        copy = self.model_copy(update={"steps": steps})
        copy._limits_used = used  # noqa: SLF001 - its own class
        return copy
