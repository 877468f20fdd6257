"""X and Y capacitors: their stress, their replacements, their cold checks."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.unit.assessment import Adequacy, ColdCheck, Finding
from harness.unit.formulas import discharged_v, peak_v
from harness.unit.operating_conditions import Conditions, Line
from harness.unit.parts import (
    XCapacitorPart,
    XCapacitorRatings,
    YCapacitorPart,
    YCapacitorRatings,
    shown_figure,
)
from harness.unit.ratings import (
    CAPACITANCE_TOLERANCE_FRAC,
    HIGHEST_LINE,
    Kind,
    PartStress,
    Shorts,
    at_least,
    capacitance_check,
    finding,
    same,
    stress,
)

__all__ = ["X_CAPACITOR", "Y_CAPACITOR"]

#: Insulation resistance by protection class. Source: EN 50678, as in DIN VDE 0701-0702:2008.
_INSULATION_OHM = {"I": 1.0e6, "II": 2.0e6, "III": 0.25e6}


def _equivalent_rms_v(line: Line) -> float:
    """Return the AC voltage that stresses a capacitor as this line does: DC over root two."""
    return line.voltage_v if line.kind == "ac" else line.voltage_v / math.sqrt(2.0)


def _suppression_stress(
    conditions: Conditions, part: XCapacitorPart | YCapacitorPart, _shorts: Shorts
) -> PartStress:
    """Hold an X or Y capacitor against the full line voltage, which one lead of it may see.

    Source:
        IEC 60384-14 sub-classes (from memory).
    """
    stresses = [
        stress(conditions, part.kind, "rated voltage", part.voltage_v, at=_equivalent_rms_v)
    ]
    impulse_v = conditions.tables.capacitors.impulse_v[part.sub_class]
    if impulse_v > 0.0:  # 0 for no interference suppression capacitor: nothing was proved
        stresses.append(
            stress(conditions, part.kind, "class impulse", impulse_v, at=lambda line: line.peak_v)
        )
    if isinstance(part, XCapacitorPart):
        remark = _about_plug_pins(conditions, part)
    else:
        remark = _about_leakage(conditions, part)
    return PartStress(stresses=tuple(stresses), remarks=(remark,) if remark else ())


def _plug_pins_v(conditions: Conditions, bleeder_ohm: float, capacitance_f: float) -> float:
    """Return the voltage at the plug pins, unplugged at the peak, after the time allowed.

    Source:
        V exp(-t/RC), textbook, to be held against IEC 60335-1, 22.5.
    """
    after_s = conditions.tables.capacitors.discharge.after_s
    return discharged_v(peak_v(conditions.service.voltage_v), after_s, bleeder_ohm * capacitance_f)


def _about_plug_pins(conditions: Conditions, part: XCapacitorPart) -> str:
    rule = conditions.tables.capacitors.discharge
    if conditions.service.kind != "ac" or rule.exempts(part.capacitance_f) or not part.bleeder_ohm:
        return ""
    left_v = _plug_pins_v(conditions, part.bleeder_ohm, part.capacitance_f)
    return (
        f"Unplugged at the peak it holds {shown_figure(left_v, 'V')} after "
        f"{shown_figure(rule.after_s, 's')}: {'within' if left_v <= rule.limit_v else 'above'} "
        f"the {shown_figure(rule.limit_v, 'V')} of IEC 60335-1, 22.5."
    )


def _leakage_a(line: Line, capacitance_f: float) -> float:
    """Return the current a capacitor passes at a line; 0 for DC.

    Source:
        2 pi f C V, textbook.
    """
    return 2.0 * math.pi * line.frequency_hz * capacitance_f * line.voltage_v


def _about_leakage(conditions: Conditions, part: YCapacitorPart) -> str:
    leak_a = _leakage_a(conditions.service, part.capacitance_f)
    return f"At the highest line it passes {shown_figure(leak_a, 'A', 2)}." if leak_a > 0.0 else ""


def _suppression_findings(
    conditions: Conditions,
    part: XCapacitorPart | YCapacitorPart,
    fitted: XCapacitorRatings | YCapacitorRatings,
) -> Iterator[Finding]:
    """Judge an X or Y capacitor: voltage, sub-class, capacitance, and what can be touched.

    Source:
        IEC 60384-14 sub-classes (from memory); IEC 60335-1, 22.5 for the discharge of the plug
        pins behind an X capacitor; limits of EN 50678 for the current through a Y capacitor.
    """
    need_v = conditions.service.voltage_v
    yield from at_least(
        "rated voltage", "V", part.voltage_v, fitted.voltage_v, need=need_v, why=HIGHEST_LINE
    )
    yield _sub_class(conditions, part.sub_class, fitted.sub_class)
    yield _suppression_capacitance(part.capacitance_f, fitted.capacitance_f)
    if conditions.service.kind == "ac":
        if isinstance(part, XCapacitorPart):
            yield from _plug_pins(conditions, part, fitted.capacitance_f)
        else:
            yield from _touch_current(conditions, part.capacitance_f, fitted.capacitance_f)


def _sub_class(conditions: Conditions, original: str, fitted: str) -> Finding:
    adequacy, reason = Adequacy.EQUIVALENT, _why_not_class(conditions, original, fitted)
    if reason:
        adequacy = Adequacy.UNACCEPTABLE
    elif fitted != original:
        adequacy = Adequacy.BETTER
    return Finding(item="class", original=original, fitted=fitted, adequacy=adequacy, reason=reason)


def _why_not_class(conditions: Conditions, original: str, fitted: str) -> str:
    """Say why a sub-class may not stand there; empty if it may."""
    table = conditions.tables.capacitors
    up_to_v = table.line_up_to_v.get(fitted)
    if conditions.service.kind == "ac" and fitted == "none":
        return "no interference suppression capacitor: it may not stand across the mains"
    if up_to_v is not None and conditions.service.voltage_v > up_to_v:
        return f"{fitted} is for lines up to {shown_figure(up_to_v, 'V')} (IEC 60384-14)"
    if original in (fitted, "none") or fitted in table.replaces[original]:
        return ""
    proved = " and ".join(
        f"{name} with {shown_figure(table.impulse_v[name], 'V')}" for name in (fitted, original)
    )
    return f"it may not stand in the place of {original} (IEC 60384-14 proves {proved})"


def _suppression_capacitance(original_f: float, fitted_f: float) -> Finding:
    adequacy, reason = Adequacy.EQUIVALENT, ""
    if not same(original_f, fitted_f):
        adequacy = Adequacy.NOTE
        near = abs(fitted_f / original_f - 1.0) <= CAPACITANCE_TOLERANCE_FRAC
        reason = "within the usual tolerance" if near else "interference changes with it"
    return finding("capacitance", "F", original_f, fitted_f, adequacy, reason)


def _plug_pins(conditions: Conditions, part: XCapacitorPart, fitted_f: float) -> Iterator[Finding]:
    rule = conditions.tables.capacitors.discharge
    if rule.exempts(fitted_f):
        return
    item, limit = f"plug pins after {shown_figure(rule.after_s, 's')}", rule.limit_v
    if part.bleeder_ohm is None:
        reason = f"no bleeder is named; {shown_figure(limit, 'V')} at most, IEC 60335-1"
        yield finding(item, "V", None, None, Adequacy.NOTE, reason)
        return
    original_v = _plug_pins_v(conditions, part.bleeder_ohm, part.capacitance_f)
    fitted_v = _plug_pins_v(conditions, part.bleeder_ohm, fitted_f)
    adequacy, reason = Adequacy.EQUIVALENT, ""
    if fitted_v > limit:
        adequacy = Adequacy.UNACCEPTABLE
        reason = f"above the {shown_figure(limit, 'V')} of IEC 60335-1, 22.5"
    yield finding(item, "V", original_v, fitted_v, adequacy, reason)


def _touch_current(conditions: Conditions, original_f: float, fitted_f: float) -> Iterator[Finding]:
    protection = conditions.file.unit.protection_class
    limit_a = conditions.tables.capacitors.leakage_a.get(protection)
    if limit_a is None:  # class III: nothing at line voltage can be touched
        return
    original_a = _leakage_a(conditions.service, original_f)
    fitted_a = _leakage_a(conditions.service, fitted_f)
    adequacy, reason = Adequacy.EQUIVALENT, ""
    if fitted_a > limit_a:
        adequacy = Adequacy.UNACCEPTABLE
        reason = f"above the {shown_figure(limit_a, 'A')} of EN 50678, class {protection}"
    yield finding("leakage at the line", "A", original_a, fitted_a, adequacy, reason)


def _x_check(_conditions: Conditions, part: XCapacitorPart) -> ColdCheck:
    return capacitance_check(part.name, part.capacitance_f, "an aged one has lost more")


def _y_check(conditions: Conditions, part: YCapacitorPart) -> ColdCheck:
    protection = conditions.file.unit.protection_class
    least_ohm = shown_figure(_INSULATION_OHM[protection], "ohm")
    extra = (
        f"then insulation resistance at 500 V DC above {least_ohm} (class {protection}, EN 50678)"
    )
    return capacitance_check(part.name, part.capacitance_f, extra)


X_CAPACITOR = Kind(
    stress=_suppression_stress, findings=_suppression_findings, check=_x_check, shorts=True
)
Y_CAPACITOR = Kind(stress=_suppression_stress, findings=_suppression_findings, check=_y_check)
