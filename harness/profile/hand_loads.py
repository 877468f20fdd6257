"""What a person connects to an output by hand, as a profile names it."""

from __future__ import annotations

from harness.quantity import format_quantity, parse_quantity

#: How a load begins that is a battery: ``battery``, or ``battery 12 V, 7 Ah``.
BATTERY = "battery"
_SMALL_SUPPLY = "small supply"
#: Current of the supply that wakes a charger, at most, and what a silicon diode in its lead drops
#: of its voltage (common practice, both).
SMALL_SUPPLY_A, DIODE_V = 0.05, 0.7
#: What is said wherever it is connected. A diode in the lead: common practice.
SMALL_SUPPLY_NOTE = (
    "It stands in for a battery while the load holds the voltage of one: current limit "
    f"{format_quantity(SMALL_SUPPLY_A, 'A')} at most, plus on plus, and in its plus lead a diode "
    "that lets nothing flow back into it; set it higher by what that drops, up to "
    f"{format_quantity(DIODE_V, 'V')}."
)
#: What is said wherever a battery is.
BATTERY_NOTE = (
    "Its voltage is measured before it is connected, and refused outside the range of the output."
)


#: What is said where a run ended and nobody took one off.
BATTERY_LEFT = (
    "A BATTERY MAY STILL BE CONNECTED: measure, and disconnect it first, at the battery, by the "
    "fuse of its lead; it feeds what is wrong in the unit with power off, too"
)


def is_battery(load: str) -> bool:
    """Whether a load that is connected by hand is a battery."""
    return load.partition(" ")[0] == BATTERY


def small_supply(voltage_v: float) -> str:
    """Name the supply that wakes a charger which has a load in the place of a battery."""
    return f"{_SMALL_SUPPLY} {format_quantity(voltage_v, 'V')}"


def set_to_wake_v(wake_v: float) -> float:
    """Return what it is set to, for a voltage at the output: higher by what the diode drops.

    As people write it, 6.1 and not 6.1000000000000005: it may be all of an envelope.
    """
    return float(f"{wake_v + DIODE_V:.12g}")


def small_supply_v(load: str) -> float | None:
    """Return the voltage of a small supply by its name; None for anything else."""
    kind, found, value = load.partition(f"{_SMALL_SUPPLY} ")
    return parse_quantity(value, "V") if found and not kind else None
