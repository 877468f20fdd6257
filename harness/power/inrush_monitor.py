"""Watches on the supply's readings: a level's budget (safety rule 6), and current that flows back.

Pure arithmetic: samples in, a finding out.
"""

from __future__ import annotations

import math
from dataclasses import replace

from harness.bench.sample import Account, SupplySample
from harness.power.envelope import OperatingEnvelope
from harness.power.trip import Finding, TripReason
from harness.profile.allowance import InrushAllowance
from harness.profile.level import Level
from harness.quantity import format_quantity

#: Share of the current limit from which on a supply counts as limiting whatever its status says.
#: Common practice: a supply in constant current reads its limit within a few per cent.
_AT_LIMIT = 0.97
#: Below this share of the limit a status that says so is not believed: its weight may be wrong.
_NEAR_LIMIT = 0.5
#: Current counts as flowing back from so many times the supply's error at zero on, and from this
#: share of the current limit in force: less may be noise about zero, or an offset nobody stated.
_REVERSE_ERRORS, _REVERSE_FRAC = 3.0, 0.05
#: From this share of its setting on the voltage counts as there.
_THERE_FRAC = 0.9
#: Readings so close to the setting, as a share of the envelope, are at it where no error is stated.
_AT_SET_FRAC = 0.005


class LevelWatch:
    """Follows one level, by its budget or its longest time at the limit, from when it is set.

    ``lifted`` says that a boost stage has lifted the bulk capacitor at a level before: it does so
    once, and what it takes then is allowed once. One that stopped on its way has taken ``spent_j``.
    """

    def __init__(self, level: Level, *, lifted: bool = False, spent_j: float = 0.0) -> None:
        self._limit_a = level.current_limit_a
        self._budget = level.budget
        if level.budget is not None:
            boosted_v = 0.0 if lifted else level.budget.boosted_v
            self._budget = replace(level.budget, boosted_v=boosted_v, spent_j=spent_j)
        #: Whether a boost stage has lifted the bulk capacitor by now.
        self.lifted = lifted
        #: What it has taken by now to do so, in J.
        self.spent_j = spent_j
        self._energy = level.budget is not None and level.budget.kind == "energy"
        self._longest_at_limit_s = level.time_at_limit_s
        self._before_s = 0.0
        self._excess = 0.0
        self._taken = 0.0
        self._longest_gap_s = -math.inf
        self._highest_v = 0.0
        #: Unexplained charge (C) or energy (J) so far; without a budget, seconds at the limit.
        self.used = 0.0
        #: What ``used`` may not pass.
        self.allowed = math.inf
        self.samples = 0
        #: The same for whoever watches; None before the second sample, or without an allowance.
        self.account: Account | None = None

    def add(self, sample: SupplySample) -> Finding | None:
        """Take in a sample; None while all is explained, else why to cut power."""
        self.samples += 1
        gap_s = sample.time_s - self._before_s
        self._before_s = sample.time_s
        if self._budget is not None:
            if not self._energy and sample.voltage_v >= self._budget.threshold_v:
                self._budget = self._budget.begun()
            excess_before, self._excess = self._excess, self._excess_of(self._budget, sample)
            if self.samples > 1:
                return self._weigh(self._budget, sample, gap_s, excess_before)
        elif self._longest_at_limit_s is not None and self.samples > 1:
            return self._add_timed(self._longest_at_limit_s, sample, gap_s)
        return None

    def _excess_of(self, budget: InrushAllowance, sample: SupplySample) -> float:
        """Return current (or power) beyond a healthy unit's draw and the supply's reading error.

        Real power is never above volts times amperes: what a reading of it says beyond that is an
        error of its own, and where hardly any current flows it would add up to a trip.
        """
        voltage_v, current_a = sample.voltage_v, sample.current_a
        error_a = budget.current_error_a + budget.current_error_frac * abs(current_a)
        begun = voltage_v >= budget.threshold_v
        if not self._energy:
            healthy_a = budget.idle_a(voltage_v) if begun else budget.leakage_a
            return current_a - error_a - healthy_a - budget.across_bulk(voltage_v)
        power_w = min(sample.power_w, abs(voltage_v * current_a)) - budget.across_bulk(voltage_v)
        if begun:
            return power_w - error_a * voltage_v - budget.idle_power_w
        return power_w - (error_a + budget.leakage_a) * voltage_v

    def _weigh(
        self, budget: InrushAllowance, sample: SupplySample, gap_s: float, excess_before: float
    ) -> Finding | None:
        """Trapezoidal integral of what is drawn, less all that a healthy unit may draw."""
        self._taken += 0.5 * gap_s * (excess_before + self._excess)
        if gap_s > self._longest_gap_s or sample.voltage_v > self._highest_v:
            self._longest_gap_s = max(self._longest_gap_s, gap_s)
            self._highest_v = max(self._highest_v, sample.voltage_v)
            self.allowed = budget.slack(self._limit_a, self._longest_gap_s, self._highest_v)
        reason, unit = (
            (TripReason.ENERGY_BUDGET, "J") if self._energy else (TripReason.CHARGE_BUDGET, "C")
        )
        explained = budget.explained(sample.voltage_v, self._highest_v)
        self.spent_j = max(self.spent_j, budget.lift_j(self._taken, sample.voltage_v))
        self.lifted = self.lifted or budget.is_lifted(self.spent_j, sample.voltage_v)
        self.used = self._taken - explained
        self.account = Account(unit, self._taken, explained, self.allowed)
        if self.used <= self.allowed:
            return None
        seen = (
            f"{format_quantity(self.used, unit, 3)} unexplained after {self.samples} readings, "
            f"{format_quantity(self.allowed, unit, 3)} allowed; "
            f"{format_quantity(sample.current_a, 'A', 3)} at "
            f"{format_quantity(sample.voltage_v, 'V', 3)}"
        )
        return reason, seen

    def _add_timed(self, longest_s: float, sample: SupplySample, gap_s: float) -> Finding | None:
        share = _NEAR_LIMIT if sample.limiting else _AT_LIMIT
        limiting = sample.current_a >= share * self._limit_a
        self.used = self.used + gap_s if limiting else 0.0
        self.allowed = longest_s
        self.account = Account("s", self.used, 0.0, longest_s)
        if self.used <= longest_s:
            return None
        seen = (
            f"in current limit for {format_quantity(self.used, 's', 3)} at "
            f"{format_quantity(sample.voltage_v, 'V', 3)}, "
            f"{format_quantity(longest_s, 's', 3)} allowed"
        )
        return TripReason.TIME_AT_LIMIT, seen


