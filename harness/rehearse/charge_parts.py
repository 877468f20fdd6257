"""The charging stage of a simulated charger, and a battery that hangs at it, in SI."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Annotated

from harness.files.field_types import (
    Amps,
    Coulombs,
    FractionOrZero,
    Ohms,
    Seconds,
    Volts,
    bounded,
)
from harness.rehearse.unit_parts import Key
from harness.unit.charger_output import ChargerOutput


@dataclass(frozen=True, kw_only=True, slots=True)
class ChargeStage:
    """Between converter and battery: nothing without a battery, then current, voltage, an end.

    Source: Constant current, constant voltage and an end by current or by a drop of the voltage:
    common practice for chargers of any chemistry.
    """

    current_a: Annotated[Amps, Key(tolerance=True)]  #: of the charge
    voltage_v: Volts  #: that it holds at its terminals, with no current
    resistance_ohm: Ohms  #: of what holds it: the knee between current and voltage
    wake_v: Volts  #: at its terminals, from which on a battery counts as there
    wake_delay_s: Seconds  #: for so long
    ramp_s: Seconds  #: from nothing to the current of the charge
    end_current_a: Amps = 0.0  #: below it the charge has ended; 0: not by current
    end_drop_v: Volts = math.inf  #: so far below its highest voltage it has; infinite: not by that
    least_a: float = 0.0  #: current that it never goes below while it charges
    #: Across its terminals while it gives nothing.
    drain_ohm: Annotated[Ohms, Key("drain_resistance")] = math.inf


@dataclass(frozen=True, kw_only=True, slots=True)
class Battery:
    """An EMF that goes with the state of charge, behind a resistance. Source: textbook."""

    capacity_c: Annotated[Coulombs, Key("capacity", tolerance=True)]  #: charge from empty to full
    resistance_ohm: Ohms
    #: State of charge when it is brought to the bench.
    charged_frac: Annotated[
        FractionOrZero, bounded("%", "a state of charge is at most {}", '"80 %"', most=1.0)
    ] = 0.0
    #: EMF by state of charge, in straight lines; the ends go on as their lines do.
    curve: tuple[tuple[float, float], ...]

    def emf_v(self, charged_frac: float) -> float:
        """Return the EMF at a state of charge; 1 is full."""
        at_frac, at_v = self.curve[self._line(charged_frac)]
        return max(at_v + self.rise_v(charged_frac) * (charged_frac - at_frac), 0.0)

    def rise_v(self, charged_frac: float) -> float:
        """Return by how much the EMF rises there, for a whole charge."""
        line = self._line(charged_frac)
        (low, low_v), (high, high_v) = self.curve[line : line + 2]
        return (high_v - low_v) / (high - low)

    def _line(self, charged_frac: float) -> int:
        at = bisect_right(self.curve, charged_frac, key=lambda point: point[0]) - 1
        return min(max(at, 0), len(self.curve) - 2)


#: State of charge of the battery that is brought to the bench: what is left of it is short.
_ARRIVES_FRAC = 0.82
#: A small battery, so that a charge is short: full in a quarter of an hour.
_WHOLE_CHARGE_S = 900.0
#: Voltage that its resistance drops at the current of the charge, of the highest.
_DROP_FRAC = 1.0 / 60.0
#: EMF when it is empty, of the highest voltage; when it is full, where the charge ends by a drop of
#: the voltage; and by how many such drops it has fallen after a fifth more than a whole charge.
_EMPTY_FRAC, _FULL_FRAC, _DROPS, _OVERCHARGED = 0.8, 0.93, 3.0, 1.2


def typical_battery(output: ChargerOutput) -> Battery:
    """Return a small battery that a charger is for. Source: assumption, no make and no chemistry.

    Where the charge ends by taper it is full at the highest voltage; where by a drop of the
    voltage, its EMF falls once it is full.
    """
    full_v = output.nominal_v
    curve: tuple[tuple[float, float], ...] = ((0.0, _EMPTY_FRAC * full_v), (1.0, full_v))
    if output.end_drop_v is not None:
        peak_v = _FULL_FRAC * full_v
        fallen_v = peak_v - _DROPS * output.end_drop_v
        curve = ((0.0, _EMPTY_FRAC * full_v), (1.0, peak_v), (_OVERCHARGED, fallen_v))
    return Battery(
        capacity_c=output.current_a * _WHOLE_CHARGE_S,
        resistance_ohm=_DROP_FRAC * full_v / output.current_a,
        charged_frac=_ARRIVES_FRAC,
        curve=curve,
    )
