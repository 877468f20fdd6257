"""A battery charger over time: converter, charging stage, and what hangs at its terminals.

Its output capacitor is small and beside a battery: terminals and current follow at once.
"""

from __future__ import annotations

import math
from enum import Enum, auto

from harness.rehearse.charge_parts import Battery, ChargeStage
from harness.rehearse.circuit.converter import LEAST_LOAD_OHM, ConverterState, Mode
from harness.rehearse.unit_parts import Bulk, Converter

#: For so long the sign of an end must last before it counts as one (assumption).
_END_LASTS_S = 0.5
#: Below this share of its waking voltage a battery counts as gone (assumption).
_GONE_FRAC = 0.5
#: Change of the converter's power, as a share of nominal, within which it counts as even.
_EVEN_FRAC = 0.002
#: Parts of the ramp to the current of the charge.
_RAMP_PARTS = 32
#: How closely the end of a charge that draws near is looked at.
_LOOK_S = 0.25


class Phase(Enum):
    """What the charging stage does."""

    ASLEEP = auto()  #: it waits for a battery and gives nothing
    CHARGING = auto()
    ENDED = auto()  #: the battery is charged, and still there


class ChargerState(ConverterState):
    """One charger while a run goes on.

    At its terminals hangs a battery, or a load that holds a voltage and a small supply that wakes
    the charger; any other load finds no voltage and takes nothing.
    """

    def __init__(self, model: Converter, stage: ChargeStage, bulk: Bulk) -> None:
        super().__init__(model, bulk)
        self.stage = stage
        self.phase = Phase.ASLEEP
        self.battery: Battery | None = None
        self.charged_frac = 0.0  # of the battery
        self.small_supply_v = 0.0  # behind a diode, across the terminals; 0: none ...
        self.small_limit_a = 0.0  # ... and what it gives at most
        self._given_a = 0.0  # into the battery or load; negative: out of the battery
        self._ramp_frac = 0.0
        self._found_s = self._ending_s = 0.0
        self._highest_v = 0.0

    # --- what hangs at it

    def connect_battery(self, battery: Battery | None, charged_frac: float = 0.0) -> None:
        """Connect a battery by hand; None takes it off."""
        self.battery, self.charged_frac = battery, charged_frac
        self._settle()

    def connect_small_supply(self, voltage_v: float, limit_a: float) -> None:
        """Connect the small supply that wakes it, behind its diode; 0 V takes it off."""
        self.small_supply_v, self.small_limit_a = voltage_v, limit_a
        self._settle()

    @property
    def small_supply_a(self) -> float:
        """Current of the small supply, none once the terminals stand above it.

        Source: Ohm's law.
        """
        if self.small_supply_v <= 0.0 or self.output_v > self.small_supply_v:
            return 0.0
        if self.output_v < self.small_supply_v:
            return self.small_limit_a
        return self.output_v / self.stage.drain_ohm

    def set_load(self, current_a: float, held_v: float = 0.0) -> None:
        """Set the load's current, or the voltage that it holds; 0 switches it off."""
        self.load_a, self.held_v = current_a, held_v
        self._settle()

    @property
    def _emf(self) -> tuple[float, float]:
        """Voltage behind the terminals, and the resistance between."""
        if self.battery is not None:
            return self.battery.emf_v(self.charged_frac), self.battery.resistance_ohm
        return self.held_v, LEAST_LOAD_OHM

    # --- what the solvers ask

    @property
    def output_a(self) -> float:
        """Current into what hangs at it; negative where that feeds the charger."""
        return self._given_a

    @property
    def is_still(self) -> bool:
        """True if nothing but the state of charge moves."""
        if self.mode is Mode.OFF:
            return self._wait_s <= 0.0
        return self._next_s() == math.inf

    @property
    def is_drifting(self) -> bool:
        """True while it charges a battery."""
        runs = self.mode is not Mode.OFF and self.phase is Phase.CHARGING
        return runs and self.battery is not None

    def even_s(self) -> float:
        """Return for how long its power counts as even, in seconds."""
        battery = self.battery
        if battery is None or not self.is_drifting or self._given_a <= 0.0:
            return math.inf
        rise_v = battery.rise_v(self.charged_frac) * self._given_a / battery.capacity_c  # a second
        held = self._given_a < self._limit_a
        # held voltage: dI/dt = -(dE/dt) / R, against the current of the charge; else dV/dt
        ohm = battery.resistance_ohm + self.stage.resistance_ohm
        share = rise_v / ohm / self.stage.current_a if held else rise_v / self.stage.voltage_v
        return max(_EVEN_FRAC / max(abs(share), 1e-9), 1e-3)

    def longest_step_s(self) -> float:
        """Return how far ahead the input power may be taken at its middle, in seconds."""
        if self.mode is Mode.OFF:
            return self._wait_s if self._wait_s > 0.0 else math.inf
        return min(self._next_s(), self.even_s())

    def input_power_w(self, ahead_s: float = 0.0) -> float:  # noqa: ARG002 - it is even that long
        """Return the power taken from the bulk capacitor, in watts; asleep, the idle power."""
        if self.mode is Mode.OFF:
            return 0.0
        given_w = self.output_v * max(self._given_a, 0.0)
        return self.model.input_power_w(given_w, self._bulk_frac)

    def ripple_v(self, bulk_ripple_v: float) -> float:
        """Return the ripple (rms) at the output: none while it gives nothing."""
        return super().ripple_v(bulk_ripple_v) if self.phase is Phase.CHARGING else 0.0

    def rest_at_limit(self, near_frac: float) -> None:
        """Nothing crosses a limit: terminals and current follow at once."""

    # --- time

    def advance(self, duration_s: float) -> None:
        """Move battery and phases on by ``duration_s``."""
        left_s = duration_s
        while left_s > 1e-12:
            step_s = min(left_s, self.longest_step_s())
            if self.phase is Phase.CHARGING and self.mode is not Mode.OFF:
                step_s = min(step_s, _LOOK_S)
            self._move_on(step_s)
            left_s -= step_s

    def _move_on(self, step_s: float) -> None:
        if self.battery is not None:
            begin_a, begin_frac = self._given_a, self.charged_frac
            capacity_c = self.battery.capacity_c
            self.charged_frac = begin_frac + 0.5 * step_s * begin_a / capacity_c
            self._settle()  # at the middle of the step
            self.charged_frac = begin_frac + step_s * self._given_a / capacity_c
        if self.mode is Mode.OFF:
            left_s = self._wait_s - step_s
            self._wait_s = left_s if left_s > 1e-9 else 0.0
            self._fall_asleep()
        elif self.phase is Phase.ASLEEP:
            self._look_for_battery(step_s)
        elif self.phase is Phase.CHARGING:
            self._ramp_frac = min(1.0, self._ramp_frac + step_s / self.stage.ramp_s)
        self._settle()
        if self.mode is not Mode.OFF and self.phase is not Phase.ASLEEP:
            self._look_for_end(step_s)

    def _look_for_battery(self, step_s: float) -> None:
        there = self.output_v >= self.stage.wake_v
        self._found_s = self._found_s + step_s if there else 0.0
        if self._found_s >= self.stage.wake_delay_s - 1e-9:
            self.phase = Phase.CHARGING
            self._ramp_frac = 0.0

    def _look_for_end(self, step_s: float) -> None:
        stage = self.stage
        if self.output_v < _GONE_FRAC * stage.wake_v:
            self._fall_asleep()
            self._settle()
            return
        if self.phase is Phase.ENDED:
            return
        self._highest_v = max(self._highest_v, self.output_v)
        is_there = self._ramp_frac >= 1.0 and self._emf[0] > 0.0
        tapered = is_there and self._given_a <= stage.end_current_a
        dropped = self.output_v <= self._highest_v - stage.end_drop_v
        self._ending_s = self._ending_s + step_s if tapered or dropped else 0.0
        if self._ending_s >= _END_LASTS_S and stage.least_a <= 0.0:
            self.phase = Phase.ENDED
            self._settle()

    def _fall_asleep(self) -> None:
        self.phase = Phase.ASLEEP
        self._found_s = self._ending_s = self._ramp_frac = self._highest_v = 0.0

    def _next_s(self) -> float:
        """Return the time until something besides the state of charge changes."""
        stage = self.stage
        if self.phase is Phase.ASLEEP and self.output_v >= stage.wake_v:
            return max(stage.wake_delay_s - self._found_s, 1e-6)
        if self.phase is Phase.CHARGING and self._ramp_frac < 1.0:
            return stage.ramp_s / _RAMP_PARTS
        return math.inf

    @property
    def _limit_a(self) -> float:
        return self._ramp_frac * self.stage.current_a

    def _settle(self) -> None:
        """Have terminals and current follow what hangs there. Source: Ohm's law."""
        stage = self.stage
        emf_v, ohm = self._emf
        if self.mode is not Mode.OFF and self.phase is Phase.CHARGING:
            if emf_v <= 0.0:  # nothing with a voltage of its own: it holds its own
                self._given_a = min(self.load_a, self._limit_a)
                held_v = stage.voltage_v - stage.resistance_ohm * self._given_a
                self.output_v = held_v if self.load_a <= self._limit_a else 0.0
                return
            held_a = (stage.voltage_v - emf_v) / (ohm + stage.resistance_ohm)
            least_a = min(stage.least_a, self._limit_a)
            self._given_a = max(min(self._limit_a, held_a), least_a, 0.0)
            self.output_v = emf_v + ohm * self._given_a
            return
        if self.battery is not None:
            self._given_a = -emf_v / (ohm + stage.drain_ohm)
            self.output_v = emf_v + ohm * self._given_a
            return
        # what leaks back may draw more than the small supply gives
        most_v = self.small_limit_a * stage.drain_ohm if self.small_supply_v else 0.0
        self._given_a, self.output_v = 0.0, min(self.small_supply_v, most_v)
        if 0.0 < self.held_v < self.output_v:
            self.output_v = self.held_v

    def _aim(self) -> None:
        """Run: what it gives, the charging stage decides."""
        self.mode = Mode.REGULATING
        self._settle()
