"""The lines a unit meets, at the event and in service, and what they put on its input."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal, TypeVar

from harness.unit.formulas import clamped_v, inrush_i2t_a2s, melting_time_s, peak_v
from harness.unit.parts import (
    BridgePart,
    BulkPart,
    ChokePart,
    DiodePart,
    FusePart,
    LimiterPart,
    VaristorPart,
    XCapacitorPart,
)
from harness.unit.reference import Reference, reference
from harness.unit.unit_file import UnitFile

_PartT = TypeVar("_PartT")

#: Forward voltage of a diode under a short-circuit current. Source: common practice.
_HEAVY_DROP_V = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """What stands at the input terminals."""

    kind: Literal["ac", "dc", "surge"]
    nominal_v: float  # as printed or told; rms for AC, crest for a surge
    tolerance_frac: float  # either way
    wrong_way: bool  # DC with the wrong polarity
    source_ohm: float  # impedance of the supply, taken as resistance
    #: Current into a short at the terminals (rms for AC): what is stated, or the usual bounds.
    least_prospective_a: float
    most_prospective_a: float
    duration_s: float  # infinite in service

    @property
    def voltage_v(self) -> float:
        """The high end: the worse one for every part but a fuse that has to open."""
        return self.nominal_v * (1 + self.tolerance_frac)

    @property
    def least_v(self) -> float:
        """The low end."""
        return self.nominal_v * (1 - self.tolerance_frac)

    @property
    def peak_v(self) -> float:
        """Peak of the voltage."""
        return peak_v(self.voltage_v) if self.kind == "ac" else self.voltage_v

    def most_short_a(self, limiting_ohm: float) -> float:
        """Return the highest current into a short behind a resistance. Source: Ohm, textbook."""
        return self.voltage_v / (self.voltage_v / self.most_prospective_a + limiting_ohm)

    def least_short_a(self, limiting_ohm: float) -> float:
        """Return the lowest current into a short behind a resistance. Source: Ohm, textbook."""
        return self.least_v / (self.least_v / self.least_prospective_a + limiting_ohm)

    @property
    def lasting_v(self) -> float | None:
        """Nominal voltage (rms for AC); None for a surge, which is over in microseconds."""
        return None if self.kind == "surge" else self.nominal_v

    @property
    def reaches_backwards(self) -> bool:
        """True if the terminals are at times negative."""
        return self.kind == "ac" or self.wrong_way


@dataclass(frozen=True, kw_only=True, slots=True)
class Conditions:
    """A unit file, the reference tables, and the two lines the unit is held against."""

    file: UnitFile
    tables: Reference
    event: Line | None  # None where nothing is known to have happened
    service: Line  # the highest line voltage in service

    @property
    def event_supply_stated(self) -> bool:
        """Whether the file says what the supply at the event gives into a short."""
        event = self.file.event
        return event is not None and event.prospective_current_a is not None

    @property
    def service_supply_stated(self) -> bool:
        """Whether the file says what the supply in service gives into a short."""
        return self.file.service.prospective_current_a is not None

    @property
    def opened(self) -> str | None:
        """What opened at the event: as told, or a fuse that was found open; None without one."""
        told, gone = self.file.event, {"open", "burst", "burnt"}
        if told is None or told.opened != "unknown":
            return None if told is None else told.opened
        found_open = any(gone & {*fuse.observed} for fuse in self.parts_of(FusePart))
        return "fuse" if found_open else "unknown"

    @property
    def breaker_tripped(self) -> bool:
        """Whether a breaker outside the unit tripped, which takes tens of amperes."""
        event = self.file.event
        opened = event is not None and event.opened == "breaker"
        return opened or "breaker tripped" in self.file.observed

    def parts_of(self, kind: type[_PartT]) -> Iterator[_PartT]:
        """Yield the parts of a kind."""
        return (part for part in self.file.parts if isinstance(part, kind))

    def first(self, kind: type[_PartT]) -> _PartT | None:
        """Return the first part of a kind, or None."""
        return next(self.parts_of(kind), None)

    def standing(self, kind: type[Any], *, fitted: bool) -> Iterator[Any]:
        """Yield the ratings of the parts of a kind: as printed, or of what is ``fitted`` now."""
        return ((part.fitted or part) if fitted else part for part in self.parts_of(kind))

    @property
    def bleeder_ohm(self) -> float | None:
        """Resistance between line and neutral: all bleeders side by side; None without one."""
        bleeders = [part.bleeder_ohm for part in self.parts_of(XCapacitorPart) if part.bleeder_ohm]
        return 1 / sum(1 / bleeder_ohm for bleeder_ohm in bleeders) if bleeders else None

    def output(self, name: str | None) -> tuple[float | None, float | None]:
        """Return nominal voltage and current of an output, or of the first; None without one."""
        outputs = self.file.unit.output
        output = outputs.get(name) if name is not None else next(iter(outputs.values()), None)
        return (None, None) if output is None else (output.nominal_v, output.current_a)

    @property
    def rectified(self) -> bool:
        """Whether a bridge stands before the bulk capacitor; every AC input has one."""
        return self.file.unit.input.kind == "ac" or self.first(BridgePart) is not None

    def has_diode(self, place: str) -> bool:
        """Return whether a diode against wrong polarity stands there."""
        return any(diode.place == place for diode in self.parts_of(DiodePart))

    @property
    def drop_v(self) -> float:
        """Drop of the diodes before the bulk capacitor. Source: 0.7 V each, common practice."""
        diodes = 2 if self.rectified else int(self.has_diode("series"))
        return diodes * self.tables.stress.usual.diode_drop_v

    def bulk_v(self, line: Line) -> float:
        """Return the highest bulk voltage on a line. Source: Peak rectifier, textbook."""
        if line.kind == "surge":
            return self._bulk_after_surge_v(line)
        if line.wrong_way and not self.rectified:
            return 0.0
        rectified_v = max(line.peak_v - self.drop_v, 0.0)
        return max(rectified_v, self.boosted_v) if line.kind == "ac" else rectified_v

    @property
    def boosted_v(self) -> float:
        """Bulk voltage that a boost stage holds on every line; 0 without one."""
        return self.file.unit.input.boosted_v or 0.0

    def _bulk_after_surge_v(self, surge: Line) -> float:
        """Return the bulk voltage a surge leaves, on top of the highest line.

        Source: Q / C with the charge of the 8/20 us wave, and no more than stands across the
            input; textbook.
        """
        across_v = self.across_v(surge)
        if self.bulk_f is None:
            return across_v
        charge_c = self.inrush_peak_a(surge) * self.tables.stress.surge.charge_s
        before_v = self.bulk_v(self.service)
        return max(before_v, min(across_v, before_v + charge_c / self.bulk_f))

    def across_v(self, line: Line) -> float:
        """Return the peak across the input: of a surge, what the varistor lets stand."""
        varistor = self.first(VaristorPart)
        if line.kind != "surge" or varistor is None:
            return line.peak_v
        return clamped_v(line.peak_v, line.source_ohm, *self.tables.varistors.law(varistor))

    def surge_a(self, surge: Line) -> float:
        """Return the crest current of a surge: into the varistor, else into the bulk capacitor."""
        if self.first(VaristorPart) is None:
            return self.inrush_peak_a(surge)
        return (surge.peak_v - self.across_v(surge)) / surge.source_ohm

    @property
    def feeder(self) -> Line | None:
        """What feeds a short at the event: after a surge the line in service."""
        return self.service if self.event and self.event.kind == "surge" else self.event

    def bulk_backwards_v(self, line: Line) -> float:
        """Return the reverse voltage a line puts on the bulk capacitor."""
        if self.rectified or self.has_diode("series") or not line.reaches_backwards:
            return 0.0
        return min(line.peak_v, _HEAVY_DROP_V) if self.has_diode("across") else line.peak_v

    @property
    def backwards(self) -> bool:
        """Whether the event drove a current the wrong way through the converter.

        Source: It takes the drop of two diodes, the switch's own and one behind it: textbook.
        """
        drop_v = 2.0 * self.tables.stress.usual.diode_drop_v
        return self.event is not None and self.bulk_backwards_v(self.event) > drop_v

    @property
    def stored_v(self) -> float:
        """The highest voltage that either line leaves on the bulk capacitor."""
        return max(self.bulk_v(line) for line in (self.service, self.event) if line is not None)

    @property
    def bulk_f(self) -> float | None:
        """Bulk capacitance: the part's, else the nameplate's."""
        bulk = self.first(BulkPart)
        return self.file.unit.input.bulk_capacitance_f if bulk is None else bulk.capacitance_f

    def series_ohm(self, *, fitted: bool = False) -> float:
        """Return what stands between terminals and bulk: limiter, choke, the capacitor's own."""
        limiters = self.standing(LimiterPart, fitted=fitted)
        chokes = sum(2.0 * (part.resistance_ohm or 0.0) for part in self.parts_of(ChokePart))
        bulk = next(self.standing(BulkPart, fitted=fitted), None)
        own_ohm = 0.0 if bulk is None else bulk.series_ohm or 0.0
        return float(sum(one.resistance_ohm for one in limiters) + chokes + own_ohm)

    def inrush_peak_a(self, line: Line, *, fitted: bool = False) -> float:
        """Return the peak inrush, closed at the peak of the line, capacitor empty (textbook)."""
        resistance_ohm = line.source_ohm + self.series_ohm(fitted=fitted)
        if line.kind == "surge":  # it finds the capacitor charged
            return max(line.peak_v - self.bulk_v(self.service), 0.0) / resistance_ohm
        return line.peak_v / resistance_ohm if self.bulk_v(line) > 0.0 else 0.0

    def inrush_a2s(self, line: Line, *, fitted: bool = False) -> float:
        """Return the I2t of the inrush; 0 if no capacitance is known."""
        bulk = next(self.standing(BulkPart, fitted=fitted), None)
        if line.kind == "surge":
            crest_a = self.inrush_peak_a(line, fitted=fitted)
            return crest_a**2 * self.tables.stress.surge.heat_s
        capacitance_f = self.bulk_f if bulk is None else bulk.capacitance_f
        if capacitance_f is None or self.bulk_v(line) == 0.0:
            return 0.0
        resistance_ohm = line.source_ohm + self.series_ohm(fitted=fitted)
        return inrush_i2t_a2s(line.peak_v, capacitance_f, resistance_ohm)

    def inrush_is_known(self, worst: float, rating: float) -> bool:
        """Whether inrush may be held against a rating.

        Where no limiter is named, and the inrush of normal service is ``worst``, past the rating
        of a part that stood it for years, something limits it that the file does not name.
        """
        return worst <= rating or self.first(LimiterPart) is not None

    @property
    def power_w(self) -> float:
        """Input power at full load: of the outputs, or without any of the nameplate.

        Source: Efficiency 85 %, power factor 0.6: common practice.
        """
        unit, usual = self.file.unit, self.tables.stress.usual
        if unit.output_power_w > 0.0:
            return unit.output_power_w / usual.efficiency_frac
        return unit.input.apparent_va * (usual.power_factor if unit.input.kind == "ac" else 1.0)

    def let_through_a2s(self, currents_a: Iterable[float], duration_s: float) -> float:
        """Return the most I2t that one of several currents into a short puts through the fuse.

        Source: What flows until it melts, and once more its melting integral for the arc: common
            practice. A low current flows for longer and can let through more than a high one.
        """
        fuse, fuses = self.first(FusePart), self.tables.fuses

        def let_through(current_a: float) -> float:
            all_a2s = current_a**2 * duration_s
            if fuse is None:
                return all_a2s
            melting_a2s = fuses.melting_integral_a2s(fuse)
            melts_s = melting_time_s(current_a, melting_a2s, fuses.time_constant_s(fuse))
            if math.isinf(melts_s):
                return all_a2s
            return min(all_a2s, current_a**2 * melts_s + melting_a2s)

        return max(map(let_through, currents_a))


