"""Bridge, diode at a DC input, switch and output diode."""

from __future__ import annotations

from collections.abc import Iterator

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Stress
from harness.unit.operating_conditions import Line
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
from harness.unit.ratings import Kind, PartStress, at_least, finding, same

#: Half a period of the 50 Hz half-sine that surge currents are stated for.
_SURGE_S = 10e-3

#: Surge current over average current where it is not stated. Source: common practice.
_SURGE_TIMES = 10.0

_STRESS = "its stress at the highest line"


def _surge_integral_a2s(surge_a: float) -> float:
    """Return the I2t of one half-sine of ``surge_a`` amperes peak and 10 ms.

    Source: Ip^2 t / 2, textbook.
    """
    return surge_a**2 * _SURGE_S / 2.0


class _LineDiode(Kind):
    """What bridge and input diode share: both may meet the full line the wrong way round."""

    part: BridgePart | DiodePart
    shorts_line = True

    def _forward(self) -> tuple[Stress, ...]:
        """Return what flows forward through a diode in the line."""
        part, mean_a = self.part, self.conditions.average_current_a
        average = self.against("average current", part.current_a, service=mean_a)
        if part.surge_a is None:
            return (average,)
        behind = [one for one in self.shorts if one.kind in ("bulk-capacitor", "switch")]
        through_a2s = self.fault_a2s(behind) if behind else None
        return (
            average,
            self.against("surge current", part.surge_a, at=self.conditions.inrush_peak_a),
            self.against("fault integral", _surge_integral_a2s(part.surge_a), event=through_a2s),
        )

    def findings(self, fitted: DiodeRatings) -> Iterator[Finding]:
        """Judge reverse voltage and currents."""
        part, inrush_a = self.part, self.conditions.inrush_peak_a(self.service)
        peak_v, why = self.service.peak_v, "the peak of the highest line"
        yield from at_least("reverse voltage", "V", part.reverse_v, fitted.reverse_v, peak_v, why)
        need_a, why = self.nameplate_a, "the nameplate's current"
        yield from at_least("average current", "A", part.current_a, fitted.current_a, need_a, why)
        why = "the inrush peak"
        yield from at_least("surge current", "A", part.surge_a, fitted.surge_a, inrush_a, why)

    def check(self) -> ColdCheck:
        """Test its junctions."""
        bridge = isinstance(self.part, BridgePart)
        where = "diode test of all four diodes" if bridge else "one lead lifted: diode test"
        expected = "0.4 to 0.7 V one way, open the other; near 0 both ways: shorted"
        return self.settled_by(f"{where}, both ways", expected, "V", low=0.4, high=0.7)


class Bridge(_LineDiode):
    """The bridge rectifier.

    Source: Each blocked diode sees the peak of the line; inrush Vp / R; half-sine I2t: textbook.
    """

    def stress(self) -> PartStress:
        """Hold it against the line's peak, the inrush, and a short behind it."""
        reverse = self.against("reverse voltage", self.part.reverse_v, at=lambda line: line.peak_v)
        return PartStress(stresses=(reverse, *self._forward()))

    def findings(self, fitted: DiodeRatings) -> Iterator[Finding]:
        """Judge reverse voltage, currents, and the varistor's clamping voltage before it."""
        yield from super().findings(fitted)
        varistor, original_v = self.conditions.first(VaristorPart), self.part.reverse_v
        if varistor is None or same(original_v, fitted.reverse_v):
            return
        clamping_v = self.tables.varistors.figures(varistor.fitted or varistor).clamping_v
        if fitted.reverse_v < clamping_v <= original_v:
            item, adequacy = f"against {varistor.name}", Adequacy.UNACCEPTABLE
            reason = f"{varistor.name} clamps to {shown_figure(clamping_v, 'V')}: too late for it"
            yield finding(item, "V", original_v, fitted.reverse_v, adequacy, reason)


class Diode(_LineDiode):
    """The diode at a DC input that keeps a wrong polarity out.

    In series it blocks what comes the wrong way round; across the input it carries it until the
    fuse opens.

    Source: Series: reverse voltage is the line's peak, and for AC the bulk voltage on top;
        textbook. Across: I2t of the short against the half-sine of its surge current; common
        practice.
    """

    part: DiodePart

    def stress(self) -> PartStress:
        """Hold it against the event."""
        if self.part.place == "across":
            return self._across()

        def blocked_v(line: Line) -> float:
            return line.peak_v + self.conditions.bulk_v(line) if line.reaches_backwards else 0.0

        reverse = self.against("reverse voltage", self.part.reverse_v, at=blocked_v)
        return PartStress(stresses=(reverse, *self._forward()))

    def _across(self) -> PartStress:
        part, event, service_v = self.part, self.event, self.service.peak_v
        event_v = None if event is None or event.wrong_way else event.peak_v
        reverse = self.against("reverse voltage", part.reverse_v, event=event_v, service=service_v)
        if event is None or not event.reaches_backwards:
            return PartStress(stresses=(reverse,))
        surge_a2s = _surge_integral_a2s(part.surge_a or _SURGE_TIMES * part.current_a)
        through_a2s = self.conditions.let_through_a2s(event.prospective_a, event.duration_s)
        fault = self.against("fault integral", surge_a2s, event=through_a2s)
        remark = (
            f"It carried the {shown_figure(event.prospective_a, 'A', 2)} that the supply gives "
            "until the fuse opened."
        )
        return PartStress(stresses=(reverse, fault), remarks=(remark,), shorted_after_s=0.0)


