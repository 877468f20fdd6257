"""What stands at the input to protect or to switch: suppressor, polymer fuse, relay, connector."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.unit.assessment import ColdCheck, Finding, Severity
from harness.unit.low_line import low_line_current_a
from harness.unit.operating_conditions import Line
from harness.unit.part_ratings import shown_figure
from harness.unit.parts import (
    ConnectorPart,
    PolymerFusePart,
    RelayPart,
    SuppressorPart,
    VaristorPart,
)
from harness.unit.ratings import Kind, at_least, at_most

#: Breakdown voltage over standoff voltage; clamping over breakdown voltage where it is not stated.
#: Source: common practice of data sheets.
_BREAKDOWN_TIMES, _CLAMPING_TIMES = 1.11, 1.45
#: Energy of a 10/1000 us pulse over its peak power: 1 ms to half the crest, exponential.
#: Source: integral of an exponential, textbook; the wave: common practice of data sheets.
_PULSE_S = 1e-3 / math.log(2.0)
#: Largest lasting voltage of a coil over its rated one. Source: common practice of data sheets.
_COIL_TIMES = 1.1
#: Tolerance of a coil's resistance. Source: common practice of data sheets.
_COIL_FRAC = 0.15

_LINE, _CURRENT = "the peak of the highest line", "the nameplate's current"


class Suppressor(Kind[SuppressorPart]):
    """A transient-voltage suppressor diode across the input; it fails short.

    Source: Terms of IEC 61643-321, from memory; what it does past its ratings: common practice.
    """

    shorts_line = True

    def _stress(self) -> None:
        def across_v(line: Line) -> float | None:
            return None if line.kind == "surge" else line.peak_v

        self._against("standoff voltage", self.part.standoff_v, at=across_v)
        event = self.event
        if event is None:
            return
        if event.wrong_way and not self.part.bidirectional:
            self.known.append((Severity.OVER, "conducted forward"))
            self.shorted_after_s = 0.0
            self.remarks.append("With the polarity reversed it conducts until the fuse opens.")
        elif event.kind == "surge":
            self._clamp(event)
        elif event.peak_v > _BREAKDOWN_TIMES * self.part.standoff_v:
            self._conduct(event)

    @property
    def _clamping_v(self) -> float:
        usual_v = _CLAMPING_TIMES * _BREAKDOWN_TIMES * self.part.standoff_v
        return self.part.clamping_v or usual_v

    def _clamp(self, surge: Line) -> None:
        """Add what a surge put through it. Source: voltage times charge of the wave, textbook."""
        if self.conditions.first(VaristorPart) is not None:
            self.remarks.append("The varistor beside it took most of the surge.")
            return
        crest_a = max(surge.peak_v - self._clamping_v, 0.0) / surge.source_ohm
        energy_j = self._clamping_v * crest_a * self.tables.stress.surge.charge_s
        self._spend(energy_j, f"a crest of {shown_figure(crest_a, 'A', 2)}")

    def _conduct(self, event: Line) -> None:
        """Add what a lasting over-voltage put through it, on average. Source: Ohm, textbook."""
        breakdown_v = _BREAKDOWN_TIMES * self.part.standoff_v
        peak_a = (event.peak_v - breakdown_v) / event.source_ohm
        average = 1.0 if event.kind == "dc" else 2.0 / math.pi
        power_w = average * breakdown_v * peak_a
        pulse_w = self.part.pulse_power_w
        if pulse_w is not None:
            self.shorted_after_s = min(_PULSE_S * pulse_w / power_w, event.duration_s)
        self._spend(power_w * event.duration_s, f"{shown_figure(peak_a, 'A', 2)} at the peak")

    def _spend(self, energy_j: float, what: str) -> None:
        if self.part.pulse_power_w is not None:
            self._against("pulse energy", _PULSE_S * self.part.pulse_power_w, event=energy_j)
        self.remarks.append(f"It carried {what}, {shown_figure(energy_j, 'J', 2)} in all.")

    def _findings(self) -> Iterator[Finding]:
        yield from at_least("standoff voltage", *self._both("standoff_v"), *self._highest())
        yield from at_least("peak pulse power", *self._both("pulse_power_w"))
        unit, original_v, now_v = self._both("clamping_v")
        if original_v is not None and now_v is not None:
            where = "the original's clamping voltage"
            yield at_most("clamping voltage", unit, original_v, now_v, original_v, where)

    def _highest(self) -> tuple[float, str]:
        return self.service.peak_v, _LINE

    def _check(self) -> ColdCheck:
        expected = "above 100 kohm, both ways" if self.part.bidirectional else "a diode's drop"
        other = "" if self.part.bidirectional else " one way, open the other"
        return ColdCheck(
            measure="one lead lifted: resistance, both ways; diode test",
            expected=f"{expected}{other}; below 10 ohm: shorted",
            low=10.0,
            unit="ohm",
        )


class PolymerFuse(Kind[PolymerFusePart]):
    """A fuse of conductive polymer, which trips by its own heat and comes back.

    Source: Terms hold current, trip current, maximum voltage and current: common practice.
    """

    def _stress(self) -> None:
        part = self.part

        def across_v(line: Line) -> float | None:
            return None if line.kind == "surge" else line.voltage_v

        low_a, line_a = low_line_current_a(self.conditions), self.unit.input.current_a
        self._against("hold current", part.hold_a, event=low_a, service=line_a)
        self._against("maximum voltage", part.voltage_v, at=across_v)
        if part.most_a is not None and self.shorts and self.event is not None:
            currents_a = (self._short_currents_a(short)[1] for short in self.shorts)
            self._against("maximum current", part.most_a, event=max(currents_a))

    def _findings(self) -> Iterator[Finding]:
        yield from at_least("hold current", *self._both("hold_a"), *self._needed())
        yield from at_least(
            "maximum voltage", *self._both("voltage_v"), self.service.voltage_v, "the highest line"
        )
        yield from at_least("maximum current", *self._both("most_a"))

    def _needed(self) -> tuple[float, str]:
        return self.unit.input.current_a, _CURRENT

    def _check(self) -> ColdCheck:
        most_ohm = self.fitted.resistance_ohm
        below = "its sheet's largest after a trip"
        below = below if most_ohm is None else shown_figure(most_ohm, "ohm")
        return ColdCheck(
            measure="resistance, an hour after it was last warm",
            expected=f"below {below}; once tripped it never comes back to its first value",
            high=most_ohm,
            unit="ohm",
        )


class Relay(Kind[RelayPart]):
    """A relay; its coil at the input, at an output, or fed by something of its own.

    Source: A coil's heat goes with the square of its voltage: textbook.
    """

    def _stress(self) -> None:
        part = self.part

        def coil_v(line: Line) -> float | None:
            return line.voltage_v if part.coil_at == "input" and line.kind != "surge" else None

        self._against("coil voltage", _COIL_TIMES * part.coil_v, at=coil_v)
        low_a, line_a = low_line_current_a(self.conditions), self.unit.input.current_a
        self._against("contact current", part.current_a, event=low_a, service=line_a)
        if low_a is not None and part.coil_at == "input":
            self.remarks.append("At a low line its coil lets go and pulls again: contacts burn.")

    def _findings(self) -> Iterator[Finding]:
        need_v = self.service.voltage_v / _COIL_TIMES if self.part.coil_at == "input" else None
        yield from at_least("coil voltage", *self._both("coil_v"), need_v, "the highest line")
        yield from at_least(
            "contact current", *self._both("current_a"), self.unit.input.current_a, _CURRENT
        )

    def _check(self) -> ColdCheck:
        coil_ohm, low, high, expected = self.fitted.coil_ohm, None, None, "no open coil"
        if coil_ohm is not None:
            low, high = (1 - _COIL_FRAC) * coil_ohm, (1 + _COIL_FRAC) * coil_ohm
            expected = f"{shown_figure(low, 'ohm')} to {shown_figure(high, 'ohm')}"
        return ColdCheck(
            measure="coil resistance; contacts at rest, and pulled in by a bench supply",
            expected=f"{expected}; contacts open at rest and below 100 mohm pulled in, not welded",
            low=low,
            high=high,
            unit="ohm",
        )


class Connector(Kind[ConnectorPart]):
    """A connector in the line. Source: rated current and voltage, terms of IEC 61984."""

    def _stress(self) -> None:
        def across_v(line: Line) -> float | None:
            return line.lasting_v

        low_a, line_a = low_line_current_a(self.conditions), self.unit.input.current_a
        self._against("rated current", self.part.current_a, event=low_a, service=line_a)
        self._against("rated voltage", self.part.voltage_v, at=across_v)

    def _findings(self) -> Iterator[Finding]:
        yield from at_least(
            "rated current", *self._both("current_a"), self.unit.input.current_a, _CURRENT
        )
        yield from at_least(
            "rated voltage", *self._both("voltage_v"), self.service.nominal_v, "the line's nominal"
        )

    def _check(self) -> ColdCheck:
        return ColdCheck(
            measure="mated: resistance of each contact; a look at pins, springs and insulation",
            expected="below 50 mohm; nothing brown, bent or loose",
            high=0.05,
            unit="ohm",
        )
