"""What a rectifier looks into, a voltage behind a resistance, and who carries what then."""

from __future__ import annotations

import math
from typing import NamedTuple

from harness.rehearse.circuit.network import InputNetwork


class Drive(NamedTuple):
    """What the source does during the half-cycle.

    Attributes:
        peak_v: Amplitude of the sine behind its resistance.
        frequency_hz: Line frequency.
        clamp_a: Instantaneous current it does not pass.
        source_ohm: Part of the line's resistance that lies inside the terminals.
        conducts: False if the rectifier's path for this polarity is open.
    """

    peak_v: float
    frequency_hz: float
    clamp_a: float
    source_ohm: float
    conducts: bool

    @property
    def omega(self) -> float:
        """Angular frequency of the line."""
        return 2.0 * math.pi * self.frequency_hz


class Flows(NamedTuple):
    """Currents and voltages at one instant.

    Attributes:
        line_a: Current of the source.
        terminal_v: Voltage at its terminals.
        input_v: Voltage behind the fuse.
        inner_v: Voltage behind the bulk capacitor's series resistance.
        forward_v: What drives the rectifier; negative while it blocks.
        rectifier_a: Current through it.
    """

    line_a: float
    terminal_v: float
    input_v: float
    inner_v: float
    forward_v: float
    rectifier_a: float


class Thevenin(NamedTuple):
    """What the rectifier looks into.

    Attributes:
        sine_v: Amplitude of the part that follows the line.
        constant_v: The part that stands still.
        ohm: The resistance.
        is_held: True while the source clamps its current.
    """

    sine_v: float
    constant_v: float
    ohm: float
    is_held: bool

    @classmethod
    def free(cls, line_ohm: float, shunt: float, peak_v: float) -> Thevenin:
        """Return the source's sine behind line and shunt.

        Source:
            Thevenin's theorem, textbook.
        """
        loaded = 1.0 + line_ohm * shunt
        return cls(sine_v=peak_v / loaded, constant_v=0.0, ohm=line_ohm / loaded, is_held=False)

    @classmethod
    def held(cls, shunt: float, current_a: float) -> Thevenin:
        """Return a constant current across the shunt; a tiny shunt stands for none."""
        siemens = max(shunt, 1e-9)
        return cls(sine_v=0.0, constant_v=current_a / siemens, ohm=1.0 / siemens, is_held=True)

    def flows(
        self, net: InputNetwork, drive: Drive, sine: float, bulk_v: float, power_w: float
    ) -> Flows:
        """Return who carries what while the line stands at ``sine`` of its amplitude."""
        open_v = self.sine_v * sine + self.constant_v
        lifted = net.esr_ohm / net.divider
        inner_v = net.inner_v(bulk_v, power_w)
        forward_v = open_v - net.drop_v - inner_v if drive.conducts else -1.0
        rectifier_a = 0.0
        if forward_v > 0.0:
            rectifier_a = forward_v / (self.ohm + net.series_ohm + lifted)
        input_v = open_v - rectifier_a * self.ohm
        inner_v += rectifier_a * lifted
        if self.is_held:
            line_a = drive.clamp_a
            terminal_v = input_v + line_a * (net.line_ohm - drive.source_ohm)
        else:
            source_v = drive.peak_v * sine
            line_a = (source_v - input_v) / net.line_ohm
            terminal_v = source_v - line_a * drive.source_ohm
        return Flows(line_a, terminal_v, input_v, inner_v, forward_v, rectifier_a)

    def conducted_v(
        self,
        net: InputNetwork,
        omega: float,
        time_s: float,
        step_s: float,
        bulk_v: float,
        power_w: float,
    ) -> float:
        """Return bulk voltage after conducting from ``time_s`` on for ``step_s``.

        Source:
            C dv/dt = i - P/v - v/R with P/v replaced by its tangent is v' = -k v + s sin(wt) + c,
            whose solution is a particular one plus an exponential. Textbook.
        """
        constant_a = 2.0 * power_w / bulk_v if power_w > 0.0 else 0.0
        slope = -power_w / (bulk_v * bulk_v) if power_w > 0.0 else 0.0
        kept = 1.0 / net.divider
        share = kept * (1.0 - net.esr_ohm * slope)
        offset_v = kept * net.esr_ohm * constant_a
        path = kept / (self.ohm + net.series_ohm + net.esr_ohm * kept)
        inverse = 1.0 / net.bulk_f
        rate = inverse * ((path + net.leak_siemens) * share + slope)
        held_v = self.constant_v - net.drop_v
        constant = inverse * (path * held_v + (path + net.leak_siemens) * offset_v - constant_a)
        if abs(rate * step_s) < 1e-9:
            return bulk_v + constant * step_s
        start = end = constant / rate
        if self.sine_v > 0.0:
            scale = inverse * path * self.sine_v / (rate * rate + omega * omega)
            angle = omega * time_s
            start += scale * (rate * math.sin(angle) - omega * math.cos(angle))
            angle += omega * step_s
            end += scale * (rate * math.sin(angle) - omega * math.cos(angle))
        return end + (bulk_v - start) * math.exp(-rate * step_s)
