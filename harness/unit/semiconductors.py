"""Bridge, input diode, switch and output diode: stress, replacements, cold checks."""

from __future__ import annotations

from collections.abc import Iterator

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Stress
from harness.unit.operating_conditions import Conditions, Line
from harness.unit.parts import (
    BridgePart,
    DiodePart,
    DiodeRatings,
    OutputDiodePart,
    SwitchPart,
    SwitchRatings,
    VaristorPart,
    shown_figure,
)
from harness.unit.ratings import (
    NAMEPLATE_CURRENT,
    Kind,
    PartStress,
    Shorts,
    at_least,
    cold_check,
    fault_a2s,
    finding,
    same,
    stress,
)

__all__ = ["BRIDGE", "DIODE", "OUTPUT_DIODE", "SWITCH"]

#: Half a period of the 50 Hz half-sine that surge currents are stated for.
_SURGE_S = 10e-3

#: Surge current over average current where it is not stated. Source: common practice.
_SURGE_TIMES = 10.0

_NEED_HIGHEST = "its stress at the highest line"


def _surge_integral_a2s(surge_a: float) -> float:
    """Return the I2t of one half-sine of ``surge_a`` amperes peak and 10 ms.

    Source:
        Ip^2 t / 2, textbook.
    """
    return surge_a**2 * _SURGE_S / 2.0


# --- bridge, and diode at a DC input --------------------------------------------------------


def _bridge_stress(conditions: Conditions, part: BridgePart, shorts: Shorts) -> PartStress:
    """Hold a bridge against the line's peak, the inrush, and a short behind it.

    Source:
        Each blocked diode sees the peak of the line; inrush Vp / R; half-sine I2t: textbook.
    """
    reverse = stress(
        conditions, "bridge", "reverse voltage", part.reverse_v, at=lambda line: line.peak_v
    )
    return PartStress(stresses=(reverse, *_currents(conditions, "bridge", part, shorts)))


def _currents(
    conditions: Conditions, kind: str, part: DiodeRatings, shorts: Shorts
) -> tuple[Stress, ...]:
    """Return what flows forward through a diode in the line."""
    average = stress(
        conditions, kind, "average current", part.current_a, service=conditions.average_current_a
    )
    if part.surge_a is None:
        return (average,)
    behind = [short for short in shorts if short.kind in ("bulk-capacitor", "switch")]
    let_through_a2s = fault_a2s(conditions, behind) if behind else None
    surge_a2s = _surge_integral_a2s(part.surge_a)
    return (
        average,
        stress(conditions, kind, "surge current", part.surge_a, at=conditions.inrush_peak_a),
        stress(conditions, kind, "fault integral", surge_a2s, event=let_through_a2s),
    )


def _diode_stress(conditions: Conditions, part: DiodePart, shorts: Shorts) -> PartStress:
    """Hold the diode against wrong polarity against the event.

    In series it blocks what comes the wrong way round; across the input it carries it until the
    fuse opens.

    Source:
        Series: reverse voltage is the line's peak, and for AC the bulk voltage on top; textbook.
        Across: I2t of the short against the half-sine of its surge current; common practice.
    """
    if part.place == "across":
        return _across(conditions, part)

    def blocked_v(line: Line) -> float:
        return line.peak_v + conditions.bulk_v(line) if line.reaches_backwards else 0.0

    reverse = stress(conditions, "diode", "reverse voltage", part.reverse_v, at=blocked_v)
    return PartStress(stresses=(reverse, *_currents(conditions, "diode", part, shorts)))