def operating_conditions(file: UnitFile) -> Conditions:
    """Return the lines of a unit file, with the usual values where it is silent."""
    told, line, usual = file.event, file.unit.input, reference().stress.usual

    def supply(kind: str, voltage_v: float, stated_a: float | None) -> dict[str, float]:
        if kind == "surge":
            shorted_a = voltage_v / surge.source_ohm
            return {
                "source_ohm": surge.source_ohm,
                "least_prospective_a": shorted_a,
                "most_prospective_a": shorted_a,
            }
        return {
            "source_ohm": voltage_v / stated_a if stated_a else usual.source_ohm[kind],
            "least_prospective_a": stated_a or usual.least_prospective_a[kind],
            "most_prospective_a": stated_a or usual.most_prospective_a[kind],
        }

    surge = reference().stress.surge
    service = Line(
        kind=line.kind,
        nominal_v=line.nominal_v,
        tolerance_frac=line.tolerance_frac,
        wrong_way=False,
        duration_s=math.inf,
        **supply(line.kind, line.highest_v, file.service.prospective_current_a),
    )
    event = None
    if told is not None:
        tolerance_frac = told.voltage_tolerance_frac
        if tolerance_frac is None:
            tolerance_frac = usual.voltage_tolerance_frac[told.kind]
        event = Line(
            kind=told.kind,
            nominal_v=told.voltage_v,
            tolerance_frac=tolerance_frac,
            wrong_way=told.polarity_reversed,
            duration_s=told.duration_s or usual.event_s,  # after a surge the line goes on
            **supply(told.kind, told.voltage_v * (1 + tolerance_frac), told.prospective_current_a),
        )
    return Conditions(file=file, tables=reference(), event=event, service=service)
