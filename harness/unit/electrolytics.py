"""Bulk and output capacitors: aluminium electrolytics."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity
from harness.unit.capacitors import TOLERANCE_FRAC, Capacitor
from harness.unit.formulas import boosted_valley_v, hold_up_s, peak_v, valley_at_constant_power_v
from harness.unit.part_ratings import shown_figure
from harness.unit.parts import BulkPart, FusePart, OutputCapacitorPart, SwitchPart
from harness.unit.ratings import at_least, finding, same

#: Ripple of a step-down converter's choke, peak to peak, of its output current: common practice.
_STEP_DOWN_FRAC = 0.3


class _Electrolytic(Capacitor):
    """What bulk and output capacitors share."""

    part: BulkPart | OutputCapacitorPart
    if_suspect = "; replace it even if it measures well: it was over-stressed"

    def _life(self, ripple_a: float | None) -> Iterator[Finding]:
        """Judge what decides how long it lasts; ``ripple_a`` is what it has to bear, if known."""
        need, why = self.conditions.file.service.temperature_degc, "the temperature in service"
        yield from at_least("temperature", *self._both("temperature_degc"), need, why)
        both, why = self._both("ripple_current_a"), "its ripple current at full load"
        yield from at_least("ripple current", *both, ripple_a, why)
        if both[1:] == (None, None) and self.part.fitted is not None and ripple_a is not None:
            reason = f"not given: look it up; {why} is {shown_figure(ripple_a, 'A')}"
            yield finding("ripple current", *both, Adequacy.NOTE, reason)
        if self._both("series_ohm")[1:] != (None, None):
            both = self._both("series_ohm")
            yield finding("series resistance", *both, *self._series_resistance(*both[1:]))

    def _series_resistance(
        self, original_ohm: float | None, fitted_ohm: float | None
    ) -> tuple[Adequacy, str]:
        """Hold the series resistance against the original's.

        Source: P = I^2 R, and its share of the ripple voltage goes with R: textbook. Twice the
            printed one is the end of life in makers' data sheets: common practice.
        """
        if fitted_ohm is None:
            return Adequacy.NOTE, "not given for the fitted part: look it up"
        if original_ohm is None or same(original_ohm, fitted_ohm):
            return Adequacy.EQUIVALENT, ""
        if fitted_ohm < original_ohm:
            return Adequacy.BETTER, ""
        times = f"{fitted_ohm / original_ohm:.2g} times the original's"
        reason = f"{times}, and so are its heat and its ripple voltage at the same ripple current"
        worn_times = self.tables.capacitors.worn_out_times
        if fitted_ohm > worn_times * original_ohm:
            reason += f": beyond {worn_times:g} times a part of the original kind is worn out"
            return Adequacy.UNACCEPTABLE, reason
        return Adequacy.NOTE, reason

    def _check(self) -> ColdCheck:
        extra = "no bulge, no leak"
        if self.fitted.series_ohm is not None:
            worn_ohm = self.tables.capacitors.worn_out_times * self.fitted.series_ohm
            most = shown_figure(worn_ohm, "ohm", 2)
            extra = f"series resistance below {most}; {extra}"
        measure = "discharged, one lead lifted: capacitance and series resistance"
        return self._measured(measure, extra)


class BulkCapacitor(_Electrolytic):
    """The bulk capacitor.

    Source: Surge voltage borne for 30 s at a time, reverse voltage 1.5 V: common practice.
    """

    shorts_line = True

    def _stress(self) -> None:
        event, table = self.event, self.tables.capacitors
        surge_v = table.surge_v(self.part)
        forward = self._against("rated voltage", self.part.voltage_v, at=self.conditions.bulk_v)
        brief = event is not None and (
            event.kind == "surge" or event.duration_s <= table.surge.limited_to_s
        )
        borne = (forward.event or 0.0) <= surge_v and (forward.service_ratio or 0.0) <= 1.0
        if forward.severity is Severity.OVER and brief and borne:
            self.stresses[-1] = replace(forward, severity=Severity.MARGINAL)
        backwards_v = 0.0 if event is None else self.conditions.bulk_backwards_v(event)
        if backwards_v > 0.0:
            self._against("reverse voltage", table.reverse_borne_v, event=backwards_v)
        if forward.event is not None and forward.event > forward.rating:
            surge = f"its surge voltage of {shown_figure(surge_v, 'V')}"
            word = "within" if forward.event <= surge_v else "past"
            self.remarks.append(f"That is {word} {surge}, which holds for 30 s at a time.")

    def _findings(self) -> Iterator[Finding]:
        need_v, why = self.conditions.bulk_v(self.service), "the peak at the highest line"
        if need_v == self.conditions.boosted_v:
            why = "what the boost stage holds it at"
        made_v = self.tables.capacitors.rated_v_for(need_v)
        instead = "" if made_v is None else f"fit {shown_figure(made_v, 'V')} or more"
        yield from at_least("rated voltage", *self._both("voltage_v"), need_v, why, instead)
        yield finding("capacitance", *self._both("capacitance_f"), *self._capacitance())
        yield from self._life(self._ripple_a())

    def _ripple_a(self) -> float | None:
        """Return the ripple current of the line at full load, or None for a DC input.

        What the converter draws at its own frequency comes on top and is not counted.
        Source: sqrt(Irms^2 - Imean^2) of the rectified current; behind a boost stage, whose power
            is 1 - cos 2wt of its mean, P / (sqrt 2 V); textbook.
        """
        line = self.unit.input
        if line.kind == "dc":
            return None
        if line.boosted_v is not None:
            return self.conditions.power_w / (math.sqrt(2.0) * line.boosted_v)
        bulk_v = max(peak_v(line.nominal_v) - self.conditions.drop_v, 1e-3)
        square = line.current_a**2 - (self.conditions.power_w / bulk_v) ** 2
        return math.sqrt(square) if square > 0.0 else None

    def _valley_v(self, capacitance_f: float, line_v: float) -> float:
        """Return the lowest bulk voltage at full load and lowest frequency; 0 if it collapses."""
        line, power_w = self.unit.input, self.conditions.power_w
        if line.boosted_v is not None:
            return boosted_valley_v(line.boosted_v, min(line.frequency_hz), capacitance_f, power_w)
        peak = max(line_v * line.peak_factor - self.conditions.drop_v, 0.0)
        if line.kind == "dc":
            return peak
        return valley_at_constant_power_v(peak, min(line.frequency_hz), capacitance_f, power_w)

    @property
    def _needed_v(self) -> float:
        """Bulk voltage the converter needs: as stated, or its start threshold's peak."""
        line, stated_v = self.unit.input, self.conditions.file.service.least_bulk_v
        return line.start_threshold_v * line.peak_factor if stated_v is None else stated_v

    @property
    def _need_is_assumed(self) -> bool:
        """Whether no file says what the converter needs, nor how long the outputs have to last."""
        service = self.conditions.file.service
        stated = (service.least_bulk_v, service.hold_up_s, self.unit.input.threshold)
        return stated == (None, None, None)

    def _hold_up_s(self, capacitance_f: float) -> float:
        """Return how long the outputs last without line, from the valley at nominal line."""
        from_v = self._valley_v(capacitance_f, self.unit.input.nominal_v)
        to_v = min(self._needed_v, from_v)
        return hold_up_s(capacitance_f, from_v, to_v, self.conditions.power_w)

    def _capacitance(self) -> tuple[Adequacy, str]:
        """Hold capacitance against the original's, ripple, hold-up and the fuse at switch-on."""
        original_f, fitted_f = self.part.capacitance_f, self.fitted.capacitance_f
        least_f = (1 - TOLERANCE_FRAC) * fitted_f
        too_little = self._too_little(least_f)
        if too_little and self._need_is_assumed and fitted_f >= original_f:
            # What the original did for years is not refused on a need that nobody stated.
            remedy = "state least_bulk_voltage in [service]"
            return Adequacy.NOTE, f"no less than printed, yet {too_little} (assumed): {remedy}"
        if too_little:
            return Adequacy.UNACCEPTABLE, too_little
        if same(original_f, fitted_f):
            return Adequacy.EQUIVALENT, ""
        near_f = (1 - TOLERANCE_FRAC) * original_f
        if fitted_f < near_f and not same(fitted_f, near_f):
            return self._far_less(least_f)
        if fitted_f < original_f:
            held = shown_figure(self._hold_up_s(least_f), "s")
            return Adequacy.NOTE, f"less than the original's; hold-up at full load at least {held}"
        return self._more()

    def _more(self) -> tuple[Adequacy, str]:
        """Judge a capacitance above the original's by the fuse at switch-on, and by how much."""
        original_f, fitted_f = self.part.capacitance_f, self.fitted.capacitance_f
        fuse = self.conditions.first(FusePart)
        if fuse is not None:
            inrush_a2s = self.conditions.inrush_a2s(self.service, fitted=True)
            melting_a2s = self.tables.fuses.melting_integral_a2s(fuse.fitted or fuse)
            melts = f"{fuse.name} melts at {shown_figure(melting_a2s, 'A2s')}"
            shown = f"inrush {shown_figure(inrush_a2s, 'A2s')}, {melts}"
            before_a2s = self.conditions.inrush_a2s(self.service)
            if not self.conditions.inrush_is_known(before_a2s, melting_a2s):
                shown = f"{shown} by these figures, and before as well"
                return Adequacy.NOTE, f"{shown}: something not named here limits it"
            if inrush_a2s >= melting_a2s:
                return Adequacy.UNACCEPTABLE, f"{shown}: it opens at switch-on"
            if inrush_a2s > 0.5 * melting_a2s:
                return Adequacy.NOTE, f"{shown}: it ages at every switch-on"
        if fitted_f > 1.5 * original_f:
            reason = "far more than the original's: more inrush, more heat in the rectifier"
            return Adequacy.NOTE, reason
        return Adequacy.BETTER, ""

    def _far_less(self, least_f: float) -> tuple[Adequacy, str]:
        """Judge a capacitance below the original's tolerance: hold-up and ripple must be shown.

        ``least_f`` is the fitted one less its tolerance, and enough by :meth:`_too_little`.
        """
        service, fitted_a = self.conditions.file.service, self.fitted.ripple_current_a
        ripple_a = self._ripple_a() or self.part.ripple_current_a
        share_frac = self.fitted.capacitance_f / self.part.capacitance_f
        share = f"{shown_figure(share_frac, '%', 2)} of the original's"
        needed = {
            "hold_up in [service]": service.hold_up_s,
            "least_bulk_voltage in [service]": service.least_bulk_v,
            "ripple_current of the fitted part": fitted_a,
            "ripple_current of the original": ripple_a,
        }
        missing = [key for key, value in needed.items() if value is None]
        if fitted_a is None or ripple_a is None or missing:
            told = f"{share}, and hold-up and ripple are not shown: state {', '.join(missing)}"
            return Adequacy.UNACCEPTABLE, told
        if fitted_a < ripple_a and not same(fitted_a, ripple_a):
            has, bears = shown_figure(ripple_a, "A"), shown_figure(fitted_a, "A")
            told = f"{share}, and it bears {bears} of ripple current where {has} are to be borne"
            return Adequacy.UNACCEPTABLE, told
        held = shown_figure(self._hold_up_s(least_f), "s")
        valley = shown_figure(self._valley_v(least_f, self.unit.input.lowest_v), "V")
        told = f"{share}; shown at full load: hold-up at least {held}, not below {valley}"
        return Adequacy.NOTE, f"{told} at the lowest line, and its ripple current"

    def _too_little(self, capacitance_f: float) -> str:
        """Say why a capacitance is too little; empty if it is enough."""
        needed_v, wanted_s = self._needed_v, self.conditions.file.service.hold_up_s
        low_v = self._valley_v(capacitance_f, self.unit.input.lowest_v)
        if low_v < needed_v:
            return (
                f"at the lowest line and full load it falls to {shown_figure(low_v, 'V')} between "
                f"peaks; the converter needs {shown_figure(needed_v, 'V')}"
            )
        held_s = self._hold_up_s(capacitance_f)
        if wanted_s is None or held_s >= wanted_s:
            return ""
        held, wanted = shown_figure(held_s, "s"), shown_figure(wanted_s, "s")
        return f"hold-up {held} with its tolerance; {wanted} are wanted"


