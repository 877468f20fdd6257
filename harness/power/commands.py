"""What the keeper can be told, and in which state of power."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from harness.profile.level import Level, LoadMode

#: What may drive an enable input: a second supply, which may wake a charger instead, or a relay.
PinRole = Literal["aux", "enable_switch"]

#: Share a setting read back may differ by.
READBACK_FRAC = 0.002
#: Longest silence of the client while power is on.
CLIENT_SILENCE_S = 0.5
#: How often switching off is tried before it counts as unconfirmed.
OFF_ATTEMPTS = 5
#: How often it is measured that power is gone: each takes a moment, and whoever is to pull the plug
#: must hear of it soon.
MEASURED_ATTEMPTS = 2
#: Silence after which a supply with an output watchdog switches off by itself.
WATCHDOG_S = 5.0


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
class Set:
    """Set the supply, in V, A (both rms for AC) or Hz, and read the setting back."""

    quantity: Literal["voltage", "current_limit", "frequency"]
    value: float


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
    """Set what the load holds constant, in A, ohm, W or V, and switch its input on."""

    mode: LoadMode
    value: float
    load: str = "load"  # its key on the bench


@dataclass(frozen=True, slots=True)
class LoadOff:
    """Switch the input of every load off."""


@dataclass(frozen=True, slots=True)
class EnableOn:
    """Drive the enable input, by the auxiliary supply at these settings or by its relay.

    At a charger the auxiliary supply stands in for a battery, behind a diode, and wakes it.
    """

    by: PinRole
    voltage_v: float = 0.0
    current_limit_a: float = 0.0


@dataclass(frozen=True, slots=True)
class EnableOff:
    """Let go of the enable input, or of the charger, whatever drives it."""


@dataclass(frozen=True, slots=True)
class SwitchOff:
    """Switch off: supply first, then what else there is, all confirmed."""


Command = (
    Arm
    | SwitchOn
    | Set
    | SetVoltageProtection
    | Watch
    | SetLoad
    | LoadOff
    | EnableOn
    | EnableOff
    | SwitchOff
)

_LIVE = frozenset({KeeperState.LIVE})
_SETTABLE = frozenset({KeeperState.ARMED, KeeperState.LIVE})

#: In which states each command is taken; in any other it is refused.
ALLOWED: dict[type[Command], frozenset[KeeperState]] = {
    Arm: frozenset({KeeperState.OFF}),
    SwitchOn: frozenset({KeeperState.ARMED}),
    Set: _SETTABLE,
    SetVoltageProtection: _LIVE,
    Watch: _SETTABLE,
    SetLoad: _LIVE,
    LoadOff: _LIVE,
    EnableOn: _LIVE,
    EnableOff: _LIVE,
    SwitchOff: frozenset(KeeperState),
}
