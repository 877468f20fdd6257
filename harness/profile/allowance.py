"""What a healthy unit may take while a start level is entered (safety rule 6)."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

#: Where a converter stops, as the least share of where it starts. Source: 0.8 to 0.9, and a wide
#: hysteresis of 0.6 for those with a start-up supply of their own; common practice.
_STOPS_FRAC = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class InrushAllowance:
    """What a healthy unit may take while one start level is entered and held (safety rule 6).

    For a DC input the watched quantity is charge in coulombs, for an AC input energy in joules.
    """

    kind: str  # "charge" (DC) or "energy" (AC)
    capacitance_f: float  # the bulk capacitor's
    peak_factor: float  # bulk voltage over input voltage
    charge_factor: float  # times the capacitor's own charge (energy) that is allowed
    from_v: float  # input voltage before the level
    to_v: float  # input voltage of the level
    idle_power_w: float  # draw allowed at and above the threshold
    threshold_v: float  # input voltage at which the unit begins to work
    leakage_a: float  # current allowed below the threshold
    #: What the supply's own readings may be off by: a share of them, and a fixed part.
    voltage_error_frac: float = 0.0
    current_error_a: float = 0.0
    current_error_frac: float = 0.0
    beside_f: float = 0.0  # across the supply's own terminals, may fill beside the unit's
    lead_ohm: float = 0.0  # leads and contacts that the unit may sit behind, both ways
    diode_v: float = 0.0  # of one against wrong polarity that may stand before its converter
    #: Whether a converter may be at work: ``threshold_v`` is then where it stops.
    has_begun: bool = False
    #: Input voltage up to which the bulk capacitor was found charged before power came on.
    charged_v: float = 0.0
    window_s: float = 0.0  # what a reading is averaged over; 0 for an instantaneous one
    #: Bulk voltage to which a boost stage lifts the capacitor once; 0 without one, or once it has.
    boosted_v: float = 0.0
    #: What a boost stage took of that at levels before, without having lifted it, in J.
    spent_j: float = 0.0
    #: Of a resistor that is connected across the bulk capacitor, at its least; infinite: none is.
    across_bulk_ohm: float = math.inf

    @property
    def begin_v(self) -> float:
        """Input voltage from which on the bulk capacitor takes anything."""
        return max(self.from_v, self.charged_v)

    def less(self, charged_v: float) -> InrushAllowance:
        """Return it less what a bulk capacitor has that is charged up to an input voltage.

        In no reading does it allow more than it did.
        """
        return replace(self, charged_v=charged_v)

    def found(self, charged_v: float) -> InrushAllowance:
        """Return it for a bulk capacitor that was found charged up to an input voltage.

        What is there already is not allowed once more. A converter that was not yet asleep goes on
        working below its threshold, down to where it stops.
        """
        left = self.less(charged_v)
        begun = left.begun()
        return begun if charged_v >= begun.threshold_v else left

    def begun(self) -> InrushAllowance:
        """Return it for a converter that may have begun: it works on, down to where it stops."""
        if self.has_begun:
            return self
        return replace(self, threshold_v=_STOPS_FRAC * self.threshold_v, has_begun=True)

    @property
    def healthy(self) -> float:
        """What filling the bulk capacitor from ``begin_v`` to ``to_v`` takes, in C or J.

        Source: Q = C (V1 - V0); E = C (Vp1^2 - Vp0^2) / 2, textbook.
        """
        if self.kind == "charge":
            return self.capacitance_f * max(0.0, self.to_v - self.begin_v)
        return max(0.0, self._energy_j(self.to_v))

    def explained(self, voltage_v: float, highest_v: float = 0.0) -> float:
        """What a reading of the input voltage explains since the level before, in C or J.

        A converter that begins takes more than a low limit gives, out of the bulk capacitor, and
        the voltage sags. ``highest_v`` is the highest voltage read in the level, and counts up to
        the level's own: from there down to where a converter stops, what the capacitor gave stays
        explained, once and not by the charge factor, and never more than the highest voltage
        explained. For an AC input nothing does: the rms voltage of the line does not follow the
        capacitor.

        Source: Q = C V; E = C Vp^2 / 2, textbook; safety rule 6.
        """
        if self.kind == "charge":
            gained_c = self._gained_c(voltage_v)
            if voltage_v < self.threshold_v:  # nothing works there, and a short pulls it there
                return gained_c
            filled_v = min(highest_v, self.to_v)  # no misread voltage filled it further
            given_c = self.capacitance_f * max(0.0, filled_v - voltage_v)
            return min(gained_c + given_c, self._gained_c(max(filled_v, voltage_v)))
        allowed_j = self.charge_factor * max(0.0, self._energy_j(voltage_v))
        if voltage_v >= self.threshold_v:  # below it nothing boosts, and a short pulls it there
            boost_j = self.charge_factor * self.boost_j(max(voltage_v, self.begin_v))
            allowed_j += max(0.0, boost_j - self.spent_j)
        return allowed_j

    def _gained_c(self, voltage_v: float) -> float:
        """Return what filling up to an input voltage may take, in C."""
        capacitance_f = self.charge_factor * self.capacitance_f + self.beside_f
        gained_v = max(0.0, voltage_v - self.begin_v)
        beside_v = max(0.0, voltage_v - self.from_v) - gained_v  # the supply's own alone
        return capacitance_f * gained_v + self.beside_f * beside_v

    def boost_j(self, voltage_v: float) -> float:
        """Return what a boost stage takes at an input voltage, from the peak of the line up.

        Source: E = C (Vb^2 - Vp^2) / 2, textbook.
        """
        peak_v = voltage_v * self.peak_factor
        return 0.5 * self.capacitance_f * max(0.0, self.boosted_v**2 - peak_v**2)

    def _energy_j(self, voltage_v: float) -> float:
        peak1, peak0 = voltage_v * self.peak_factor, self.begin_v * self.peak_factor
        return 0.5 * self.capacitance_f * (peak1**2 - peak0**2)

    def lift_j(self, taken_j: float, voltage_v: float) -> float:
        """Return what a boost stage has taken by now, of all taken at this level, and before it.

        In J; nothing of it is taken below the threshold.
        """
        if self.boosted_v <= 0.0 or voltage_v < self.threshold_v:
            return self.spent_j
        return self.spent_j + max(0.0, taken_j - max(0.0, self._energy_j(voltage_v)))

    def is_lifted(self, lift_j: float, voltage_v: float) -> bool:
        """Whether so much energy has lifted the capacitor above the peak of the line.

        Half of what that takes tells it from a stage that has not begun, and from its losses.
        """
        boost_j = self.boost_j(max(voltage_v, self.begin_v))
        return boost_j > 0.0 and voltage_v >= self.threshold_v and lift_j >= 0.5 * boost_j

    def idle_a(self, voltage_v: float) -> float:
        """Current of the idle power at a reading of the input voltage, from the threshold on.

        The converter has less than the supply reads: the reading may be too high, leads and a diode
        drop some. At most it counts as half.

        Source: I = P / V, at V less Vd and I R; textbook.
        """
        read_v = voltage_v * (1 - self.voltage_error_frac)
        dropped_v = self.diode_v + self.lead_ohm * self.idle_power_w / read_v
        return self.idle_power_w / (read_v - min(dropped_v, 0.5 * read_v))

    def across_bulk(self, voltage_v: float) -> float:
        """Return what a resistor across the bulk capacitor takes, in A for DC or in W for AC.

        Source: I = V / R; P = Vp^2 / R at the peak of the line, at most; textbook.
        """
        peak_v = voltage_v * self.peak_factor
        return (peak_v if self.kind == "charge" else peak_v**2) / self.across_bulk_ohm

    def slack(
        self, current_limit_a: float, interval_s: float = 0.0, highest_v: float | None = None
    ) -> float:
        """What may stay unexplained, in C or J: a tenth of what is healthy, and what is not seen.

        ``interval_s`` is the longest between two readings, ``highest_v`` the highest voltage read
        in the level so far, or None for the level's own: power that was not seen came at no higher
        voltage.

        Source: safety rule 6; a sampled integral sees no finer than the interval
            between two readings, nor than the window each is averaged over.
        """
        unseen = current_limit_a * max(interval_s, self.window_s)
        voltage_v = self.to_v if highest_v is None else highest_v
        return 0.1 * self.healthy + (unseen if self.kind == "charge" else unseen * voltage_v)
