"""The door to the simulated circuit: settings in, time forward, true values out."""

from __future__ import annotations

import math

from harness.rehearse.circuit.dc import DcSolver
from harness.rehearse.circuit.let_through import LetThrough
from harness.rehearse.circuit.source import SourceModel
from harness.rehearse.unit_model import UnitModel

__all__ = ["Circuit"]

#: An output reading averages over this long: a period of the slower line frequency.
_OUTPUT_WINDOW_S = 0.02


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
        self.load_on = False
        self._load_a = 0.0
        self._solver = DcSolver(model, source, seed=seed)

    @property
    def time_s(self) -> float:
        """Time reached, in seconds."""
        return self._solver.time_s

    @property
    def source_on(self) -> bool:
        """True while the supply's output is on."""
        return self._solver.is_on

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
        if time_s > self._solver.time_s:
            self._solver.advance_to(time_s)

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
        solver = self._solver
        if voltage_v is not None:
            solver.setting_v = voltage_v
        if current_limit_a is not None:
            solver.limit_a = current_limit_a
        if on is not None:
            solver.is_on = on
        solver.disturb()

    def set_load(self, *, current_a: float | None = None, on: bool | None = None) -> None:
        """Change the electronic load from now on: constant current, on or off."""
        if current_a is not None:
            self._load_a = current_a
        if on is not None:
            self.load_on = on
        self._solver.converter.set_load(self._load_a if self.load_on else 0.0)
        self._solver.disturb()

    def source_voltage_v(self, window_s: float = 0.0) -> float:
        """Return the voltage at the supply's terminals; rms over ``window_s`` for AC."""
        means = self._solver.ledger.means(window_s) if window_s > 0 else None
        return self._solver.terminal_v if means is None else means.voltage

    def source_current_a(self, window_s: float = 0.0) -> float:
        """Return the supply's current; rms over ``window_s`` for AC."""
        means = self._solver.ledger.means(window_s) if window_s > 0 else None
        return self._solver.current_a if means is None else means.current

    def source_power_w(self, window_s: float = 0.0) -> float:
        """Return the real power the supply gives."""
        means = self._solver.ledger.means(window_s) if window_s > 0 else None
        if means is None:
            return self._solver.terminal_v * self._solver.current_a
        return means.power_w

    def source_limiting(self) -> bool:
        """Return True if the supply is in current limit."""
        return self._solver.is_limiting

    def source_peak_current_a(self) -> float:
        """Return the highest instantaneous current of the last line period; DC: the current."""
        return self._solver.current_a

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

    def bulk_voltage_v(self) -> float:
        """Return the voltage of the bulk capacitor."""
        return self._solver.bulk_v