def _across(conditions: Conditions, part: DiodePart) -> PartStress:
    event = conditions.event
    forwards = event is not None and not event.wrong_way
    reverse = stress(
        conditions,
        "diode",
        "reverse voltage",
        part.reverse_v,
        event=event.peak_v if event is not None and forwards else None,
        service=conditions.service.peak_v,
    )
    if event is None or not event.reaches_backwards:
        return PartStress(stresses=(reverse,))
    surge_a2s = _surge_integral_a2s(part.surge_a or _SURGE_TIMES * part.current_a)
    let_through_a2s = conditions.let_through_a2s(event.prospective_a, event.duration_s)
    fault = stress(conditions, "diode", "fault integral", surge_a2s, event=let_through_a2s)
    remark = (
        f"It carried the {shown_figure(event.prospective_a, 'A', 2)} that the supply gives until "
        "the fuse opened."
    )
    return PartStress(stresses=(reverse, fault), remarks=(remark,), shorted_after_s=0.0)


def _line_diode_findings(
    conditions: Conditions, part: BridgePart | DiodePart, fitted: DiodeRatings
) -> Iterator[Finding]:
    """Judge a diode in or across the line: reverse voltage and currents.

    Both in series and across it may meet the full line the wrong way round.
    """
    need, why = conditions.service.peak_v, "the peak of the highest line"
    original, now = part.reverse_v, fitted.reverse_v
    yield from at_least("reverse voltage", "V", original, now, need=need, why=why)
    need, why = conditions.file.unit.input.current_a, NAMEPLATE_CURRENT
    yield from at_least(
        "average current", "A", part.current_a, fitted.current_a, need=need, why=why
    )
    need, why = conditions.inrush_peak_a(conditions.service), "the inrush peak"
    yield from at_least("surge current", "A", part.surge_a, fitted.surge_a, need=need, why=why)


def _bridge_findings(
    conditions: Conditions, part: BridgePart, fitted: DiodeRatings
) -> Iterator[Finding]:
    """Judge a bridge: reverse voltage, currents, and the varistor's clamping voltage before it."""
    yield from _line_diode_findings(conditions, part, fitted)
    varistor = conditions.first(VaristorPart)
    if varistor is None or same(part.reverse_v, fitted.reverse_v):
        return
    figures = conditions.tables.varistors.figures(varistor.fitted or varistor)
    if fitted.reverse_v < figures.clamping_v <= part.reverse_v:
        item, clamps = f"against {varistor.name}", shown_figure(figures.clamping_v, "V")
        reason = f"{varistor.name} clamps to {clamps}: too late for it"
        original, now = part.reverse_v, fitted.reverse_v
        yield finding(item, "V", original, now, Adequacy.UNACCEPTABLE, reason)


# --- switch ---------------------------------------------------------------------------------


def _switch_v(conditions: Conditions, part: SwitchPart, line: Line) -> float:
    """Return the voltage across the switch.

    Source:
        V = Vbulk + Vreflected + Vspike, flyback and forward converters, textbook.
    """
    bulk_v = conditions.bulk_v(line)
    extra_v = (part.reflected_v or 0.0) + (part.spike_v or 0.0)
    return bulk_v + extra_v if bulk_v > 0.0 else 0.0


def _switch_stress(conditions: Conditions, part: SwitchPart, _shorts: Shorts) -> PartStress:
    """Hold the switch against bulk voltage, reflected voltage and spike."""
    blocking = stress(
        conditions,
        "switch",
        "blocking voltage",
        part.voltage_v,
        at=lambda line: _switch_v(conditions, part, line),
    )
    remarks: tuple[str, ...] = ()
    if part.reflected_v is None and conditions.file.unit.input.kind == "ac":
        remarks = ("No reflected voltage is given: the figure is a lower bound.",)
    return PartStress(stresses=(blocking,), remarks=remarks)


def _switch_findings(
    conditions: Conditions, part: SwitchPart, fitted: SwitchRatings
) -> Iterator[Finding]:
    """Judge a switch: blocking voltage and current."""
    need, why = _switch_v(conditions, part, conditions.service), _NEED_HIGHEST
    yield from at_least(
        "blocking voltage", "V", part.voltage_v, fitted.voltage_v, need=need, why=why
    )
    yield from at_least("current", "A", part.current_a, fitted.current_a)


# --- output diode ---------------------------------------------------------------------------


