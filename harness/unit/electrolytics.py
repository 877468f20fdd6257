"""Bulk and output capacitors."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity
from harness.unit.formulas import hold_up_s, peak_v, valley_at_constant_power_v
from harness.unit.parts import (
    BulkPart,
    ElectrolyticRatings,
    FusePart,
    OutputCapacitorPart,
    shown_figure,
)
from harness.unit.ratings import Kind, PartStress, at_least, finding, same

#: What a sound capacitor may differ by from what is printed. Source: common practice.
TOLERANCE_FRAC = 0.2


def capacitance_range(capacitance_f: float) -> tuple[float, float, str]:
    """Return the least and the most a sound capacitor has of what is printed, and both as text."""
    low_f, high_f = (1 - TOLERANCE_FRAC) * capacitance_f, (1 + TOLERANCE_FRAC) * capacitance_f
    return low_f, high_f, f"{shown_figure(low_f, 'F')} to {shown_figure(high_f, 'F')}"


class _Electrolytic(Kind):
    """What bulk and output capacitors share."""

    part: BulkPart | OutputCapacitorPart
    if_suspect = "; replace it even if it measures well: it was over-stressed"

    def _life(self, fitted: ElectrolyticRatings, ripple_a: float | None) -> Iterator[Finding]:
        """Judge what decides how long it lasts."""
        original, now = self.part.temperature_degc, fitted.temperature_degc
        need, why = self.conditions.file.service.temperature_degc, "the temperature in service"
        yield from at_least("temperature", "degC", original, now, need, why)
        original, now = self.part.ripple_current_a, fitted.ripple_current_a
        why = "its ripple current at full load"
        yield from at_least("ripple current", "A", original, now, ripple_a, why)

    def check(self) -> ColdCheck:
        """Measure its capacitance and series resistance."""
        low_f, high_f, expected = capacitance_range(self.part.capacitance_f)
        if self.part.series_ohm is not None:
            most = shown_figure(2 * self.part.series_ohm, "ohm", 2)
            expected += f"; series resistance below {most}"
        measure = "discharged, one lead lifted: capacitance and series resistance"
        expected += "; no bulge, no leak"
        return self.settled_by(measure, expected, "F", low=low_f, high=high_f)


class BulkCapacitor(_Electrolytic):
    """The bulk capacitor.

    Source: Peak less diode drops, valley at constant power, hold-up: textbook, see
        :mod:`harness.unit.formulas`. Surge voltage 1.15 times rated up to 315 V and 1.10 above, 30
        s at a time; reverse voltage borne 1.5 V: common practice.
    """

    part: BulkPart
    shorts_line = True

    def stress(self) -> PartStress:
        """Hold it against the rectified peak, and against what comes the wrong way round."""
        event, capacitors = self.event, self.tables.capacitors
        surge_v = capacitors.surge_v(self.part)
        forward = self.against("rated voltage", self.part.voltage_v, at=self.conditions.bulk_v)
        brief = event is not None and event.duration_s <= capacitors.surge.limited_to_s
        borne = (forward.event or 0.0) <= surge_v and (forward.service_ratio or 0.0) <= 1.0
        if forward.severity is Severity.OVER and brief and borne:
            forward = replace(forward, severity=Severity.MARGINAL)
        stresses = [forward]
        backwards_v = 0.0 if event is None else self.conditions.bulk_backwards_v(event)
        if backwards_v > 0.0:
            borne_v = capacitors.reverse_borne_v
            stresses.append(self.against("reverse voltage", borne_v, event=backwards_v))
        remarks = []
        if forward.event is not None and forward.event > forward.rating:
            word = "within" if forward.event <= surge_v else "past"
            shown = shown_figure(surge_v, "V")
            remarks = [
                f"That is {word} its surge voltage of {shown}, which holds for 30 s at a time."
            ]
        return PartStress(stresses=tuple(stresses), remarks=tuple(remarks))

    def findings(self, fitted: ElectrolyticRatings) -> Iterator[Finding]:
        """Judge voltage, capacitance, temperature, ripple current."""
        part, need_v = self.part, self.conditions.bulk_v(self.service)
        made_v = self.tables.capacitors.rated_v_for(need_v)
        instead = "" if made_v is None else f"fit {shown_figure(made_v, 'V')} or more"
        why = "the peak at the highest line"
        both_v = part.voltage_v, fitted.voltage_v
        yield from at_least("rated voltage", "V", *both_v, need_v, why, instead)
        adequacy, reason = self._capacitance(fitted.capacitance_f)
        both_f = part.capacitance_f, fitted.capacitance_f
        yield finding("capacitance", "F", *both_f, adequacy, reason)
        yield from self._life(fitted, self._ripple_a())

    def _ripple_a(self) -> float | None:
        """Return the line-frequency ripple current at full load, or None for a DC input.

        Source: sqrt(Irms^2 - Imean^2) of the rectified current, textbook. What the converter draws
            at its own frequency comes on top and is not counted.
        """
        line = self.conditions.file.unit.input
        if line.kind == "dc":
            return None
        bulk_v = max(peak_v(line.nominal_v) - self.conditions.drop_v, 1e-3)
        square = line.current_a**2 - (self.conditions.power_w / bulk_v) ** 2
        return math.sqrt(square) if square > 0.0 else None

    def _valley_v(self, capacitance_f: float, line_v: float) -> float:
        """Return the lowest bulk voltage at full load and the lowest frequency; 0 if it collapses.

        Source: Exact valley of the ideal full-wave rectifier at constant power, textbook.
        """
        line, power_w = self.conditions.file.unit.input, self.conditions.power_w
        peak = max(line_v * line.peak_factor - self.conditions.drop_v, 0.0)
        if line.kind == "dc":
            return peak
        return valley_at_constant_power_v(peak, min(line.frequency_hz), capacitance_f, power_w)

    @property
    def _needed_v(self) -> float:
        """Bulk voltage the converter needs: as stated, or its start threshold's peak."""
        line, stated_v = self.conditions.file.unit.input, self.conditions.file.service.least_bulk_v
        return line.start_threshold_v * line.peak_factor if stated_v is None else stated_v

    def _hold_up_s(self, capacitance_f: float) -> float:
        """Return how long the outputs last without line, from the valley at nominal line.

        Source: t = C (V1^2 - V2^2) / (2 P), textbook.
        """
        from_v = self._valley_v(capacitance_f, self.conditions.file.unit.input.nominal_v)
        held_s = hold_up_s(capacitance_f, from_v, self._needed_v, self.conditions.power_w)
        return max(held_s, 0.0)

    def _capacitance(self, fitted_f: float) -> tuple[Adequacy, str]:
        """Hold capacitance against the original's, ripple, hold-up and the fuse at switch-on."""
        original_f, least_f = self.part.capacitance_f, (1 - TOLERANCE_FRAC) * fitted_f
        too_little = self._too_little(least_f)
        if too_little:
            return Adequacy.UNACCEPTABLE, too_little
        if same(original_f, fitted_f):
            return Adequacy.EQUIVALENT, ""
        if fitted_f < original_f:
            held = shown_figure(self._hold_up_s(least_f), "s")
            return Adequacy.NOTE, f"less than the original's; hold-up at full load at least {held}"
        fuse = self.conditions.first(FusePart)
        if fuse is not None:
            inrush_a2s = self.conditions.inrush_a2s(self.service, fitted_f)
            melting_a2s = self.tables.fuses.melting_integral_a2s(fuse.fitted or fuse)
            melts = f"{fuse.name} melts at {shown_figure(melting_a2s, 'A2s')}"
            shown = f"inrush {shown_figure(inrush_a2s, 'A2s')}, {melts}"
            if inrush_a2s >= melting_a2s:
                return Adequacy.UNACCEPTABLE, f"{shown}: it opens at switch-on"
            if inrush_a2s > 0.5 * melting_a2s:
                return Adequacy.NOTE, f"{shown}: it ages at every switch-on"
        if fitted_f > 1.5 * original_f:
            reason = "far more than the original's: more inrush, more heat in the rectifier"
            return Adequacy.NOTE, reason
        return Adequacy.BETTER, ""

    def _too_little(self, capacitance_f: float) -> str:
        """Say why a capacitance is too little; empty if it is enough."""
        file, needed_v = self.conditions.file, self._needed_v
        low_v = self._valley_v(capacitance_f, file.unit.input.lowest_v)
        if low_v < needed_v:
            return (
                f"at the lowest line and full load it falls to {shown_figure(low_v, 'V')} between "
                f"peaks; the converter needs {shown_figure(needed_v, 'V')}"
            )
        wanted_s, held_s = file.service.hold_up_s, self._hold_up_s(capacitance_f)
        if wanted_s is None or held_s >= wanted_s:
            return ""
        held, wanted = shown_figure(held_s, "s"), shown_figure(wanted_s, "s")
        return f"hold-up {held} with its tolerance; {wanted} are wanted"


