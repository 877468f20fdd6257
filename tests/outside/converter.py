"""The unit behind its input: a converter, its rail, and what hangs on it.

A constant-power load with a start threshold, hysteresis and a soft start on a straight line
(textbook model of a switching converter: output power plus losses is taken from the input whatever
its voltage). Optionally a digital board that draws by itself: a mean, a random telegraph between
two states, and short bursts.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class ConverterParts:
    """What the converter is made of; SI units.

    Attributes:
        start_v: Bulk voltage at which it begins; ``stop_v``: below which it stops.
        soft_start_s: Time its rail rises in.
        idle_w: Drawn with nothing on the rail.
        loss_frac: Loss as a share of output power.
        rail_v: Rail without load; ``rail_ohm``: its droop; ``rail_f``: its capacitor.
        bleed_ohm: What empties the rail.
        ripple_v: Ripple of the rail, rms, without load; it doubles at 1 A.
        board_w: Extra power while it runs; ``board_step_w``: half the telegraph's step.
        board_dwell_s: Mean time in a telegraph state.
        burst_w: Height of a burst; ``burst_s``: its length; ``burst_every_s``: mean time between.
    """

    start_v: float
    stop_v: float
    soft_start_s: float
    idle_w: float
    loss_frac: float
    rail_v: float
    rail_ohm: float = 0.02
    rail_f: float = 470e-6
    bleed_ohm: float = 1e3
    ripple_v: float = 0.004
    board_w: float = 0.0
    board_step_w: float = 0.0
    board_dwell_s: float = 0.05
    burst_w: float = 0.0
    burst_s: float = 0.01
    burst_every_s: float = 0.5


class Converter:
    """The converter's state, moved on by the circuit that feeds it.

    Attributes:
        rail_v: The rail now.
        running: Whether it works.
        load_a: Current that is taken from the rail at a voltage (set by the electronic load).
        fallen_to_v: A fault: the rail falls to this voltage and stays there.
        extra_w: A fault: power that is drawn at the input as well.
    """

    def __init__(self, parts: ConverterParts, seed: int) -> None:
        self.parts = parts
        self.rail_v = 0.0
        self.running = False
        self.load_a: Callable[[float], float] = lambda _: 0.0
        self.fallen_to_v: float | None = None
        self.extra_w = 0.0
        self._started_s = 0.0
        self._random = random.Random(seed)
        self._telegraph = 1
        self._burst = False
        self._next_flip_s = math.inf
        self._next_burst_s = math.inf

    def power_w(self, now_s: float) -> float:
        """Power taken from the bulk capacitor."""
        if not self.running:
            return 0.0
        parts = self.parts
        rail_v = self._risen_v(now_s)
        current_a = self.load_a(rail_v)
        if now_s < self._started_s + parts.soft_start_s:
            current_a += parts.rail_f * parts.rail_v / parts.soft_start_s
        power_w = parts.idle_w + self.extra_w + rail_v * current_a * (1.0 + parts.loss_frac)
        if parts.board_w:
            power_w += parts.board_w + self._telegraph * parts.board_step_w
            power_w += parts.burst_w if self._burst else 0.0
        return power_w

    def drawn_a(self, now_s: float, bulk_v: float) -> float:
        """Current taken from the bulk capacitor of a DC unit."""
        return self.power_w(now_s) / max(bulk_v, 1.0)

    def longest_step_s(self, now_s: float) -> float:
        """Time until something changes by itself."""
        if not self.running:
            return 0.05
        left_s = self._started_s + self.parts.soft_start_s - now_s
        if left_s > 0.0:
            return min(left_s + 1e-9, self.parts.soft_start_s / 25.0)
        return max(1e-6, min(self._next_flip_s, self._next_burst_s) - now_s)

    def crosses(self, bulk_v: float) -> bool:
        """Whether a bulk voltage would start or stop it."""
        return bulk_v < self.parts.stop_v if self.running else bulk_v >= self.parts.start_v

    def move(self, now_s: float, step_s: float, bulk_v: float) -> None:
        """Go on to ``now_s``, ``step_s`` after the last time."""
        parts = self.parts
        if self.running:
            if bulk_v < parts.stop_v:
                self.running = False
            else:
                self.rail_v = self._risen_v(now_s)
                self._board(now_s)
            return
        if bulk_v >= parts.start_v:
            self.running = True
            self._started_s = now_s
            self._next_flip_s = now_s + (self._wait_s(parts.board_dwell_s) or math.inf)
            self._next_burst_s = now_s + (self._wait_s(parts.burst_every_s) or math.inf)
            return
        fall_v = step_s * self.load_a(self.rail_v) / parts.rail_f
        self.rail_v = max(0.0, self.rail_v - fall_v)
        self.rail_v *= math.exp(-step_s / (parts.bleed_ohm * parts.rail_f))

    def ripple_v(self) -> float:
        """Ripple of the rail, rms."""
        if not self.running:
            return 0.0
        return self.parts.ripple_v * (1.0 + self.load_a(self.rail_v))

    def _risen_v(self, now_s: float) -> float:
        parts = self.parts
        if self.fallen_to_v is not None:
            return self.fallen_to_v
        share = min(1.0, max(0.0, (now_s - self._started_s) / parts.soft_start_s))
        full_v = parts.rail_v * share
        return max(0.0, full_v - parts.rail_ohm * self.load_a(full_v))

    def _wait_s(self, mean_s: float) -> float:
        if not self.parts.board_w:
            return 0.0
        return self._random.expovariate(1.0 / mean_s)

    def _board(self, now_s: float) -> None:
        if now_s >= self._next_flip_s:
            self._telegraph = -self._telegraph
            self._next_flip_s = now_s + self._wait_s(self.parts.board_dwell_s)
        if now_s >= self._next_burst_s and self.parts.burst_w:
            self._burst = not self._burst
            rest_s = self._wait_s(self.parts.burst_every_s)
            self._next_burst_s = now_s + (self.parts.burst_s if self._burst else rest_s)
        elif now_s >= self._next_burst_s:
            self._next_burst_s = math.inf
