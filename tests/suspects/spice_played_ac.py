"""AC units that ngspice computed, played on the simulated bench."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate
from pathlib import Path
from typing import Any

import numpy as np

from harness.rehearse.circuit import Circuit
from harness.rehearse.circuit.source import SourceSetting
from tests.suspects.spice_netlist_ac import ac_netlist
from tests.suspects.spice_units import MakeCircuit, by_ngspice
from tests.suspects.spice_units_ac import AcParts, phases_of

#: The end of a phase, whose means go on past it: whole periods of either mains frequency.
_END_S = 0.1
#: An output reading averages over this long.
_OUTPUT_S = 0.02
#: Decay of the output once the source is off.
_OFF_S = 0.05
#: Columns of the curve: integrals of voltage and current squared, power, bulk voltage and its
#: square; then output voltage, and the share of the amplitude that the source's limit leaves.
VOLTS2, AMPS2, ENERGY, BULK, BULK2, OUT, FOLD = range(1, 8)


@dataclass(frozen=True)
class AcCurve:
    """What ngspice computed of one unit."""

    rows: np.ndarray
    parts: AcParts

    @cached_property
    def columns(self) -> np.ndarray:
        """The same by column, each in one piece: times first."""
        return np.ascontiguousarray(self.rows.T)

    @cached_property
    def begins_s(self) -> list[float]:
        """When each phase begins; one more: when the last one ends."""
        return [0.0, *accumulate(phase[4] for phase in phases_of(self.parts))]

    def phase(self, setting: SourceSetting, load_a: float) -> int:
        """Return the phase that is nearest to what source and load are set to."""
        wanted = (setting.voltage_v, setting.frequency_hz, setting.current_limit_a, load_a)
        scale = (1.0, 1.0, 20.0, 200.0)
        gaps = [
            sum(k * abs(a - b) for a, b, k in zip(phase[:4], wanted, scale, strict=True))
            for phase in phases_of(self.parts)
        ]
        return gaps.index(min(gaps))

    def total(self, column: int, phase: int, since_s: float) -> float:
        """Return an integral up to a time after a phase began; its end goes on evenly."""
        begin_s, end_s = self.begins_s[phase], self.begins_s[phase + 1]
        over_s = begin_s + since_s - end_s
        last = self._at(column, min(begin_s + since_s, end_s))
        if over_s <= 0.0:
            return last
        return last + over_s / _END_S * (last - self._at(column, end_s - _END_S))

    def value(self, column: int, phase: int, since_s: float) -> float:
        """Return a value at a time after a phase began; that of its end stays."""
        return self._at(column, min(self.begins_s[phase] + since_s, self.begins_s[phase + 1]))

    def _at(self, column: int, time_s: float) -> float:
        return float(np.interp(time_s, self.columns[0], self.columns[column]))


def ac_computed(parts: AcParts, folder: Path) -> AcCurve:
    """Have ngspice compute one unit."""
    return AcCurve(by_ngspice(ac_netlist(parts), folder), parts)


def ac_played(curve: AcCurve) -> MakeCircuit:
    """Return what puts a computed unit on the simulated bench."""
    return lambda model, source, *, seed=1: PlayedAc(curve, model, source, seed=seed)


class PlayedAc(Circuit):
    """A circuit whose values are those of a curve; what it is told decides where on the curve."""

    def __init__(self, curve: AcCurve, *args: Any, **named: Any) -> None:
        self._curve = curve
        self._phase, self._since_s, self._off_v = 0, 0.0, 0.0
        super().__init__(*args, **named)

    def _take_setting(self, wanted: SourceSetting) -> None:
        if self.setting.on and not wanted.on:
            self._off_v, self._since_s = self._output_v(), self.time_s
        switched_on = wanted.on and not self.setting.on
        self.setting = wanted
        if wanted.on:
            self._begin(from_its_start=switched_on)

    def _draw(self, current_a: float) -> None:
        self.converter.set_load(current_a)
        if self.setting.on:
            self._begin()

    def _begin(self, *, from_its_start: bool = False) -> None:
        """Begin the phase that is wanted now; one that was left before goes on with its end."""
        phase = self._curve.phase(self.setting, self.converter.load_a)
        if phase == self._phase and not from_its_start:
            return
        back = phase < self._phase
        self._phase = phase
        long_s = self._curve.begins_s[phase + 1] - self._curve.begins_s[phase]
        self._since_s = self.time_s - (long_s if back else 0.0)

    def _advance_to(self, time_s: float) -> None:
        self.time_s = time_s
        self.converter.output_v = self._output_v()

    def _disturb(self) -> None:
        """Nothing is computed here."""

    def _passed_s(self) -> float:
        return max(0.0, self.time_s - self._since_s)

    def _mean(self, column: int, window_s: float) -> float:
        """Return a mean over a window that ends now; before a phase that of its first moments."""
        passed_s = self._passed_s()
        window_s = min(window_s, passed_s)
        if window_s <= 0.0:
            return 0.0
        curve, phase = self._curve, self._phase
        gone = curve.total(column, phase, passed_s) - curve.total(
            column, phase, passed_s - window_s
        )
        return max(0.0, gone) / window_s if column != ENERGY else gone / window_s

    def _periods_s(self, window_s: float) -> float:
        """Return the whole periods that fit a window best, one at least."""
        hertz = self.setting.frequency_hz
        return max(round(window_s * hertz), 1) / hertz

    def _terminals(self, window_s: float) -> tuple[float, float, float]:
        if not self.setting.on:
            return 0.0, 0.0, 0.0
        whole_s = self._periods_s(window_s)
        volts2, amps2, watts = (self._mean(one, whole_s) for one in (VOLTS2, AMPS2, ENERGY))
        return math.sqrt(volts2), math.sqrt(amps2), watts

    def source_limiting(self) -> bool:
        """Return whether the source has folded its amplitude back."""
        return self._curve.value(FOLD, self._phase, self._passed_s()) < 0.995

    def _output_v(self) -> float:
        if not self.setting.on:
            return self._off_v * math.exp(-self._passed_s() / _OFF_S)
        return max(0.0, self._curve.value(OUT, self._phase, self._passed_s()))

    def output_voltage_v(self) -> float:
        """Return the voltage of the output."""
        return self._output_v()

    def output_ripple_v(self) -> float:
        """Return its ripple, rms: of the switching, and what comes through of the bulk's."""
        parts = self._curve.parts
        if not self.setting.on or self._output_v() < 0.05 * parts.output_v:
            return 0.0
        bulk_v, bulk2 = self._mean(BULK, _OUTPUT_S), self._mean(BULK2, _OUTPUT_S)
        line_v = parts.rejection * math.sqrt(max(0.0, bulk2 - bulk_v**2))
        share = 0.4 + 0.6 * min(1.0, self.converter.load_a / 2.5)
        return math.hypot(share * parts.ripple_v, line_v)