class OutputCapacitor(_Electrolytic):
    """An output capacitor: regulation keeps its voltage."""

    part: OutputCapacitorPart

    @property
    def _output_v(self) -> float | None:
        output = self.conditions.output(self.part.output)
        return None if output is None else output.nominal_v

    def stress(self) -> PartStress:
        """Hold it against the output voltage."""
        event_v = None if self.event is None else self._output_v
        rated_v, service_v = self.part.voltage_v, self._output_v
        rated = self.against("rated voltage", rated_v, event=event_v, service=service_v)
        remark = "As long as regulation held; a failed control loop is told by its cold check."
        return PartStress(stresses=(rated,), remarks=() if self.event is None else (remark,))

    def findings(self, fitted: ElectrolyticRatings) -> Iterator[Finding]:
        """Judge voltage, capacitance, temperature, ripple current."""
        part, need_v, why = self.part, self._output_v, "the output voltage"
        yield from at_least("rated voltage", "V", part.voltage_v, fitted.voltage_v, need_v, why)
        both_f = part.capacitance_f, fitted.capacitance_f
        if fitted.capacitance_f > 2.0 * part.capacitance_f:
            reason = "far more than the original's: the output may not start against it"
            yield finding("capacitance", "F", *both_f, Adequacy.NOTE, reason)
        else:
            yield from at_least("capacitance", "F", *both_f)
        yield from self._life(fitted, None)
