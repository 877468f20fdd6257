"""What the keeper can be told, and in which state of power."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.profile.level import Level, LoadMode

__all__ = [
    "ALLOWED",
    "Arm",
    "Command",
    "KeeperState",
    "LoadOff",
    "SetCurrentLimit",
    "SetFrequency",
    "SetLoad",
    "SetVoltage",
    "SetVoltageProtection",
    "SwitchOff",
    "SwitchOn",
    "Watch",
]


class KeeperState(StrEnum):
    """Where power stands."""

    OFF = "off"
    ARMED = "armed"  # protection and limits set and read back, output still off
    LIVE = "live"
    TRIPPED = "tripped"  # cut; only switching off again is taken


@dataclass(frozen=True, slots=True)
class Arm:
    """Prepare to switch on at a level: protection, limit and voltage set and read back."""

    voltage_v: float
    current_limit_a: float
    frequency_hz: float | None = None


@dataclass(frozen=True, slots=True)
class SwitchOn:
    """Switch the output on."""


@dataclass(frozen=True, slots=True)
class SetVoltage:
    """Set the voltage (rms for AC)."""

    voltage_v: float


@dataclass(frozen=True, slots=True)
class SetCurrentLimit:
    """Set the current limit (rms for AC)."""

    current_limit_a: float


@dataclass(frozen=True, slots=True)
class SetFrequency:
    """Set the line frequency of an AC source."""

    frequency_hz: float


@dataclass(frozen=True, slots=True)
class SetVoltageProtection:
    """Lower the supply's own voltage protection: a check of the bench has it switch off."""

    voltage_v: float


@dataclass(frozen=True, slots=True)
class Watch:
    """Watch a level from now on, or watch no level (None)."""

    level: Level | None


@dataclass(frozen=True, slots=True)
class SetLoad:
    """Set what the load holds and switch its input on.

    Attributes:
        mode: What it holds constant.
        value: Current in A, resistance in ohm, or power in W.
    """

    mode: LoadMode
    value: float


@dataclass(frozen=True, slots=True)
class LoadOff:
    """Switch the load's input off."""


@dataclass(frozen=True, slots=True)
class SwitchOff:
    """Switch off: supply first, then load, both confirmed."""


Command = (
    Arm
    | SwitchOn
    | SetVoltage
    | SetCurrentLimit
    | SetFrequency
    | SetVoltageProtection
    | Watch
    | SetLoad
    | LoadOff
    | SwitchOff
)

_ANYWHERE = frozenset(KeeperState)
_LIVE = frozenset({KeeperState.LIVE})
_SETTABLE = frozenset({KeeperState.ARMED, KeeperState.LIVE})

#: The allowed moves; a command in any other state is refused.
ALLOWED: dict[type[Command], frozenset[KeeperState]] = {
    Arm: frozenset({KeeperState.OFF}),
    SwitchOn: frozenset({KeeperState.ARMED}),
    SetVoltage: _SETTABLE,
    SetCurrentLimit: _SETTABLE,
    SetFrequency: _SETTABLE,
    SetVoltageProtection: _LIVE,
    Watch: _SETTABLE,
    SetLoad: _LIVE,
    LoadOff: _LIVE,
    SwitchOff: _ANYWHERE,
}
