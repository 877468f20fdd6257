"""Stress from the rectifier on: bridge, input diode, bulk capacitor, switch, output parts."""

from __future__ import annotations

import dataclasses
from functools import partial

from harness.unit.assessment import Severity, Stress
from harness.unit.line_stress import fault_a2s
from harness.unit.nameplate import Output
from harness.unit.operating_conditions import Line, OperatingConditions
from harness.unit.part_fields import shown_figure
from harness.unit.parts import (
    BridgePart,
    BulkPart,
    DiodePart,
    DiodeRatings,
    OutputCapacitorPart,
    OutputDiodePart,
    SwitchPart,
)
from harness.unit.stress import Short, Treated, judged

__all__ = [
    "bridge_stress",
    "bulk_stress",
    "diode_stress",
    "output_capacitor_stress",
    "output_diode_reverse_v",
    "output_diode_stress",
    "output_of",
    "surge_integral_a2s",
    "switch_stress",
]

#: Half a period of the 50 Hz half-sine that surge currents are stated for.
_SURGE_S = 10e-3


def surge_integral_a2s(surge_a: float) -> float:
    """Return the I2t of one half-sine of ``surge_a`` amperes peak and 10 ms (textbook)."""
    return surge_a**2 * _SURGE_S / 2.0


# --- diodes before the bulk capacitor -------------------------------------------------------


def bridge_stress(
    conditions: OperatingConditions, part: BridgePart, shorts: tuple[Short, ...]
) -> Treated:
    """Hold a bridge against the line's peak, the inrush, and a short behind it.

    Source:
        Each blocked diode sees the peak of the line; inrush Vp / R; half-sine I2t: textbook.
    """
    event = conditions.event
    reverse = judged(
        conditions.tables.stress,
        "bridge",
        "reverse voltage",
        "V",
        rating=part.reverse_v,
        event=None if event is None else event.peak_v,
        service=conditions.service.peak_v,
        source="peak of the line, textbook",
    )
    return Treated(stresses=(reverse, *_currents(conditions, "bridge", part, shorts)))


def _currents(
    conditions: OperatingConditions, kind: str, part: DiodeRatings, shorts: tuple[Short, ...]
) -> tuple[Stress, ...]:
    """Return what flows forward through a diode in the line."""
    event, row = conditions.event, partial(judged, conditions.tables.stress, kind)
    average = row(
        "average current",
        "A",
        rating=part.current_a,
        service=conditions.average_current_a,
        source="P / V of the bulk capacitor at the lowest line, textbook",
    )
    if part.surge_a is None:
        return (average,)
    behind = tuple(short for short in shorts if short.kind in ("bulk-capacitor", "switch"))
    surge = row(
        "surge current",
        "A",
        rating=part.surge_a,
        event=None if event is None else conditions.inrush_peak_a(event),
        service=conditions.inrush_peak_a(conditions.service),
        source="Vp / R with the bulk capacitor empty, textbook",
    )
    fault = row(
        "fault integral",
        "A2s",
        rating=surge_integral_a2s(part.surge_a),
        event=fault_a2s(conditions, behind) if behind else None,
        source="I2t of one half-sine; a fuse lets through twice its melting integral at most",
    )
    return (average, surge, fault)


def diode_stress(
    conditions: OperatingConditions, part: DiodePart, shorts: tuple[Short, ...]
) -> Treated:
    """Hold the diode against wrong polarity against the event.

    In series it blocks what comes the wrong way round; across the input it carries it until the
    fuse opens.

    Source:
        Series: reverse voltage is the line's peak, and for AC the bulk voltage on top; textbook.
        Across: I2t of the short against the half-sine of its surge current; common practice.
    """
    if part.place == "series":
        reverse = _series_reverse(conditions, part)
        return Treated(stresses=(reverse, *_currents(conditions, "diode", part, shorts)))
    return _across(conditions, part)


def _series_reverse(conditions: OperatingConditions, part: DiodePart) -> Stress:
    def blocked_v(line: Line) -> float:
        return line.peak_v + conditions.bulk_v(line) if line.reaches_backwards else 0.0

    return judged(
        conditions.tables.stress,
        "diode",
        "reverse voltage",
        "V",
        rating=part.reverse_v,
        event=None if conditions.event is None else blocked_v(conditions.event),
        service=blocked_v(conditions.service),
        source="line the wrong way round, and the bulk voltage for AC; textbook",
    )


def _across(conditions: OperatingConditions, part: DiodePart) -> Treated:
    event, row = conditions.event, partial(judged, conditions.tables.stress, "diode")
    carries = event is not None and event.reaches_backwards
    forwards = event is not None and not event.wrong_way
    reverse = row(
        "reverse voltage",
        "V",
        rating=part.reverse_v,
        event=event.peak_v if event is not None and forwards else None,
        service=conditions.service.peak_v,
        source="the line itself, textbook",
    )
    if event is None or not carries:
        return Treated(stresses=(reverse,))
    through_a2s = conditions.let_through_a2s(event.prospective_a, event.duration_s)
    # Without a stated surge current, ten times the average current for a half-sine.
    surge_a = part.surge_a or 10.0 * part.current_a
    fault = row(
        "fault integral",
        "A2s",
        rating=surge_integral_a2s(surge_a),
        event=through_a2s,
        source="I2t of one half-sine, common practice",
    )
    remark = (
        f"It carried the {shown_figure(event.prospective_a, 'A', 2)} that the supply gives until "
        "the fuse opened."
    )
    return Treated(stresses=(reverse, fault), remarks=(remark,), shorted_after_s=0.0)


# --- bulk capacitor and switch --------------------------------------------------------------


