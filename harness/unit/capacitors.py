"""X, Y, bulk and output capacitors."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity
from harness.unit.formulas import discharged_v, hold_up_s, peak_v, valley_at_constant_power_v
from harness.unit.operating_conditions import Line
from harness.unit.parts import (
    BulkPart,
    FusePart,
    OutputCapacitorPart,
    XCapacitorPart,
    YCapacitorPart,
    shown_figure,
)
from harness.unit.ratings import Kind, at_least, at_most, finding, same

#: What a sound capacitor may differ by from what is printed. Source: common practice.
_TOLERANCE_FRAC = 0.2

#: Insulation resistance by protection class. Source: EN 50678, as in DIN VDE 0701-0702:2008.
_INSULATION_OHM = {"I": 1.0e6, "II": 2.0e6, "III": 0.25e6}


class _Capacitor(Kind[Any]):
    def _measured(self, measure: str, extra: str) -> ColdCheck:
        """Return the check of its capacitance; ``extra`` is what else a sound one gives."""
        printed_f = self.part.capacitance_f
        low_f, high_f = (1 - _TOLERANCE_FRAC) * printed_f, (1 + _TOLERANCE_FRAC) * printed_f
        expected = f"{shown_figure(low_f, 'F')} to {shown_figure(high_f, 'F')}; {extra}"
        return ColdCheck(measure=measure, expected=expected, low=low_f, high=high_f, unit="F")


class _SuppressionCapacitor(_Capacitor):
    """What X and Y capacitors share: sub-classes of IEC 60384-14 (from memory)."""

    part: XCapacitorPart | YCapacitorPart

    def _stress(self) -> None:
        def equivalent_rms_v(line: Line) -> float:
            return line.nominal_v if line.kind == "ac" else line.nominal_v / math.sqrt(2.0)

        # Against the full line: one lead of a Y capacitor may see it. Nominal against rated
        # voltage, as IEC 60384-14 has it: the supply's tolerance is in the rating.
        self._against("rated voltage", self.part.voltage_v, at=equivalent_rms_v)
        impulse_v = self.tables.capacitors.impulse_v[self.part.sub_class]
        if impulse_v > 0.0:  # 0 for no interference suppression capacitor: nothing was proved
            self._against("class impulse", impulse_v, at=lambda line: line.peak_v)

    def _findings(self) -> Iterator[Finding]:
        need_v, why = self.service.nominal_v, "the nominal line voltage (IEC 60384-14)"
        yield from at_least("rated voltage", *self._both("voltage_v"), need_v, why)
        yield finding("class", "", self.part.sub_class, self.fitted.sub_class, *self._sub_class())
        adequacy, reason = Adequacy.EQUIVALENT, ""
        original_f, fitted_f = self.part.capacitance_f, self.fitted.capacitance_f
        if not same(original_f, fitted_f):
            adequacy = Adequacy.NOTE
            near = abs(fitted_f / original_f - 1.0) <= _TOLERANCE_FRAC
            reason = "within the usual tolerance" if near else "interference changes with it"
        yield finding("capacitance", "F", original_f, fitted_f, adequacy, reason)

    def _sub_class(self) -> tuple[Adequacy, str]:
        table, line = self.tables.capacitors, self.service
        original, fitted = self.part.sub_class, self.fitted.sub_class
        up_to_v = table.line_up_to_v.get(fitted, math.inf)
        if line.kind == "ac" and fitted == "none":
            reason = "no interference suppression capacitor: it may not stand across the mains"
        elif line.nominal_v > up_to_v:
            reason = f"{fitted} is for lines up to {shown_figure(up_to_v, 'V')} (IEC 60384-14)"
        elif original == fitted:
            return Adequacy.EQUIVALENT, ""
        elif original == "none" or fitted in table.replaces[original]:
            return Adequacy.BETTER, ""
        else:
            now_v, before_v = (
                shown_figure(table.impulse_v[one], "V") for one in (fitted, original)
            )
            proved = f"{fitted} with {now_v} and {original} with {before_v}"
            reason = f"it may not stand in the place of {original} (IEC 60384-14 proves {proved})"
        return Adequacy.UNACCEPTABLE, reason


class XCapacitor(_SuppressionCapacitor):
    """A capacitor from line to neutral; its discharge is held against IEC 60335-1, 22.5."""

    part: XCapacitorPart
    shorts_line = True

    def _left_v(self, bleeder_ohm: float, capacitance_f: float) -> float:
        """Return the voltage at the plug pins, unplugged at the peak, after the time allowed."""
        after_s = self.tables.capacitors.discharge.after_s
        return discharged_v(peak_v(self.service.voltage_v), after_s, bleeder_ohm * capacitance_f)

    def _discharge_counts(self, capacitance_f: float) -> bool:
        """Whether anybody asks how fast this capacitance discharges; rounding aside."""
        exempt_to_f = self.tables.capacitors.discharge.exempt_to_f
        return self.service.kind == "ac" and capacitance_f > exempt_to_f * (1 + 1e-9)

    def _stress(self) -> None:
        super()._stress()
        rule, part = self.tables.capacitors.discharge, self.part
        if not part.bleeder_ohm or not self._discharge_counts(part.capacitance_f):
            return
        left_v, limit = self._left_v(part.bleeder_ohm, part.capacitance_f), rule.limit_v
        self.remarks.append(
            f"Unplugged at the peak it holds {shown_figure(left_v, 'V')} after "
            f"{shown_figure(rule.after_s, 's')}: {'within' if left_v <= limit else 'above'} "
            f"the {shown_figure(limit, 'V')} of IEC 60335-1, 22.5."
        )

    def _findings(self) -> Iterator[Finding]:
        yield from super()._findings()
        rule, bleeder_ohm = self.tables.capacitors.discharge, self.part.bleeder_ohm
        if not self._discharge_counts(self.fitted.capacitance_f):
            return
        item = f"plug pins after {shown_figure(rule.after_s, 's')}"
        if bleeder_ohm is None:
            reason = f"no bleeder is named; {shown_figure(rule.limit_v, 'V')} at most, IEC 60335-1"
            yield finding(item, "V", None, None, Adequacy.NOTE, reason)
            return
        original_v = self._left_v(bleeder_ohm, self.part.capacitance_f)
        fitted_v = self._left_v(bleeder_ohm, self.fitted.capacitance_f)
        yield at_most(item, "V", original_v, fitted_v, rule.limit_v, "IEC 60335-1, 22.5")

    def _check(self) -> ColdCheck:
        return self._measured("one lead lifted: capacitance", "an aged one has lost more")


class YCapacitor(_SuppressionCapacitor):
    """A capacitor to protective earth or across the insulation; its current is held to EN 50678."""

    def _passed_a(self, capacitance_f: float) -> float:
        """Return the current it passes at the highest line; 0 for DC. Source: 2 pi f C V."""
        line = self.unit.input
        frequency_hz = line.frequency_hz[0] if line.kind == "ac" else 0.0
        return 2.0 * math.pi * frequency_hz * capacitance_f * line.highest_v

    def _stress(self) -> None:
        super()._stress()
        passed_a = self._passed_a(self.part.capacitance_f)
        if passed_a > 0.0:
            passed = shown_figure(passed_a, "A", 2)
            self.remarks.append(f"At the highest line it passes {passed}.")

    def _findings(self) -> Iterator[Finding]:
        """Judge the current to what can be touched, too."""
        yield from super()._findings()
        protection = self.unit.protection_class
        limit_a = self.tables.capacitors.leakage_a.get(protection)
        if self.service.kind != "ac" or limit_a is None:  # class III: no line voltage to touch
            return
        original_a = self._passed_a(self.part.capacitance_f)
        fitted_a = self._passed_a(self.fitted.capacitance_f)
        where = f"EN 50678, class {protection}"
        yield at_most("leakage at the line", "A", original_a, fitted_a, limit_a, where)

    def _check(self) -> ColdCheck:
        protection = self.unit.protection_class
        least = f"{shown_figure(_INSULATION_OHM[protection], 'ohm')} (class {protection}, EN 50678)"
        extra = f"then insulation resistance at 500 V DC above {least}"
        return self._measured("one lead lifted: capacitance", extra)


class _Electrolytic(_Capacitor):
    """What bulk and output capacitors share."""

    part: BulkPart | OutputCapacitorPart
    if_suspect = "; replace it even if it measures well: it was over-stressed"

    def _life(self, ripple_a: float | None) -> Iterator[Finding]:
        """Judge what decides how long it lasts."""
        need, why = self.conditions.file.service.temperature_degc, "the temperature in service"
        yield from at_least("temperature", *self._both("temperature_degc"), need, why)
        why = "its ripple current at full load"
        yield from at_least("ripple current", *self._both("ripple_current_a"), ripple_a, why)

    def _check(self) -> ColdCheck:
        extra = "no bulge, no leak"
        if self.part.series_ohm is not None:
            most = shown_figure(2 * self.part.series_ohm, "ohm", 2)
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
        brief = event is not None and event.duration_s <= table.surge.limited_to_s
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
        made_v = self.tables.capacitors.rated_v_for(need_v)
        instead = "" if made_v is None else f"fit {shown_figure(made_v, 'V')} or more"
        yield from at_least("rated voltage", *self._both("voltage_v"), need_v, why, instead)
        yield finding("capacitance", *self._both("capacitance_f"), *self._capacitance())
        yield from self._life(self._ripple_a())

    def _ripple_a(self) -> float | None:
        """Return the ripple current of the line at full load, or None for a DC input.

        What the converter draws at its own frequency comes on top and is not counted.
        Source: sqrt(Irms^2 - Imean^2) of the rectified current, textbook.
        """
        line = self.unit.input
        if line.kind == "dc":
            return None
        bulk_v = max(peak_v(line.nominal_v) - self.conditions.drop_v, 1e-3)
        square = line.current_a**2 - (self.conditions.power_w / bulk_v) ** 2
        return math.sqrt(square) if square > 0.0 else None

    def _valley_v(self, capacitance_f: float, line_v: float) -> float:
        """Return the lowest bulk voltage at full load and lowest frequency; 0 if it collapses."""
        line, power_w = self.unit.input, self.conditions.power_w
        peak = max(line_v * line.peak_factor - self.conditions.drop_v, 0.0)
        if line.kind == "dc":
            return peak
        return valley_at_constant_power_v(peak, min(line.frequency_hz), capacitance_f, power_w)

    @property
    def _needed_v(self) -> float:
        """Bulk voltage the converter needs: as stated, or its start threshold's peak."""
        line, stated_v = self.unit.input, self.conditions.file.service.least_bulk_v
        return line.start_threshold_v * line.peak_factor if stated_v is None else stated_v

    def _hold_up_s(self, capacitance_f: float) -> float:
        """Return how long the outputs last without line, from the valley at nominal line."""
        from_v = self._valley_v(capacitance_f, self.unit.input.nominal_v)
        to_v = min(self._needed_v, from_v)
        return hold_up_s(capacitance_f, from_v, to_v, self.conditions.power_w)

    def _capacitance(self) -> tuple[Adequacy, str]:
        """Hold capacitance against the original's, ripple, hold-up and the fuse at switch-on."""
        original_f, fitted_f = self.part.capacitance_f, self.fitted.capacitance_f
        least_f = (1 - _TOLERANCE_FRAC) * fitted_f
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
        yield from self._life(None)
