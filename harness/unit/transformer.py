"""Transformer: of the converter, or one that the line feeds."""

from __future__ import annotations

from collections.abc import Iterator

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity
from harness.unit.operating_conditions import Line
from harness.unit.part_ratings import shown_figure
from harness.unit.parts import TransformerPart
from harness.unit.ratings import Kind, at_least

#: What a core takes beyond its rated voltage before it saturates. Source: common practice.
_CORE_TIMES = 1.15
#: Tolerance of a winding's resistance, its temperature included. Source: common practice.
_WINDING_FRAC = 0.15
#: Least resistance between windings of a sound one, by an ohmmeter. Source: common practice.
_APART_OHM = 10e6


class Transformer(Kind[TransformerPart]):
    """A transformer, by what its core takes and what its winding carried.

    Source: The flux of a core goes with voltage over frequency, U = 4.44 f N B A, textbook; past
        saturation only the winding's resistance limits the current: common practice.
    """

    def _stress(self) -> None:
        if self.part.place == "converter":
            self._against("primary voltage", self.part.voltage_v, at=self.conditions.bulk_v)
            self._carried()
            return
        self._against("primary voltage", _CORE_TIMES * self.part.voltage_v, at=self._on_the_core_v)
        if self.event is not None and self.event.kind == "dc":
            self.known.append((Severity.OVER, "DC across it"))
            current = ""
            if self.part.resistance_ohm is not None:
                current_a = self.event.voltage_v / self.part.resistance_ohm
                current = f", here {shown_figure(current_a, 'A', 2)}"
            self.remarks.append(
                f"For DC its primary is a resistor: nothing else limits the current{current}."
            )

    def _carried(self) -> None:
        """Take in that a short of the switch drew its current through the primary."""
        names = [short.name for short in self.shorts if short.kind == "switch"]
        if names:
            self.known.append((Severity.OVER, f"short of {names[0]}"))
            self.remarks.append(
                f"Its primary carried the short of {names[0]} until something opened: shorted "
                "turns show in its inductance, not in its resistance."
            )

    def _on_the_core_v(self, line: Line) -> float | None:
        """Return the voltage at its rated frequency that brings the same flux; none for DC."""
        if line.kind != "ac":
            return None
        rated_hz, stands_hz = self.part.frequency_hz, None
        told, unit = self.conditions.file.event, self.unit.input
        if unit.kind == "ac":
            stands_hz = min(unit.frequency_hz)
        if line is self.event and told is not None and told.frequency_hz is not None:
            stands_hz = told.frequency_hz
        if rated_hz is None or stands_hz is None:
            return line.voltage_v
        return line.voltage_v * rated_hz / stands_hz

    def _findings(self) -> Iterator[Finding]:
        converter = self.part.place == "converter"
        need_v = self.conditions.bulk_v(self.service) if converter else self.unit.input.nominal_v
        why = "the bulk voltage at the highest line" if converter else "the line's nominal"
        yield from at_least("primary voltage", *self._both("voltage_v"), need_v, why)
        yield from at_least("primary current", *self._both("current_a"))
        yield Finding(
            item="insulation",
            original="-",
            fitted="-",
            adequacy=Adequacy.NOTE,
            reason="from primary to secondary it must be what the original had: no figure shows "
            "that (IEC 61558-1, from memory)",
        )

    def _check(self) -> ColdCheck:
        ohm, low, high, winding = self.fitted.resistance_ohm, None, None, "no open winding"
        if ohm is not None:
            low, high = (1 - _WINDING_FRAC) * ohm, (1 + _WINDING_FRAC) * ohm
            winding = f"primary {shown_figure(low, 'ohm')} to {shown_figure(high, 'ohm')}"
        return ColdCheck(
            measure="resistance of the primary, then of each other winding, and from winding to "
            "winding; inductance of the primary",
            expected=f"{winding}; winding to winding above {shown_figure(_APART_OHM, 'ohm')}; "
            "inductance as of a like one, far less: shorted turns; nothing brown",
            low=low,
            high=high,
            unit="ohm",
        )