class ReverseWatch:
    """Looks for current, or real power, that flows from the unit into the supply.

    Leads or shunt the wrong way round show so, and such readings defeat the charge budget: a short
    would count as charge given back. After the set voltage was lowered, or when a unit is still
    charged as power comes on, a two-quadrant supply really takes charge back until the voltage is
    down at its setting: that is no finding.
    """

    def __init__(self, envelope: OperatingEnvelope) -> None:
        self._close_v = max(envelope.voltage_error_v, _AT_SET_FRAC * envelope.voltage_v)
        self._error_a = _REVERSE_ERRORS * envelope.current_error_a
        self._error_w = _REVERSE_ERRORS * envelope.power_error_w
        self._set_v = 0.0
        self._clear_a = self._error_a
        self._falling = False
        self._above = False

    def set_voltage(self, voltage_v: float) -> None:
        """Note the voltage set from now on."""
        if voltage_v < self._set_v:
            self._falling = self._above = True
        self._set_v = voltage_v

    def set_limit(self, limit_a: float) -> None:
        """Note the current limit set from now on."""
        self._clear_a = max(self._error_a, _REVERSE_FRAC * limit_a)

    def switch_on(self) -> None:
        """Note that power comes on: the unit may be charged from before."""
        self._falling, self._above = True, False

    def flows(self, sample: SupplySample) -> bool:
        """Whether current surely flows."""
        return abs(sample.current_a) > self._clear_a

    def stands(self, sample: SupplySample) -> bool:
        """Whether the voltage is there."""
        return sample.voltage_v >= _THERE_FRAC * self._set_v

    def add(self, sample: SupplySample) -> Finding | None:
        """Take in a sample; None while nothing flows back, else why to cut power."""
        above_before, self._above = self._above, sample.voltage_v > self._set_v + self._close_v
        comes_down = self._falling and (self._above or above_before)
        self._falling = self._falling and self._above
        if comes_down or (sample.current_a >= 0 and sample.power_w >= 0):
            return None
        back_a = self._clear_a
        back_w = max(self._error_w, back_a * max(abs(sample.voltage_v), self._set_v))
        if sample.current_a >= -back_a and sample.power_w >= -back_w:
            return None
        seen = (
            f"{format_quantity(sample.current_a, 'A', 3)} and "
            f"{format_quantity(sample.power_w, 'W', 3)} read at "
            f"{format_quantity(sample.voltage_v, 'V', 3)}, where "
            f"{format_quantity(self._set_v, 'V', 3)} is set"
        )
        return TripReason.REVERSED_CURRENT, seen
