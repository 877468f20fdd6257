"""X and Y capacitors."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.unit.assessment import Adequacy, ColdCheck, Finding
from harness.unit.electrolytics import TOLERANCE_FRAC, capacitance_range
from harness.unit.formulas import discharged_v, peak_v
from harness.unit.operating_conditions import Line
from harness.unit.parts import (
    XCapacitorPart,
    XCapacitorRatings,
    YCapacitorPart,
    YCapacitorRatings,
    shown_figure,
)
from harness.unit.ratings import Kind, PartStress, at_least, finding, same

#: Insulation resistance by protection class. Source: EN 50678, as in DIN VDE 0701-0702:2008.
_INSULATION_OHM = {"I": 1.0e6, "II": 2.0e6, "III": 0.25e6}


def _equivalent_rms_v(line: Line) -> float:
    """Return the AC voltage that stresses a capacitor as this line does: DC over root two."""
    return line.voltage_v if line.kind == "ac" else line.voltage_v / math.sqrt(2.0)


class _SuppressionCapacitor(Kind):
    """What X and Y capacitors share: sub-classes of IEC 60384-14 (from memory)."""

    part: XCapacitorPart | YCapacitorPart

    def _remark(self) -> str:
        raise NotImplementedError

    def stress(self) -> PartStress:
        """Hold it against the full line voltage, which one lead of a Y capacitor may see."""
        stresses = [self.against("rated voltage", self.part.voltage_v, at=_equivalent_rms_v)]
        impulse_v = self.tables.capacitors.impulse_v[self.part.sub_class]
        if impulse_v > 0.0:  # 0 for no interference suppression capacitor: nothing was proved
            stresses.append(self.against("class impulse", impulse_v, at=lambda line: line.peak_v))
        remark = self._remark()
        return PartStress(stresses=tuple(stresses), remarks=(remark,) if remark else ())

    def findings(self, fitted: XCapacitorRatings | YCapacitorRatings) -> Iterator[Finding]:
        """Judge rated voltage, sub-class and capacitance."""
        part, need_v, why = self.part, self.service.voltage_v, "the highest line voltage"
        yield from at_least("rated voltage", "V", part.voltage_v, fitted.voltage_v, need_v, why)
        yield self._sub_class(fitted.sub_class)
        adequacy, reason = Adequacy.EQUIVALENT, ""
        if not same(part.capacitance_f, fitted.capacitance_f):
            adequacy = Adequacy.NOTE
            near = abs(fitted.capacitance_f / part.capacitance_f - 1.0) <= TOLERANCE_FRAC
            reason = "within the usual tolerance" if near else "interference changes with it"
        both_f = part.capacitance_f, fitted.capacitance_f
        yield finding("capacitance", "F", *both_f, adequacy, reason)

    def _sub_class(self, fitted: str) -> Finding:
        original, reason = self.part.sub_class, self._why_not(fitted)
        adequacy = Adequacy.EQUIVALENT if fitted == original else Adequacy.BETTER
        if reason:
            adequacy = Adequacy.UNACCEPTABLE
        return Finding(
            item="class", original=original, fitted=fitted, adequacy=adequacy, reason=reason
        )

    def _why_not(self, fitted: str) -> str:
        """Say why a sub-class may not stand there; empty if it may."""
        table, original, line = self.tables.capacitors, self.part.sub_class, self.service
        up_to_v = table.line_up_to_v.get(fitted)
        if line.kind == "ac" and fitted == "none":
            return "no interference suppression capacitor: it may not stand across the mains"
        if up_to_v is not None and line.voltage_v > up_to_v:
            return f"{fitted} is for lines up to {shown_figure(up_to_v, 'V')} (IEC 60384-14)"
        if original in (fitted, "none") or fitted in table.replaces[original]:
            return ""
        proved = " and ".join(
            f"{name} with {shown_figure(table.impulse_v[name], 'V')}" for name in (fitted, original)
        )
        return f"it may not stand in the place of {original} (IEC 60384-14 proves {proved})"

    def _measured(self, extra: str) -> ColdCheck:
        low_f, high_f, shown = capacitance_range(self.part.capacitance_f)
        measure, expected = "one lead lifted: capacitance", f"{shown}; {extra}"
        return self.settled_by(measure, expected, "F", low=low_f, high=high_f)


class XCapacitor(_SuppressionCapacitor):
    """A capacitor from line to neutral; its discharge is held against IEC 60335-1, 22.5."""

    part: XCapacitorPart
    shorts_line = True

    def _left_v(self, bleeder_ohm: float, capacitance_f: float) -> float:
        """Return the voltage at the plug pins, unplugged at the peak, after the time allowed.

        Source: V exp(-t/RC), textbook, to be held against IEC 60335-1, 22.5.
        """
        after_s = self.tables.capacitors.discharge.after_s
        return discharged_v(peak_v(self.service.voltage_v), after_s, bleeder_ohm * capacitance_f)

    def _remark(self) -> str:
        rule, part = self.tables.capacitors.discharge, self.part
        if self.service.kind != "ac" or rule.exempts(part.capacitance_f) or not part.bleeder_ohm:
            return ""
        left_v = self._left_v(part.bleeder_ohm, part.capacitance_f)
        return (
            f"Unplugged at the peak it holds {shown_figure(left_v, 'V')} after "
            f"{shown_figure(rule.after_s, 's')}: {'within' if left_v <= rule.limit_v else 'above'} "
            f"the {shown_figure(rule.limit_v, 'V')} of IEC 60335-1, 22.5."
        )

    def findings(self, fitted: XCapacitorRatings | YCapacitorRatings) -> Iterator[Finding]:
        """Judge what both kinds share, and the discharge of the plug pins."""
        yield from super().findings(fitted)
        part, rule = self.part, self.tables.capacitors.discharge
        if self.service.kind != "ac" or rule.exempts(fitted.capacitance_f):
            return
        item, limit = f"plug pins after {shown_figure(rule.after_s, 's')}", rule.limit_v
        if part.bleeder_ohm is None:
            reason = f"no bleeder is named; {shown_figure(limit, 'V')} at most, IEC 60335-1"
            yield finding(item, "V", None, None, Adequacy.NOTE, reason)
            return
        original_v = self._left_v(part.bleeder_ohm, part.capacitance_f)
        fitted_v = self._left_v(part.bleeder_ohm, fitted.capacitance_f)
        adequacy, reason = Adequacy.EQUIVALENT, ""
        if fitted_v > limit:
            adequacy = Adequacy.UNACCEPTABLE
            reason = f"above the {shown_figure(limit, 'V')} of IEC 60335-1, 22.5"
        yield finding(item, "V", original_v, fitted_v, adequacy, reason)

    def check(self) -> ColdCheck:
        """Measure its capacitance."""
        return self._measured("an aged one has lost more")


class YCapacitor(_SuppressionCapacitor):
    """A capacitor to protective earth or across the insulation; its current is held to EN 50678."""

    part: YCapacitorPart

    def _passed_a(self, capacitance_f: float) -> float:
        """Return the current it passes at the highest line; 0 for DC.

        Source: 2 pi f C V, textbook.
        """
        line = self.service
        return 2.0 * math.pi * line.frequency_hz * capacitance_f * line.voltage_v

    def _remark(self) -> str:
        passed_a = self._passed_a(self.part.capacitance_f)
        shown = shown_figure(passed_a, "A", 2)
        return f"At the highest line it passes {shown}." if passed_a > 0.0 else ""

    def findings(self, fitted: XCapacitorRatings | YCapacitorRatings) -> Iterator[Finding]:
        """Judge what both kinds share, and the current to what can be touched."""
        yield from super().findings(fitted)
        protection = self.conditions.file.unit.protection_class
        limit_a = self.tables.capacitors.leakage_a.get(protection)
        if self.service.kind != "ac" or limit_a is None:  # class III: no line voltage to touch
            return
        fitted_a = self._passed_a(fitted.capacitance_f)
        adequacy, reason = Adequacy.EQUIVALENT, ""
        if fitted_a > limit_a:
            adequacy = Adequacy.UNACCEPTABLE
            reason = f"above the {shown_figure(limit_a, 'A')} of EN 50678, class {protection}"
        original_a = self._passed_a(self.part.capacitance_f)
        yield finding("leakage at the line", "A", original_a, fitted_a, adequacy, reason)

    def check(self) -> ColdCheck:
        """Measure its capacitance, then the insulation."""
        protection = self.conditions.file.unit.protection_class
        least = shown_figure(_INSULATION_OHM[protection], "ohm")
        insulation = f"then insulation resistance at 500 V DC above {least}"
        return self._measured(f"{insulation} (class {protection}, EN 50678)")
