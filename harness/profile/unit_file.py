"""Loads unit files: every mistake in one go, each with its line."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from harness.errors import did_you_mean
from harness.files.config_error import ConfigError
from harness.files.named_file import UNIT, FromFile, read_named, validated
from harness.quantity import shown
from harness.unit.nameplate import Unit
from harness.unit.unit_file import UnitFile


class LoadedUnit(FromFile, UnitFile):
    """A unit file that knows the file it came from."""


def load_unit(source: str | Path) -> LoadedUnit:
    """Load a unit file.

    Args:
        source: Path of a TOML file, or name of a shipped unit file with or without ``units/`` and
            ``.toml``. A file of that path comes first.

    Raises:
        FileError: With every mistake in the file.
    """
    return validated(read_named(source, UNIT), LoadedUnit, rules=_rules)


# --- what keys owe each other ------------------------------------------------------------------


def _rules(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """Yield every rule that no single key can break alone."""
    event, parts = data.get("event"), data.get("parts")
    if isinstance(event, dict):
        yield from _event_rules(event)
    if isinstance(parts, list):
        tables = {at: part for at, part in enumerate(parts) if isinstance(part, dict)}
        yield from _part_rules(tables)
        yield from _path_rules(tables, data.get("unit"))


def _event_rules(event: Mapping[str, Any]) -> Iterator[ConfigError]:
    if event.get("kind") == "dc" and "frequency" in event:
        yield ConfigError(("event", "frequency"), "what was applied is DC: it has no frequency")
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
        if isinstance(name, str) and name in seen:
            yield ConfigError(
                ("parts", at, "name"), f"there is a part {shown(name)} already; every name once"
            )
        if isinstance(name, str):
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
        output = part.get("output")
        if part.get("kind") in ("output-diode", "output-capacitor"):
            if not unit.output:
                yield ConfigError(
                    ("parts", at, "kind"),
                    f"{shown(part['kind'])}, but the unit has no output; name it in [unit]",
                )
            elif isinstance(output, str) and output not in unit.output:
                hint = did_you_mean(output, unit.output) or f"; there are {', '.join(unit.output)}"
                yield ConfigError(
                    ("parts", at, "output"),
                    f"the unit has no output {shown(output)}{hint}",
                    f'"{next(iter(unit.output))}"',
                )
