"""The switching converter over time, and the load on its output.

Its output moves on a known straight line or exponential, so the solvers ask it for the input power
a little ahead and then let it advance; they never integrate it.
"""

from __future__ import annotations

import math
from enum import Enum, auto

from harness.profile.level import LoadMode
from harness.rehearse.unit_parts import Bulk, Converter

#: The most an electronic load takes, whatever it is told.
_MOST_LOAD_A = 10.0
#: Resistance it cannot go below: at low voltage it takes less than it is set to.
LEAST_LOAD_OHM = 0.05


class Mode(Enum):
    """What the converter does."""

    OFF = auto()  #: it does not run and takes nothing; the output empties into load and bleeder
    MOVING = auto()  #: it runs and the output is not at its set value: soft start, or overload
    REGULATING = auto()  #: it runs and holds the output


class ConverterState:
    """One converter while a run goes on."""

    def __init__(self, model: Converter, bulk: Bulk) -> None:
        self.model = model
        self.mode = Mode.OFF
        self.output_v = 0.0  # mean voltage at the output terminals
        self.load_a = 0.0  # what the load is set to; 0 where it is off
        self.held_v = 0.0  # voltage that a load in constant voltage holds; 0 for any other
        self._bulk_share = bulk.nominal_capacitance_f / bulk.capacitance_f
        self._bulk_frac = 1.0  # mean bulk voltage over nominal, while it runs
        self._target_v = 0.0
        self._slope = 0.0
        self._least_v = 0.0
        self._wait_s = 0.0
        self._enabled = model.enable_v is None

    @property
    def start_v(self) -> float:
        """Bulk voltage at which it would start now; infinite if it runs, waits or is dead."""
        return self._own_start_v

    @property
    def upper_v(self) -> float:
        """Bulk voltage at which it would start or give in now, on the way up; infinite for none."""
        return self._own_upper_v

    @property
    def stop_v(self) -> float:
        """Bulk voltage at which it would stop now; minus infinity if it does not run."""
        return self._own_stop_v

    @property
    def _own_start_v(self) -> float:
        runs = self.model.starts and self._enabled
        if self.mode is not Mode.OFF or not runs or self._wait_s > 0.0:
            return math.inf
        return self.model.start_v

    @property
    def _own_upper_v(self) -> float:
        if self.mode is Mode.OFF:
            return self._own_start_v
        above_v = self.model.gives_in_above_v
        if above_v == math.inf or self._output_frac <= 0.0:
            return math.inf
        return above_v / self._output_frac

    @property
    def _own_stop_v(self) -> float:
        if self.mode is Mode.OFF:
            return -math.inf
        below_v = self.model.gives_in_below_v
        if below_v <= 0.0:
            return self.model.stop_v
        return max(self.model.stop_v, below_v * self._output_frac)

    @property
    def _output_frac(self) -> float:
        """Output power, of nominal."""
        return self.output_v * self.output_a / self.model.output_nominal_w

    @property
    def is_still(self) -> bool:
        """True if nothing changes until bulk voltage or load does."""
        if self.mode is Mode.OFF:
            return self.output_v <= 0.0 and self._wait_s <= 0.0
        return self.mode is Mode.REGULATING or self._slope == 0.0

    @property
    def output_a(self) -> float:
        """Current into the load: what it is set to, less where the voltage is too low for that."""
        if self.held_v > 0.0:
            if self.mode is Mode.OFF or self.output_v < self.held_v:
                return 0.0
            if self.mode is Mode.MOVING and self._slope == 0.0:
                return self.model.output_limit_a
        return min(self._wanted_a, self.output_v / LEAST_LOAD_OHM)

    @property
    def _wanted_a(self) -> float:
        """What the load would take here; one that holds more than the output gives takes none."""
        return self.load_a if self.held_v <= max(self._target_v, self.output_v) else 0.0

    @property
    def is_drifting(self) -> bool:
        """Whether its power moves on while all else repeats; :meth:`even_s` says how slowly."""
        return False

    def even_s(self) -> float:
        """Return for how long its power counts as even once it is still, in seconds."""
        return math.inf

    def set_load(self, current_a: float, held_v: float = 0.0) -> None:
        """Set the load's current, or the voltage that it holds; 0 switches it off."""
        self.load_a, self.held_v = current_a, held_v
        if self.mode is not Mode.OFF:
            self._aim()

    def enable(self, *, on: bool) -> None:
        """Let it start, or stop it; where nothing enables it, that changes nothing."""
        if self.model.enable_v is None:
            return
        self._enabled = on
        if not on and self.mode is not Mode.OFF:
            self.mode = Mode.OFF

    def rest_at_limit(self, near_frac: float) -> None:
        """Hold the output where a load that follows it takes the limit, to this share of it.

        Left to itself it would cross that voltage for ever, a trifle at a time.
        """
        limit_a = self.model.output_limit_a
        if self.mode is Mode.MOVING and abs(self.load_a - limit_a) <= near_frac * limit_a:
            self._slope = 0.0

    def watch_bulk(self, bulk_v: float) -> bool:
        """Start or stop at this bulk voltage; return True if that changed anything."""
        if self.mode is Mode.OFF:
            if bulk_v < self._own_start_v:
                return False
            self.mode = Mode.MOVING
            self._regulate_for(bulk_v)
            return True
        if self._own_stop_v < bulk_v < self._own_upper_v:
            return False
        self.mode = Mode.OFF
        self._wait_s = self.model.restart_delay_s
        return True

    def follow_line(self, bulk_v: float) -> None:
        """Let regulated voltage and loss follow the mean bulk voltage (line regulation)."""
        if self.mode is Mode.REGULATING:
            self._regulate_for(bulk_v)

    def input_power_w(self, ahead_s: float = 0.0) -> float:
        """Return the power taken from the bulk capacitor ``ahead_s`` from now, in watts."""
        if self.mode is Mode.OFF:
            return 0.0
        model = self.model
        if self.mode is Mode.REGULATING:
            return model.input_power_w(self.output_v * self._wanted_a, self._bulk_frac)
        output_v = max(self.output_v + self._slope * ahead_s, 0.0)
        supplied_a = model.output_limit_a
        if self._slope > 0.0:
            load_a = min(self._wanted_a, output_v / LEAST_LOAD_OHM)
            load_a = 0.0 if output_v < self.held_v else load_a
            supplied_a = min(load_a + self._slope * model.output_capacitance_f, supplied_a)
        return model.input_power_w(output_v * supplied_a, self._bulk_frac)

    def longest_step_s(self) -> float:
        """Return how far ahead the input power may be taken at its middle, in seconds."""
        if self.mode is Mode.OFF:
            return self._wait_s if self._wait_s > 0.0 else math.inf
        if self.mode is not Mode.MOVING or self._slope == 0.0:
            return math.inf
        even_s = self.model.soft_start_s / 32
        if self._slope > 0.0:
            return min(even_s, max((self._target_v - self.output_v) / self._slope, 1e-6))
        return min(even_s, max(0.2 * self.output_v / -self._slope, 1e-4))

    def advance(self, duration_s: float) -> None:
        """Move the output on by ``duration_s``."""
        if self.mode is Mode.MOVING:
            self._move(duration_s)
        elif self.mode is Mode.OFF:
            left_s = self._wait_s - duration_s
            self._wait_s = left_s if left_s > 1e-9 else 0.0
            if self.output_v > 0.0:
                self._empty(duration_s)

    def ripple_v(self, bulk_ripple_v: float) -> float:
        """Return the ripple (rms) at the output, apart from dips of the mean voltage.

        Source: The switching part grows with load and as the input filter loses capacitance; bulk
        ripple (rms) comes through divided by the line rejection; the two are unrelated, so they add
        in squares. Common practice.
        """
        if self.mode is Mode.OFF:
            return 0.0
        model = self.model
        idle_frac = model.ripple_at_idle_frac
        share = idle_frac + (1.0 - idle_frac) * min(self.output_a / model.output_nominal_a, 1.25)
        lost = 1.0 + model.ripple_by_bulk_frac * (self._bulk_share - 1.0)
        switching_v = model.switching_ripple_v * share * max(lost, 0.0)
        return math.hypot(switching_v, model.line_rejection_frac * bulk_ripple_v)

    def _regulate_for(self, bulk_v: float) -> None:
        model = self.model
        self._bulk_frac = bulk_v / model.nominal_bulk_v
        off_nominal = self._bulk_frac - 1.0
        self._target_v = model.output_v * (1.0 + model.line_regulation_frac * off_nominal)
        self._aim()

    def _aim(self) -> None:
        """Choose where the output goes from here, and how fast."""
        model = self.model
        spare_a = model.output_limit_a - self._wanted_a
        regulated_v = self._target_v - model.output_resistance_ohm * self._wanted_a
        full_slope = model.output_v / model.soft_start_s
        if spare_a < 0.0:
            self._least_v = max(LEAST_LOAD_OHM * model.output_limit_a, self.held_v)
            self.mode = Mode.MOVING
            self._slope = 0.0
            if self.output_v > self._least_v:
                self._slope = spare_a / model.output_capacitance_f
            elif self.output_v < self.held_v:  # which takes nothing yet
                limit_a = model.output_limit_a
                self._slope = min(full_slope, limit_a / model.output_capacitance_f)
            return
        self._least_v = 0.0
        if self.mode is Mode.REGULATING:
            self.output_v = regulated_v
            return
        self._slope = min(full_slope, spare_a / model.output_capacitance_f)

    def _move(self, duration_s: float) -> None:
        regulated_v = self._target_v - self.model.output_resistance_ohm * self._wanted_a
        before_v, holds_v = self.output_v, self._least_v if self.held_v > 0.0 else 0.0
        self.output_v += self._slope * duration_s
        if self._slope < 0.0 and self.output_v <= self._least_v:
            self.output_v = self._least_v
            self._slope = 0.0
        elif before_v < holds_v <= self.output_v:
            self.output_v = holds_v
            self._slope = 0.0
        elif self._slope > 0.0 and self.output_v >= regulated_v - 1e-9:
            self.output_v = regulated_v
            self.mode = Mode.REGULATING

    def _empty(self, duration_s: float) -> None:
        """Let load and bleeder empty the output: C dv/dt = -I - v/R, down to zero."""
        model = self.model
        time_s = model.output_bleed_ohm * model.output_capacitance_f
        rest_v = -(self.load_a if self.output_v > self.held_v else 0.0) * model.output_bleed_ohm
        fallen_v = rest_v + (self.output_v - rest_v) * math.exp(-duration_s / time_s)
        if self.held_v < self.output_v:
            fallen_v = max(fallen_v, self.held_v)
        self.output_v = fallen_v if fallen_v > 1e-6 * model.output_v else 0.0


