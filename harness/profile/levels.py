"""What a step sets: its levels in volts, amperes, coulombs and seconds."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from harness.profile.bench_file import Accuracy, BenchFile
from harness.profile.plan import InrushAllowance, Level
from harness.profile.schema import (
    DischargeStep,
    LineStep,
    LoadPoint,
    LoadStep,
    NominalStep,
    Profile,
    SoakStep,
    StartStep,
    Step,
)
from harness.quantity import format_quantity
from harness.unit.nameplate import AcInput

__all__ = ["LevelMaker"]

_EXACT = Accuracy(0.0, 0.0)

#: Capacitance across a DC supply's terminals, behind the shunt that measures current: 100 uF to
#: 470 uF, common practice; what no bench file says is allowed for.
_SUPPLY_F = 470e-6
#: Leads and contacts, both ways: 0.1 ohm, or thicker ones where that would drop more than half a
#: volt at the unit's nominal current. Source: common practice.
_LEAD_OHM, _LEAD_DROP_V = 0.1, 0.5
#: Drop of a diode against wrong polarity: Schottky 0.3 V to 0.5 V, common practice.
_DIODE_V = 0.5


class LevelMaker:
    """Walks the steps in order and remembers what was reached, and whether power is on.

    Args:
        profile: The profile.
        bench: The bench, or None where there is none yet.
        window_s: Averaging window of the supply's readings.
    """

    def __init__(self, profile: Profile, bench: BenchFile | None, window_s: float) -> None:
        self._profile = profile
        self._input = profile.unit.input
        self._bench = bench
        self._window_s = window_s
        self._reached_v = 0.0
        self._live = False
        self._start: StartStep | None = None

    def of(self, step: Step) -> tuple[tuple[Level, ...], tuple[Level, ...]]:
        """Return what the next step sets: levels that bring power back, and its own levels."""
        by_hand = isinstance(step, LoadStep) and step.load is not None
        restart: tuple[Level, ...] = ()
        if by_hand:
            restart = tuple(self._below_threshold(step))
        elif isinstance(step, DischargeStep) and step.across != "output":
            restart = tuple(self._again(step))  # the meter is moved first, without power
        elif not isinstance(step, StartStep) and not self._live:
            restart = tuple(self._again(step))
        levels = tuple(self._levels(step))
        self._live = bool(levels) and not by_hand and not isinstance(step, DischargeStep)
        return restart, levels

    def _again(self, step: Step) -> Iterator[Level]:
        """Yield the levels of the last start and nominal voltage, to bring power back."""
        if self._start is None:
            return
        yield from self._start_levels(self._start)
        if self._reached_v < self._input.nominal_v:
            dwell_s = self._start.dwell_s
            yield self._nominal_level(dwell_s, self._limit_a(step), self._frequency_hz(step))

    def _below_threshold(self, step: Step) -> Iterator[Level]:
        """Yield what a unit with its load on it is started through: it does not work there yet.

        From there the voltage goes to nominal in one step, for a loaded converter on its way up
        would draw more than at nominal voltage. The unit has passed a start without load before.
        """
        if self._start is None:
            return
        frequency_hz = self._frequency_hz(step)
        for level in self._start_levels(self._start):
            if level.voltage_v < self._input.start_threshold_v:
                yield Level(
                    label=level.label,
                    voltage_v=level.voltage_v,
                    current_limit_a=level.current_limit_a,
                    dwell_s=level.dwell_s,
                    frequency_hz=frequency_hz,
                    time_at_limit_s=self._start.time_at_limit_s,
                )

    def _levels(self, step: Step) -> Iterator[Level]:
        match step:
            case StartStep():
                yield from self._start_levels(step)
            case NominalStep():
                limit_a, frequency_hz = self._limit_a(step), self._frequency_hz(step)
                yield self._nominal_level(step.dwell_s, limit_a, frequency_hz)
            case LineStep():
                yield from self._corners(step)
            case LoadStep() if step.load is not None:
                yield self._by_hand_level(step, step.load)
            case LoadStep():
                yield from self._load_levels(step)
            case SoakStep():
                yield self._soak_level(step)
            case DischargeStep():
                yield self._nominal_level(0.0, self._limit_a(step), self._frequency_hz(step))

    def _start_levels(self, step: StartStep) -> Iterator[Level]:
        frequency_hz = self._frequency_hz(step)
        self._start = step
        self._reached_v = 0.0  # every start begins with the output off
        for level_frac in step.levels_frac:
            voltage_v = _rounded(level_frac * self._input.nominal_v)
            budget = self._budget(voltage_v, step.charge_factor, frequency_hz)
            yield Level(
                label=format_quantity(level_frac, "%"),
                voltage_v=voltage_v,
                current_limit_a=step.current_limit_a,
                dwell_s=step.dwell_s,
                frequency_hz=frequency_hz,
                budget=budget,
                time_at_limit_s=step.time_at_limit_s if budget is None else None,
            )
            self._reached_v = voltage_v

    def _nominal_level(self, dwell_s: float, limit_a: float, frequency_hz: float | None) -> Level:
        """Return nominal voltage; after a start that ended below it, the rest is watched too."""
        nominal_v = self._input.nominal_v
        rises = self._reached_v < nominal_v
        start = self._start
        budget, time_s = None, None
        if rises and start is not None:
            budget = self._budget(nominal_v, start.charge_factor, frequency_hz)
            time_s = start.time_at_limit_s if budget is None else None
        self._reached_v = nominal_v
        return Level(
            label="nominal",
            voltage_v=nominal_v,
            current_limit_a=limit_a,
            dwell_s=dwell_s,
            frequency_hz=frequency_hz,
            budget=budget,
            time_at_limit_s=time_s,
        )

    def _load_levels(self, step: LoadStep) -> Iterator[Level]:
        for point in step.points:
            yield Level(
                label=point.label,
                voltage_v=self._input.nominal_v,
                current_limit_a=self._limit_a(step),
                dwell_s=step.dwell_s,
                frequency_hz=self._frequency_hz(step),
                load=point,
            )

    def _by_hand_level(self, step: LoadStep, load: str) -> Level:
        time_s = None if self._start is None else self._start.time_at_limit_s
        return Level(
            label=load,
            voltage_v=self._input.nominal_v,
            current_limit_a=self._limit_a(step),
            dwell_s=step.dwell_s,
            frequency_hz=self._frequency_hz(step),
            time_at_limit_s=time_s,
        )

    def _corners(self, step: LineStep) -> Iterator[Level]:
        """Yield every corner, frequency by frequency, in the order of the voltages."""
        point = None if step.current_a is None else LoadPoint("current", step.current_a)
        for frequency_hz, share in itertools.product(
            self._frequencies_hz(step), step.voltages_frac
        ):
            label = format_quantity(share, "%")
            if len(self._frequencies_hz(step)) > 1 and frequency_hz is not None:
                label = f"{label}, {format_quantity(frequency_hz, 'Hz')}"
            self._reached_v = _rounded(share * self._input.nominal_v)
            yield Level(
                label=label,
                voltage_v=self._reached_v,
                current_limit_a=self._limit_a(step),
                dwell_s=step.dwell_s,
                frequency_hz=frequency_hz,
                load=point,
            )
        self._reached_v = self._input.nominal_v

    def _soak_level(self, step: SoakStep) -> Level:
        point = None if step.current_a is None else LoadPoint("current", step.current_a)
        return Level(
            label="soak" if point is None else point.label,
            voltage_v=self._input.nominal_v,
            current_limit_a=self._limit_a(step),
            dwell_s=step.duration_s,
            frequency_hz=self._frequency_hz(step),
            load=point,
        )

    def _limit_a(self, step: Step) -> float:
        limit_a: float | None = getattr(step, "current_limit_a", None)
        return self._profile.envelope.current_a if limit_a is None else limit_a

    def _frequency_hz(self, step: Step) -> float | None:
        if not isinstance(self._input, AcInput):
            return None
        frequency_hz: float | None = getattr(step, "frequency_hz", None)
        return self._input.frequency_hz[0] if frequency_hz is None else frequency_hz

    def _frequencies_hz(self, step: LineStep) -> tuple[float | None, ...]:
        if not isinstance(self._input, AcInput):
            return (None,)
        return step.frequencies_hz or self._input.frequency_hz

    def _budget(
        self, to_v: float, factor: float, frequency_hz: float | None
    ) -> InrushAllowance | None:
        """Return what a healthy unit may take on the way to ``to_v``; None without capacitance."""
        capacitance_f = self._input.bulk_capacitance_f
        if capacitance_f is None:
            return None
        accuracy = self._bench.supply.accuracy if self._bench is not None else {}
        voltage, current = accuracy.get("voltage", _EXACT), accuracy.get("current", _EXACT)
        period_s = 0.0 if frequency_hz is None else 1 / frequency_hz
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
            window_s=max(self._window_s, period_s),
        )


def _rounded(value: float) -> float:
    """Return a product of decimal fractions as people write it: 2.4, not 2.4000000000000004."""
    return float(f"{value:.12g}")
