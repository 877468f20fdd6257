"""The varistor: whether the line made it conduct, how long it lasted, what it held the peak to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from harness.unit.assessment import Severity, Stress
from harness.unit.operating_conditions import Line, OperatingConditions
from harness.unit.part_fields import shown_figure
from harness.unit.parts import VaristorPart, VaristorRatings
from harness.unit.reference import VaristorTable
from harness.unit.stress import Short, Treated, judged
from harness.unit.varistor import (
    clamped_v,
    exponent_between,
    line_power_w,
    rms_current_a,
    time_to_energy_s,
)

__all__ = [
    "VaristorFigures",
    "conducts",
    "continuous_v",
    "varistor_exponent",
    "varistor_figures",
    "varistor_rms_a",
    "varistor_stress",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class VaristorFigures:
    """Figures of a varistor, filled up from its class.

    Attributes:
        maximum_dc_v: Maximum continuous DC voltage.
        at_1ma_v: Varistor voltage at 1 mA.
        clamping_v: Clamping voltage.
    """

    maximum_dc_v: float
    at_1ma_v: float
    clamping_v: float


def varistor_figures(part: VaristorRatings, table: VaristorTable) -> VaristorFigures:
    """Return what the file says of a varistor, filled up from its class."""
    row = table.nearest(part.maximum_ac_v)
    scale = part.maximum_ac_v / row.maximum_ac_v
    return VaristorFigures(
        maximum_dc_v=part.maximum_dc_v or row.maximum_dc_v * scale,
        at_1ma_v=part.voltage_at_1ma_v or row.at_1ma_v * scale,
        clamping_v=part.clamping_v or row.clamping_v * scale,
    )


def varistor_exponent(part: VaristorPart, table: VaristorTable) -> float:
    """Return the exponent: stated, or by 1 mA and clamping point, or the usual one.

    Source:
        Two points of the data sheet, IEC 61051-1 terms; a pair that gives less than 5 or more than
        100 belongs to no varistor, and the usual exponent takes its place.
    """
    if part.exponent is not None:
        return part.exponent
    figures, clamping_a = varistor_figures(part, table), part.clamping_current_a
    if clamping_a is None or clamping_a <= 1e-3 or figures.clamping_v <= figures.at_1ma_v:
        return table.exponent
    found = exponent_between((figures.at_1ma_v, 1e-3), (figures.clamping_v, clamping_a))
    return found if 5.0 <= found <= 100.0 else table.exponent


def conducts(conditions: OperatingConditions, part: VaristorRatings, line: Line) -> bool:
    """Return whether a line is above the continuous voltage; below it nothing happens."""
    return line.voltage_v > continuous_v(conditions, part, line)


def continuous_v(conditions: OperatingConditions, part: VaristorRatings, line: Line) -> float:
    """Return the maximum continuous voltage for this kind of line."""
    figures = varistor_figures(part, conditions.tables.varistors)
    return part.maximum_ac_v if line.kind == "ac" else figures.maximum_dc_v


def varistor_stress(
    conditions: OperatingConditions, part: VaristorPart, _shorts: tuple[Short, ...]
) -> Treated:
    """Hold a varistor against the line: continuous voltage, current, energy until it fails.

    Source:
        Continuous voltage: IEC 61051-1 terms. Current and energy: power law behind the source,
        see :mod:`harness.unit.varistor`. That it fails short: common practice.
    """
    event, service = conditions.event, conditions.service
    row = partial(judged, conditions.tables.stress, "varistor", "continuous voltage", "V")
    source = "maximum continuous voltage, IEC 61051-1 terms"
    rating_v = continuous_v(conditions, part, service)
    if event is not None and event.kind == service.kind:
        volts = {"event": event.voltage_v, "service": service.voltage_v}
        stresses = [row(rating=rating_v, source=source, **volts)]
    else:
        stresses = [row(rating=rating_v, source=source, service=service.voltage_v)]
        if event is not None:
            other_v = continuous_v(conditions, part, event)
            stresses.append(row(rating=other_v, source=source, event=event.voltage_v))
    if event is None:
        return Treated(stresses=tuple(stresses))
    return _conduction(conditions, part, event, stresses)


def _conduction(
    conditions: OperatingConditions, part: VaristorPart, event: Line, stresses: list[Stress]
) -> Treated:
    """Add what flowed through a varistor at the event."""
    if not conducts(conditions, part, event):
        remark = "Below its continuous voltage it carried nothing that counts."
        return Treated(stresses=tuple(stresses), remarks=(remark,))
    at_1ma_v = varistor_figures(part, conditions.tables.varistors).at_1ma_v
    law = (at_1ma_v, varistor_exponent(part, conditions.tables.varistors))
    across_v = clamped_v(event.peak_v, event.source_ohm, *law)
    peak_a = (event.peak_v - across_v) / event.source_ohm
    power_w = line_power_w(event.peak_v, event.source_ohm, *law, dc=event.kind == "dc")
    row = partial(judged, conditions.tables.stress, "varistor")
    source = "I = K V^alpha behind the source; IEC 61051-1 terms"
    if part.surge_current_a is not None:
        stresses.append(
            row("current", "A", rating=part.surge_current_a, event=peak_a, source=source)
        )
    lasts_s: float | None = None
    if part.energy_j is not None:
        taken_j = power_w * event.duration_s
        lasts_s = time_to_energy_s(part.energy_j, power_w)
        stresses.append(row("energy", "J", rating=part.energy_j, event=taken_j, source=source))
    destroyed = any(stress.severity is Severity.DESTROYED for stress in stresses)
    after_s = 0.0 if lasts_s is None else lasts_s
    return Treated(
        stresses=tuple(stresses),
        remarks=(_holds(across_v, peak_a, power_w, lasts_s),),
        shorted_after_s=after_s if destroyed and after_s <= event.duration_s else None,
    )


def _holds(across_v: float, peak_a: float, power_w: float, lasts_s: float | None) -> str:
    text = (
        f"At the peak it carries {shown_figure(peak_a, 'A', 2)} and has "
        f"{shown_figure(across_v, 'V')} across it, {shown_figure(power_w, 'W', 2)} on average"
    )
    if lasts_s is None:
        return f"{text}; past its energy it fails short."
    spent = shown_figure(lasts_s, "s", 2)
    return f"{text}: its energy rating is spent after {spent}, then it fails short."


def varistor_rms_a(conditions: OperatingConditions, line: Line) -> float:
    """Return the rms current of the unit's varistor, in amperes; 0 where there is none."""
    part = conditions.varistor
    if part is None or not conducts(conditions, part, line):
        return 0.0
    figures = varistor_figures(part, conditions.tables.varistors)
    exponent = varistor_exponent(part, conditions.tables.varistors)
    dc = line.kind == "dc"
    return rms_current_a(line.peak_v, line.source_ohm, figures.at_1ma_v, exponent, dc=dc)
