"""Bridge, diode at a DC input, switch, output diode and regulator."""

from __future__ import annotations

from collections.abc import Iterator

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity
from harness.unit.low_line import average_current_a, low_line_v, switch_current_a
from harness.unit.operating_conditions import Line
from harness.unit.part_ratings import shown_figure
from harness.unit.parts import (
    BridgePart,
    DiodePart,
    OutputDiodePart,
    RegulatorPart,
    SwitchPart,
    VaristorPart,
)
from harness.unit.ratings import UNNAMED_LIMIT, Kind, at_least, finding, same

#: Half a period of the 50 Hz half-sine that surge currents are stated for.
_SURGE_S = 10e-3

#: Surge current over average current where it is not stated. Source: common practice.
_SURGE_TIMES = 10.0

_STRESS = "its stress at the highest line"


def _surge_integral_a2s(surge_a: float) -> float:
    """Source: One half-sine of 10 ms, Ip^2 t / 2, textbook."""
    return surge_a**2 * _SURGE_S / 2.0


class _LineDiode(Kind[BridgePart | DiodePart]):
    """What bridge and input diode share: both may meet the full line the wrong way round."""

    shorts_line = True

    def _forward(self) -> None:
        """Hold it against what flows forward through a diode in the line."""
        part, inrush_a = self.part, self.conditions.inrush_peak_a
        low_v, lowest_v = low_line_v(self.conditions), self.unit.input.lowest_v
        event_a = None if low_v is None else average_current_a(self.conditions, low_v)
        service_a = average_current_a(self.conditions, lowest_v)
        self._against("average current", part.current_a, event=event_a, service=service_a)
        if part.surge_a is None:
            return
        behind = [one for one in self.shorts if one.kind in ("bulk-capacitor", "switch")]
        surge = self.event is not None and self.event.kind == "surge"
        fault_a2s = self._fault_a2s(behind) if behind or surge else None
        if self.conditions.inrush_is_known(inrush_a(self.service), part.surge_a):
            # A surge of microseconds is held against the half-sine's integral, below.
            brief = self.event is not None and self.event.kind == "surge"
            event_a = None if self.event is None or brief else inrush_a(self.event)
            service_a = inrush_a(self.service)
            self._against("surge current", part.surge_a, event=event_a, service=service_a)
        else:
            self.remarks.append(UNNAMED_LIMIT)
        self._against("fault integral", _surge_integral_a2s(part.surge_a), event=fault_a2s)

    def _findings(self) -> Iterator[Finding]:
        peak_v, why = self.service.peak_v, "the peak of the highest line"
        yield from at_least("reverse voltage", *self._both("reverse_v"), peak_v, why)
        need_a, why = self.unit.input.current_a, "the nameplate's current"
        yield from at_least("average current", *self._both("current_a"), need_a, why)
        need_a, why = self.conditions.inrush_peak_a(self.service, fitted=True), "the inrush peak"
        before_a = self.conditions.inrush_peak_a(self.service)
        known = self.conditions.inrush_is_known(before_a, self.part.surge_a or 0.0)
        both = self._both("surge_a")
        yield from at_least("surge current", *both, need_a if known else None, why)

    def _check(self) -> ColdCheck:
        bridge = self.part.kind == "bridge"
        where = "diode test of all four diodes" if bridge else "one lead lifted: diode test"
        expected = "0.4 to 0.7 V one way, open the other; near 0 both ways: shorted"
        measure = f"{where}, both ways"
        return ColdCheck(measure=measure, expected=expected, low=0.4, high=0.7, unit="V")


