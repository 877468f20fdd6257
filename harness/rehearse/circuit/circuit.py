"""The door to the simulated circuit: settings in, time forward, true values out."""

from __future__ import annotations

import math
from typing import Protocol

from harness.rehearse.circuit.ac import AcSolver
from harness.rehearse.circuit.converter import ConverterState
from harness.rehearse.circuit.dc import DcSolver
from harness.rehearse.circuit.fuse_heat import FuseHeat
from harness.rehearse.circuit.let_through import LetThrough
from harness.rehearse.circuit.output_load import LOOP_S, Mode, OutputLoad
from harness.rehearse.circuit.source import SourceModel, SourceSetting
from harness.rehearse.circuit.windowed_means import WindowedMeans
from harness.rehearse.unit_model import UnitModel

__all__ = ["Circuit"]

#: An output reading averages over this long: a period of the slower line frequency.
_OUTPUT_WINDOW_S = 0.02


class _Solver(Protocol):
    """What DC and AC have in common."""

    converter: ConverterState
    fuse: FuseHeat
    ledger: WindowedMeans
    let_through: LetThrough
    time_s: float
    bulk_v: float

    @property
    def is_limiting(self) -> bool: ...
    @property
    def peak_a(self) -> float: ...
    @property
    def bulk_swing_v(self) -> float: ...
    def voltage_v(self, window_s: float) -> float: ...
    def current_a(self, window_s: float) -> float: ...
    def power_w(self, window_s: float) -> float: ...
    def advance_to(self, time_s: float) -> None: ...
    def set_load(self, current_a: float) -> None: ...
    def set_source(self, setting: SourceSetting) -> None: ...


