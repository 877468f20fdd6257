"""Stress of limiter, choke, X and Y capacitors: what stands in the line and across it."""

from __future__ import annotations

import math
from functools import partial

from harness.unit.assessment import Stress
from harness.unit.formulas import discharged_v, peak_v
from harness.unit.operating_conditions import Line, OperatingConditions
from harness.unit.part_fields import shown_figure
from harness.unit.parts import ChokePart, LimiterPart, XCapacitorPart, YCapacitorPart
from harness.unit.stress import Short, Treated, judged, short_current_a

__all__ = [
    "choke_stress",
    "fault_a2s",
    "leakage_a",
    "limiter_stress",
    "x_capacitor_stress",
    "y_capacitor_stress",
]


def limiter_stress(
    conditions: OperatingConditions, part: LimiterPart, shorts: tuple[Short, ...]
) -> Treated:
    """Hold an inrush limiter against steady current and the heat of a short behind it."""
    return _winding(conditions, part, shorts, "inrush-limiter")


def choke_stress(
    conditions: OperatingConditions, part: ChokePart, shorts: tuple[Short, ...]
) -> Treated:
    """Hold a choke against steady current and the heat of a short behind it."""
    return _winding(conditions, part, shorts, "common-mode-choke")


def _winding(
    conditions: OperatingConditions,
    part: LimiterPart | ChokePart,
    shorts: tuple[Short, ...],
    kind: str,
) -> Treated:
    """Hold something that only heats against its current.

    Source:
        I2t against rated current squared times the time it takes to warm through: at that it is as
        hot again as its rating makes it. Common practice.
    """
    table = conditions.tables.stress
    rated_a2s = part.current_a**2 * table.winding.warm_through_s
    behind = tuple(short for short in shorts if short.kind not in ("varistor", "x-capacitor"))
    row = partial(judged, table, kind)
    steady = row(
        "steady current",
        "A",
        rating=part.current_a,
        service=conditions.file.unit.input.current_a,
        source="rated current against the nameplate's",
    )
    heat = row(
        "heat",
        "A2s",
        rating=rated_a2s,
        event=fault_a2s(conditions, behind),
        service=conditions.inrush_a2s(conditions.service),
        source="I2t only, common practice",
    )
    return Treated(stresses=(steady, heat))


def fault_a2s(conditions: OperatingConditions, shorts: tuple[Short, ...]) -> float | None:
    """Return the I2t of the event: of the inrush and of shorts, as the fuse lets them through."""
    if conditions.event is None:
        return None
    found_a2s = conditions.inrush_a2s(conditions.event)
    for short in shorts:
        left_s = max(conditions.event.duration_s - short.after_s, 0.0)
        found_a2s = max(
            found_a2s, conditions.let_through_a2s(short_current_a(conditions, short), left_s)
        )
    return found_a2s


def _equivalent_rms_v(line: Line) -> float:
    """Return the AC voltage that stresses a capacitor as this line does: DC over root two."""
    return line.voltage_v if line.kind == "ac" else line.voltage_v / math.sqrt(2.0)


def _voltages(
    conditions: OperatingConditions, part: XCapacitorPart | YCapacitorPart
) -> tuple[Stress, ...]:
    """Hold a capacitor's rated voltage and its class's impulse voltage against the line."""
    event, row = conditions.event, partial(judged, conditions.tables.stress, part.kind)
    rated = row(
        "rated voltage",
        "V",
        rating=part.voltage_v,
        event=None if event is None else _equivalent_rms_v(event),
        service=_equivalent_rms_v(conditions.service),
        source="rated AC voltage, IEC 60384-14 terms",
    )
    impulse_v = conditions.tables.capacitors.impulse_v[part.sub_class]
    if impulse_v == 0.0:  # no interference suppression capacitor: nothing was proved
        return (rated,)
    impulse = row(
        "class impulse",
        "V",
        rating=impulse_v,
        event=None if event is None else event.peak_v,
        service=conditions.service.peak_v,
        source="peak of the line against the class's impulse voltage, IEC 60384-14, from memory",
    )
    return (rated, impulse)


def x_capacitor_stress(
    conditions: OperatingConditions, part: XCapacitorPart, _shorts: tuple[Short, ...]
) -> Treated:
    """Hold an X capacitor against the line, and its discharge against the plug pins' limit.

    Source:
        IEC 60384-14 sub-classes (from memory); discharge V exp(-t/RC), textbook, against
        IEC 60335-1, 22.5.
    """
    remarks: list[str] = []
    rule = conditions.tables.capacitors.discharge
    if (
        conditions.service.kind == "ac"
        and part.bleeder_ohm
        and not rule.exempts(part.capacitance_f)
    ):
        peak = peak_v(conditions.service.voltage_v)
        left_v = discharged_v(peak, rule.after_s, part.bleeder_ohm * part.capacitance_f)
        word = "within" if left_v <= rule.limit_v else "above"
        remarks.append(
            f"Unplugged at the peak it holds {shown_figure(left_v, 'V')} after "
            f"{shown_figure(rule.after_s, 's')}: {word} the {shown_figure(rule.limit_v, 'V')} of "
            "IEC 60335-1, 22.5."
        )
    return Treated(stresses=_voltages(conditions, part), remarks=tuple(remarks))


def y_capacitor_stress(
    conditions: OperatingConditions, part: YCapacitorPart, _shorts: tuple[Short, ...]
) -> Treated:
    """Hold a Y capacitor against the full line voltage, which one lead of it may see.

    Source:
        IEC 60384-14 sub-classes (from memory); leakage 2 pi f C V, textbook.
    """
    leak_a = leakage_a(conditions.service, part.capacitance_f)
    remark = f"At the highest line it passes {shown_figure(leak_a, 'A', 2)}."
    remarks = (remark,) if leak_a > 0.0 else ()
    return Treated(stresses=_voltages(conditions, part), remarks=remarks)


def leakage_a(line: Line, capacitance_f: float) -> float:
    """Return the current a capacitor passes at a line: 2 pi f C V, textbook; 0 for DC."""
    return 2.0 * math.pi * line.frequency_hz * capacitance_f * line.voltage_v
