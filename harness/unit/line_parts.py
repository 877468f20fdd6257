"""Inrush limiter, choke and varistor."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.unit.assessment import Adequacy, ColdCheck, Finding, Severity, Stress
from harness.unit.operating_conditions import Line
from harness.unit.parts import (
    BridgePart,
    BulkPart,
    ChokePart,
    CurrentRatings,
    DiodePart,
    LimiterPart,
    LimiterRatings,
    VaristorPart,
    VaristorRatings,
    shown_figure,
)
from harness.unit.ratings import Kind, PartStress, at_least, finding, same
from harness.unit.varistor import clamped_v, line_load


class Choke(Kind):
    """A common-mode choke: what only heats.

    Source: I2t against rated current squared times the time it takes to warm through: at that it is
        as hot again as its rating makes it. Common practice.
    """

    part: ChokePart | LimiterPart

    def stress(self) -> PartStress:
        """Hold it against steady current and the heat of the inrush and of a short behind it."""
        current_a = self.part.current_a
        rated_a2s = current_a**2 * self.tables.stress.usual.warm_through_s
        behind = [one for one in self.shorts if one.kind not in ("varistor", "x-capacitor")]
        inrush_a2s = self.conditions.inrush_a2s(self.service)
        return PartStress(
            stresses=(
                self.against("steady current", current_a, service=self.nameplate_a),
                self.against("heat", rated_a2s, event=self.fault_a2s(behind), service=inrush_a2s),
            )
        )

    def findings(self, fitted: CurrentRatings | LimiterRatings) -> Iterator[Finding]:
        """Judge its rated current."""
        original_a, now_a, why = self.part.current_a, fitted.current_a, "the nameplate's current"
        yield from at_least("rated current", "A", original_a, now_a, self.nameplate_a, why)

    def check(self) -> ColdCheck:
        """Measure its windings."""
        ohm = self.part.resistance_ohm
        most_ohm = 2.0 if ohm is None else 1.5 * ohm
        shown = shown_figure(most_ohm, "ohm", 2)
        expected = f"below {shown}, both alike; winding to winding open; no brown turns"
        measure = "resistance of each winding, and from winding to winding"
        return self.settled_by(measure, expected, "ohm", high=most_ohm)


class Limiter(Choke):
    """An inrush limiter: what only heats, with a resistance that matters."""

    part: LimiterPart

    def findings(self, fitted: LimiterRatings) -> Iterator[Finding]:  # type: ignore[override]
        """Judge its resistance and its rated current. Source: common practice."""
        original_ohm, now_ohm = self.part.resistance_ohm, fitted.resistance_ohm
        adequacy, reason = Adequacy.EQUIVALENT, ""
        if now_ohm < 0.5 * original_ohm:
            adequacy = Adequacy.UNACCEPTABLE
            reason = "the inrush is more than the rectifier and fuse were chosen for"
        elif not same(original_ohm, now_ohm):
            adequacy, reason = Adequacy.NOTE, "the inrush changes with it"
        yield finding("resistance when cold", "ohm", original_ohm, now_ohm, adequacy, reason)
        yield from super().findings(fitted)

    def check(self) -> ColdCheck:
        """Measure its resistance."""
        low, high = 0.75 * self.part.resistance_ohm, 1.25 * self.part.resistance_ohm
        expected = f"{shown_figure(low, 'ohm')} to {shown_figure(high, 'ohm')}; no crack"
        return self.settled_by("resistance when cold", expected, "ohm", low=low, high=high)


class Varistor(Kind):
    """A varistor across the line, behind the fuse.

    Source: Continuous voltage: IEC 61051-1 terms. Current and energy: power law behind the source,
        see :mod:`harness.unit.varistor`. That it fails short: common practice.
    """

    part: VaristorPart

    def stress(self) -> PartStress:
        """Hold it against the line: continuous voltage, current, energy until it fails."""
        event, service = self.event, self.service
        figures = self.tables.varistors.figures(self.part)

        def continuous(kind: str, event_v: float | None, service_v: float | None) -> Stress:
            rating_v = figures.continuous_v(kind)
            return self.against("continuous voltage", rating_v, event=event_v, service=service_v)

        if event is None:
            return PartStress(stresses=(continuous(service.kind, None, service.voltage_v),))
        if event.kind == service.kind:
            stresses = [continuous(event.kind, event.voltage_v, service.voltage_v)]
        else:
            stresses = [
                continuous(service.kind, None, service.voltage_v),
                continuous(event.kind, event.voltage_v, None),
            ]
        if event.voltage_v <= figures.continuous_v(event.kind):
            remark = "Below its continuous voltage it carried nothing that counts."
            return PartStress(stresses=tuple(stresses), remarks=(remark,))
        return self._conduction(event, stresses)

    def _conduction(self, event: Line, stresses: list[Stress]) -> PartStress:
        """Add what flowed through it at the event, and when its energy rating was spent.

        Source: Time to the energy rating t = E / P, no heat given off: on the short side for long
            times. Common practice.
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
            stresses.append(self.against("current", part.surge_current_a, event=peak_a))
        if part.energy_j is None:
            told += "; past its energy it fails short."
        else:
            taken_j = power_w * event.duration_s
            stresses.append(self.against("energy", part.energy_j, event=taken_j))
            after_s = part.energy_j / power_w if power_w > 0.0 else math.inf
            spent = shown_figure(after_s, "s", 2)
            told += f": its energy rating is spent after {spent}, then it fails short."
        destroyed = any(stress.severity is Severity.DESTROYED for stress in stresses)
        return PartStress(
            stresses=tuple(stresses),
            remarks=(told,),
            shorted_after_s=after_s if destroyed and after_s <= event.duration_s else None,
        )

    def findings(self, fitted: VaristorRatings) -> Iterator[Finding]:
        """Judge continuous voltage, surge current, energy, clamping voltage.

        Source: IEC 61051-1 terms. The continuous rating must bear the highest line voltage; where
            it does not, the next class above is due: common practice.
        """
        part, table, line = self.part, self.tables.varistors, self.service
        original, now = table.figures(part), table.figures(fitted)
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
        yield from at_least("surge current", "A", part.surge_current_a, fitted.surge_current_a)
        yield from at_least("energy", "J", part.energy_j, fitted.energy_j)
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
            in_series = isinstance(part, DiodePart) and part.place == "series"
            if isinstance(part, BridgePart) or (isinstance(part, DiodePart) and in_series):
                return part.name, (part.fitted or part).reverse_v
        bulk = self.conditions.first(BulkPart)
        if bulk is None:
            return None
        return bulk.name, self.tables.capacitors.surge_v(bulk.fitted or bulk)

    def check(self) -> ColdCheck:
        """Measure its resistance, and the voltage at 1 mA."""
        table = self.tables.varistors
        at_1ma_v = table.figures(self.part).at_1ma_v
        low_v = shown_figure(at_1ma_v * (1 - table.tolerance_frac), "V")
        high_v = shown_figure(at_1ma_v * (1 + table.tolerance_frac), "V")
        measure = "one lead lifted: resistance; with a current-limited tester the voltage at 1 mA"
        expected = f"above 1 Mohm; {low_v} to {high_v} at 1 mA; no crack, no soot"
        return self.settled_by(measure, expected, "ohm", low=1e6)