class Bridge(_LineDiode):
    """The bridge rectifier.

    Source: Each blocked diode sees the peak of the line; inrush Vp / R; half-sine I2t: textbook.
    """

    def _stress(self) -> None:
        def blocked_v(line: Line) -> float:  # a surge finds two of its diodes conducting
            return self.conditions.bulk_v(line) if line.kind == "surge" else line.peak_v

        self._against("reverse voltage", self.part.reverse_v, at=blocked_v)
        self._forward()

    def _findings(self) -> Iterator[Finding]:
        """Judge the varistor's clamping voltage before it, too."""
        yield from super()._findings()
        varistor, original_v = self.conditions.first(VaristorPart), self.part.reverse_v
        fitted_v = self.fitted.reverse_v
        if varistor is None or same(original_v, fitted_v):
            return
        clamping_v = self.tables.varistors.figures(varistor.fitted or varistor).clamping_v
        if fitted_v < clamping_v <= original_v:
            item, adequacy = f"against {varistor.name}", Adequacy.UNACCEPTABLE
            reason = f"{varistor.name} clamps to {shown_figure(clamping_v, 'V')}: too late for it"
            yield finding(item, "V", original_v, fitted_v, adequacy, reason)


class Diode(_LineDiode):
    """The diode at a DC input that keeps a wrong polarity out.

    Source: In series it blocks the line's peak, and for AC the bulk voltage on top; textbook.
        Across the input it carries the current until the fuse opens: I2t of the short against the
        half-sine of its surge current; common practice.
    """

    part: DiodePart

    def _stress(self) -> None:
        if self.part.place == "across":
            self._across()
            return

        def blocked_v(line: Line) -> float:
            return line.peak_v + self.conditions.bulk_v(line) if line.reaches_backwards else 0.0

        self._against("reverse voltage", self.part.reverse_v, at=blocked_v)
        self._forward()

    def _across(self) -> None:
        part, event, service_v = self.part, self.event, self.service.peak_v
        event_v = None
        if event is not None and not event.wrong_way:
            event_v = self.conditions.across_v(event)
        self._against("reverse voltage", part.reverse_v, event=event_v, service=service_v)
        if event is None or not event.reaches_backwards:
            return
        surge_a2s = _surge_integral_a2s(part.surge_a or _SURGE_TIMES * part.current_a)
        currents_a = event.least_prospective_a, event.most_prospective_a
        through_a2s = self.conditions.let_through_a2s(currents_a, event.duration_s)
        self._against("fault integral", surge_a2s, event=through_a2s)
        carried = " to ".join(shown_figure(one, "A", 2) for one in sorted({*currents_a}))
        self.remarks.append(
            f"It carried the {carried} that the supply gives until the fuse opened."
        )
        self.shorted_after_s = 0.0


class Switch(Kind[SwitchPart]):
    """The switching transistor.

    Source: The body diode of a MOSFET conducts when its drain is pulled below its source: textbook.
    """

    shorts_line = True

    def _blocked_v(self, line: Line) -> float:
        """Source: V = Vbulk + Vreflected + Vspike, flyback and forward converters, textbook."""
        bulk_v = self.conditions.bulk_v(line)
        extra_v = (self.part.reflected_v or 0.0) + (self.part.spike_v or 0.0)
        return bulk_v + extra_v if bulk_v > 0.0 else 0.0

    def _current_a(self, line_v: float) -> float:
        return switch_current_a(self.conditions, self.part.reflected_v, line_v)

    def _stress(self) -> None:
        self._against("blocking voltage", self.part.voltage_v, at=self._blocked_v)
        if self.part.current_a is not None:
            low_v, lowest_v = low_line_v(self.conditions), self.unit.input.lowest_v
            event_a = None if low_v is None else self._current_a(low_v)
            service_a = self._current_a(lowest_v)
            self._against("current", self.part.current_a, event=event_a, service=service_a)
        if self.conditions.backwards:
            self.known.append((Severity.OVER, "conducted backwards"))
            self.shorted_after_s = 0.0
            self.remarks.append(
                "The wrong way round its body diode conducts, with the output diode or the "
                "transformer behind it, until the fuse opens."
            )
        if self.part.reflected_v is None and self.unit.input.kind == "ac":
            self.remarks.append("No reflected voltage is given: the figure is a lower bound.")

    def _findings(self) -> Iterator[Finding]:
        need_v = self._blocked_v(self.service)
        yield from at_least("blocking voltage", *self._both("voltage_v"), need_v, _STRESS)
        yield from at_least("current", *self._both("current_a"))

    def _check(self) -> ColdCheck:
        return ColdCheck(
            measure="resistance between its main terminals both ways, and from gate or base to "
            "each",
            expected="above 100 kohm one way, a diode's drop or open the other; gate open; below "
            "10 ohm: shorted, then look at its driver and sense resistor too",
            low=100e3,
            unit="ohm",
        )


