"""A digital board without outputs: what it draws is all that shows whether it works.

A buck converter behind the bulk capacitor makes one rail; on the rail a processor, which is held in
reset, boots in phases and works with bursts; on the bulk capacitor a motor driver that idles as
soon as the firmware enables it. The rail is held while the converter runs and rises on a straight
line; without it the processor empties the rail's capacitor, constant power and so V^2 falls evenly
(energy balance, textbook). A brown-out detector resets the processor before it loses its state.

``"controller"`` of the configuration; every key may be left out. Powers are those at the rail::

    {"power_on_s": 0.05,             # reset ends so long after the rail is good
     "boot": [[0.2, 1.3], [0.3, 2.2], [0.15, 1.6]],   # seconds, watts; one phase after the other
     "flicker_w": 0.15,              # up and down by that while it boots
     "work_w": 0.9, "burst_w": 1.1, "burst_s": 0.05, "period_s": 0.5, "jitter_frac": 0.05,
     "hung_w": 2.0,                  # a processor that has lost its state: it never rests
     "driver_a": 0.01,               # out of the bulk capacitor, at work
     "brown_out_v": 2.95,            # 0: the detector is dead
     "supervisor_v": 0.0,            # reset as well while the bulk capacitor is below
     "clock": true,                  # false: it never leaves reset
     "finishes": true,               # false: the longest phase of its boot goes on for ever
     "watchdog_s": null,             # a watchdog that nobody serves starts it again each time
     "shorted": false,               # the converter's switch: the rail is the bulk capacitor
     "breaks_v": null, "breaks_ohm": 20.0,   # the bulk capacitor conducts from there on
     "fuse_ohm": 0.12, "suppressor_ohm": null}       # cold; a shorted suppressor is 0.3

The control socket moves the meter's leads, ``{"do": "probe", "at": "bulk"}``, says what a person
sees, ``{"do": "look"}``, and empties the bulk capacitor, ``{"do": "discharge"}``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from tests.outside.converter import Converter, ConverterParts
from tests.outside.instruments import Note, Probe

#: The board in reset, as a resistance on its rail (leakage and pull-ups).
RESET_OHM = 330.0
#: A rail beyond its rating: the processor's own structures conduct.
CLAMP_V, CLAMP_OHM = 4.2, 1.2
#: Reset ends above this; with a dead detector the processor loses its state below ``LOSES_V`` and
#: starts afresh only from below ``REARM_V``.
GOOD_V, LOSES_V, REARM_V = 3.1, 2.4, 0.6
#: Mean time between two changes of what it draws while it boots.
FLICKER_S = 0.03
#: Voltage below which the motor driver's own lock-out has it off.
DRIVER_V = 4.5
#: An ohmmeter: a voltage behind a resistance; a healthy suppressor the wrong way round.
OHMS_V, OHMS_OHM, FORWARD_V = 5.0, 5e3, 0.6
#: What an open circuit reads at most.
MOST_OHM = 50e6


@dataclass(frozen=True)
class BoardParts:
    """What the board is made of beside its converter; see the head of this file."""

    power_on_s: float = 0.05
    boot: tuple[tuple[float, float], ...] = ((0.2, 1.3), (0.3, 2.2), (0.15, 1.6))
    flicker_w: float = 0.15
    work_w: float = 0.9
    burst_w: float = 1.1
    burst_s: float = 0.05
    period_s: float = 0.5
    jitter_frac: float = 0.05
    hung_w: float = 2.0
    driver_a: float = 0.01
    brown_out_v: float = 2.95
    supervisor_v: float = 0.0
    clock: bool = True
    finishes: bool = True
    watchdog_s: float | None = None
    shorted: bool = False
    breaks_v: float | None = None
    breaks_ohm: float = 20.0
    fuse_ohm: float = 0.12
    suppressor_ohm: float | None = None


class Processor:
    """It is held in reset, boots, works, and may hang.

    Attributes:
        boots: How often its reset has ended.
        hung: Whether it has lost its state and goes on all the same.
    """

    def __init__(self, parts: BoardParts, uniform: Callable[[float, float], float]) -> None:
        self._parts, self._uniform = parts, uniform
        self.boots = 0
        self.hung = False
        self._good_s = 0.0
        self._since_s: float | None = None
        self._flicker = 1.0
        self._next_flicker_s = self._next_burst_s = self._burst_ends_s = math.inf

    def doing(self, now_s: float) -> str:
        """Return what it does: ``reset``, ``boot``, ``work`` or ``hung``."""
        if self._since_s is None:
            return "reset"
        if self.hung:
            return "hung"
        return "work" if self._phase(now_s) is None else "boot"

    def power_w(self, now_s: float, rail_v: float) -> float:
        """Return what it draws from the rail."""
        parts = self._parts
        doing = self.doing(now_s)
        if rail_v < LOSES_V:  # nothing is clocked any more
            doing = "reset"
        match doing:
            case "reset":
                return rail_v**2 / RESET_OHM
            case "hung":
                return parts.hung_w
            case "boot":
                phase = self._phase(now_s)
                assert phase is not None
                return phase[1] + self._flicker * parts.flicker_w
            case _:
                return parts.work_w + (parts.burst_w if now_s < self._burst_ends_s else 0.0)

    def next_s(self, now_s: float) -> float:
        """Return when it next changes by itself, at the latest."""
        if self._since_s is None:
            if not self._parts.clock:
                return math.inf
            return now_s + max(self._parts.power_on_s - self._good_s, 1e-4)
        times = [self._next_flicker_s, self._next_burst_s, self._burst_ends_s]
        phase = self._phase(now_s)
        times += [phase[0]] if phase is not None else []
        times += [self._since_s + self._parts.watchdog_s] if self._parts.watchdog_s else []
        return min(each for each in (*times, math.inf) if each > now_s)

    def move(self, now_s: float, step_s: float, rail_v: float, bulk_v: float) -> None:
        """Go on by a step."""
        parts = self._parts
        lost = rail_v < max(REARM_V, parts.brown_out_v) or bulk_v < parts.supervisor_v
        if lost:
            self._reset()
        elif self._since_s is None:
            self._good_s += step_s if rail_v >= GOOD_V else 0.0
            if self._good_s >= parts.power_on_s and parts.clock:
                self._begin(now_s)
        elif parts.watchdog_s is not None and now_s - self._since_s >= parts.watchdog_s:
            self._reset()
        else:
            self.hung = self.hung or rail_v < LOSES_V
            self._go_on(now_s)

    def _reset(self) -> None:
        self._since_s, self._good_s, self.hung = None, 0.0, False
        self._next_flicker_s = self._next_burst_s = self._burst_ends_s = math.inf

    def _begin(self, now_s: float) -> None:
        self._since_s = now_s
        self.boots += 1
        self._next_flicker_s = now_s + FLICKER_S
        self._next_burst_s = now_s + sum(span_s for span_s, _ in self._parts.boot)

    def _go_on(self, now_s: float) -> None:
        parts = self._parts
        if now_s >= self._next_flicker_s:
            self._flicker = self._uniform(-1.0, 1.0)
            ended = self.doing(now_s) != "boot"
            rest_s = math.inf if ended else FLICKER_S * self._uniform(0.2, 1.8)
            self._next_flicker_s = now_s + rest_s
        if now_s >= self._next_burst_s:
            self._burst_ends_s = now_s + parts.burst_s
            jitter = self._uniform(-parts.jitter_frac, parts.jitter_frac)
            self._next_burst_s = now_s + parts.period_s * (1.0 + jitter)

    def _phase(self, now_s: float) -> tuple[float, float] | None:
        """Return when the phase of its boot ends and what it draws; None once it works."""
        assert self._since_s is not None
        ends_s = self._since_s
        for span_s, watts in self._parts.boot:
            ends_s += span_s
            if now_s < ends_s:
                return ends_s, watts
        if self._parts.finishes:
            return None
        return math.inf, max(self._parts.boot)[1]


class Controller(Converter):
    """The board: ``rail_v`` is the rail of its processor.

    Attributes:
        probe: What the meter's leads touch.
        ohms: Whether the meter drives its test current through what it stands across.
        note: Called with what happened, for the log.
    """

    def __init__(self, parts: ConverterParts, seed: int, table: dict[str, Any]) -> None:
        super().__init__(parts, seed)
        boot = tuple((span_s, watts) for span_s, watts in table.get("boot", BoardParts.boot))
        self.board = BoardParts(**{**table, "boot": boot})
        self.processor = Processor(self.board, self._random.uniform)
        self._at = "away"
        self.ohms = False
        self.probe = Probe(volts=self._volts, ohms=self._reads_ohms)
        self.note: Note = lambda *_, **__: None
        self._from_v = 0.0
        self._bulk_v = 0.0

    def power_w(self, now_s: float) -> float:
        """Power the converter takes from the bulk capacitor."""
        if not self.running or self.board.shorted:
            return 0.0
        parts = self.parts
        taken_w = self.processor.power_w(now_s, self.rail_v)
        if self.rail_v < parts.rail_v:  # it rises
            taken_w += parts.rail_f * self.rail_v * parts.rail_v / parts.soft_start_s
        return parts.idle_w + self.extra_w + taken_w * (1.0 + parts.loss_frac)

    def drawn_a(self, now_s: float, bulk_v: float) -> float:
        """Current out of the bulk capacitor, less what an ohmmeter drives into it."""
        board = self.board
        drawn_a = self.power_w(now_s) / max(bulk_v, 1.0)
        if board.shorted:
            drawn_a += self.processor.power_w(now_s, self.rail_v) / max(bulk_v, 1.0)
            drawn_a += max(0.0, bulk_v - CLAMP_V) / CLAMP_OHM
        if board.breaks_v is not None:
            drawn_a += max(0.0, bulk_v - board.breaks_v) / board.breaks_ohm
        if self.processor.doing(now_s) == "work" and bulk_v > DRIVER_V:
            drawn_a += board.driver_a
        return drawn_a - self._test_a(bulk_v)

    def longest_step_s(self, now_s: float) -> float:
        """Time until something changes by itself, or may."""
        board = self.board
        left_s = max(1e-6, self.processor.next_s(now_s) - now_s)
        conducts_v = CLAMP_V if board.shorted else board.breaks_v
        if conducts_v is not None and self._bulk_v > conducts_v - 0.5:
            left_s = min(left_s, 4e-4)
        if self.running and self.rail_v < self.parts.rail_v:
            return min(left_s, self.parts.soft_start_s / 25.0)
        if not self.running and self.rail_v > 0.05:  # a twentieth of its energy at a time
            held_j = 0.5 * self.parts.rail_f * self.rail_v**2
            return min(left_s, 0.05 * held_j / self.processor.power_w(now_s, self.rail_v), 5e-4)
        return min(left_s, 0.05)

    def ripple_v(self) -> float:
        """Ripple of its rail: nobody measures it."""
        return 0.0

    def move(self, now_s: float, step_s: float, bulk_v: float) -> None:
        """Go on by a step."""
        self._bulk_v = bulk_v
        parts, was = self.parts, self.running
        self.running = bulk_v >= (parts.stop_v if was else parts.start_v)
        if self.board.shorted:
            self.rail_v = bulk_v
        elif self.running:
            if not was:
                self._started_s, self._from_v = now_s, self.rail_v
            risen = (now_s - self._started_s) / parts.soft_start_s * parts.rail_v
            self.rail_v = min(parts.rail_v, self._from_v + risen)
        else:
            taken_j = self.processor.power_w(now_s, self.rail_v) * step_s
            left_v2 = self.rail_v**2 - 2.0 * taken_j / parts.rail_f
            self.rail_v = math.sqrt(max(0.0, left_v2))
        before = self.processor.boots
        self.processor.move(now_s, step_s, self.rail_v, bulk_v)
        if self.processor.boots != before:
            self.note("boots", count=self.processor.boots)

    # --- what a person sees, and measures without power

    @property
    def at(self) -> str:
        """Where the meter's leads are: ``away``, or a place such as ``input reversed``."""
        return self._at

    @at.setter
    def at(self, at: str) -> None:
        self._at, self.ohms = at, False

    def indicator(self, now_s: float) -> str:
        """Return what its indicator does: ``dark``, ``steady``, or ``blinks`` with its work."""
        doing = self.processor.doing(now_s)
        return {"reset": "dark", "work": "blinks"}.get(doing, "steady")

    def _volts(self) -> float:
        """Voltage at the meter's leads; at the input the supply's leads are off."""
        self.ohms = False
        return self._bulk_v if self.at == "bulk" else 0.0

    def _reads_ohms(self) -> float:
        self.ohms = True
        return self.resistance_ohm()

    def resistance_ohm(self) -> float:
        """Resistance at the meter's leads by its test current, which fills what is there."""
        if self.at == "fuse":
            return self.board.fuse_ohm
        if self.at.startswith("input") and self.board.suppressor_ohm is not None:
            return self.board.suppressor_ohm
        if self.at == "input reversed":  # the suppressor's forward voltage, by the test current
            return FORWARD_V * OHMS_OHM / (OHMS_V - FORWARD_V)
        test_a = self._test_a(self._bulk_v)
        if self.at == "away" or test_a <= OHMS_V / MOST_OHM:
            return math.inf
        return (OHMS_V - test_a * OHMS_OHM) / test_a

    def _test_a(self, bulk_v: float) -> float:
        """Return the ohmmeter's test current into the bulk capacitor."""
        if not self.ohms or self.at not in {"bulk", "input"}:
            return 0.0
        before_v = 0.2 if self.at == "input" else 0.0  # a Schottky diode at hardly any current
        return max(0.0, (OHMS_V - before_v - bulk_v) / OHMS_OHM)