def bulk_stress(
    conditions: OperatingConditions, part: BulkPart, _shorts: tuple[Short, ...]
) -> Treated:
    """Hold the bulk capacitor against the rectified peak.

    Source:
        Peak less diode drops, textbook. Surge voltage 1.15 times rated up to 315 V and 1.10 above,
        30 s at a time: common practice. Reverse voltage borne 1.5 V: common practice.
    """
    event, capacitors = conditions.event, conditions.tables.capacitors
    row = partial(judged, conditions.tables.stress, "bulk-capacitor")
    surge_v = part.surge_v or part.voltage_v * capacitors.surge_factor(part.voltage_v)
    forward = row(
        "rated voltage",
        "V",
        rating=part.voltage_v,
        event=None if event is None else conditions.bulk_v(event),
        service=conditions.bulk_v(conditions.service),
        source="peak less diode drops, textbook",
    )
    brief = event is not None and event.duration_s <= capacitors.surge.limited_to_s
    borne = (forward.event or 0.0) <= surge_v and (forward.service_ratio or 0.0) <= 1.0
    if forward.severity is Severity.OVER and brief and borne:
        forward = dataclasses.replace(forward, severity=Severity.MARGINAL)
    stresses = [forward]
    if event is not None and conditions.bulk_backwards_v(event) > 0.0:
        stresses.append(
            row(
                "reverse voltage",
                "V",
                rating=capacitors.reverse.borne_v,
                event=conditions.bulk_backwards_v(event),
                source="aluminium electrolytics bear 1.5 V at most, common practice",
            )
        )
    return Treated(stresses=tuple(stresses), remarks=_surge_remark(forward, surge_v))


def _surge_remark(forward: Stress, surge_v: float) -> tuple[str, ...]:
    if forward.event is None or forward.event <= forward.rating:
        return ()
    word = "within" if forward.event <= surge_v else "past"
    shown = shown_figure(surge_v, "V")
    return (f"That is {word} its surge voltage of {shown}, which holds for 30 s at a time.",)


def switch_stress(
    conditions: OperatingConditions, part: SwitchPart, _shorts: tuple[Short, ...]
) -> Treated:
    """Hold the switch against bulk voltage, reflected voltage and spike.

    Source:
        V = Vbulk + Vreflected + Vspike, flyback and forward converters, textbook.
    """
    event = conditions.event
    blocking = judged(
        conditions.tables.stress,
        "switch",
        "blocking voltage",
        "V",
        rating=part.voltage_v,
        event=None if event is None else conditions.switch_v(part, event),
        service=conditions.switch_v(part, conditions.service),
        source="bulk voltage, reflected voltage and spike, textbook",
    )
    remarks: tuple[str, ...] = ()
    if part.reflected_v is None and conditions.file.unit.input.kind == "ac":
        remarks = ("No reflected voltage is given: the figure is a lower bound.",)
    return Treated(stresses=(blocking,), remarks=remarks)


# --- outputs --------------------------------------------------------------------------------


def output_of(conditions: OperatingConditions, name: str | None) -> Output | None:
    """Return the output of a name, or the first; None for a unit without one."""
    outputs = conditions.file.unit.output
    return outputs.get(name) if name is not None else next(iter(outputs.values()), None)


def output_diode_reverse_v(
    conditions: OperatingConditions, part: OutputDiodePart, line: Line
) -> float | None:
    """Return the reverse voltage of an output rectifier, or None where it cannot be known.

    Source:
        Vout + Vbulk / n with the turns ratio n = Vreflected / Vout: flyback converter, textbook.
        Without a transformer (DC input, no reflected voltage) the bulk voltage: step-down
        converter, textbook.
    """
    output, switch = output_of(conditions, part.output), conditions.first(SwitchPart)
    if output is None:
        return None
    reflected_v = None if switch is None else switch.reflected_v
    if reflected_v is not None:
        return output.nominal_v + conditions.bulk_v(line) * output.nominal_v / reflected_v
    return conditions.bulk_v(line) if conditions.file.unit.input.kind == "dc" else None


def output_diode_stress(
    conditions: OperatingConditions, part: OutputDiodePart, _shorts: tuple[Short, ...]
) -> Treated:
    """Hold an output rectifier against what the transformer puts on it."""
    event, row = conditions.event, partial(judged, conditions.tables.stress, "output-diode")
    output = output_of(conditions, part.output)
    current = row(
        "average current",
        "A",
        rating=part.current_a,
        service=None if output is None else output.current_a,
        source="output current, textbook",
    )
    service_v = output_diode_reverse_v(conditions, part, conditions.service)
    if service_v is None:
        remark = "Without the switch's reflected voltage its reverse voltage is not known."
        return Treated(stresses=(current,), remarks=(remark,))
    reverse = row(
        "reverse voltage",
        "V",
        rating=part.reverse_v,
        event=None if event is None else output_diode_reverse_v(conditions, part, event),
        service=service_v,
        source="Vout + Vbulk Vout / Vreflected, textbook",
    )
    return Treated(stresses=(reverse, current))


def output_capacitor_stress(
    conditions: OperatingConditions, part: OutputCapacitorPart, _shorts: tuple[Short, ...]
) -> Treated:
    """Hold an output capacitor against the output voltage, which regulation keeps."""
    output = output_of(conditions, part.output)
    voltage_v = None if output is None else output.nominal_v
    stress = judged(
        conditions.tables.stress,
        "output-capacitor",
        "rated voltage",
        "V",
        rating=part.voltage_v,
        event=voltage_v if conditions.event is not None else None,
        service=voltage_v,
        source="nominal output voltage",
    )
    remark = "As long as regulation held; a failed control loop is told by its cold check."
    return Treated(stresses=(stress,), remarks=(remark,) if conditions.event is not None else ())