class Switch(Kind):
    """The switching transistor between bulk capacitor and transformer or choke."""

    part: SwitchPart
    shorts_line = True

    def _blocked_v(self, line: Line) -> float:
        """Return the voltage across the switch.

        Source: V = Vbulk + Vreflected + Vspike, flyback and forward converters, textbook.
        """
        bulk_v = self.conditions.bulk_v(line)
        extra_v = (self.part.reflected_v or 0.0) + (self.part.spike_v or 0.0)
        return bulk_v + extra_v if bulk_v > 0.0 else 0.0

    def stress(self) -> PartStress:
        """Hold it against bulk voltage, reflected voltage and spike."""
        blocking = self.against("blocking voltage", self.part.voltage_v, at=self._blocked_v)
        remarks: tuple[str, ...] = ()
        if self.part.reflected_v is None and self.conditions.file.unit.input.kind == "ac":
            remarks = ("No reflected voltage is given: the figure is a lower bound.",)
        return PartStress(stresses=(blocking,), remarks=remarks)

    def findings(self, fitted: SwitchRatings) -> Iterator[Finding]:
        """Judge blocking voltage and current."""
        need_v, original_v = self._blocked_v(self.service), self.part.voltage_v
        yield from at_least("blocking voltage", "V", original_v, fitted.voltage_v, need_v, _STRESS)
        yield from at_least("current", "A", self.part.current_a, fitted.current_a)

    def check(self) -> ColdCheck:
        """Measure between its terminals."""
        measure = "resistance between its main terminals both ways, and from gate or base to each"
        expected = (
            "above 100 kohm one way, a diode's drop or open the other; gate open; below 10 ohm: "
            "shorted, then look at its driver and sense resistor too"
        )
        return self.settled_by(measure, expected, "ohm", low=100e3)


class OutputDiode(Kind):
    """An output rectifier."""

    part: OutputDiodePart

    def _reverse_v(self, line: Line) -> float | None:
        """Return its reverse voltage, or None where it cannot be known.

        Source: Vout + Vbulk / n with the turns ratio n = Vreflected / Vout: flyback converter,
            textbook. Without a transformer (DC input, no reflected voltage) the bulk voltage:
            step-down converter, textbook.
        """
        output, bulk_v = self.conditions.output(self.part.output), self.conditions.bulk_v(line)
        if output is None:
            return None
        switch = self.conditions.first(SwitchPart)
        if switch is not None and switch.reflected_v is not None:
            return output.nominal_v + bulk_v * output.nominal_v / switch.reflected_v
        return bulk_v if self.conditions.file.unit.input.kind == "dc" else None

    def stress(self) -> PartStress:
        """Hold it against what the transformer puts on it."""
        part, output = self.part, self.conditions.output(self.part.output)
        output_a = None if output is None else output.current_a
        current = self.against("average current", part.current_a, service=output_a)
        service_v = self._reverse_v(self.service)
        if service_v is None:
            remark = "Without the switch's reflected voltage its reverse voltage is not known."
            return PartStress(stresses=(current,), remarks=(remark,))
        event_v = None if self.event is None else self._reverse_v(self.event)
        reverse = self.against("reverse voltage", part.reverse_v, event=event_v, service=service_v)
        return PartStress(stresses=(reverse, current))

    def findings(self, fitted: DiodeRatings) -> Iterator[Finding]:
        """Judge reverse voltage and currents."""
        part, output = self.part, self.conditions.output(self.part.output)
        need_v = self._reverse_v(self.service)
        yield from at_least(
            "reverse voltage", "V", part.reverse_v, fitted.reverse_v, need_v, _STRESS
        )
        need_a, why = None if output is None else output.current_a, "the output's current"
        yield from at_least("average current", "A", part.current_a, fitted.current_a, need_a, why)
        yield from at_least("surge current", "A", part.surge_a, fitted.surge_a)

    def check(self) -> ColdCheck:
        """Test its junction."""
        expected = "0.15 to 0.7 V one way (Schottky: the lower end), open the other"
        measure = "one lead lifted: diode test, both ways"
        return self.settled_by(measure, expected, "V", low=0.15, high=0.7)
