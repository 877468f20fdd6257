"""Replacement adequacy from the rectifier on: semiconductors and electrolytic capacitors."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.unit.adequacy_rules import at_least, finding, same
from harness.unit.assessment import Adequacy, Finding
from harness.unit.bulk_stress import output_diode_reverse_v, output_of
from harness.unit.formulas import (
    hold_up_s,
    inrush_i2t_a2s,
    peak_v,
    valley_at_constant_power_v,
)
from harness.unit.fuse import melting_integral_a2s
from harness.unit.operating_conditions import OperatingConditions
from harness.unit.part_fields import shown_figure
from harness.unit.parts import (
    BridgePart,
    BulkPart,
    DiodePart,
    DiodeRatings,
    ElectrolyticRatings,
    FusePart,
    OutputCapacitorPart,
    OutputDiodePart,
    SwitchPart,
    SwitchRatings,
)
from harness.unit.varistor_stress import varistor_figures

__all__ = [
    "bridge_findings",
    "bulk_findings",
    "diode_findings",
    "hold_up_with",
    "needed_bulk_v",
    "output_capacitor_findings",
    "output_diode_findings",
    "ripple_current_a",
    "switch_findings",
    "valley_v",
]

#: Electrolytic capacitors may have so much less than is printed. Source: common practice, -20 %.
_LOW_FRAC = 0.8


# --- semiconductors -------------------------------------------------------------------------


def bridge_findings(
    conditions: OperatingConditions, part: BridgePart, fitted: DiodeRatings
) -> Iterator[Finding]:
    """Judge a bridge: reverse voltage, currents, and the varistor's clamping voltage before it."""
    yield from _line_diode(conditions, part, fitted, conditions.service.peak_v)
    yield from _behind_varistor(conditions, part, fitted)


def diode_findings(
    conditions: OperatingConditions, part: DiodePart, fitted: DiodeRatings
) -> Iterator[Finding]:
    """Judge a diode against wrong polarity: reverse voltage and currents.

    Both in series and across it may meet the full line the wrong way round.
    """
    yield from _line_diode(conditions, part, fitted, conditions.service.peak_v)


def _line_diode(
    conditions: OperatingConditions, part: DiodeRatings, fitted: DiodeRatings, reverse_v: float
) -> Iterator[Finding]:
    yield from at_least(
        "reverse voltage",
        "V",
        part.reverse_v,
        fitted.reverse_v,
        need=reverse_v,
        why="the peak of the highest line",
    )
    yield from at_least(
        "average current",
        "A",
        part.current_a,
        fitted.current_a,
        need=conditions.file.unit.input.current_a,
        why="the nameplate's current",
    )
    yield from at_least(
        "surge current",
        "A",
        part.surge_a,
        fitted.surge_a,
        need=conditions.inrush_peak_a(conditions.service),
        why="the inrush peak",
    )


def _behind_varistor(
    conditions: OperatingConditions, part: BridgePart, fitted: DiodeRatings
) -> Iterator[Finding]:
    varistor = conditions.varistor
    if varistor is None or same(part.reverse_v, fitted.reverse_v):
        return
    now = varistor.fitted or varistor
    clamping_v = varistor_figures(now, conditions.tables.varistors).clamping_v
    if fitted.reverse_v < clamping_v <= part.reverse_v:
        reason = f"{varistor.name} clamps to {shown_figure(clamping_v, 'V')}: too late for it"
        yield finding(
            f"against {varistor.name}",
            "V",
            part.reverse_v,
            fitted.reverse_v,
            Adequacy.UNACCEPTABLE,
            reason,
        )


def switch_findings(
    conditions: OperatingConditions, part: SwitchPart, fitted: SwitchRatings
) -> Iterator[Finding]:
    """Judge a switch: blocking voltage and current."""
    yield from at_least(
        "blocking voltage",
        "V",
        part.voltage_v,
        fitted.voltage_v,
        need=conditions.switch_v(part, conditions.service),
        why="its stress at the highest line",
    )
    yield from at_least("current", "A", part.current_a, fitted.current_a)


def output_diode_findings(
    conditions: OperatingConditions, part: OutputDiodePart, fitted: DiodeRatings
) -> Iterator[Finding]:
    """Judge an output rectifier: reverse voltage and currents."""
    output = output_of(conditions, part.output)
    yield from at_least(
        "reverse voltage",
        "V",
        part.reverse_v,
        fitted.reverse_v,
        need=output_diode_reverse_v(conditions, part, conditions.service),
        why="its stress at the highest line",
    )
    yield from at_least(
        "average current",
        "A",
        part.current_a,
        fitted.current_a,
        need=None if output is None else output.current_a,
        why="the output's current",
    )
    yield from at_least("surge current", "A", part.surge_a, fitted.surge_a)


# --- electrolytic capacitors ----------------------------------------------------------------


