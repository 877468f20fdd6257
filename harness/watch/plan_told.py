"""The plan of a run as its journal has it (pure)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from harness.quantity import format_quantity
from harness.record.csv_text import printable


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelToCome:
    """One level of the plan, as the journal has it."""

    label: str
    voltage_v: float
    current_limit_a: float
    dwell_s: float
    load: str
    allowance: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StepToCome:
    """One step of the plan, as the journal has it."""

    name: str
    kind: str
    levels: tuple[LevelToCome, ...]
    restart: tuple[LevelToCome, ...]
    checks: tuple[str, ...]


def step_to_come(told: Mapping[str, Any]) -> StepToCome:
    """Read a step; ``ValueError``, ``KeyError`` or ``TypeError`` where it is none of ours."""
    return StepToCome(
        name=printable(str(told["name"])),
        kind=printable(str(told["kind"])),
        levels=tuple(_level_to_come(level) for level in told["levels"]),
        restart=tuple(_level_to_come(level) for level in told["restart"]),
        checks=tuple(printable(str(name)) for name in told["checks"]),
    )


def _level_to_come(told: Mapping[str, Any]) -> LevelToCome:
    return LevelToCome(
        label=printable(str(told["label"])),
        voltage_v=finite(told["voltage_v"]),
        current_limit_a=finite(told["current_limit_a"]),
        dwell_s=finite(told["dwell_s"]),
        load=printable(str(told["load"])),
        allowance=told["allowance"] is True,
    )


def finite(told: Any) -> float:
    """Read a number; ``ValueError`` for what is none."""
    value = float(told)
    if not math.isfinite(value):
        raise ValueError("no number")
    return value


def named(level: LevelToCome) -> str:
    """Name a level by its volts and what the load takes."""
    volts = format_quantity(level.voltage_v, "V")
    return f"{volts}, load {level.load}" if level.load else volts
