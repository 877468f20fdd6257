"""What a board draws beside its converter's own: while it boots, and at work."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from harness.files.field_types import Seconds, SecondsOrZero, Watts
from harness.rehearse.unit_parts import Key
from harness.unit.nameplate import Input


@dataclass(frozen=True, kw_only=True, slots=True)
class Work:
    """A board in phases: held in reset, it boots, then works evenly with bursts between.

    Each power comes on top of the converter's idle power, from when that began to run.
    """

    reset_s: SecondsOrZero  #: nothing but the converter
    boot_w: Annotated[Watts, Key("boot_power")]
    boot_s: Annotated[Seconds, Key("boot_time", tolerance=True)]  #: until it works, reset included
    steady_w: Annotated[Watts, Key("steady_power")]
    burst_w: Annotated[Watts, Key("burst_power")]  #: on top, for so long in each period
    burst_s: Annotated[Seconds, Key("burst_time")]
    period_s: Annotated[Seconds, Key("period")]
    wakes: bool = True  #: False where its processor stays in reset
    finishes: bool = True  #: False where it never gets through its boot
    restart_s: float = math.inf  #: its watchdog starts it again so long after each start

    def power_w(self, since_s: float) -> float:
        """Return what it draws so long after the converter began to run."""
        since_s = self._since_start_s(since_s)
        if not self.wakes or since_s < self.reset_s:
            return 0.0
        if since_s < self.boot_s or not self.finishes:
            return self.boot_w
        in_burst = (since_s - self.boot_s) % self.period_s < self.burst_s
        return self.steady_w + (self.burst_w if in_burst else 0.0)

    def even_s(self, since_s: float) -> float:
        """Return for how long that does not change from then on, in seconds."""
        if not self.wakes:
            return math.inf
        again_s = math.inf
        if math.isfinite(self.restart_s):
            again_s = self.restart_s - since_s % self.restart_s
        since_s = self._since_start_s(since_s)
        if since_s < self.reset_s:
            return min(self.reset_s - since_s, again_s)
        if not self.finishes:
            return again_s
        if since_s < self.boot_s:
            return min(self.boot_s - since_s, again_s)
        place_s = (since_s - self.boot_s) % self.period_s
        left_s = self.burst_s - place_s if place_s < self.burst_s else self.period_s - place_s
        return min(left_s, again_s)

    def _since_start_s(self, since_s: float) -> float:
        return since_s % self.restart_s if math.isfinite(self.restart_s) else since_s


def usual_work(line: Input) -> Work | None:
    """Return how a board works by its nameplate; None where that states no busy power.

    Source: Shares of boot, steady work and bursts: assumption.
    """
    if line.busy_power_w is None:
        return None
    extra_w, boot_s = max(line.busy_power_w - line.idle_power_w, 1e-3), line.boot_time_s or 1.0
    return Work(
        reset_s=0.1 * boot_s,
        boot_w=0.8 * extra_w,
        boot_s=0.8 * boot_s,
        steady_w=0.35 * extra_w,
        burst_w=0.35 * extra_w,
        burst_s=0.05,
        period_s=0.5,
    )