class OutputLoad:
    """What hangs on the output: an electronic load in one of its modes, and a resistor by hand."""

    def __init__(self) -> None:
        self.on = False
        self.mode: LoadMode = "current"
        self.levels: dict[LoadMode, float] = {
            "current": 0.0,
            "resistance": 1e3,
            "power": 0.0,
            "voltage": 80.0,
        }
        self.hand_ohm = math.inf  # infinite where none is
        self.beside_a = 0.0  # what electronic loads at further outputs take, seen from the first

    @property
    def follows_voltage(self) -> bool:
        """Whether its current depends on the output voltage."""
        steady = self.mode in ("current", "voltage")
        return math.isfinite(self.hand_ohm) or (self.on and not steady)

    @property
    def held_v(self) -> float:
        """Voltage that the electronic load holds; 0 where it holds none."""
        return self.levels["voltage"] if self.on and self.mode == "voltage" else 0.0

    def current_a(self, voltage_v: float) -> float:
        """Return what both take at an output voltage. Source: Ohm's law; P = V I, textbook.

        To hold a voltage the electronic load takes whatever it can, from that voltage on.
        """
        by_hand_a = self.beside_a + voltage_v / self.hand_ohm
        if not self.on:
            return by_hand_a
        level = self.levels[self.mode]
        if self.mode == "current":
            return by_hand_a + level
        if self.mode == "voltage":
            return by_hand_a + _MOST_LOAD_A
        if self.mode == "resistance":
            return by_hand_a + min(voltage_v / max(level, 1e-3), _MOST_LOAD_A)
        return by_hand_a + min(level / max(voltage_v, 1e-3), _MOST_LOAD_A)