def bulk_findings(
    conditions: OperatingConditions, part: BulkPart, fitted: ElectrolyticRatings
) -> Iterator[Finding]:
    """Judge a bulk capacitor: voltage, capacitance, temperature, ripple current.

    Source:
        Peak rectifier, valley at constant power, hold-up: textbook, see
        :mod:`harness.unit.formulas`. Ripple current sqrt(Irms^2 - Imean^2): textbook.
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
    yield _bulk_capacitance(conditions, part, fitted)
    yield from _life(conditions, part, fitted, need_a=ripple_current_a(conditions))


def _life(
    conditions: OperatingConditions,
    part: ElectrolyticRatings,
    fitted: ElectrolyticRatings,
    need_a: float | None,
) -> Iterator[Finding]:
    """Judge what decides how long an electrolytic capacitor lasts."""
    yield from at_least(
        "temperature",
        "degC",
        part.temperature_degc,
        fitted.temperature_degc,
        need=conditions.file.service.temperature_degc,
        why="the temperature in service",
    )
    yield from at_least(
        "ripple current",
        "A",
        part.ripple_current_a,
        fitted.ripple_current_a,
        need=need_a,
        why="its ripple current at full load",
    )


def ripple_current_a(conditions: OperatingConditions) -> float | None:
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


def valley_v(conditions: OperatingConditions, capacitance_f: float, line_v: float) -> float:
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


def needed_bulk_v(conditions: OperatingConditions) -> float:
    """Return the bulk voltage the converter needs: as stated, or its start threshold's peak."""
    line, stated_v = conditions.file.unit.input, conditions.file.service.least_bulk_v
    return line.start_threshold_v * line.peak_factor if stated_v is None else stated_v


def hold_up_with(conditions: OperatingConditions, capacitance_f: float) -> float:
    """Return how long the outputs last without line, from the valley at nominal line.

    Source:
        t = C (V1^2 - V2^2) / (2 P), textbook.
    """
    from_v = valley_v(conditions, capacitance_f, conditions.file.unit.input.nominal_v)
    return max(hold_up_s(capacitance_f, from_v, needed_bulk_v(conditions), conditions.power_w), 0.0)


def _bulk_capacitance(
    conditions: OperatingConditions, part: BulkPart, fitted: ElectrolyticRatings
) -> Finding:
    """Hold capacitance against the original's, ripple, hold-up and the fuse at switch-on."""
    original_f, fitted_f = part.capacitance_f, fitted.capacitance_f
    item = "capacitance"
    too_little = _too_little(conditions, _LOW_FRAC * fitted_f)
    if too_little:
        return finding(item, "F", original_f, fitted_f, Adequacy.UNACCEPTABLE, too_little)
    if same(original_f, fitted_f):
        return finding(item, "F", original_f, fitted_f, Adequacy.EQUIVALENT)
    if fitted_f < original_f:
        held = shown_figure(hold_up_with(conditions, _LOW_FRAC * fitted_f), "s")
        reason = f"less than the original's; hold-up at full load at least {held}"
        return finding(item, "F", original_f, fitted_f, Adequacy.NOTE, reason)
    return _more_capacitance(conditions, original_f, fitted_f)


def _too_little(conditions: OperatingConditions, capacitance_f: float) -> str:
    """Say why a capacitance is too little; empty if it is enough."""
    line, needed_v = conditions.file.unit.input, needed_bulk_v(conditions)
    low_v = valley_v(conditions, capacitance_f, line.lowest_v)
    if low_v < needed_v:
        return (
            f"at the lowest line and full load it falls to {shown_figure(low_v, 'V')} between "
            f"peaks; the converter needs {shown_figure(needed_v, 'V')}"
        )
    wanted_s = conditions.file.service.hold_up_s
    held_s = hold_up_with(conditions, capacitance_f)
    if wanted_s is not None and held_s < wanted_s:
        return (
            f"hold-up {shown_figure(held_s, 's')} with its tolerance; "
            f"{shown_figure(wanted_s, 's')} are wanted"
        )
    return ""


def _more_capacitance(
    conditions: OperatingConditions, original_f: float, fitted_f: float
) -> Finding:
    line, item = conditions.service, "capacitance"
    fuse = conditions.first(FusePart)
    loop_ohm = line.source_ohm + conditions.series_ohm
    inrush_a2s = inrush_i2t_a2s(line.peak_v, fitted_f, loop_ohm)
    if fuse is not None:
        melting_a2s = melting_integral_a2s(fuse.fitted or fuse, conditions.tables.fuses)
        shown = f"inrush {shown_figure(inrush_a2s, 'A2s')}, {fuse.name} melts at "
        shown += shown_figure(melting_a2s, "A2s")
        if inrush_a2s >= melting_a2s:
            reason = f"{shown}: it opens at switch-on"
            return finding(item, "F", original_f, fitted_f, Adequacy.UNACCEPTABLE, reason)
        if inrush_a2s > 0.5 * melting_a2s:
            reason = f"{shown}: it ages at every switch-on"
            return finding(item, "F", original_f, fitted_f, Adequacy.NOTE, reason)
    if fitted_f > 1.5 * original_f:
        reason = "far more than the original's: more inrush, more heat in the rectifier"
        return finding(item, "F", original_f, fitted_f, Adequacy.NOTE, reason)
    return finding(item, "F", original_f, fitted_f, Adequacy.BETTER)


def output_capacitor_findings(
    conditions: OperatingConditions, part: OutputCapacitorPart, fitted: ElectrolyticRatings
) -> Iterator[Finding]:
    """Judge an output capacitor: voltage, capacitance, temperature, ripple current."""
    output = output_of(conditions, part.output)
    yield from at_least(
        "rated voltage",
        "V",
        part.voltage_v,
        fitted.voltage_v,
        need=None if output is None else output.nominal_v,
        why="the output voltage",
    )
    if fitted.capacitance_f > 2.0 * part.capacitance_f:
        reason = "far more than the original's: the output may not start against it"
        yield finding(
            "capacitance",
            "F",
            part.capacitance_f,
            fitted.capacitance_f,
            Adequacy.NOTE,
            reason,
        )
    else:
        yield from at_least("capacitance", "F", part.capacitance_f, fitted.capacitance_f)
    yield from _life(conditions, part, fitted, need_a=None)
