"""The fuse: what flowed through it, whether that opens it, and what may stand in its place."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity
from harness.unit.formulas import fuse_heat_a2s, line_load, melting_time_s
from harness.unit.low_line import low_line_current_a
from harness.unit.operating_conditions import Line
from harness.unit.part_ratings import FuseRatings, shown_figure
from harness.unit.parts import FusePart, VaristorPart
from harness.unit.ratings import UNNAMED_LIMIT, Kind, at_least, finding, same
from harness.unit.reference import Gates

#: More than so many times the original's melting integral lets a fault heat what is behind it.
_FAR_SLOWER = 1.5


class _Flow(NamedTuple):
    """A current through the fuse, its cause in words, and what it does to it.

    The highest current counts for what the fuse bore, the lowest for when it surely parts.
    """

    cause: str
    most_a: float  # rms for AC
    heat_a2s: float  # left in the element by the end of the event
    soonest_s: float  # it parts, from the beginning of the event on; infinite if never
    latest_s: float


class Fuse(Kind[FusePart]):
    """A fuse-link in the line.

    Source: Rated voltage and breaking capacity: IEC 60127-1 terms; letters: IEC 60127-2. That it is
        replaced by its like only: common practice, and what the unit's approval was given with.
    """

    def _stress(self) -> None:
        part, fuses = self.part, self.tables.fuses
        melting_a2s, flows = fuses.melting_integral_a2s(part), tuple(self._flows())
        heat_a2s = max((flow.heat_a2s for flow in flows), default=None)
        broken_a = max((self._short_currents_a(one)[1] for one in self.shorts), default=None)
        self._against("melting integral", melting_a2s, event=heat_a2s)
        inrush_a2s = self.conditions.inrush_a2s
        if self.conditions.inrush_is_known(inrush_a2s(self.service), melting_a2s):
            self._against("inrush integral", melting_a2s, at=inrush_a2s)
        else:
            self.remarks.append(UNNAMED_LIMIT)
        self._against("rated voltage", part.voltage_v, at=lambda line: line.lasting_v)
        self._against("breaking capacity", fuses.breaking_capacity_a(part), event=broken_a)
        low_a, line_a = low_line_current_a(self.conditions), self.unit.input.current_a
        self._against("steady current", part.current_a, event=low_a, service=line_a)
        opened = self.conditions.opened
        if opened == "fuse":
            self.known.append((Severity.DESTROYED, "it opened at the event"))
        if self.conditions.breaker_tripped:
            self.known.append((Severity.OVER, "a breaker tripped"))
            self.remarks.append("A breaker outside takes tens of amperes to trip at once.")
        if opened is not None and self.event is not None:
            quickest = min(flows, key=lambda flow: (flow.soonest_s, flow.latest_s))
            self.remarks += self._story_against_figures(opened, quickest, self.event)
        self.remarks += self._about_sheet()

    def _flows(self) -> Iterator[_Flow]:
        """Yield what flowed through the fuse at the event."""
        if self.event is None:
            return
        part, fuses = self.part, self.tables.fuses
        melting_a2s, tau_s = fuses.melting_integral_a2s(part), fuses.time_constant_s(part)
        causes = []
        for short in self.shorts:
            carried = short.kind == "diode" or (
                short.kind == "switch" and self.conditions.backwards
            )
            through = "the current through" if carried else "a short in"
            causes.append((f"{through} {short.name}", self._short_currents_a(short), short.after_s))
        if self.event.kind == "surge":
            yield self._surge(self.event)
        varistor_a = self._varistor_rms_a(self.event)
        causes.append(("the varistor's current", (varistor_a, varistor_a), 0.0))
        low_a = low_line_current_a(self.conditions) or 0.0
        causes.append(("the current that a low line takes", (low_a, low_a), 0.0))
        for cause, (least_a, most_a), after_s in causes:
            left_s = max(self.event.duration_s - after_s, 0.0)
            heat_a2s = fuse_heat_a2s(most_a, left_s, tau_s)
            soonest_s, latest_s = (
                after_s + melting_time_s(current_a, melting_a2s, tau_s)
                for current_a in (most_a, least_a)
            )
            yield _Flow(cause, most_a, heat_a2s, soonest_s, latest_s)

    def _surge(self, surge: Line) -> _Flow:
        """Return the surge itself: the link parts in it or not at all."""
        crest_a, wave = self.conditions.surge_a(surge), self.tables.stress.surge
        heat_a2s = crest_a**2 * wave.heat_s
        melts = heat_a2s > self.tables.fuses.melting_integral_a2s(self.part)
        parts_s = wave.heat_s if melts else math.inf
        return _Flow("the surge", 0.0, heat_a2s, parts_s, parts_s)

    def _varistor_rms_a(self, event: Line) -> float:
        """Return the rms current of the unit's varistor at the event; 0 where there is none."""
        part, table = self.conditions.first(VaristorPart), self.tables.varistors
        if part is None or event.kind == "surge":
            return 0.0
        if event.voltage_v <= table.figures(part).continuous_v(event.kind):
            return 0.0
        law = table.law(part)
        return line_load(event.peak_v, event.source_ohm, *law, dc=event.kind == "dc")[1]

    def _story_against_figures(self, opened: str, quickest: _Flow, event: Line) -> Iterator[str]:
        """Say whether what opened is what the figures expect."""
        if quickest.soonest_s > event.duration_s:
            if opened == "fuse":
                yield (
                    "It opened, but no part here draws enough for that by these figures: look for "
                    "a short they do not show before power."
                )
            return
        through, after = quickest.cause, _span(quickest.soonest_s, quickest.latest_s)
        if opened == "fuse":
            yield f"It opened as it should: by the figures {through} parts it after {after}."
        elif opened == "breaker":
            yield (
                f"A breaker opened; by the figures {through} parts the fuse after {after} as well."
            )
        else:
            yield (
                f"By the figures {through} parts it after {after}. If it is whole, check its "
                "rating, and that nothing bridges it."
            )
        if quickest.latest_s > event.duration_s:
            feeder = self.conditions.feeder or event
            least = shown_figure(feeder.least_prospective_a, "A")
            yield (
                f"Where the supply gives no more than {least} into a short it does not open in "
                "that time, and what stands in the path was heated for all of it."
            )
        if quickest.most_a > self.tables.fuses.breaking_capacity_a(self.part):
            may = "had" if self.conditions.event_supply_stated else "may have had"
            yield (
                f"It {may} to break more than it is rated for: look for soot, cracks, a burnt "
                "holder."
            )

    def _about_sheet(self) -> Iterator[str]:
        part, fuses = self.part, self.tables.fuses
        gates = fuses.gates_for(part)
        if not any(math.isclose(part.current_a, rating_a) for rating_a in fuses.ratings_a):
            yield (
                f"{shown_figure(part.current_a, 'A')} is no preferred rating of IEC 60127-2. A "
                "link to UL 248-14 opens by other gates: the two are not interchangeable."
            )
        elif part.melting_i2t_a2s is None and gates is not None:
            yield (
                "Melting integral by its letters; its gate at ten times the rating allows "
                f"{_ten_fold_range(part, gates)} ({gates.source})."
            )

    def _findings(self) -> Iterator[Finding]:
        part, fitted, fuses = self.part, self.fitted, self.tables.fuses
        yield finding("rated current", *self._both("current_a"), *self._current())
        letters = part.characteristic, fitted.characteristic
        yield finding("characteristic", "", *letters, *self._characteristic(*letters))
        both_a2s = fuses.melting_integral_a2s(part), fuses.melting_integral_a2s(fitted)
        yield finding("melting integral", "A2s", *both_a2s, *self._melting_integral(*both_a2s))
        need_v, why = self.service.nominal_v, "the nominal line voltage (IEC 60127-1)"
        yield from at_least("rated voltage", *self._both("voltage_v"), need_v, why)
        both_a = fuses.breaking_capacity_a(part), fuses.breaking_capacity_a(fitted)
        yield finding("breaking capacity", "A", *both_a, *self._breaking_capacity(*both_a))
        both_s = self._clears_s(part), self._clears_s(fitted)
        yield finding("opens on a short", "s", *both_s, *self._clearing(*both_s))

    def _current(self) -> tuple[Adequacy, str]:
        printed_a, fitted_a = self.part.current_a, self.fitted.current_a
        line_a = self.unit.input.current_a
        if same(printed_a, fitted_a):
            return Adequacy.EQUIVALENT, ""
        if fitted_a > printed_a:
            reason = "it lets a fault draw more than the unit was built for; fit the printed rating"
            return Adequacy.UNACCEPTABLE, reason
        if fitted_a < line_a:
            reason = (
                f"below the nameplate's {shown_figure(line_a, 'A')}: it opens in normal service"
            )
            return Adequacy.UNACCEPTABLE, reason
        return Adequacy.NOTE, "less than the printed rating: it may open in normal service"

    def _characteristic(self, original: str, fitted: str) -> tuple[Adequacy, str]:
        slowness = self.tables.fuses.characteristics.index
        slower = slowness(fitted) - slowness(original)
        if slower > 0:
            reason = "slower than printed: a fault heats the parts behind it for longer"
            return Adequacy.UNACCEPTABLE, reason
        if slower < 0:
            return Adequacy.NOTE, "quicker than printed: it may open at switch-on"
        return Adequacy.EQUIVALENT, ""

    def _melting_integral(self, original_a2s: float, fitted_a2s: float) -> tuple[Adequacy, str]:
        """Hold the melting integral against the original's and against the inrush."""
        inrush_a2s = self.conditions.inrush_a2s(self.service, fitted=True)
        inrush = shown_figure(inrush_a2s, "A2s")
        before_a2s = self.conditions.inrush_a2s(self.service)
        if not self.conditions.inrush_is_known(before_a2s, original_a2s):
            inrush = f"{inrush} by these figures, past the original too"
        elif fitted_a2s <= inrush_a2s:
            return Adequacy.UNACCEPTABLE, f"the inrush of {inrush} opens it at switch-on"
        if fitted_a2s > _FAR_SLOWER * original_a2s:
            reason = "a fault heats the parts behind it for longer than behind the original"
            return Adequacy.NOTE, reason
        if fitted_a2s < original_a2s and not same(fitted_a2s, original_a2s):
            return Adequacy.NOTE, f"nearer to the inrush of {inrush} than the original"
        return Adequacy.EQUIVALENT, ""

    def _breaking_capacity(self, original_a: float, fitted_a: float) -> tuple[Adequacy, str]:
        """Hold the breaking capacity against the prospective current in service."""
        needed_a = self.service.most_prospective_a
        as_printed = same(fitted_a, original_a)
        too_low = fitted_a < needed_a and not same(fitted_a, needed_a)
        supply = f"the supply in service can give {shown_figure(needed_a, 'A')}"
        if not self.conditions.service_supply_stated:
            supply += " (not stated: taken high)"
        if too_low and as_printed and not self.conditions.service_supply_stated:
            return Adequacy.NOTE, f"as printed, yet {supply}: a short could burst it"
        if too_low:
            return Adequacy.UNACCEPTABLE, f"{supply}: a short could burst it"
        if as_printed:
            return Adequacy.EQUIVALENT, ""
        if fitted_a > original_a:
            return Adequacy.BETTER, ""
        return Adequacy.NOTE, f"less than printed; {supply}"

    def _clears_s(self, fuse: FuseRatings) -> float:
        """Return when a short at the terminals opens a link in service, at the low end."""
        fuses, current_a = self.tables.fuses, self.service.least_short_a(0.0)
        melting_a2s, tau_s = fuses.melting_integral_a2s(fuse), fuses.time_constant_s(fuse)
        return melting_time_s(current_a, melting_a2s, tau_s)

    def _clearing(self, original_s: float, fitted_s: float) -> tuple[Adequacy, str]:
        """Hold against the lowest current into a short that it opens at all."""
        least = shown_figure(self.service.least_prospective_a, "A")
        if self.conditions.service_supply_stated:
            supply = f"with the {least} of the supply in service"
        else:
            supply = f"with {least} (prospective current not stated: taken low)"
        if math.isinf(fitted_s):
            adequacy = Adequacy.NOTE if math.isinf(original_s) else Adequacy.UNACCEPTABLE
            return adequacy, f"{supply} a short does not open it"
        return Adequacy.EQUIVALENT, "" if same(original_s, fitted_s) else supply

    def _check(self) -> ColdCheck:
        # About 0.1 V across a whole link at its rating (common practice), with room for the leads.
        most_ohm = 0.5 / self.fitted.current_a + 0.5
        measure = "resistance of the fuse, out of its holder"
        expected = f"below {shown_figure(most_ohm, 'ohm', 2)}; open: blown"
        return ColdCheck(measure=measure, expected=expected, high=most_ohm, unit="ohm")


def _span(soonest_s: float, latest_s: float) -> str:
    """Say when a link parts: a time, or two where the supply's current is not known."""
    soonest, latest = (shown_figure(time_s, "s", 2) for time_s in (soonest_s, latest_s))
    if math.isinf(latest_s):
        return f"{soonest} at the soonest"
    return soonest if soonest == latest else f"{soonest} to {latest}"


def _ten_fold_range(part: FusePart, gates: Gates) -> str:
    """Source: (10 In)^2 times the least and the longest time of the gate, computed."""
    gate = gates.times[-1]
    square = (gate.times * part.current_a) ** 2
    most = shown_figure(square * (gate.most_s or math.inf), "A2s")
    least = shown_figure(square * gate.least_s, "A2s")
    return f"{least} to {most}" if gate.least_s else f"up to {most}"
