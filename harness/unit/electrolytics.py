"""Bulk and output capacitors: their stress, their replacements, their cold checks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity, Stress
from harness.unit.formulas import hold_up_s, peak_v, valley_at_constant_power_v
from harness.unit.operating_conditions import Conditions
from harness.unit.parts import (
    BulkPart,
    ElectrolyticRatings,
    FusePart,
    OutputCapacitorPart,
    shown_figure,
)
from harness.unit.ratings import (
    Kind,
    PartStress,
    Shorts,
    at_least,
    capacitance_check,
    finding,
    same,
    stress,
)

__all__ = ["BULK_CAPACITOR", "OUTPUT_CAPACITOR"]

#: Electrolytic capacitors may have so much less than is printed. Source: common practice, -20 %.
_LOW_FRAC = 0.8


def _bulk_stress(conditions: Conditions, part: BulkPart, _shorts: Shorts) -> PartStress:
    """Hold the bulk capacitor against the rectified peak.

    Source:
        Peak less diode drops, textbook. Surge voltage 1.15 times rated up to 315 V and 1.10 above,
        30 s at a time: common practice. Reverse voltage borne 1.5 V: common practice.
    """
    event, capacitors = conditions.event, conditions.tables.capacitors
    surge_v = capacitors.surge_v(part)
    forward = stress(
        conditions, "bulk-capacitor", "rated voltage", part.voltage_v, at=conditions.bulk_v
    )
    brief = event is not None and event.duration_s <= capacitors.surge.limited_to_s
    borne = (forward.event or 0.0) <= surge_v and (forward.service_ratio or 0.0) <= 1.0
    if forward.severity is Severity.OVER and brief and borne:
        forward = replace(forward, severity=Severity.MARGINAL)
    stresses: tuple[Stress, ...] = (forward,)
    backwards_v = 0.0 if event is None else conditions.bulk_backwards_v(event)
    if backwards_v > 0.0:
        borne_v = capacitors.reverse_borne_v
        reverse = stress(
            conditions, "bulk-capacitor", "reverse voltage", borne_v, event=backwards_v
        )
        stresses = (forward, reverse)
    remarks: tuple[str, ...] = ()
    if forward.event is not None and forward.event > forward.rating:
        word, shown = "within" if forward.event <= surge_v else "past", shown_figure(surge_v, "V")
        remarks = (f"That is {word} its surge voltage of {shown}, which holds for 30 s at a time.",)
    return PartStress(stresses=stresses, remarks=remarks)


def _output_stress(
    conditions: Conditions, part: OutputCapacitorPart, _shorts: Shorts
) -> PartStress:
    """Hold an output capacitor against the output voltage, which regulation keeps."""
    output = conditions.output(part.output)
    voltage_v = None if output is None else output.nominal_v
    happened = conditions.event is not None
    rated = stress(
        conditions,
        "output-capacitor",
        "rated voltage",
        part.voltage_v,
        event=voltage_v if happened else None,
        service=voltage_v,
    )
    remark = "As long as regulation held; a failed control loop is told by its cold check."
    return PartStress(stresses=(rated,), remarks=(remark,) if happened else ())


def _bulk_findings(
    conditions: Conditions, part: BulkPart, fitted: ElectrolyticRatings
) -> Iterator[Finding]:
    """Judge a bulk capacitor: voltage, capacitance, temperature, ripple current.

    Source:
        Peak rectifier, valley at constant power, hold-up: textbook, see
        :mod:`harness.unit.formulas`.
    """
    bulk_v = conditions.bulk_v(conditions.service)
    made_v = conditions.tables.capacitors.rated_v_for(bulk_v)
    yield from at_least(
        "rated voltage",
        "V",
        part.voltage_v,
        fitted.voltage_v,
        need=bulk_v,
        why="the peak at the highest line",
        instead="" if made_v is None else f"fit {shown_figure(made_v, 'V')} or more",
    )
    adequacy, reason = _bulk_capacitance(conditions, part.capacitance_f, fitted.capacitance_f)
    yield finding("capacitance", "F", part.capacitance_f, fitted.capacitance_f, adequacy, reason)
    yield from _life(conditions, part, fitted, _ripple_current_a(conditions))


def _output_findings(
    conditions: Conditions, part: OutputCapacitorPart, fitted: ElectrolyticRatings
) -> Iterator[Finding]:
    """Judge an output capacitor: voltage, capacitance, temperature, ripple current."""
    output = conditions.output(part.output)
    need_v, why = None if output is None else output.nominal_v, "the output voltage"
    yield from at_least(
        "rated voltage", "V", part.voltage_v, fitted.voltage_v, need=need_v, why=why
    )
    original_f, fitted_f = part.capacitance_f, fitted.capacitance_f
    if fitted_f > 2.0 * original_f:
        reason = "far more than the original's: the output may not start against it"
        yield finding("capacitance", "F", original_f, fitted_f, Adequacy.NOTE, reason)
    else:
        yield from at_least("capacitance", "F", original_f, fitted_f)
    yield from _life(conditions, part, fitted, None)


def _life(
    conditions: Conditions,
    part: ElectrolyticRatings,
    fitted: ElectrolyticRatings,
    ripple_a: float | None,
) -> Iterator[Finding]:
    """Judge what decides how long an electrolytic capacitor lasts."""
    original, now = part.temperature_degc, fitted.temperature_degc
    need, why = conditions.file.service.temperature_degc, "the temperature in service"
    yield from at_least("temperature", "degC", original, now, need=need, why=why)
    original, now = part.ripple_current_a, fitted.ripple_current_a
    why = "its ripple current at full load"
    yield from at_least("ripple current", "A", original, now, need=ripple_a, why=why)


def _ripple_current_a(conditions: Conditions) -> float | None:
    """Return the line-frequency ripple current at full load, or None for a DC input.

    Source:
        sqrt(Irms^2 - Imean^2) of the rectified current, textbook. What the converter draws at its
        own frequency comes on top and is not counted.
    """
    line = conditions.file.unit.input
    if line.kind == "dc":
        return None
    mean_a = conditions.power_w / max(peak_v(line.nominal_v) - conditions.drop_v, 1e-3)
    square = line.current_a**2 - mean_a**2
    return math.sqrt(square) if square > 0.0 else None


def _valley_v(conditions: Conditions, capacitance_f: float, line_v: float) -> float:
    """Return the lowest bulk voltage at full load and the lowest frequency; 0 if it collapses.

    Source:
        Exact valley of the ideal full-wave rectifier at constant power, textbook.
    """
    line = conditions.file.unit.input
    if line.kind == "dc":
        return max(line_v - conditions.drop_v, 0.0)
    peak = max(peak_v(line_v) - conditions.drop_v, 0.0)
    lowest_hz = min(line.frequency_hz)
    return valley_at_constant_power_v(peak, lowest_hz, capacitance_f, conditions.power_w)


def _needed_bulk_v(conditions: Conditions) -> float:
    """Return the bulk voltage the converter needs: as stated, or its start threshold's peak."""
    line, stated_v = conditions.file.unit.input, conditions.file.service.least_bulk_v
    return line.start_threshold_v * line.peak_factor if stated_v is None else stated_v