def _output_reverse_v(conditions: Conditions, part: OutputDiodePart, line: Line) -> float | None:
    """Return the reverse voltage of an output rectifier, or None where it cannot be known.

    Source:
        Vout + Vbulk / n with the turns ratio n = Vreflected / Vout: flyback converter, textbook.
        Without a transformer (DC input, no reflected voltage) the bulk voltage: step-down
        converter, textbook.
    """
    output, switch = conditions.output(part.output), conditions.first(SwitchPart)
    if output is None:
        return None
    reflected_v = None if switch is None else switch.reflected_v
    if reflected_v is not None:
        return output.nominal_v + conditions.bulk_v(line) * output.nominal_v / reflected_v
    return conditions.bulk_v(line) if conditions.file.unit.input.kind == "dc" else None


def _output_stress(conditions: Conditions, part: OutputDiodePart, _shorts: Shorts) -> PartStress:
    """Hold an output rectifier against what the transformer puts on it."""
    event, kind = conditions.event, "output-diode"
    output = conditions.output(part.output)
    output_a = None if output is None else output.current_a
    current = stress(conditions, kind, "average current", part.current_a, service=output_a)
    service_v = _output_reverse_v(conditions, part, conditions.service)
    if service_v is None:
        remark = "Without the switch's reflected voltage its reverse voltage is not known."
        return PartStress(stresses=(current,), remarks=(remark,))
    event_v = None if event is None else _output_reverse_v(conditions, part, event)
    reverse = stress(
        conditions, kind, "reverse voltage", part.reverse_v, event=event_v, service=service_v
    )
    return PartStress(stresses=(reverse, current))


def _output_findings(
    conditions: Conditions, part: OutputDiodePart, fitted: DiodeRatings
) -> Iterator[Finding]:
    """Judge an output rectifier: reverse voltage and currents."""
    output = conditions.output(part.output)
    need, why = _output_reverse_v(conditions, part, conditions.service), _NEED_HIGHEST
    original, now = part.reverse_v, fitted.reverse_v
    yield from at_least("reverse voltage", "V", original, now, need=need, why=why)
    need, why = None if output is None else output.current_a, "the output's current"
    yield from at_least(
        "average current", "A", part.current_a, fitted.current_a, need=need, why=why
    )
    yield from at_least("surge current", "A", part.surge_a, fitted.surge_a)


# --- cold checks ----------------------------------------------------------------------------


def _junction_check(_conditions: Conditions, part: BridgePart | DiodePart) -> ColdCheck:
    bridge = isinstance(part, BridgePart)
    where = "diode test of all four diodes" if bridge else "one lead lifted: diode test"
    expected = "0.4 to 0.7 V one way, open the other; near 0 both ways: shorted"
    return cold_check(part.name, f"{where}, both ways", expected, "V", low=0.4, high=0.7)


def _output_check(_conditions: Conditions, part: OutputDiodePart) -> ColdCheck:
    expected = "0.15 to 0.7 V one way (Schottky: the lower end), open the other"
    measure = "one lead lifted: diode test, both ways"
    return cold_check(part.name, measure, expected, "V", low=0.15, high=0.7)


def _switch_check(_conditions: Conditions, part: SwitchPart) -> ColdCheck:
    return cold_check(
        part.name,
        "resistance between its main terminals both ways, and from gate or base to each",
        "above 100 kohm one way, a diode's drop or open the other; gate open; below 10 ohm: "
        "shorted, then look at its driver and sense resistor too",
        "ohm",
        low=100e3,
    )


BRIDGE = Kind(stress=_bridge_stress, findings=_bridge_findings, check=_junction_check, shorts=True)
DIODE = Kind(
    stress=_diode_stress, findings=_line_diode_findings, check=_junction_check, shorts=True
)
SWITCH = Kind(stress=_switch_stress, findings=_switch_findings, check=_switch_check, shorts=True)
OUTPUT_DIODE = Kind(stress=_output_stress, findings=_output_findings, check=_output_check)
