"""Makes levels in volts, amperes, coulombs and seconds, in the order the steps come."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from harness.profile.bench_file import Accuracy, BenchFile
from harness.profile.level import InrushAllowance, Level, LoadPoint
from harness.quantity import format_quantity
from harness.unit.nameplate import AcInput, Input

_EXACT = Accuracy(0.0, 0.0)

#: Capacitance across a DC supply's terminals, behind the shunt that measures current: 100 uF to
#: 470 uF, common practice; what no bench file says is allowed for.
_SUPPLY_F = 470e-6
#: Leads and contacts, both ways: 0.1 ohm, or thicker ones where that would drop more than half a
#: volt at the unit's nominal current. Source: common practice.
_LEAD_OHM, _LEAD_DROP_V = 0.1, 0.5
#: Drop of a diode against wrong polarity: Schottky 0.3 V to 0.5 V, common practice.
_DIODE_V = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """A current-limited start: what :class:`harness.profile.steps.StartStep` says, in figures."""

    levels_frac: tuple[float, ...]
    current_limit_a: float
    dwell_s: float
    charge_factor: float
    time_at_limit_s: float
    frequency_hz: float | None


class LevelMaker:
    """Makes the levels of one step after the other, and remembers the start and what was reached.

    Args:
        unit_input: The unit's input.
        envelope_a: Envelope current: the limit where a step states none.
        bench: The bench, or None where there is none yet.
        window_s: Averaging window of the supply's readings.
    """

    def __init__(
        self, unit_input: Input, envelope_a: float, bench: BenchFile | None, window_s: float
    ) -> None:
        self._input = unit_input
        self._envelope_a = envelope_a
        self._accuracy = {} if bench is None else bench.supply.accuracy
        self._window_s = window_s
        self._reached_v = 0.0
        self._start: Start | None = None

    @property
    def time_at_limit_s(self) -> float | None:
        """Longest time at the current limit that the start allows; None before it."""
        return None if self._start is None else self._start.time_at_limit_s

    def frequency_hz(self, stated_hz: float | None) -> float | None:
        """Return the line frequency that a step states, or the unit's first; None for DC."""
        if not isinstance(self._input, AcInput):
            return None
        return self._input.frequency_hz[0] if stated_hz is None else stated_hz

    def frequencies_hz(self, stated_hz: tuple[float, ...] | None) -> tuple[float | None, ...]:
        """Return the line frequencies that a step states, or all of the unit's; (None,) for DC."""
        return (stated_hz or self._input.frequency_hz) if self._input.kind == "ac" else (None,)

    def start(self, start: Start) -> Iterator[Level]:
        """Yield the levels of a start; it begins with the output off."""
        self._start = start
        self._reached_v = 0.0
        for level_frac in start.levels_frac:
            voltage_v = _rounded(level_frac * self._input.nominal_v)
            yield self._watched(
                Level(
                    label=format_quantity(level_frac, "%"),
                    voltage_v=voltage_v,
                    current_limit_a=start.current_limit_a,
                    dwell_s=start.dwell_s,
                    frequency_hz=start.frequency_hz,
                ),
                start,
            )
            self._reached_v = voltage_v

    def nominal(self, dwell_s: float, limit_a: float | None, frequency_hz: float | None) -> Level:
        """Return nominal voltage; after a start that ended below it, the rest is watched too."""
        rises = self._reached_v < self._input.nominal_v
        level = self.held("nominal", dwell_s, limit_a, frequency_hz)
        if rises and self._start is not None:
            level = self._watched(level, self._start)
        self._reached_v = self._input.nominal_v
        return level

    def held(
        self,
        label: str,
        dwell_s: float,
        limit_a: float | None,
        frequency_hz: float | None,
        *,
        load: LoadPoint | None = None,
        voltage_frac: float = 1.0,
        time_at_limit_s: float | None = None,
    ) -> Level:
        """Return a level that is entered from nominal voltage, or by what brought power back.

        Args:
            label: What the table and the record call it.
            dwell_s: Time to hold once settled.
            limit_a: Limit, or None for the envelope's current.
            frequency_hz: Line frequency, or None for the unit's first.
            load: Setting of the electronic load, or None where it stays off.
            voltage_frac: Share of nominal voltage.
            time_at_limit_s: Longest time at the current limit, or None.
        """
        return Level(
            label=label,
            voltage_v=_rounded(voltage_frac * self._input.nominal_v),
            current_limit_a=self._envelope_a if limit_a is None else limit_a,
            dwell_s=dwell_s,
            frequency_hz=self.frequency_hz(frequency_hz),
            load=load,
            time_at_limit_s=time_at_limit_s,
        )

    def again(self, limit_a: float | None, frequency_hz: float | None) -> Iterator[Level]:
        """Yield the levels of the start and nominal voltage, to bring power back."""
        if self._start is None:
            return
        yield from self.start(self._start)
        if self._reached_v < self._input.nominal_v:
            yield self.nominal(self._start.dwell_s, limit_a, frequency_hz)

    def below_threshold(self, frequency_hz: float | None) -> Iterator[Level]:
        """Yield what a unit with its load on it is started through: it does not work there yet.

        From there the voltage goes to nominal in one step, for a loaded converter on its way up
        would draw more than at nominal voltage. The unit has passed a start without load before.
        """
        for level in self.start(self._start) if self._start is not None else ():
            if level.voltage_v < self._input.start_threshold_v:
                yield replace(
                    level,
                    frequency_hz=self.frequency_hz(frequency_hz),
                    budget=None,
                    time_at_limit_s=self.time_at_limit_s,
                )

    def _watched(self, level: Level, start: Start) -> Level:
        """Return a level with what the unit may take while it is entered."""
        budget = self._allowance(level.voltage_v, start.charge_factor, level.frequency_hz)
        time_s = start.time_at_limit_s if budget is None else None
        return replace(level, budget=budget, time_at_limit_s=time_s)

    def _allowance(
        self, to_v: float, factor: float, frequency_hz: float | None
    ) -> InrushAllowance | None:
        """Return what a healthy unit may take on the way to ``to_v``; None without capacitance."""
        capacitance_f = self._input.bulk_capacitance_f
        if capacitance_f is None:
            return None
        voltage = self._accuracy.get("voltage", _EXACT)
        current = self._accuracy.get("current", _EXACT)
        is_dc = frequency_hz is None
        return InrushAllowance(
            kind="charge" if is_dc else "energy",
            capacitance_f=capacitance_f,
            peak_factor=self._input.peak_factor,
            charge_factor=factor,
            from_v=self._reached_v,
            to_v=to_v,
            idle_power_w=self._input.idle_power_w,
            threshold_v=self._input.start_threshold_v,
            leakage_a=self._input.leakage_a,
            # The budget knows a share only: the fixed part counts as its share of this level.
            voltage_error_frac=voltage.bound(to_v) / to_v,
            current_error_a=current.fixed,
            current_error_frac=current.reading_frac,
            beside_f=_SUPPLY_F if is_dc else 0.0,
            lead_ohm=min(_LEAD_OHM, _LEAD_DROP_V / self._input.current_a) if is_dc else 0.0,
            diode_v=_DIODE_V if is_dc else 0.0,
            window_s=max(self._window_s, 0.0 if frequency_hz is None else 1 / frequency_hz),
        )


def _rounded(value: float) -> float:
    """Return a product of decimal fractions as people write it: 2.4, not 2.4000000000000004."""
    return float(f"{value:.12g}")
