"""Inrush limiter, choke and varistor."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity
from harness.unit.formulas import clamped_v, line_load
from harness.unit.low_line import low_line_current_a
from harness.unit.operating_conditions import Line
from harness.unit.part_ratings import shown_figure
from harness.unit.parts import BulkPart, ChokePart, LimiterPart, VaristorPart
from harness.unit.ratings import Kind, at_least, finding, same


class Choke(Kind[ChokePart | LimiterPart]):
    """A common-mode choke: what only heats.

    Source: I2t against rated current squared times the time to warm through: common practice.
    """

    def _stress(self) -> None:
        current_a, inrush_a2s = self.part.current_a, self.conditions.inrush_a2s(self.service)
        rated_a2s = current_a**2 * self.tables.stress.usual.warm_through_s
        behind = [one for one in self.shorts if one.kind not in ("varistor", "x-capacitor")]
        low_a, line_a = low_line_current_a(self.conditions), self.unit.input.current_a
        self._against("steady current", current_a, event=low_a, service=line_a)
        self._against("heat", rated_a2s, event=self._fault_a2s(behind), service=inrush_a2s)

    def _findings(self) -> Iterator[Finding]:
        need_a, why = self.unit.input.current_a, "the nameplate's current"
        yield from at_least("rated current", *self._both("current_a"), need_a, why)

    def _check(self) -> ColdCheck:
        ohm = self.part.resistance_ohm
        most_ohm = 2.0 if ohm is None else 1.5 * ohm
        shown = shown_figure(most_ohm, "ohm", 2)
        return ColdCheck(
            measure="resistance of each winding, and from winding to winding",
            expected=f"below {shown}, both alike; winding to winding open; no brown turns",
            high=most_ohm,
            unit="ohm",
        )


class Limiter(Choke):
    """An inrush limiter; half its cold resistance is too little. Source: common practice."""

    part: LimiterPart

    def _findings(self) -> Iterator[Finding]:
        original_ohm, now_ohm = self.part.resistance_ohm, self.fitted.resistance_ohm
        adequacy, reason = Adequacy.EQUIVALENT, ""
        if now_ohm < 0.5 * original_ohm:
            adequacy = Adequacy.UNACCEPTABLE
            reason = "the inrush is more than the rectifier and fuse were chosen for"
        elif not same(original_ohm, now_ohm):
            adequacy, reason = Adequacy.NOTE, "the inrush changes with it"
        yield finding("resistance when cold", "ohm", original_ohm, now_ohm, adequacy, reason)
        yield from super()._findings()

    def _check(self) -> ColdCheck:
        low, high = 0.75 * self.fitted.resistance_ohm, 1.25 * self.fitted.resistance_ohm
        expected = f"{shown_figure(low, 'ohm')} to {shown_figure(high, 'ohm')}; no crack"
        measure = "resistance when cold"
        return ColdCheck(measure=measure, expected=expected, low=low, high=high, unit="ohm")


class Varistor(Kind[VaristorPart]):
    """A varistor across the line, behind the fuse.

    Source: Continuous voltage: IEC 61051-1 terms. That it fails short: common practice.
    """

    def _stress(self) -> None:
        event, service = self.event, self.service
        figures = self.tables.varistors.figures(self.part)
        event_v = None if event is None or event.kind != service.kind else event.voltage_v
        rating_v, service_v = figures.continuous_v(service.kind), service.voltage_v
        self._against("continuous voltage", rating_v, event=event_v, service=service_v)
        if event is None:
            return
        if event.kind == "surge":
            self._clamp(event)
            return
        rating_v = figures.continuous_v(event.kind)
        if event_v is None:  # of the other kind: held against another rating
            self._against("continuous voltage", rating_v, event=event.voltage_v)
        if event.voltage_v > rating_v:
            self._conduct(event)
        else:
            self.remarks.append("Below its continuous voltage it carried nothing that counts.")

    def _clamp(self, surge: Line) -> None:
        """Add what a surge put through it.

        Source: Energy: clamping voltage times the charge of the 8/20 us wave: textbook.
        """
        crest_a, across_v = self.conditions.surge_a(surge), self.conditions.across_v(surge)
        energy_j = across_v * crest_a * self.tables.stress.surge.charge_s
        if self.part.surge_current_a is not None:
            self._against("current", self.part.surge_current_a, event=crest_a)
        if self.part.energy_j is not None:
            self._against("energy", self.part.energy_j, event=energy_j)
        self.remarks.append(
            f"It took a crest of {shown_figure(crest_a, 'A', 2)} at {shown_figure(across_v, 'V')}, "
            f"{shown_figure(energy_j, 'J', 2)} in all. Every surge takes something of its life."
        )

    def _conduct(self, event: Line) -> None:
        """Add what flowed through it at the event, and when its energy rating was spent.

        Source: t = E / P, no heat given off, on the short side for long times: common practice.
        """
        part, law = self.part, self.tables.varistors.law(self.part)
        across_v = clamped_v(event.peak_v, event.source_ohm, *law)
        peak_a = (event.peak_v - across_v) / event.source_ohm
        power_w, _ = line_load(event.peak_v, event.source_ohm, *law, dc=event.kind == "dc")
        told = (
            f"At the peak it carries {shown_figure(peak_a, 'A', 2)} and has "
            f"{shown_figure(across_v, 'V')} across it, {shown_figure(power_w, 'W', 2)} on average"
        )
        after_s = 0.0
        if part.surge_current_a is not None:
            self._against("current", part.surge_current_a, event=peak_a)
        if part.energy_j is None:
            told += "; past its energy it fails short."
        else:
            self._against("energy", part.energy_j, event=power_w * event.duration_s)
            after_s = part.energy_j / power_w if power_w > 0.0 else math.inf
            spent = shown_figure(after_s, "s", 2)
            told += f": its energy rating is spent after {spent}, then it fails short."
        self.remarks.append(told)
        if self.severity is Severity.DESTROYED and after_s <= event.duration_s:
            self.shorted_after_s = after_s

    def _findings(self) -> Iterator[Finding]:
        """Source: It must bear the highest line, else the next class is due: common practice."""
        table, line = self.tables.varistors, self.service
        original, now = table.figures(self.part), table.figures(self.fitted)
        due = table.class_for(line.voltage_v, line.kind)
        class_v = "" if due is None else shown_figure(due.continuous_v(line.kind), "V")
        yield from at_least(
            f"continuous {line.kind.upper()} voltage",
            "V",
            original.continuous_v(line.kind),
            now.continuous_v(line.kind),
            line.voltage_v,
            "the highest line voltage",
            f"fit the {class_v} class or the next above" if due else "",
        )
        yield from at_least("surge current", *self._both("surge_current_a"))
        yield from at_least("energy", *self._both("energy_j"))
        yield self._clamping(original.clamping_v, now.clamping_v)

    def _clamping(self, original_v: float, fitted_v: float) -> Finding:
        """Hold the clamping voltage against the original's and the next part's rating."""
        behind = self._next_rating()
        higher = fitted_v > original_v and not same(fitted_v, original_v)
        bound = "" if behind is None else f"{behind[0]} is rated {shown_figure(behind[1], 'V')}"
        adequacy, reason = Adequacy.NOTE, ""
        if behind is not None and fitted_v > behind[1]:
            reason = f"no higher than the original, yet {bound}"
            if higher:
                adequacy = Adequacy.UNACCEPTABLE
                reason = f"it clamps higher than the original, and {bound}"
        elif higher:
            reason = "it clamps higher than the original" + (f"; {bound}" if bound else "")
        else:
            adequacy = Adequacy.EQUIVALENT if same(original_v, fitted_v) else Adequacy.BETTER
        return finding("clamping voltage", "V", original_v, fitted_v, adequacy, reason)

    def _next_rating(self) -> tuple[str, float] | None:
        """Return name and peak voltage rating of the next part behind it, or None."""
        for part in self.conditions.file.parts:
            if part.kind == "bridge" or (part.kind == "diode" and part.place == "series"):
                return part.name, (part.fitted or part).reverse_v
        bulk = self.conditions.first(BulkPart)
        if bulk is None:
            return None
        return bulk.name, self.tables.capacitors.surge_v(bulk.fitted or bulk)

    def _check(self) -> ColdCheck:
        table = self.tables.varistors
        at_1ma_v, tolerance = table.figures(self.fitted).at_1ma_v, table.tolerance_frac
        low, high = (shown_figure(at_1ma_v * (1 + sign * tolerance), "V") for sign in (-1, 1))
        return ColdCheck(
            measure="one lead lifted: resistance; with a current-limited tester the voltage "
            "at 1 mA",
            expected=f"above 1 Mohm; {low} to {high} at 1 mA; no crack, no soot",
            low=1e6,
            unit="ohm",
        )
