"""Parts whose values change while the unit runs: warmth, forming, and faults that come late."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["KELVIN", "Forming", "InrushLimiter", "Onset"]

#: 0 degC in kelvin.
KELVIN = 273.15


@dataclass(frozen=True, kw_only=True, slots=True)
class InrushLimiter:
    """An NTC thermistor in series with the rectifier, as one store of heat.

    Attributes:
        cold_ohm: Zero-power resistance at 25 degC.
        beta_k: Constant B of the material, in kelvin.
        dissipation_w_per_k: Power that keeps it one kelvin above its surroundings.
        heat_time_s: Thermal time constant: with the dissipation it gives the heat capacity.
        ambient_degc: Temperature around it.

    Source:
        The quantities are those of IEC 60539-1 (from memory); the store of heat is textbook.
    """

    cold_ohm: float
    beta_k: float = 3000.0
    dissipation_w_per_k: float = 0.015
    heat_time_s: float = 60.0
    ambient_degc: float = 25.0

    def resistance_ohm(self, temperature_degc: float) -> float:
        """Return its resistance at a temperature.

        Source:
            R = R25 exp(B (1/T - 1/298.15 K)): the beta equation, textbook.
        """
        inverse = 1.0 / (temperature_degc + KELVIN) - 1.0 / (25.0 + KELVIN)
        return self.cold_ohm * math.exp(self.beta_k * inverse)

    def warmed_degc(self, temperature_degc: float, power_w: float, duration_s: float) -> float:
        """Return its temperature after ``duration_s`` at an even power.

        Source:
            C dT/dt = P - D (T - Ta) with C = D times the time constant: textbook.
        """
        final_degc = self.ambient_degc + power_w / self.dissipation_w_per_k
        left = math.exp(-duration_s / self.heat_time_s)
        return final_degc + (temperature_degc - final_degc) * left


@dataclass(frozen=True, kw_only=True, slots=True)
class Forming:
    """Extra leakage of an electrolytic capacitor that lay without voltage: it forms anew.

    The extra conductance falls to 1/e for every time constant spent at the forming voltage, more
    slowly at less, in proportion.

    Attributes:
        extra_ohm: Extra leakage path at first power.
        time_s: Time constant at the forming voltage.
        voltage_v: The forming voltage: that the unit works at.

    Source:
        An exponential fall towards the leakage of a formed capacitor: common practice, a
        simplification of the power of time that sheets show.
    """

    extra_ohm: float
    time_s: float
    voltage_v: float

    def left(self, share: float, bulk_v: float, duration_s: float) -> float:
        """Return the share of the extra conductance left after ``duration_s`` at ``bulk_v``."""
        return share * math.exp(-duration_s * max(bulk_v, 0.0) / (self.time_s * self.voltage_v))


@dataclass(frozen=True, kw_only=True, slots=True)
class Onset:
    """When a fault shows: once both have been met; it stays from then on.

    Attributes:
        time_s: Time with the supply on.
        voltage_v: Bulk voltage.
    """

    time_s: float = 0.0
    voltage_v: float = 0.0

    @property
    def is_at_once(self) -> bool:
        """True if it is there from the beginning."""
        return self.time_s <= 0.0 and self.voltage_v <= 0.0