class Circuit:
    """A supply, the unit and an electronic load, joined.

    Time is an argument: nothing moves but by :meth:`advance_to`. Values are true values; noise
    and error of the instruments are the instruments' own. Same seed, same run.

    Args:
        model: The unit.
        source: The supply; its kind must be that of the unit's input.
        seed: Decides when a bad contact opens.

    Raises:
        ValueError: A DC unit on an AC source, or the other way round.
    """

    def __init__(self, model: UnitModel, source: SourceModel, *, seed: int = 1) -> None:
        if model.input_kind != source.kind:
            raise ValueError(f"a unit with {model.input_kind} input on a {source.kind} source")
        self.model = model
        self.source = source
        self._load = OutputLoad()
        self._load_a = 0.0
        solver = DcSolver if source.kind == "dc" else AcSolver
        self._setting = SourceSetting(
            voltage_v=0.0, current_limit_a=source.highest_current_a, frequency_hz=50.0, on=False
        )
        self._solver: _Solver = solver(model, source, self._setting, seed=seed)

    @property
    def time_s(self) -> float:
        """Time reached, in seconds."""
        return self._solver.time_s

    @property
    def source_on(self) -> bool:
        """True while the supply's output is on."""
        return self._setting.on

    @property
    def let_through(self) -> LetThrough:
        """What went through the fault path so far; zero for a healthy unit."""
        return self._solver.let_through

    @property
    def fuse_open(self) -> bool:
        """True once the fuse has parted."""
        return self._solver.fuse.is_open

    def advance_to(self, time_s: float) -> None:
        """Go on to ``time_s``; a time already reached changes nothing."""
        while time_s > self._solver.time_s:
            if not self._load.follows_voltage:
                self._solver.advance_to(time_s)
                return
            # A load that follows the voltage does so in steps of its own while anything moves.
            followed = self._follow_voltage()  # first, and always: a moving output most of all
            still = self._solver.converter.is_still and not followed
            self._solver.advance_to(time_s if still else min(self._solver.time_s + LOOP_S, time_s))
        if self._load.follows_voltage:
            self._follow_voltage()

    def set_source(
        self,
        *,
        voltage_v: float | None = None,
        current_limit_a: float | None = None,
        frequency_hz: float | None = None,
        on: bool | None = None,
    ) -> None:
        """Change the supply's settings from now on; what is left out stays.

        Args:
            voltage_v: Voltage to hold; rms for AC.
            current_limit_a: Current limit; rms for AC.
            frequency_hz: Line frequency, AC only.
            on: Output on or off.
        """
        was = self._setting
        self._setting = SourceSetting(
            voltage_v=was.voltage_v if voltage_v is None else voltage_v,
            current_limit_a=was.current_limit_a if current_limit_a is None else current_limit_a,
            frequency_hz=was.frequency_hz if frequency_hz is None else frequency_hz,
            on=was.on if on is None else on,
        )
        self._solver.set_source(self._setting)

    @property
    def load_on(self) -> bool:
        """True while the electronic load's input is on."""
        return self._load.on

    def set_load(
        self,
        *,
        current_a: float | None = None,
        on: bool | None = None,
        mode: Mode = "current",
        value: float | None = None,
    ) -> None:
        """Change the electronic load from now on; what is left out stays.

        Args:
            current_a: Constant current: short for ``mode="current"`` and its value.
            on: Input on or off.
            mode: What it holds constant.
            value: Current in A, resistance in ohm, or power in W.
        """
        if current_a is not None:
            mode, value = "current", current_a
        if value is not None:
            self._load.set(mode, value)
        if on is not None:
            self._load.on = on
        self._tell_load()

    def connect_resistor(self, resistance_ohm: float) -> None:
        """Put a resistor across the output by hand; infinite takes it off."""
        self._load.hand_ohm = resistance_ohm
        self._tell_load()

    def _follow_voltage(self) -> bool:
        """Let the load follow the output voltage; return True if that changed its current."""
        wanted_a = self._load.current_a(self._solver.converter.output_v)
        if not self._load.is_news(self._load_a, wanted_a):
            return False
        self._tell_load()
        return True

    def _tell_load(self) -> None:
        self._load_a = self._load.current_a(self._solver.converter.output_v)
        self._solver.set_load(self._load_a)

    def source_voltage_v(self, window_s: float = 0.0) -> float:
        """Return the voltage at the supply's terminals.

        Args:
            window_s: DC: mean over this long, the value now for 0. AC: rms over as many whole
                half-cycles as fit best, over one line period for 0.
        """
        return self._solver.voltage_v(window_s)

    def source_current_a(self, window_s: float = 0.0) -> float:
        """Return the supply's current; window as for the voltage, rms for AC."""
        return self._solver.current_a(window_s)

    def source_power_w(self, window_s: float = 0.0) -> float:
        """Return the real power at the supply's terminals; window as for the voltage."""
        return self._solver.power_w(window_s)

    def source_limiting(self) -> bool:
        """Return True if the supply is in current limit."""
        return self._solver.is_limiting

    def source_peak_current_a(self) -> float:
        """Return the highest instantaneous current of the last line period; DC: the current."""
        return self._solver.peak_a

    def output_voltage_v(self) -> float:
        """Return the mean voltage at the output terminals."""
        means = self._solver.ledger.means(_OUTPUT_WINDOW_S)
        return self._solver.converter.output_v if means is None else means.output_v

    def output_ripple_v(self) -> float:
        """Return the rms value of the AC part at the output terminals."""
        means = self._solver.ledger.means(_OUTPUT_WINDOW_S)
        if means is None:
            return 0.0
        bulk_v = math.sqrt(max(means.bulk_square - means.bulk_v**2, 0.0))
        dips_v2 = max(means.output_square - means.output_v**2, 0.0)
        return math.sqrt(self._solver.converter.ripple_v(bulk_v) ** 2 + dips_v2)

    def output_current_a(self) -> float:
        """Return the current into the load."""
        return self._solver.converter.output_a

    def input_voltage_v(self) -> float:
        """Return the voltage across the input terminals; rms for AC."""
        return self._solver.voltage_v(0.0)

    def bulk_voltage_v(self) -> float:
        """Return the voltage of the bulk capacitor."""
        return self._solver.bulk_v

    def bulk_swing_v(self) -> float:
        """Return highest less lowest bulk voltage of the last line period; 0 for DC."""
        return self._solver.bulk_swing_v

    def bulk_voltage_mean_v(self, window_s: float) -> float:
        """Return the mean bulk voltage over the last ``window_s`` seconds."""
        means = self._solver.ledger.means(window_s)
        return self._solver.bulk_v if means is None else means.bulk_v

    def fuse_heat_a2s(self) -> float:
        """Return the heat in the fuse element, in A^2 s; it parts at its melting integral."""
        return self._solver.fuse.heat_a2s