def _hold_up_s(conditions: Conditions, capacitance_f: float) -> float:
    """Return how long the outputs last without line, from the valley at nominal line.

    Source:
        t = C (V1^2 - V2^2) / (2 P), textbook.
    """
    from_v = _valley_v(conditions, capacitance_f, conditions.file.unit.input.nominal_v)
    needed_v = _needed_bulk_v(conditions)
    return max(hold_up_s(capacitance_f, from_v, needed_v, conditions.power_w), 0.0)


def _bulk_capacitance(
    conditions: Conditions, original_f: float, fitted_f: float
) -> tuple[Adequacy, str]:
    """Hold capacitance against the original's, ripple, hold-up and the fuse at switch-on."""
    too_little = _too_little(conditions, _LOW_FRAC * fitted_f)
    if too_little:
        return Adequacy.UNACCEPTABLE, too_little
    if same(original_f, fitted_f):
        return Adequacy.EQUIVALENT, ""
    if fitted_f < original_f:
        held = shown_figure(_hold_up_s(conditions, _LOW_FRAC * fitted_f), "s")
        return Adequacy.NOTE, f"less than the original's; hold-up at full load at least {held}"
    fuse = conditions.first(FusePart)
    if fuse is not None:
        inrush_a2s = conditions.inrush_a2s(conditions.service, fitted_f)
        melting_a2s = conditions.tables.fuses.melting_integral_a2s(fuse.fitted or fuse)
        shown = f"inrush {shown_figure(inrush_a2s, 'A2s')}, {fuse.name} melts at "
        shown += shown_figure(melting_a2s, "A2s")
        if inrush_a2s >= melting_a2s:
            return Adequacy.UNACCEPTABLE, f"{shown}: it opens at switch-on"
        if inrush_a2s > 0.5 * melting_a2s:
            return Adequacy.NOTE, f"{shown}: it ages at every switch-on"
    if fitted_f > 1.5 * original_f:
        reason = "far more than the original's: more inrush, more heat in the rectifier"
        return Adequacy.NOTE, reason
    return Adequacy.BETTER, ""


def _too_little(conditions: Conditions, capacitance_f: float) -> str:
    """Say why a capacitance is too little; empty if it is enough."""
    needed_v = _needed_bulk_v(conditions)
    low_v = _valley_v(conditions, capacitance_f, conditions.file.unit.input.lowest_v)
    if low_v < needed_v:
        return (
            f"at the lowest line and full load it falls to {shown_figure(low_v, 'V')} between "
            f"peaks; the converter needs {shown_figure(needed_v, 'V')}"
        )
    wanted_s = conditions.file.service.hold_up_s
    held_s = _hold_up_s(conditions, capacitance_f)
    if wanted_s is not None and held_s < wanted_s:
        return (
            f"hold-up {shown_figure(held_s, 's')} with its tolerance; "
            f"{shown_figure(wanted_s, 's')} are wanted"
        )
    return ""


def _electrolytic_check(_conditions: Conditions, part: BulkPart | OutputCapacitorPart) -> ColdCheck:
    extra = "no bulge, no leak"
    if part.series_ohm is not None:
        extra = f"series resistance below {shown_figure(2 * part.series_ohm, 'ohm', 2)}; {extra}"
    measure = "discharged, one lead lifted: capacitance and series resistance"
    return capacitance_check(part.name, part.capacitance_f, extra, measure)


_REPLACE_IT = "; replace it even if it measures well: it was over-stressed"

BULK_CAPACITOR = Kind(
    stress=_bulk_stress,
    findings=_bulk_findings,
    check=_electrolytic_check,
    shorts=True,
    if_suspect=_REPLACE_IT,
)
OUTPUT_CAPACITOR = Kind(
    stress=_output_stress,
    findings=_output_findings,
    check=_electrolytic_check,
    if_suspect=_REPLACE_IT,
)
