"""X and Y capacitors, and what they share with every other capacitor."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any

from harness.unit.assessment import Adequacy, ColdCheck, Finding
from harness.unit.formulas import capacitor_current_a, discharged_v
from harness.unit.operating_conditions import Line
from harness.unit.part_ratings import shown_figure
from harness.unit.parts import XCapacitorPart, YCapacitorPart
from harness.unit.ratings import Kind, at_least, at_most, finding, same

#: What a sound capacitor may differ by from what is printed. Source: common practice.
TOLERANCE_FRAC = 0.2

#: Insulation resistance by protection class. Source: EN 50678, as in DIN VDE 0701-0702:2008.
_INSULATION_OHM = {"I": 1.0e6, "II": 2.0e6, "III": 0.25e6}


class Capacitor(Kind[Any]):
    """What every capacitor has."""

    def _measured(self, measure: str, extra: str) -> ColdCheck:
        """Return the check of its capacitance; ``extra`` is what else a sound one gives."""
        printed_f = self.fitted.capacitance_f
        low_f, high_f = (1 - TOLERANCE_FRAC) * printed_f, (1 + TOLERANCE_FRAC) * printed_f
        expected = f"{shown_figure(low_f, 'F')} to {shown_figure(high_f, 'F')}; {extra}"
        return ColdCheck(measure=measure, expected=expected, low=low_f, high=high_f, unit="F")


class _SuppressionCapacitor(Capacitor):
    """What X and Y capacitors share: sub-classes of IEC 60384-14 (from memory)."""

    part: XCapacitorPart | YCapacitorPart

    def _told_with(self, names: Iterable[str], text: str) -> str:
        """Return a sentence on this and the others that do the same."""
        others = [name for name in names if name != self.part.name]
        return f"With {_listed(others)}, {text}." if others else f"{text[0].upper()}{text[1:]}."

    def _stress(self) -> None:
        def equivalent_rms_v(line: Line) -> float | None:
            return line.nominal_v / math.sqrt(2.0) if line.kind == "dc" else line.lasting_v

        # Against the full line: one lead of a Y capacitor may see it. Nominal against rated
        # voltage, as IEC 60384-14 has it: the supply's tolerance is in the rating.
        self._against("rated voltage", self.part.voltage_v, at=equivalent_rms_v)
        impulse_v = self.tables.capacitors.impulse_v[self.part.sub_class]
        if impulse_v > 0.0:  # 0 for no interference suppression capacitor: nothing was proved
            self._against("class impulse", impulse_v, at=self._impulse_v)

    def _impulse_v(self, line: Line) -> float:
        """Return the peak across it; of a surge to earth the varistor takes nothing."""
        return line.peak_v

    def _findings(self) -> Iterator[Finding]:
        need_v, why = self.service.nominal_v, "the nominal line voltage (IEC 60384-14)"
        yield from at_least("rated voltage", *self._both("voltage_v"), need_v, why)
        yield finding("class", "", self.part.sub_class, self.fitted.sub_class, *self._sub_class())
        adequacy, reason = Adequacy.EQUIVALENT, ""
        original_f, fitted_f = self.part.capacitance_f, self.fitted.capacitance_f
        if not same(original_f, fitted_f):
            adequacy = Adequacy.NOTE
            near = abs(fitted_f / original_f - 1.0) <= TOLERANCE_FRAC
            reason = "within the usual tolerance" if near else "interference changes with it"
        yield finding("capacitance", "F", original_f, fitted_f, adequacy, reason)

    def _sub_class(self) -> tuple[Adequacy, str]:
        table, line = self.tables.capacitors, self.service
        original, fitted = self.part.sub_class, self.fitted.sub_class
        up_to_v = table.line_up_to_v.get(fitted, math.inf)
        if line.kind == "ac" and fitted == "none":
            reason = "no interference suppression capacitor: it may not stand across the mains"
        elif line.nominal_v > up_to_v:
            reason = f"{fitted} is for lines up to {shown_figure(up_to_v, 'V')} (IEC 60384-14)"
        elif original == fitted:
            return Adequacy.EQUIVALENT, ""
        elif original == "none" or fitted in table.replaces[original]:
            return Adequacy.BETTER, ""
        else:
            now_v, before_v = (
                shown_figure(table.impulse_v[one], "V") for one in (fitted, original)
            )
            proved = f"{fitted} with {now_v} and {original} with {before_v}"
            reason = f"it may not stand in the place of {original} (IEC 60384-14 proves {proved})"
        return Adequacy.UNACCEPTABLE, reason


class XCapacitor(_SuppressionCapacitor):
    """A capacitor from line to neutral; its discharge is held against IEC 60335-1, 22.5.

    All of them stand side by side, and so do their bleeders: what counts is the sum.
    """

    part: XCapacitorPart
    shorts_line = True

    def _impulse_v(self, line: Line) -> float:
        """Return the peak across it, behind the varistor where there is one."""
        return self.conditions.across_v(line)

    def _together_f(self, *, fitted: bool) -> float:
        """Return the capacitance between the plug pins."""
        standing = self.conditions.standing(XCapacitorPart, fitted=fitted)
        return float(sum(one.capacitance_f for one in standing))

    def _left_v(self, *, fitted: bool) -> float | None:
        """Return what the plug pins hold after the time allowed, unplugged at the peak.

        None where nobody asks, or no bleeder is named.
        """
        rule, bleeder_ohm = self.tables.capacitors.discharge, self.conditions.bleeder_ohm
        together_f = self._together_f(fitted=fitted)
        if self.service.kind != "ac" or _exempt(together_f, rule.exempt_to_f):
            return None
        if bleeder_ohm is None:
            return None
        return discharged_v(self.service.peak_v, rule.after_s, bleeder_ohm * together_f)

    def _stress(self) -> None:
        super()._stress()
        rule, left_v = self.tables.capacitors.discharge, self._left_v(fitted=True)
        if left_v is None:
            return
        names = [part.name for part in self.conditions.parts_of(XCapacitorPart)]
        held = (
            f"unplugged at the peak the pins of the plug hold {shown_figure(left_v, 'V')} after "
            f"{shown_figure(rule.after_s, 's')}: {'within' if left_v <= rule.limit_v else 'above'} "
            f"the {shown_figure(rule.limit_v, 'V')} of IEC 60335-1, 22.5"
        )
        self.remarks.append(self._told_with(names, held))
        if left_v > rule.limit_v and self.part.name == names[0]:
            self.points.append(f"{_listed(names)}: {held}.")

    def _findings(self) -> Iterator[Finding]:
        yield from super()._findings()
        rule = self.tables.capacitors.discharge
        together_f = self._together_f(fitted=True)
        if self.service.kind != "ac" or _exempt(together_f, rule.exempt_to_f):
            return
        item = f"plug pins after {shown_figure(rule.after_s, 's')}"
        fitted_v = self._left_v(fitted=True)
        if fitted_v is None:
            reason = f"no bleeder is named; {shown_figure(rule.limit_v, 'V')} at most, IEC 60335-1"
            yield finding(item, "V", None, None, Adequacy.NOTE, reason)
            return
        where = f"IEC 60335-1, 22.5, with {shown_figure(together_f, 'F')} in all"
        yield at_most(item, "V", self._left_v(fitted=False), fitted_v, rule.limit_v, where)

    def _check(self) -> ColdCheck:
        return self._measured("one lead lifted: capacitance", "an aged one has lost more")


class YCapacitor(_SuppressionCapacitor):
    """A capacitor to protective earth or across the insulation; its current is held to EN 50678.

    What counts is the sum of all on one path: of a class I unit also those from neutral, which a
    broken or switched neutral lifts to the line.
    """

    part: YCapacitorPart

    def _path_of(self, part: YCapacitorPart) -> str:
        usual = "earth" if self.unit.protection_class == "I" else "accessible part"
        return part.path or usual

    @property
    def _on_path(self) -> list[YCapacitorPart]:
        path, parts = self._path_of(self.part), self.conditions.parts_of(YCapacitorPart)
        return [part for part in parts if self._path_of(part) == path]

    def _passed_a(self, *, fitted: bool) -> float:
        """Return the current of its path at the highest line and frequency; 0 for DC.

        Source: Capacitors side by side add up, in a chain their reciprocals do; textbook.
        """
        line, chains = self.unit.input, defaultdict(list)
        if line.kind == "dc":
            return 0.0
        for part in self._on_path:
            standing = (part.fitted or part) if fitted else part
            chains[part.chain or (part.name,)].append(standing.capacitance_f)
        together_f = sum(1 / sum(1 / one_f for one_f in chain) for chain in chains.values())
        return capacitor_current_a(together_f, line.highest_v, max(line.frequency_hz))

    @property
    def _limit(self) -> tuple[float, str] | None:
        """The limit of the current of its path and where it stands; None: nothing to touch."""
        protection, limits_a = self.unit.protection_class, self.tables.capacitors.leakage_a
        if protection == "III" or self.service.kind != "ac":
            return None
        if protection == "I" and self._path_of(self.part) == "earth":
            return limits_a["earth"], "EN 50678, protective conductor of class I"
        return limits_a["accessible part"], "EN 50678, touch current"

    def _stress(self) -> None:
        super()._stress()
        passed_a, names = self._passed_a(fitted=True), [part.name for part in self._on_path]
        if passed_a == 0.0:
            return
        passed = f"at the highest line and frequency {shown_figure(passed_a, 'A', 2)} pass"
        self.remarks.append(self._told_with(names, passed))
        limit = self._limit
        if limit is not None and passed_a > limit[0] and self.part.name == names[0]:
            above = f"above the {shown_figure(limit[0], 'A')} of {limit[1]}"
            self.points.append(f"{_listed(names)}: {passed}, {above}.")

    def _findings(self) -> Iterator[Finding]:
        """Judge the current to what can be touched, too."""
        yield from super()._findings()
        if self._limit is None:
            return
        limit_a, where = self._limit
        names = [part.name for part in self._on_path]
        if len(names) > 1:
            where += f", {_listed(names)} together"
        original_a, fitted_a = self._passed_a(fitted=False), self._passed_a(fitted=True)
        found = at_most("leakage at the line", "A", original_a, fitted_a, limit_a, where)
        most_a = (1 + TOLERANCE_FRAC) * fitted_a
        if found.adequacy is Adequacy.EQUIVALENT and most_a > limit_a:
            reason = (
                f"with the usual tolerance {shown_figure(most_a, 'A')}, above the "
                f"{shown_figure(limit_a, 'A')} of {where}: measure it"
            )
            found = replace(found, adequacy=Adequacy.NOTE, reason=reason)
        yield found

    def _check(self) -> ColdCheck:
        protection = self.unit.protection_class
        least = f"{shown_figure(_INSULATION_OHM[protection], 'ohm')} (class {protection}, EN 50678)"
        extra = f"then insulation resistance at 500 V DC above {least}"
        return self._measured("one lead lifted: capacitance", extra)


def _exempt(capacitance_f: float, exempt_to_f: float) -> bool:
    """Whether nobody asks how fast a capacitance discharges; rounding aside."""
    return capacitance_f <= exempt_to_f * (1 + 1e-9)


def _listed(names: Iterable[str]) -> str:
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last
