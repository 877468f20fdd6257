"""The unit's input network at one instant: who carries what, given the voltages at both ends."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from harness.rehearse.circuit.source import SourceModel
from harness.rehearse.unit_model import UnitModel
from harness.rehearse.unit_parts import Varistor
from harness.unit.formulas import clamped_v, varistor_current_a, varistor_voltage_v

#: A varistor that takes less than this at the crest of the line counts as none; one that takes less
#: than the other draws its current and moves the line's voltage by nothing worth mentioning.
_QUIET_A, _LEAKING_A = 1e-4, 0.02
#: No two wires have less inductance: a metre of them (common practice).
_LEAST_H = 1e-6

#: The diodes of a half-cycle are taken at this share of the current the line could drive through
#: them, as in a pulse like half a sine (common practice), in so many steps for each e times it.
_PULSE_FRAC, _STEPS_PER_E = 0.6, 8.0
#: They are taken at this share of the current their drop is stated for at least. Below, a real bulk
#: capacitor creeps up by another tenth of a volt or two, for seconds.
_LEAST_FRAC = 1.0 / 32.0


@dataclass(frozen=True, kw_only=True, slots=True)
class InputNetwork:
    """Resistances of the path, as they are until a fuse, a contact or a part changes.

    ::

        source ── line_ohm ──┬────────┬── drop_v, series_ohm ──┬──────────┬─────────┐
                          short   varistor                   ESR+bulk   leak,short  converter
    """

    line_ohm: float  #: from the point that is held: leads and fuse (AC: and source)
    short_siemens: float
    varistor: Varistor | None
    drop_v: float  #: of the rectifier, at ``drop_at_a``; infinite for an open DC diode
    drop_at_a: float
    emission_v: float  #: growth of the drop for each e times that current
    series_ohm: float
    esr_ohm: float
    bulk_f: float
    leak_siemens: float  #: everything that loads the bulk capacitor like a resistor
    fault_siemens: float  #: the part of it that is a fault
    is_closed: bool  #: False if fuse or contact is open
    #: Half the converter's stop threshold. A step may carry the bulk capacitor past the threshold
    #: before the converter is told; its current is not taken higher than here.
    least_v: float
    #: AC only: between source and bulk capacitor; it slows down what a rectifier draws. Shorts, and
    #: a varistor that conducts, are met without it.
    inductance_h: float
    quiet_v: float = field(init=False)  #: up to here the varistor takes next to nothing
    leaking_v: float = field(init=False)  #: and up to here no more than a leak
    #: Bulk voltage over the voltage behind ``esr_ohm``, at rest and with no converter.
    divider: float = field(init=False)
    resting_siemens: float = field(init=False)  #: ``leak_siemens`` as the capacitor itself sees it

    def __post_init__(self) -> None:
        """Work out once what is asked for a thousand times."""
        law = None if self.varistor is None else self.varistor.law
        quiet_v = math.inf if law is None else varistor_voltage_v(_QUIET_A, *law)
        leaking_v = math.inf if law is None else varistor_voltage_v(_LEAKING_A, *law)
        divider = 1.0 + self.esr_ohm * self.leak_siemens
        object.__setattr__(self, "quiet_v", quiet_v)
        object.__setattr__(self, "leaking_v", leaking_v)
        object.__setattr__(self, "divider", divider)
        object.__setattr__(self, "resting_siemens", self.leak_siemens / divider)

    @classmethod
    def of(
        cls,
        model: UnitModel,
        source: SourceModel,
        *,
        broken_over: bool,
        is_closed: bool,
        beside_ohm: float = math.inf,
        backwards: bool = False,
    ) -> InputNetwork:
        """Return the network of ``model`` on ``source``, with a resistor across its capacitor.

        On DC the leads may be ``backwards``.
        """
        defects, rectifier = model.defects, model.rectifier
        # A shorted diode of a bridge drops nothing: the other half of the pair is left.
        diodes_frac = 1.0 if defects.shorted_leg_ohm == math.inf else 0.5
        fault = 1.0 / defects.bulk_short_ohm + 1.0 / defects.bulk_leak_ohm
        if broken_over:
            fault += 1.0 / defects.breakdown_ohm
        inner_ohm, drop_v = source.resistance_ohm, diodes_frac * rectifier.drop_v
        if source.kind == "dc":
            inner_ohm = 0.0  # its regulator is no part of the network
            conducts = rectifier.conducts_negative if backwards else rectifier.conducts_positive
            drop_v = drop_v if conducts else math.inf
        return cls(
            line_ohm=inner_ohm + source.wiring_ohm + model.fuse.resistance_ohm,
            short_siemens=1.0 / defects.input_short_ohm,
            varistor=model.varistor,
            drop_v=drop_v,
            drop_at_a=rectifier.drop_at_a,
            emission_v=diodes_frac * rectifier.emission_v,
            series_ohm=rectifier.resistance_ohm,
            esr_ohm=model.bulk.series_resistance_ohm,
            bulk_f=model.bulk.capacitance_f,
            leak_siemens=1.0 / model.bulk.leakage_ohm + 1.0 / beside_ohm + fault,
            fault_siemens=fault,
            is_closed=is_closed,
            least_v=0.5 * model.converter.stop_v,
            inductance_h=max(source.inductance_h + rectifier.inductance_h, _LEAST_H),
        )

    def across_a_shorted_leg(self, ohm: float) -> InputNetwork:
        """Return the network in the half of the line that a shorted diode of a bridge shorts.

        Line and bulk capacitor are apart then: the line meets the short behind its series
        resistance and a sound diode, whose drop, half a per cent of a line, is left out.
        """
        siemens = self.short_siemens + 1.0 / (self.series_ohm + ohm)
        return replace(self, short_siemens=siemens)

    def diode_current_a(self, peak_v: float, bulk_v: float) -> float:
        """Return the current, rounded to a step, at which the diodes are taken in a half-cycle.

        That of the half-cycle is not yet known; what a line of ``peak_v`` could drive through the
        path into the bulk capacitor, as it stands at the zero crossing, comes close enough, since
        the drop goes with the logarithm.
        """
        path_ohm = self.line_ohm + self.series_ohm + self.esr_ohm
        current_a = _PULSE_FRAC * (peak_v - self.drop_v - bulk_v) / path_ohm
        steps = round(_STEPS_PER_E * math.log(max(current_a, _LEAST_FRAC * self.drop_at_a)))
        return math.exp(steps / _STEPS_PER_E)

    def about(self, current_a: float) -> InputNetwork:
        """Return the network with the diodes as they are about a current: a drop and a resistance.

        Source: Tangent of a diode's law, v = V1 + n k T / q ln(i / I1), at ``current_a``. Textbook.
        """
        drop_v = self.drop_v + self.emission_v * (math.log(current_a / self.drop_at_a) - 1.0)
        ohm = self.series_ohm + self.emission_v / current_a
        return replace(self, drop_v=max(drop_v, 0.0), series_ohm=ohm)

    def leaking_law(self, peak_v: float) -> tuple[float, float] | None:
        """Return the law of a varistor that leaks on a line of this crest, or None if none does."""
        if self.varistor is None or peak_v < self.quiet_v or not self.is_closed:
            return None
        return self.varistor.law

    def shunt_siemens(self, open_v: float, inner_v: float = math.inf) -> float:
        """Return the conductance across the input while ``open_v`` feeds the line.

        That is the short and the varistor, which counts as the resistance it has at its working
        point. Where the rectifier conducts, line and rectifier feed it together (Thevenin's
        theorem): ``inner_v`` is the voltage behind it, infinite while it cannot conduct.
        """
        varistor = self.varistor
        if varistor is None or open_v < self.quiet_v:
            return self.short_siemens
        divided = 1.0 + self.line_ohm * self.short_siemens
        fed_v, fed_ohm = open_v / divided, self.line_ohm / divided
        across_v = clamped_v(fed_v, fed_ohm, *varistor.law)
        if across_v > inner_v + self.drop_v:
            behind_ohm = self.series_ohm + self.esr_ohm
            share = behind_ohm / (behind_ohm + fed_ohm)
            fed_v = share * fed_v + (1.0 - share) * (inner_v + self.drop_v)
            across_v = clamped_v(fed_v, share * fed_ohm, *varistor.law)
        if across_v <= 0.0 or math.isclose(across_v, 0.0):
            return self.short_siemens
        return self.short_siemens + varistor_current_a(across_v, *varistor.law) / across_v

    def inner_v(self, bulk_v: float, power_w: float) -> float:
        """Return the voltage behind the series resistance while the rectifier gives nothing."""
        return (bulk_v - self.esr_ohm * self.power_a(bulk_v, power_w)) / self.divider

    def power_a(self, bulk_v: float, power_w: float) -> float:
        """Return the current of a converter that takes ``power_w``."""
        return power_w / max(bulk_v, self.least_v) if power_w > 0.0 else 0.0

    def rested_v(self, bulk_v: float, power_w: float, duration_s: float) -> float:
        """Return bulk voltage after ``duration_s`` without supply.

        Source: C dv/dt = -P/v - G v; with u = v^2 it is linear,
        u(t) = (u0 + P/G) exp(-2 G t / C) - P/G. Textbook.
        """
        siemens = self.resting_siemens
        square = bulk_v * bulk_v
        # expm1 keeps the small change of a long time constant.
        fallen = math.expm1(-2.0 * siemens * duration_s / self.bulk_f)
        square += (square + power_w / siemens) * fallen
        return math.sqrt(square) if square > 0.0 else 0.0

    def rest_time_s(self, bulk_v: float, to_v: float, power_w: float) -> float:
        """Return how long the bulk capacitor takes to fall to ``to_v`` without supply.

        Infinite for a voltage below zero.
        """
        if bulk_v <= to_v:
            return 0.0
        if to_v < 0.0:
            return math.inf
        level = power_w / self.resting_siemens
        ratio = (bulk_v * bulk_v + level) / (to_v * to_v + level)
        return 0.5 * self.bulk_f / self.resting_siemens * math.log(ratio)

    def rested_integrals(
        self, bulk_v: float, end_v: float, power_w: float, duration_s: float
    ) -> tuple[float, float]:
        """Return integrals of the squared and plain voltage over a fault while at rest.

        From the balance of energy and of charge of the capacitor; the converter's share of charge
        is taken at the mean voltage.
        """
        kept = 1.0 / self.divider
        lost_j = 0.5 * self.bulk_f * (bulk_v * bulk_v - end_v * end_v) - power_w * duration_s
        charge_c = self.bulk_f * (bulk_v - end_v)
        if power_w > 0.0:
            charge_c -= power_w * duration_s * 2.0 / (bulk_v + end_v)
        square = max(lost_j, 0.0) / self.resting_siemens * kept * kept
        return square, max(charge_c, 0.0) / self.resting_siemens * kept


class Drive(NamedTuple):
    """What an AC source does during a half-cycle."""

    peak_v: float  #: of the sine behind its resistance
    frequency_hz: float
    clamp_a: float  #: instantaneous current it does not pass
    source_ohm: float  #: part of the line's resistance that lies inside the terminals
    conducts: bool  #: False if the rectifier's path for this polarity is open

    @property
    def omega(self) -> float:
        """Angular frequency of the line."""
        return 2.0 * math.pi * self.frequency_hz


class Flows(NamedTuple):
    """Currents and voltages at one instant."""

    line_a: float
    terminal_v: float
    input_v: float  #: behind the fuse
    inner_v: float  #: behind the bulk capacitor's series resistance
    forward_v: float  #: drives the rectifier; negative while it blocks
    rectifier_a: float


class Thevenin(NamedTuple):
    """What the rectifier looks into: a voltage behind a resistance."""

    sine_v: float  #: amplitude of the part that follows the line
    constant_v: float  #: the part that does not change
    ohm: float
    is_held: bool  #: while the source clamps its current

    @classmethod
    def free(cls, line_ohm: float, shunt: float, peak_v: float) -> Thevenin:
        """Return the source's sine behind line and shunt.

        Source: Thevenin's theorem, textbook.
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

        Source: C dv/dt = i - P/v - v/R with P/v replaced by its tangent is
        v' = -k v + s sin(wt) + c, whose solution is a particular one plus an exponential. Textbook.
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
