"""The parts in the path: what is said of each kind, and what was ``fitted`` in its place."""

from __future__ import annotations

from typing import Annotated, Generic, Literal, TypeVar

from pydantic import BeforeValidator, Field

from harness.files.field_types import Flag, Hertz, Name, Number, Ohms, Table, Volts, read_line
from harness.unit.part_ratings import (
    ConnectorRatings,
    CurrentRatings,
    DiodeRatings,
    ElectrolyticRatings,
    FuseRatings,
    LimiterRatings,
    PolymerFuseRatings,
    RegulatorRatings,
    RelayRatings,
    SuppressorRatings,
    SwitchRatings,
    TransformerRatings,
    VaristorRatings,
    XCapacitorRatings,
    YCapacitorRatings,
)

_RatingsT = TypeVar("_RatingsT", bound=Table)

#: What can be seen or measured cold on a part; what it tells is in ``shared/observations.toml``.
_Seen = Literal[
    "burst",
    "burnt",
    "shorted",
    "open",
    "cracked",
    "bulged",
    "leaking",
    "bridged",
    "out of value",
    "soot",
    "corroded",
    "discoloured",
    "bad joint",
]

#: One line of text, longer than a name.
Story = Annotated[
    str,
    BeforeValidator(lambda text: read_line(text, most=500)),
    Field(examples=['"a visitor\'s lead put 230 V on it"']),
]


class _Part(Table, Generic[_RatingsT]):
    """What every part has."""

    name: Name = Field(examples=['"F1"'])  # its reference on the board
    replaced: Flag = False  # without ``fitted``: by its like
    kind: str
    fitted: _RatingsT | None = None  # what stands in its place
    #: What was seen on it, or measured cold, before it was replaced.
    observed: tuple[_Seen, ...] = Field(default=(), examples=['["burst", "soot"]'])
    observed_note: Story | None = None
    #: Name of the profile's check that proves it sound where it was over-stressed and stayed in.
    proved_by: Name | None = None


class FusePart(_Part[FuseRatings], FuseRatings):
    """A fuse in the line."""

    kind: Literal["fuse"]


class LimiterPart(_Part[LimiterRatings], LimiterRatings):
    """An inrush limiter in the line."""

    kind: Literal["inrush-limiter"]


class VaristorPart(_Part[VaristorRatings], VaristorRatings):
    """A varistor across the line, behind the fuse."""

    kind: Literal["varistor"]
    #: Of its power law; None: the one its clamping voltage gives.
    exponent: Number | None = Field(default=None, ge=5.0, le=100.0, examples=["30"])


class XCapacitorPart(_Part[XCapacitorRatings], XCapacitorRatings):
    """A capacitor from line to neutral."""

    kind: Literal["x-capacitor"]
    bleeder_ohm: Ohms | None = None  # discharges it


class YCapacitorPart(_Part[YCapacitorRatings], YCapacitorRatings):
    """A capacitor to protective earth or across the insulation."""

    kind: Literal["y-capacitor"]
    #: Where its current goes; None: to earth in class I, else to what can be touched.
    path: Literal["earth", "accessible part"] | None = Field(default=None, examples=['"earth"'])
    #: Name of a chain: capacitors of one chain stand in series.
    chain: Name | None = None


class ChokePart(_Part[CurrentRatings], CurrentRatings):
    """A common-mode choke in the line; resistance of one winding, or None."""

    kind: Literal["common-mode-choke"]
    resistance_ohm: Ohms | None = None


class BridgePart(_Part[DiodeRatings], DiodeRatings):
    """The bridge rectifier."""

    kind: Literal["bridge"]


class DiodePart(_Part[DiodeRatings], DiodeRatings):
    """The diode at a DC input that keeps a wrong polarity out."""

    kind: Literal["diode"]
    #: In series it blocks; across the input it takes the current until the fuse opens.
    place: Literal["series", "across"] = Field(examples=['"series"'])


class BulkPart(_Part[ElectrolyticRatings], ElectrolyticRatings):
    """The bulk capacitor."""

    kind: Literal["bulk-capacitor"]


class SwitchPart(_Part[SwitchRatings], SwitchRatings):
    """The switching transistor between bulk capacitor and transformer or choke."""

    kind: Literal["switch"]
    #: By the output across the transformer; None where unknown, or without a transformer.
    reflected_v: Volts | None = Field(default=None, alias="reflected_voltage")
    spike_v: Volts | None = Field(default=None, alias="spike_allowance")  # at turn-off


class OutputDiodePart(_Part[DiodeRatings], DiodeRatings):
    """An output rectifier; name of the output it feeds, or None for the first."""

    kind: Literal["output-diode"]
    output: Name | None = None


class OutputCapacitorPart(_Part[ElectrolyticRatings], ElectrolyticRatings):
    """An output capacitor; name of the output it stands across, or None for the first."""

    kind: Literal["output-capacitor"]
    output: Name | None = None


class SuppressorPart(_Part[SuppressorRatings], SuppressorRatings):
    """A transient-voltage suppressor diode across the input."""

    kind: Literal["suppressor"]
    bidirectional: Flag = False


class PolymerFusePart(_Part[PolymerFuseRatings], PolymerFuseRatings):
    """A fuse of conductive polymer in the line."""

    kind: Literal["polymer-fuse"]


class RelayPart(_Part[RelayRatings], RelayRatings):
    """A relay whose contacts are in the line."""

    kind: Literal["relay"]
    #: Where its coil is fed from; elsewhere means that the event did not reach it.
    coil_at: Literal["input", "elsewhere"] = Field(default="input", examples=['"input"'])


class ConnectorPart(_Part[ConnectorRatings], ConnectorRatings):
    """A connector in the line."""

    kind: Literal["connector"]


class TransformerPart(_Part[TransformerRatings], TransformerRatings):
    """A transformer behind the converter's switch, or fed by the line beside the converter."""

    kind: Literal["transformer"]
    #: What its primary is fed by. Parts behind one at the line are no parts of this path.
    place: Literal["converter", "line"] = Field(examples=['"converter"'])
    #: Lowest line frequency it is made for; None: the unit's.
    frequency_hz: Hertz | None = None


class RegulatorPart(_Part[RegulatorRatings], RegulatorRatings):
    """A regulator fed from the bulk capacitor, or from an output by its name."""

    kind: Literal["regulator"]
    fed_by: Name | None = Field(default=None, examples=['"main"'])  # None: the bulk capacitor


Part = Annotated[
    FusePart
    | PolymerFusePart
    | ConnectorPart
    | RelayPart
    | SuppressorPart
    | RegulatorPart
    | TransformerPart
    | LimiterPart
    | VaristorPart
    | XCapacitorPart
    | ChokePart
    | YCapacitorPart
    | BridgePart
    | DiodePart
    | BulkPart
    | SwitchPart
    | OutputDiodePart
    | OutputCapacitorPart,
    Field(discriminator="kind"),
]
