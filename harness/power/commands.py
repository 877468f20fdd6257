"""What the keeper can be told, in which state of power, and the hard bounds it holds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from harness.profile.level import Level, LoadMode


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatingEnvelope:
    """The hard bounds the keeper holds.

    Attributes:
        voltage_v: Envelope voltage.
        current_a: Envelope current.
        power_w: Envelope power.
        voltage_error_v: What the supply's reading of the envelope voltage may be off by.
        current_error_a: What its reading of no current may be off by.
        power_error_w: What its reading of no power may be off by.
        frequencies_hz: Line frequencies that may be set; empty for DC.
        load_current_a: Largest load current that may be set; zero where there is no load.
        load_power_w: Largest load power that may be set; zero where none may.
        load_least_ohm: Smallest load resistance that may be set; infinite where none may.
        readback_frac: Share a setting read back may differ by.
        silence_s: Longest silence of the client while power is on.
        off_attempts: How often switching off is tried before it counts as unconfirmed.
        watchdog_s: Silence after which a supply with an output watchdog switches off by itself.
        asked_s: Longest time after which what was told is asked for again.
    """

    voltage_v: float
    current_a: float
    power_w: float
    voltage_error_v: float = 0.0
    current_error_a: float = 0.0
    power_error_w: float = 0.0
    frequencies_hz: tuple[float, ...] = ()
    load_current_a: float = 0.0
    load_power_w: float = 0.0
    load_least_ohm: float = math.inf
    readback_frac: float = 0.002
    silence_s: float = 0.5
    off_attempts: int = 5
    watchdog_s: float = 5.0
    asked_s: float = 0.5


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
    """Set the supply and read the setting back.

    Attributes:
        quantity: What is set, as dialects name it.
        value: In V, A (both rms for AC) or Hz.
    """

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


Command = Arm | SwitchOn | Set | SetVoltageProtection | Watch | SetLoad | LoadOff | SwitchOff

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
    SwitchOff: frozenset(KeeperState),
}