class OutputCapacitor(_Electrolytic):
    """An output capacitor: regulation keeps its voltage."""

    part: OutputCapacitorPart

    def _stress(self) -> None:
        output_v, _ = self.conditions.output(self.part.output)
        event_v = None if self.event is None else output_v
        self._against("rated voltage", self.part.voltage_v, event=event_v, service=output_v)
        if self.event is not None:
            remark = "As long as regulation held; a failed control loop is told by its cold check."
            self.remarks.append(remark)

    def _findings(self) -> Iterator[Finding]:
        need_v, _ = self.conditions.output(self.part.output)
        yield from at_least("rated voltage", *self._both("voltage_v"), need_v, "the output voltage")
        both_f = self._both("capacitance_f")
        if self.fitted.capacitance_f > 2.0 * self.part.capacitance_f:
            reason = "far more than the original's: the output may not start against it"
            yield finding("capacitance", *both_f, Adequacy.NOTE, reason)
        else:
            yield from at_least("capacitance", *both_f)
        yield from self._life(self._ripple_a())

    def _ripple_a(self) -> float | None:
        """Return what it has to bear at full load, at the lowest line; None where nobody knows.

        Its share of all on its output, and no more than the original was printed for: what that
        bore for years is enough. A converter with a transformer of which no reflected voltage is
        known may have a choke at its output, and then far less flows.

        Source: Flyback converter at the edge of continuous conduction, sqrt(4 / (3 (1 - D)) - 1)
            times the output current, D = Vr / (Vr + Vbulk); step-down converter, 30 % of it peak
            to peak over sqrt(12). Textbook; like capacitors share it as their capacitances.
        """
        _, output_a = self.conditions.output(self.part.output)
        switch, line = self.conditions.first(SwitchPart), self.unit.input
        reflected_v = None if switch is None else switch.reflected_v
        if output_a is None or (reflected_v is None and line.kind == "ac"):
            return None
        ripple_a = _STEP_DOWN_FRAC * output_a / math.sqrt(12.0)
        if reflected_v is not None:
            bulk_v = max(line.lowest_v * line.peak_factor - self.conditions.drop_v, 0.0)
            off_frac = 1.0 - reflected_v / (reflected_v + bulk_v)
            ripple_a = output_a * math.sqrt(max(4.0 / (3.0 * off_frac) - 1.0, 0.0))
        beside = [one for one in self._on_output if one is not self.part]
        others_f = sum((one.fitted or one).capacitance_f for one in beside)
        own_f = float(self.fitted.capacitance_f)
        share_a = ripple_a * own_f / (own_f + others_f)
        return min(share_a, self.part.ripple_current_a or share_a)

    @property
    def _on_output(self) -> list[OutputCapacitorPart]:
        """All capacitors of its output."""
        first = next(iter(self.unit.output), None)
        parts = self.conditions.parts_of(OutputCapacitorPart)
        return [one for one in parts if (one.output or first) == (self.part.output or first)]
