"""The unit's input network at one instant: who carries what, given the voltages at both ends."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from harness.rehearse.circuit.source import SourceModel
from harness.rehearse.unit_model import UnitModel
from harness.unit.formulas import clamped_v, varistor_current_a, varistor_voltage_v

#: A varistor that takes less than this counts as none.
_QUIET_A = 1e-4

#: The diodes of a half-cycle are taken at this share of the current the line could drive through
#: them, as in a pulse like half a sine (common practice), in so many steps for each e times it.
_PULSE_FRAC, _STEPS_PER_E = 0.6, 8.0
#: They are taken at this share of the current their drop is stated for at least. Below, a real bulk
#: capacitor creeps up by another tenth of a volt or two, for seconds.
_LEAST_FRAC = 1.0 / 16.0


@dataclass(frozen=True, kw_only=True, slots=True)
class InputNetwork:
    """Resistances of the path, as they are until a fuse, a contact or a part changes.

    ::

        source ── line_ohm ──┬────────┬── drop_v, series_ohm ──┬──────────┬─────────┐
                          short   varistor                   ESR+bulk   leak,short  converter

    Attributes:
        line_ohm: From the point that is held to the varistor: leads and fuse (AC: and source).
        short_siemens: Conductance of a short across the input.
        drop_v: Forward drop of the rectifier, at ``drop_at_a``; infinite for an open DC diode.
        drop_at_a: A current through it.
        emission_v: Growth of the drop for each e times that current.
        series_ohm: From the varistor to the bulk capacitor.
        esr_ohm: Equivalent series resistance of the bulk capacitor.
        bulk_f: Bulk capacitance.
        leak_siemens: Everything that loads the bulk capacitor like a resistor.
        fault_siemens: The part of it that is a fault.
        is_closed: False if fuse or contact is open.
        least_v: Half the converter's stop threshold. A step may carry the bulk capacitor past the
            threshold before the converter is told; its current is not taken higher than here.
        quiet_v: Voltage across the input below which the varistor takes next to nothing.
        divider: Bulk voltage over the voltage behind ``esr_ohm``, at rest and with no converter.
        resting_siemens: Conductance across the capacitor itself: the leak behind ``esr_ohm``.
    """

    line_ohm: float
    short_siemens: float
    drop_v: float
    drop_at_a: float
    emission_v: float
    series_ohm: float
    esr_ohm: float
    bulk_f: float
    leak_siemens: float
    fault_siemens: float
    is_closed: bool
    least_v: float
    quiet_v: float
    divider: float = field(init=False)
    resting_siemens: float = field(init=False)

    def __post_init__(self) -> None:
        """Work out once what is asked for a thousand times."""
        divider = 1.0 + self.esr_ohm * self.leak_siemens
        object.__setattr__(self, "divider", divider)
        object.__setattr__(self, "resting_siemens", self.leak_siemens / divider)

    @classmethod
    def of(
        cls, model: UnitModel, source: SourceModel, *, broken_over: bool, is_closed: bool
    ) -> InputNetwork:
        """Return the network of ``model`` on ``source``."""
        defects = model.defects
        rectifier = model.rectifier
        # A shorted diode of a bridge drops nothing: the other half of the pair is left.
        diodes_frac = 1.0 if defects.shorted_leg_ohm == math.inf else 0.5
        fault = 1.0 / defects.bulk_short_ohm + 1.0 / defects.bulk_leak_ohm
        if broken_over:
            fault += 1.0 / defects.breakdown_ohm
        inner_ohm, drop_v = source.resistance_ohm, diodes_frac * rectifier.drop_v
        if source.kind == "dc":
            inner_ohm = 0.0  # its regulator is no part of the network
            drop_v = drop_v if rectifier.conducts_positive else math.inf
        return cls(
            line_ohm=inner_ohm + source.wiring_ohm + model.fuse.resistance_ohm,
            short_siemens=1.0 / defects.input_short_ohm,
            drop_v=drop_v,
            drop_at_a=rectifier.drop_at_a,
            emission_v=diodes_frac * rectifier.emission_v,
            series_ohm=rectifier.resistance_ohm,
            esr_ohm=model.bulk.series_resistance_ohm,
            bulk_f=model.bulk.capacitance_f,
            leak_siemens=1.0 / model.bulk.leakage_ohm + fault,
            fault_siemens=fault,
            is_closed=is_closed,
            least_v=0.5 * model.converter.stop_v,
            quiet_v=math.inf
            if model.varistor is None
            else varistor_voltage_v(_QUIET_A, *model.varistor.law),
        )

    def across_a_shorted_leg(self, ohm: float) -> InputNetwork:
        """Return the network in the half of the line that a shorted diode of a bridge shorts.

        Line and bulk capacitor are apart then: the line meets the short behind its series
        resistance and a sound diode, whose drop, half a per cent of a line, is left out.
        """
        siemens = self.short_siemens + 1.0 / (self.series_ohm + ohm)
        return replace(self, short_siemens=siemens)

    def diode_step(self, peak_v: float, bulk_v: float) -> int:
        """Return the step of current at which the diodes are taken in a half-cycle.

        Its current is not yet known; what the line could drive through the path into the bulk
        capacitor as it stands comes close enough, since the drop goes with the logarithm.

        Args:
            peak_v: Amplitude of the line.
            bulk_v: Bulk voltage at the zero crossing.
        """
        path_ohm = self.line_ohm + self.series_ohm + self.esr_ohm
        current_a = _PULSE_FRAC * (peak_v - self.drop_v - bulk_v) / path_ohm
        return round(_STEPS_PER_E * math.log(max(current_a, _LEAST_FRAC * self.drop_at_a)))

    def at_diode_step(self, step: int) -> InputNetwork:
        """Return the network with the diodes at a step of current."""
        return self.about(math.exp(step / _STEPS_PER_E))

    def about(self, current_a: float) -> InputNetwork:
        """Return the network with the diodes as they are about a current: a drop and a resistance.

        Source:
            Tangent of a diode's law, v = V1 + n k T / q ln(i / I1), at ``current_a``. Textbook.
        """
        drop_v = self.drop_v + self.emission_v * (math.log(current_a / self.drop_at_a) - 1.0)
        ohm = self.series_ohm + self.emission_v / current_a
        return replace(self, drop_v=max(drop_v, 0.0), series_ohm=ohm)

    def shunt_siemens(self, model: UnitModel, open_v: float, inner_v: float = math.inf) -> float:
        """Return the conductance across the input at ``open_v``: short and varistor.

        The varistor counts as the resistance it has at its working point.

        Args:
            model: The unit.
            open_v: Voltage that feeds the line.
            inner_v: Voltage behind the rectifier; infinite while it cannot conduct. Where it
                conducts, line and rectifier feed the varistor together (Thevenin's theorem).
        """
        varistor = model.varistor
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

    def is_plain(self, peak_v: float) -> bool:
        """Return True if nothing but the rectifier takes current at ``peak_v`` and below."""
        return self.short_siemens <= 0.0 and peak_v < self.quiet_v

    def inner_v(self, bulk_v: float, power_w: float) -> float:
        """Return the voltage behind the series resistance while the rectifier gives nothing."""
        drop_v = self.esr_ohm * self.power_a(bulk_v, power_w)
        return (bulk_v - drop_v) / self.divider

    def power_a(self, bulk_v: float, power_w: float) -> float:
        """Return the current of a converter that takes ``power_w``."""
        return power_w / max(bulk_v, self.least_v) if power_w > 0.0 else 0.0

    def rested_v(self, bulk_v: float, power_w: float, duration_s: float) -> float:
        """Return bulk voltage after ``duration_s`` without supply.

        Source:
            C dv/dt = -P/v - G v; with u = v^2 it is linear,
            u(t) = (u0 + P/G) exp(-2 G t / C) - P/G. Textbook.
        """
        siemens = self.resting_siemens
        level = power_w / siemens
        square = bulk_v * bulk_v
        # expm1 keeps the small change of a long time constant.
        square += (square + level) * math.expm1(-2.0 * siemens * duration_s / self.bulk_f)
        return math.sqrt(square) if square > 0.0 else 0.0

    def rest_time_s(self, bulk_v: float, to_v: float, power_w: float) -> float:
        """Return how long the bulk capacitor takes to fall to ``to_v`` without supply."""
        if bulk_v <= to_v:
            return 0.0
        siemens = self.resting_siemens
        level = power_w / siemens
        ratio = (bulk_v * bulk_v + level) / (to_v * to_v + level)
        return 0.5 * self.bulk_f / siemens * math.log(ratio)

    def rested_integrals(
        self, bulk_v: float, end_v: float, power_w: float, duration_s: float
    ) -> tuple[float, float]:
        """Return integrals of the squared and plain voltage over a fault while at rest.

        From the balance of energy and of charge of the capacitor; the converter's share of charge
        is taken at the mean voltage.
        """
        siemens = self.resting_siemens
        kept = 1.0 / self.divider
        lost_j = 0.5 * self.bulk_f * (bulk_v * bulk_v - end_v * end_v) - power_w * duration_s
        charge_c = self.bulk_f * (bulk_v - end_v)
        if power_w > 0.0:
            charge_c -= power_w * duration_s * 2.0 / (bulk_v + end_v)
        square = max(lost_j, 0.0) / siemens * kept * kept
        return square, max(charge_c, 0.0) / siemens * kept
