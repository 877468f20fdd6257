"""The fuse: what flowed through it, whether that opens it, and what may stand in its place."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity
from harness.unit.formulas import fuse_heat_a2s, melting_time_s
from harness.unit.parts import FusePart, FuseRatings, VaristorPart, shown_figure
from harness.unit.ratings import Kind, PartStress, Short, at_least, finding, same
from harness.unit.reference import Gates
from harness.unit.varistor import line_load

#: More than so many times the original's melting integral lets a fault heat what is behind it.
_FAR_SLOWER = 1.5


class _Flow(NamedTuple):
    """A current (rms for AC) through the fuse, its cause in words, and what it does to it."""

    cause: str
    current_a: float
    heat_a2s: float  # left in the element by the end of the event
    parts_s: float  # from the beginning of the event on; infinite if never


class Fuse(Kind):
    """A fuse-link in the line.

    Source: First-order heating against the melting integral, see :mod:`harness.unit.formulas`;
        rated voltage and breaking capacity: IEC 60127-1 terms; letters: IEC 60127-2. That a fuse is
        replaced by its like only: common practice, and what the unit's approval was given with.
    """

    part: FusePart

    def stress(self) -> PartStress:
        """Hold the fuse against what flowed through it, and the figures against the story."""
        part, event = self.part, self.conditions.file.event
        melting_a2s = self.tables.fuses.melting_integral_a2s(part)
        breaking_a = self.tables.fuses.breaking_capacity_a(part)
        heat_a2s = max((flow.heat_a2s for flow in self._flows()), default=None)
        broken_a = max(map(self.short_current_a, self.shorts), default=None)
        stresses = (
            self.against("melting integral", melting_a2s, event=heat_a2s),
            self.against("inrush integral", melting_a2s, at=self.conditions.inrush_a2s),
            self.against("rated voltage", part.voltage_v, at=lambda line: line.voltage_v),
            self.against("breaking capacity", breaking_a, event=broken_a),
            self.against("steady current", part.current_a, service=self.nameplate_a),
        )
        opened = event is not None and event.opened == "fuse"
        return PartStress(
            stresses=stresses,
            remarks=(*self._story_against_figures(), *self._about_sheet()),
            known=Severity.DESTROYED if opened else Severity.WITHIN,
        )

    def _flows(self) -> Iterator[_Flow]:
        """Yield what flowed through the fuse at the event."""
        if self.event is None:
            return
        part, fuses = self.part, self.tables.fuses
        melting_a2s, tau_s = fuses.melting_integral_a2s(part), fuses.time_constant_s(part)
        causes = [(_cause(one), self.short_current_a(one), one.after_s) for one in self.shorts]
        causes.append(("the varistor's current", self._varistor_rms_a(), 0.0))
        for cause, current_a, after_s in causes:
            left_s = max(self.event.duration_s - after_s, 0.0)
            heat_a2s = fuse_heat_a2s(current_a, left_s, tau_s)
            parts_s = after_s + melting_time_s(current_a, melting_a2s, tau_s)
            yield _Flow(cause, current_a, heat_a2s, parts_s)

    def _varistor_rms_a(self) -> float:
        """Return the rms current of the unit's varistor at the event; 0 where there is none."""
        part, event = self.conditions.first(VaristorPart), self.event
        table = self.tables.varistors
        if part is None or event is None:
            return 0.0
        if event.voltage_v <= table.figures(part).continuous_v(event.kind):
            return 0.0
        law = table.law(part)
        return line_load(event.peak_v, event.source_ohm, *law, dc=event.kind == "dc")[1]

    def _story_against_figures(self) -> Iterator[str]:
        """Say whether what opened is what the figures expect."""
        told = self.conditions.file.event
        if told is None or self.event is None:
            return
        quickest = min(self._flows(), key=lambda flow: flow.parts_s)
        melts = quickest.parts_s <= self.event.duration_s
        after = shown_figure(quickest.parts_s, "s", 2) if melts else ""
        through = quickest.cause
        if melts and told.opened == "fuse":
            yield f"It opened as it should: by the figures {through} parts it after {after}."
        elif melts and told.opened == "breaker":
            yield (
                f"A breaker opened; by the figures {through} parts the fuse after {after} as well."
            )
        elif melts:
            yield (
                f"By the figures {through} parts it after {after}. If it is whole, check its "
                "rating, and that nothing bridges it."
            )
        elif told.opened == "fuse":
            yield (
                "It opened, but no part here draws enough for that by these figures: look for a "
                "short they do not show before power."
            )
        if melts and quickest.current_a > self.tables.fuses.breaking_capacity_a(self.part):
            yield (
                "It had to break more than it is rated for: look for soot, cracks, a burnt holder."
            )

    def _about_sheet(self) -> Iterator[str]:
        part, fuses = self.part, self.tables.fuses
        gates = fuses.gates_for(part)
        if not fuses.is_preferred(part.current_a):
            yield (
                f"{shown_figure(part.current_a, 'A')} is no preferred rating of IEC 60127-2. A "
                "link to UL 248-14 opens by other gates: the two are not interchangeable."
            )
        elif part.melting_i2t_a2s is None and gates is not None:
            yield (
                "Melting integral by its letters; its gate at ten times the rating allows "
                f"{_ten_fold_range(part, gates)} ({gates.source})."
            )

    def findings(self, fitted: FuseRatings) -> Iterator[Finding]:
        """Judge current, characteristic, melting integral, voltage, breaking capacity."""
        part, need_v = self.part, self.service.voltage_v
        yield self._current(fitted)
        yield self._characteristic(fitted)
        yield self._melting_integral(fitted)
        why = "the highest line voltage"
        yield from at_least("rated voltage", "V", part.voltage_v, fitted.voltage_v, need_v, why)
        yield self._breaking_capacity(fitted)

    def _current(self, fitted: FuseRatings) -> Finding:
        printed_a, fitted_a, line_a = self.part.current_a, fitted.current_a, self.nameplate_a
        adequacy, reason = Adequacy.UNACCEPTABLE, ""
        if same(printed_a, fitted_a):
            adequacy = Adequacy.EQUIVALENT
        elif fitted_a > printed_a:
            reason = "it lets a fault draw more than the unit was built for; fit the printed rating"
        elif fitted_a < line_a:
            shown = shown_figure(line_a, "A")
            reason = f"below the nameplate's {shown}: it opens in normal service"
        else:
            adequacy = Adequacy.NOTE
            reason = "less than the printed rating: it may open in normal service"
        return finding("rated current", "A", printed_a, fitted_a, adequacy, reason)

    def _characteristic(self, fitted: FuseRatings) -> Finding:
        original, now = self.part.characteristic, fitted.characteristic
        slowness = self.tables.fuses.slowness
        adequacy, reason = Adequacy.EQUIVALENT, ""
        if slowness(now) > slowness(original):
            adequacy = Adequacy.UNACCEPTABLE
            reason = "slower than printed: a fault heats the parts behind it for longer"
        elif slowness(now) < slowness(original):
            adequacy = Adequacy.NOTE
            reason = "quicker than printed: it may open at switch-on"
        return Finding(
            item="characteristic", original=original, fitted=now, adequacy=adequacy, reason=reason
        )

    def _melting_integral(self, fitted: FuseRatings) -> Finding:
        """Hold the melting integral against the original's and against the inrush."""
        original_a2s, fitted_a2s = map(self.tables.fuses.melting_integral_a2s, (self.part, fitted))
        inrush_a2s = self.conditions.inrush_a2s(self.service)
        inrush = shown_figure(inrush_a2s, "A2s")
        adequacy, reason = Adequacy.NOTE, ""
        if fitted_a2s <= inrush_a2s:
            adequacy = Adequacy.UNACCEPTABLE
            reason = f"the inrush of {inrush} opens it at switch-on"
        elif fitted_a2s > _FAR_SLOWER * original_a2s:
            reason = "a fault heats the parts behind it for longer than behind the original"
        elif fitted_a2s < original_a2s and not same(fitted_a2s, original_a2s):
            reason = f"nearer to the inrush of {inrush} than the original"
        else:
            adequacy = Adequacy.EQUIVALENT
        return finding("melting integral", "A2s", original_a2s, fitted_a2s, adequacy, reason)

    def _breaking_capacity(self, fitted: FuseRatings) -> Finding:
        """Hold the breaking capacity against the prospective current in service."""
        needed_a = self.service.prospective_a
        original_a, fitted_a = map(self.tables.fuses.breaking_capacity_a, (self.part, fitted))
        as_printed = same(fitted_a, original_a)
        too_low = fitted_a < needed_a and not same(fitted_a, needed_a)
        stated = self.conditions.file.service.prospective_current_a is not None
        supply = f"the supply in service can give {shown_figure(needed_a, 'A')}"
        adequacy, reason = Adequacy.EQUIVALENT, ""
        if too_low and (stated or fitted_a < original_a):
            adequacy, reason = Adequacy.UNACCEPTABLE, f"{supply}: a short could burst it"
        elif too_low and as_printed:
            reason = "as printed; the supply's prospective current is not stated"
        elif fitted_a > original_a and not as_printed:
            adequacy = Adequacy.BETTER
        elif not as_printed:
            adequacy, reason = Adequacy.NOTE, f"less than printed; {supply}"
        return finding("breaking capacity", "A", original_a, fitted_a, adequacy, reason)

    def check(self) -> ColdCheck:
        """Measure its resistance."""
        # About 0.1 V across a whole link at its rating (common practice), with room for the leads.
        most_ohm = 0.5 / self.part.current_a + 0.5
        measure = "resistance of the fuse, out of its holder"
        expected = f"below {shown_figure(most_ohm, 'ohm', 2)}; open: blown"
        return self.settled_by(measure, expected, "ohm", high=most_ohm)


def _cause(short: Short) -> str:
    return f"{'the current through' if short.kind == 'diode' else 'a short in'} {short.name}"


def _ten_fold_range(part: FusePart, gates: Gates) -> str:
    """Return the melting integrals that the gate at ten times the rating allows.

    Source: (10 In)^2 times the least and the longest time of the gate, computed.
    """
    gate = gates.times[-1]
    square = (gate.times * part.current_a) ** 2
    most = shown_figure(square * (gate.most_s or math.inf), "A2s")
    least = shown_figure(square * gate.least_s, "A2s")
    return f"{least} to {most}" if gate.least_s else f"up to {most}"
