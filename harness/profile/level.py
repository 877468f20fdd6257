"""One thing to set and hold: its voltage, limit and load, and what the unit may take meanwhile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.profile.measures import SETTINGS
from harness.quantity import format_quantity, parse_quantity

#: What an electronic load holds constant.
LoadMode = Literal["current", "resistance", "power"]


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """One setting of an electronic load.

    Attributes:
        mode: What it holds constant.
        value: Current in A, resistance in ohm, or power in W.
    """

    mode: LoadMode
    value: float

    @property
    def unit(self) -> str:
        """Unit of the value."""
        return SETTINGS["load"][self.mode]

    @property
    def label(self) -> str:
        """What the table and the record call it."""
        return format_quantity(self.value, self.unit)

    def current_a(self, voltage_v: float) -> float:
        """Current it takes at an output voltage.

        Source: Ohm's law; P = V I, textbook.
        """
        if self.mode == "current":
            return self.value
        return voltage_v / self.value if self.mode == "resistance" else self.value / voltage_v


@dataclass(frozen=True, slots=True, kw_only=True)
class InrushAllowance:
    """What a healthy unit may take while one start level is entered and held (safety rule 6).

    For a DC input the watched quantity is charge in coulombs, for an AC input energy in joules.

    Attributes:
        kind: ``charge`` (DC) or ``energy`` (AC).
        capacitance_f: Bulk capacitance.
        peak_factor: Bulk voltage over input voltage: 1 for DC, the root of two for AC.
        charge_factor: Times the capacitor's own charge (energy) that is allowed.
        from_v: Input voltage before the level.
        to_v: Input voltage of the level.
        idle_power_w: Draw allowed at and above the threshold.
        threshold_v: Input voltage at which the unit begins to work.
        leakage_a: Current allowed below the threshold.
        voltage_error_frac: Share of the reading the supply's own voltage reading may be off by.
        current_error_a: Fixed part of what the supply's own current reading may be off by.
        current_error_frac: Part in proportion to the reading.
        beside_f: Capacitance across the supply's own terminals that may fill beside the unit's.
        lead_ohm: Resistance of leads and contacts that the unit may sit behind, both ways.
        diode_v: Drop of the diode against wrong polarity that may stand before its converter.
        window_s: Time resolution of a reading: 0 for an instantaneous one, the averaging window
            of an rms reading otherwise.
    """

    kind: str
    capacitance_f: float
    peak_factor: float
    charge_factor: float
    from_v: float
    to_v: float
    idle_power_w: float
    threshold_v: float
    leakage_a: float
    voltage_error_frac: float = 0.0
    current_error_a: float = 0.0
    current_error_frac: float = 0.0
    beside_f: float = 0.0
    lead_ohm: float = 0.0
    diode_v: float = 0.0
    window_s: float = 0.0

    @property
    def healthy(self) -> float:
        """What filling the bulk capacitor from ``from_v`` to ``to_v`` takes, in C or J.

        Source: Q = C (V1 - V0); E = C (Vp1^2 - Vp0^2) / 2, textbook.
        """
        if self.kind == "charge":
            return self.capacitance_f * (self.to_v - self.from_v)
        peak1, peak0 = self.to_v * self.peak_factor, self.from_v * self.peak_factor
        return 0.5 * self.capacitance_f * (peak1**2 - peak0**2)

    def explained(self, voltage_v: float) -> float:
        """What a reading of the input voltage explains since the level before, in C or J.

        Source: Q = C V; E = C Vp^2 / 2, textbook; safety rule 6.
        """
        if self.kind == "charge":
            capacitance_f = self.charge_factor * self.capacitance_f + self.beside_f
            return capacitance_f * max(0.0, voltage_v - self.from_v)
        peak1, peak0 = voltage_v * self.peak_factor, self.from_v * self.peak_factor
        return self.charge_factor * max(0.0, 0.5 * self.capacitance_f * (peak1**2 - peak0**2))

    def idle_a(self, voltage_v: float) -> float:
        """Current of the idle power at a reading of the input voltage, from the threshold on.

        The converter has less than the supply reads: the reading may be too high, leads and a diode
        drop some. At most it counts as half.

        Source: I = P / V, at V less Vd and I R; textbook.
        """
        read_v = voltage_v * (1 - self.voltage_error_frac)
        dropped_v = self.diode_v + self.lead_ohm * self.idle_power_w / read_v
        return self.idle_power_w / (read_v - min(dropped_v, 0.5 * read_v))

    @property
    def tenth(self) -> float:
        """The fixed part of what may stay unexplained: a tenth of :attr:`healthy`, in C or J."""
        return 0.1 * self.healthy

    def slack(
        self, current_limit_a: float, interval_s: float = 0.0, highest_v: float | None = None
    ) -> float:
        """What may stay unexplained, in C or J: :attr:`tenth` and what readings cannot see.

        Args:
            current_limit_a: Limit of the supply.
            interval_s: Longest interval between two readings.
            highest_v: Highest voltage read in the level so far, or None for the level's own: power
                that was not seen came at no higher voltage.

        Source: safety rule 6; a sampled integral sees no finer than the interval
            between two readings, nor than the window each is averaged over.
        """
        unseen = current_limit_a * max(interval_s, self.window_s)
        voltage_v = self.to_v if highest_v is None else highest_v
        return self.tenth + (unseen if self.kind == "charge" else unseen * voltage_v)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One thing to set and hold.

    Attributes:
        label: What the table and the record call it: ``"25 %"``, ``"nominal"``, ``"1.25 A"``.
        voltage_v: Voltage to set (rms for AC).
        current_limit_a: Limit to set.
        dwell_s: Time to hold once settled.
        frequency_hz: Line frequency, or None for DC.
        load: Setting of the electronic load, or None where it stays off.
        budget: What the unit may take while this level is entered, or None where none applies.
        time_at_limit_s: Longest time at the current limit, or None where a budget stands.
    """

    label: str
    voltage_v: float
    current_limit_a: float
    dwell_s: float
    frequency_hz: float | None = None
    load: LoadPoint | None = None
    budget: InrushAllowance | None = None
    time_at_limit_s: float | None = None

    @property
    def load_current_a(self) -> float | None:
        """Constant current of the load, or None where it holds none."""
        constant = self.load is not None and self.load.mode == "current"
        return self.load.value if self.load is not None and constant else None


def resistor_ohm(load: str) -> float | None:
    """Return the resistance of a load that is connected by hand, such as ``resistor 10 ohm``.

    Returns:
        None where it is any other load.

    Raises:
        QuantityError: It is a resistor without a resistance.
    """
    kind, _, value = load.partition(" ")
    return parse_quantity(value, "ohm") if kind == "resistor" else None
