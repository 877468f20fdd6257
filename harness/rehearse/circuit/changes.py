"""What changes in a unit while it runs: fuse, contact, warm limiter, hot varistor, late faults.

The circuits know a unit of constant values. Here the slow states live, and whenever one of them has
moved far enough to matter the unit is made again and the circuit wires it up. Between two such
moments its values do not change, so that what is fast in the circuits stays fast.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from harness.rehearse.streams import stream
from harness.rehearse.unit_model import Intermittence, UnitModel
from harness.rehearse.unit_parts import KELVIN, Fuse
from harness.unit.formulas import melting_time_s

#: A resistance or conductance is taken over again once it is off by this share.
_NOTABLE = 0.01
#: Extra leakage below this share of the first one counts as gone.
_GONE = 1e-3


class FuseHeat:
    """One fuse element while a run goes on; once it has parted it stays open."""

    def __init__(self, fuse: Fuse) -> None:
        self.fuse = fuse
        self.heat_a2s = 0.0
        self.is_open = fuse.is_open

    def advance(self, duration_s: float, mean_square_a2: float) -> bool:
        """Heat or cool for ``duration_s``; return True if it parts now."""
        time_s = self.fuse.heat_time_s
        final_a2s = mean_square_a2 * time_s
        self.heat_a2s = final_a2s + (self.heat_a2s - final_a2s) * math.exp(-duration_s / time_s)
        if self.is_open or self.heat_a2s < self.fuse.melting_i2t_a2s:
            return False
        self.is_open = True
        return True

    def time_left_s(self, current_a: float) -> float:
        """Return how long it carries ``current_a`` from now on; infinite if it never parts."""
        if self.is_open:
            return math.inf
        fuse = self.fuse
        return melting_time_s(current_a, fuse.melting_i2t_a2s, fuse.heat_time_s, self.heat_a2s)


class Contact:
    """The contact in the input line: closed, and for ever if it is a sound one."""

    def __init__(self, intermittence: Intermittence | None, *, seed: int) -> None:
        self._intermittence = intermittence
        self._random = stream(seed, "contact")
        self.is_closed = False
        self.next_s = 0.0  # when its state changes next; infinite for a sound contact
        self.change()

    def change(self) -> None:
        """Pass ``next_s``: open or close, and draw the time of the next change."""
        self.is_closed = not self.is_closed
        if self._intermittence is None:
            self.next_s = math.inf
        elif self.is_closed:
            self.next_s += self._random.expovariate(1.0 / self._intermittence.closed_s)
        else:
            self.next_s += self._random.uniform(*self._intermittence.open_s)


class Changes:
    """The slow states of one unit while a run goes on, from before first power on."""

    def __init__(self, model: UnitModel) -> None:
        self._base = model
        limiter, varistor = model.rectifier.limiter, model.varistor
        self.limiter_degc = 25.0 if limiter is None else limiter.ambient_degc
        self.varistor_j = 0.0
        self.forming_left = 1.0  # share of the extra leakage
        self.powered_s = 0.0
        # paths that are not there from the beginning
        self._waiting = {
            name: onset
            for name, onset in model.defects.onsets.items()
            if getattr(model.defects, name) < math.inf and not onset.is_at_once
        }
        wears = varistor is not None and varistor.energy_j < math.inf
        slow = wears or limiter is not None or model.bulk.forming_ohm < math.inf
        self.is_constant = not slow and not self._waiting  # nothing in the unit ever changes
        self._rebuild()

    @property
    def onset_v(self) -> float:
        """Bulk voltage at which a fault that waits for nothing else shows; infinite for none."""
        if not self._waiting:  # nearly always, and asked for at every step
            return math.inf
        onsets = self._waiting.values()
        due = [onset.voltage_v for onset in onsets if onset.time_s <= self.powered_s]
        return min(due, default=math.inf)

    def onset_left_s(self, *, on: bool) -> float:
        """Return how long until a fault that waits for time may show."""
        left = [onset.time_s - self.powered_s for onset in self._waiting.values()]
        return min((left_s for left_s in left if on and left_s > 0.0), default=math.inf)

    def advance(
        self,
        duration_s: float,
        *,
        on: bool,
        bulk_v: float,
        series_a2: float | None = 0.0,
        varistor_w: float = 0.0,
    ) -> bool:
        """Move on by ``duration_s``; return True if ``model`` is another one now.

        The bulk voltage is the highest in that time. The mean square of the current through the
        rectifier is None where :meth:`warm` was told already.
        """
        if self.is_constant:
            return False
        if on:
            self.powered_s += duration_s
        base = self._base
        changed = series_a2 is not None and self._warm(duration_s, series_a2)
        bulk, varistor = base.bulk, base.varistor
        if bulk.forming_ohm < math.inf:
            self.forming_left = bulk.forming_left(self.forming_left, bulk_v, duration_s)
            off = abs(self.forming_left - self._used_left) > _NOTABLE * self._used_left
            changed |= off and self._used_left > 0.0
        if varistor is not None and varistor.energy_j < math.inf:
            final_j = varistor_w * varistor.cooling_s
            kept = math.exp(-duration_s / varistor.cooling_s)
            self.varistor_j = final_j + (self.varistor_j - final_j) * kept
            if self.varistor_j >= varistor.energy_j:
                self._fail_varistor(varistor.failed_ohm)
                changed = True
        shown = [
            name
            for name, onset in self._waiting.items()
            if self.powered_s >= onset.time_s and bulk_v >= onset.voltage_v
        ]
        for name in shown:
            del self._waiting[name]
        if changed or shown:
            self._rebuild()
        return changed or bool(shown)

    def warm(self, duration_s: float, series_a2: float) -> bool:
        """Warm or cool the limiter alone; return True if ``model`` is another one now."""
        changed = self._warm(duration_s, series_a2)
        if changed:
            self._rebuild()
        return changed

    def even_s(self, *, bulk_v: float, series_a2: float, varistor_w: float = 0.0) -> float:
        """Return for how long the unit stays about what it is under even conditions."""
        base, least_s = self._base, math.inf
        limiter, bulk, varistor = base.rectifier.limiter, base.bulk, base.varistor
        if limiter is not None:
            power_w = series_a2 * self._used_ohm
            final_degc = limiter.ambient_degc + power_w / limiter.dissipation_w_per_k
            # 1 % of resistance, in kelvin, and how fast the temperature moves.
            kelvin = _NOTABLE * (self.limiter_degc + KELVIN) ** 2 / limiter.beta_k
            rate = abs(final_degc - self.limiter_degc) / limiter.heat_time_s
            least_s = kelvin / rate if rate > 0.0 else math.inf
        if bulk.forming_ohm < math.inf and self._used_left > 0.0 and bulk_v > 0.0:
            least_s = min(least_s, _NOTABLE * bulk.forming_s * bulk.forming_v / bulk_v)
        if varistor is not None and varistor_w > 0.0:
            # A hundredth of the rating at a time; cooling makes it later.
            least_s = min(least_s, _NOTABLE * varistor.energy_j / varistor_w)
        return max(least_s, 1e-6)

    def _warm(self, duration_s: float, series_a2: float) -> bool:
        limiter = self._base.rectifier.limiter
        if limiter is None:
            return False
        power_w = series_a2 * self._used_ohm
        self.limiter_degc = limiter.warmed_degc(self.limiter_degc, power_w, duration_s)
        ohm = limiter.resistance_ohm(self.limiter_degc)
        return abs(ohm - self._used_ohm) > _NOTABLE * self._used_ohm

    def _fail_varistor(self, ohm: float) -> None:
        base = self._base
        # One short across the input is enough: the one that waits comes no more.
        waits = self._waiting.pop("input_short_ohm", None) is not None
        siemens = 1.0 / ohm + (0.0 if waits else 1.0 / base.defects.input_short_ohm)
        defects = replace(base.defects, input_short_ohm=1.0 / siemens)
        self._base = replace(base, varistor=None, defects=defects)

    def _rebuild(self) -> None:
        """Make the unit as it is now."""
        base = self._base
        rectifier, bulk, limiter = base.rectifier, base.bulk, base.rectifier.limiter
        self._used_ohm = 0.0
        if limiter is not None:
            self._used_ohm = limiter.resistance_ohm(self.limiter_degc)
            total_ohm = rectifier.resistance_ohm + self._used_ohm
            rectifier = replace(rectifier, resistance_ohm=total_ohm)
        self._used_left = self.forming_left if self.forming_left > _GONE else 0.0
        if bulk.forming_ohm < math.inf and self._used_left > 0.0:
            siemens = 1.0 / bulk.leakage_ohm + self._used_left / bulk.forming_ohm
            bulk = replace(bulk, leakage_ohm=1.0 / siemens)
        absent: dict[str, Any] = dict.fromkeys(self._waiting, math.inf)
        defects = replace(base.defects, **absent)
        self.model = replace(base, rectifier=rectifier, bulk=bulk, defects=defects)