class OutputDiode(Kind[OutputDiodePart]):
    """An output rectifier."""

    def _reverse_v(self, line: Line) -> float | None:
        """Return its reverse voltage, or None where it cannot be known.

        Source: Vout + Vbulk / n with n = Vreflected / Vout: flyback converter; without a
            transformer the bulk voltage: step-down converter. Textbook.
        """
        nominal_v, _ = self.conditions.output(self.part.output)
        if nominal_v is None:
            return None
        bulk_v, switch = self.conditions.bulk_v(line), self.conditions.first(SwitchPart)
        if switch is not None and switch.reflected_v is not None:
            return nominal_v + bulk_v * nominal_v / switch.reflected_v
        return bulk_v if self.unit.input.kind == "dc" else None

    def _stress(self) -> None:
        rating_v, service_v = self.part.reverse_v, self._reverse_v(self.service)
        _, output_a = self.conditions.output(self.part.output)
        switch = self.conditions.first(SwitchPart)
        if self.conditions.backwards and (switch is None or switch.reflected_v is None):
            self.known.append((Severity.OVER, "conducted backwards"))
            self.remarks.append(
                "Without a transformer it carries the current of the wrong polarity, through the "
                "switch's body diode."
            )
        if service_v is None:
            remark = "Without the switch's reflected voltage its reverse voltage is not known."
            self.remarks.append(remark)
        else:
            event_v = None if self.event is None else self._reverse_v(self.event)
            self._against("reverse voltage", rating_v, event=event_v, service=service_v)
        self._against("average current", self.part.current_a, service=output_a)

    def _findings(self) -> Iterator[Finding]:
        need_v, why = self._reverse_v(self.service), "the output's current"
        yield from at_least("reverse voltage", *self._both("reverse_v"), need_v, _STRESS)
        _, need_a = self.conditions.output(self.part.output)
        yield from at_least("average current", *self._both("current_a"), need_a, why)
        yield from at_least("surge current", *self._both("surge_a"))

    def _check(self) -> ColdCheck:
        expected = "0.15 to 0.7 V one way (Schottky: the lower end), open the other"
        measure = "one lead lifted: diode test, both ways"
        return ColdCheck(measure=measure, expected=expected, low=0.15, high=0.7, unit="V")


class Regulator(Kind[RegulatorPart]):
    """A regulator in one piece; past its input voltage it lets the input through, or shorts.

    Source: How it fails: common practice.
    """

    def _fed_v(self, line: Line) -> float:
        if self.part.fed_by is None:
            return self.conditions.bulk_v(line)
        nominal_v, _ = self.conditions.output(self.part.fed_by)
        return nominal_v or 0.0

    def _stress(self) -> None:
        self._against("input voltage", self.part.input_v, at=self._fed_v)
        if self.part.fed_by is None and self.conditions.backwards:
            self.known.append((Severity.OVER, "conducted backwards"))
            self.remarks.append("The wrong way round its parts conduct until the fuse opens.")
        if self.severity is Severity.DESTROYED:
            self.remarks.append("What it feeds may have met its input voltage: look there, too.")

    def _findings(self) -> Iterator[Finding]:
        need_v = self._fed_v(self.service)
        yield from at_least("input voltage", *self._both("input_v"), need_v, _STRESS)
        yield from at_least("current", *self._both("current_a"))

    def _check(self) -> ColdCheck:
        return ColdCheck(
            measure="resistance from its input to its output and from each to common, both ways",
            expected="no short; input to output above 1 kohm one way; then what it feeds likewise",
            low=10.0,
            unit="ohm",
        )
