"""The unit file: nameplate, what happened, and the parts in the path."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, PrivateAttr, ValidationError

from harness.errors import UsageError
from harness.files.config_error import ConfigError
from harness.files.field_types import (
    Celsius,
    Flag,
    FractionOrZero,
    Hertz,
    Name,
    Seconds,
    Table,
    Volts,
)
from harness.files.named_file import UNIT, FromFile, read_named, validated
from harness.files.pictures import Picture, picture_beside
from harness.quantity import shown
from harness.unit.nameplate import Unit, below_whole
from harness.unit.part_ratings import SurgeAmps
from harness.unit.parts import Part, Story

#: Most pictures of one unit.
_MOST_PHOTOS = 20

#: What can be seen of a unit as a whole; what it tells is in ``shared/observations.toml``.
_Seen = Literal[
    "soot",
    "smoke",
    "burnt smell",
    "bang",
    "breaker tripped",
    "RCD tripped",
    "liquid",
    "mechanical damage",
    "opened before",
]


class Event(Table):
    """What happened; what is None nobody knows."""

    #: A surge is a transient of microseconds, such as lightning nearby leaves on a line.
    kind: Literal["ac", "dc", "surge"] = Field(examples=['"ac"'])
    voltage_v: Volts = Field(examples=['"230 V"'])  # rms for AC, crest for a surge
    #: How exactly it is known; None: the usual tolerance of a supply, zero: it was measured.
    voltage_tolerance_frac: Annotated[FractionOrZero, AfterValidator(below_whole)] | None = None
    frequency_hz: Hertz | None = None  # None: the unit's first
    duration_s: Seconds | None = None  # until something opened
    #: What cut it off: the unit's fuse, a breaker outside it, nothing.
    opened: Literal["fuse", "breaker", "nothing", "unknown"] = Field(
        default="unknown", examples=['"fuse"']
    )
    #: What the supply can give into a short.
    prospective_current_a: SurgeAmps | None = None
    polarity_reversed: Flag = False  # DC with the wrong polarity
    note: Story | None = None


class Service(Table):
    """Where the unit works."""

    #: What the supply there can give into a short.
    prospective_current_a: SurgeAmps | None = None
    #: How long the outputs must last without line, from nominal voltage.
    hold_up_s: Seconds | None = None
    #: What the converter needs at full load; None: its start threshold's peak.
    least_bulk_v: Volts | None = Field(default=None, alias="least_bulk_voltage")
    #: Highest around the parts.
    temperature_degc: Celsius | None = None


class HandOver(Table):
    """For the page that goes with the unit when it is handed back; all of it may be left out."""

    owner: Name | None = None
    location: Name | None = None  # where the unit works
    work_s: Seconds | None = None  # that the repair took
    #: What was used beside the parts that the file names.
    parts_used: tuple[Name, ...] = Field(default=(), examples=['["thermal paste"]'])
    contact: Name | None = None  # whom to ask


class UnitFile(FromFile):
    """One unit on the bench: its nameplate, what happened (None where nobody knows), its parts."""

    title: Name = Field(examples=['"Dome-shutter power unit"'])
    serial: Name = Field(examples=['"HRW-0007"'])
    maker: Name | None = None
    unit: Unit
    event: Event | None = None
    service: Service = Service()
    parts: tuple[Part, ...] = Field(min_length=1)
    #: Pictures of it, by their paths from this file on.
    photos: tuple[Name, ...] = Field(
        default=(), max_length=_MOST_PHOTOS, examples=['["board.jpg"]']
    )
    #: What was seen of the unit as a whole, and in words.
    observed: tuple[_Seen, ...] = Field(default=(), examples=['["bang", "burnt smell"]'])
    observed_note: Story | None = None
    hand_over: HandOver = HandOver()
    #: What explains it, where no part does: a finding of the workshop, told on every page.
    observed_cause: Story | None = None
    _pictures: tuple[Picture, ...] = PrivateAttr(())

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """The photos as they were read with the file; none for one made in a script."""
        return self._pictures


def load_unit(source: str | Path) -> UnitFile:
    """Load a unit file, or a shipped one by its name with or without ``units/`` and ``.toml``.

    A file of that path comes first.

    Raises:
        FileError: With every mistake in the file.
    """
    folder, pictures = Path(source).parent, list[Picture]()

    def rules(data: Mapping[str, Any]) -> Iterator[ConfigError]:
        yield from _rules(data)
        yield from _photo_rules(data.get("photos"), folder, pictures)

    unit = validated(read_named(source, UNIT), UnitFile, rules=rules)
    unit._pictures = tuple(pictures)  # noqa: SLF001 - its own module
    return unit


def _rules(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """Yield every rule that no single key can break alone."""
    event, parts = data.get("event"), data.get("parts")
    if isinstance(event, dict):
        yield from _event_rules(event)
    if isinstance(parts, list):
        tables = {at: part for at, part in enumerate(parts) if isinstance(part, dict)}
        yield from _part_rules(tables)
        yield from _path_rules(tables, data.get("unit"))


def _photo_rules(photos: object, folder: Path, pictures: list[Picture]) -> Iterator[ConfigError]:
    """Read the pictures a file names, which stands in ``folder``; say what is wrong with each."""
    for at, named in enumerate(photos[:_MOST_PHOTOS] if isinstance(photos, list) else ()):
        if isinstance(named, str) and named.strip() and named.isprintable():
            try:
                pictures.append(picture_beside(folder, named))
            except UsageError as error:
                problem = f"{shown(named)}: {error.what}; {error.remedy}"
                yield ConfigError(("photos", at), problem)


def _event_rules(event: Mapping[str, Any]) -> Iterator[ConfigError]:
    if event.get("kind") == "dc" and "frequency" in event:
        yield ConfigError(("event", "frequency"), "what was applied is DC: it has no frequency")
    if event.get("kind") == "surge":
        for key in ("frequency", "duration", "prospective_current", "polarity_reversed"):
            if key in event:
                wave = "a surge is taken as the wave of IEC 61000-4-5, and has none of its own"
                yield ConfigError(("event", key), wave)
    if event.get("kind") == "ac" and event.get("polarity_reversed") is True:
        yield ConfigError(
            ("event", "polarity_reversed"),
            "what was applied is AC: it has no polarity",
            "polarity_reversed = false",
        )


def _part_rules(parts: Mapping[int, Mapping[str, Any]]) -> Iterator[ConfigError]:
    seen: set[str] = set()
    for at, part in parts.items():
        name = part.get("name")
        if isinstance(name, str):
            if name in seen:
                yield ConfigError(
                    ("parts", at, "name"), f"there is a part {shown(name)} already; every name once"
                )
            seen.add(name)
        if "fitted" in part and part.get("replaced") is False:
            yield ConfigError(
                ("parts", at, "replaced"),
                "something is fitted in its place, so it was replaced",
                "true",
            )


def _path_rules(parts: Mapping[int, Mapping[str, Any]], raw_unit: object) -> Iterator[ConfigError]:
    """Hold parts against the nameplate."""
    try:
        unit = Unit.model_validate(raw_unit)
    except ValidationError:
        return
    for at, part in parts.items():
        if part.get("kind") == "diode" and unit.input.kind == "ac":
            yield ConfigError(
                ("parts", at, "kind"),
                "a diode against wrong polarity, but the unit's input is AC; name a bridge",
                '"bridge"',
            )
        if part.get("place") == "line" and unit.input.kind == "dc":
            yield ConfigError(
                ("parts", at, "place"),
                "DC feeds no transformer; one behind a switch is a converter's",
                '"converter"',
            )
        key = "fed_by" if part.get("kind") == "regulator" else "output"
        output = part.get(key)
        if part.get("kind") in ("output-diode", "output-capacitor") or "fed_by" in part:
            if not unit.output:
                yield ConfigError(
                    ("parts", at, "kind"),
                    f"{shown(part['kind'])}, but the unit has no output; name it in [unit]",
                )
            elif isinstance(output, str) and output not in unit.output:
                first = next(iter(unit.output))
                yield ConfigError(("parts", at, key), unit.no_output(output), f'"{first}"')
