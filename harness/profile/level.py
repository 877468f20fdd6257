"""What is set and held, level by level, with what the unit may take meanwhile; and its making."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from harness.profile.accuracy import Accuracy
from harness.profile.allowance import InrushAllowance
from harness.profile.bench_file import BenchFile
from harness.profile.hand_set import Turn
from harness.profile.measures import SETTINGS
from harness.quantity import format_quantity, parse_quantity
from harness.unit.nameplate import Input, Output

_EXACT = Accuracy(0.0, 0.0)

#: Capacitance across a DC supply's terminals, behind the shunt that measures current: 100 uF to
#: 470 uF, common practice; allowed for where the bench file does not say it.
_SUPPLY_F = 470e-6
#: Leads and contacts, both ways: 0.1 ohm, or thicker ones where that would drop more than half a
#: volt at the unit's nominal current. Source: common practice.
_LEAD_OHM, _LEAD_DROP_V = 0.1, 0.5

#: What an electronic load holds constant.
LoadMode = Literal["current", "resistance", "power", "voltage"]


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """One setting of an electronic load: in A, ohm, W or V, as its mode holds it constant."""

    mode: LoadMode
    value: float

    @property
    def label(self) -> str:
        """What the table and the record call it."""
        return format_quantity(self.value, SETTINGS["load"][self.mode])

    def current_a(self, output: Output) -> float:
        """Current it takes at most from an output at its nominal voltage.

        Source: Ohm's law; P = V I, textbook. What holds the voltage takes all that the output
        gives: its limit, or the nominal current where none is stated.
        """
        match self.mode:
            case "current":
                return self.value
            case "resistance":
                return output.nominal_v / self.value
            case "power":
                return self.value / output.nominal_v
            case "voltage":
                return output.current_a if output.limit_a is None else output.limit_a


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """One thing to set and hold."""

    label: str  # what the table and the record call it: "25 %", "nominal", "1.25 A"
    voltage_v: float  # rms for AC
    current_limit_a: float
    dwell_s: float  # once settled
    frequency_hz: float | None = None  # None: DC
    load: LoadPoint | None = None  # None: it stays off
    budget: InrushAllowance | None = None  # while it is entered; None: none applies
    time_at_limit_s: float | None = None  # longest at the current limit; None: a budget stands
    wait_s: float = 0.0  # time that is let pass before its readings have to come to rest
    charges: bool = False  # a battery is charged: what is drawn moves on all the while
    turn: Turn | None = None  # what a hand does for it; None: the program sets it
    #: Least and most that a unit at work draws here, in A: between them its current may jump.
    works_a: tuple[float, float] | None = None

    @property
    def zero_crossing_s(self) -> float:
        """Time that an AC source may wait for the next zero crossing of its line; 0 for DC."""
        return 0.0 if self.frequency_hz is None else 0.5 / self.frequency_hz

    @property
    def load_current_a(self) -> float | None:
        """Constant current of the load, or None where it holds none."""
        return self.load.value if self.load is not None and self.load.mode == "current" else None


def resistor_ohm(load: str) -> float | None:
    """Return the resistance of a load by hand such as ``resistor 10 ohm``; None for any other.

    Raises:
        QuantityError: It is a resistor without a resistance.
    """
    kind, _, value = load.partition(" ")
    return parse_quantity(value, "ohm") if kind == "resistor" else None


#: How the operator is told of a resistor across the bulk capacitor, before its resistance.
ACROSS_BULK = "resistor across bulk"


def across_bulk_ohm(load: str) -> float | None:
    """Return the resistance of what is connected across the bulk capacitor; None: nothing is."""
    kind, found, value = load.partition(f"{ACROSS_BULK} ")
    return parse_quantity(value, "ohm") if found and not kind else None


class LevelMaker:
    """Makes the levels of one step after the other, and remembers the start and what was reached.

    ``window_s`` is the averaging window of the supply's readings.
    """

    def __init__(
        self, unit_input: Input, envelope_a: float, bench: BenchFile | None, window_s: float
    ) -> None:
        self._whole = unit_input
        self._input = unit_input.at(unit_input.low_nominal_v)
        self._envelope_a = envelope_a
        self._accuracy = {} if bench is None else bench.feed.accuracy
        self._window_s = window_s
        self._beside_f = _SUPPLY_F
        if bench is not None and bench.settable is not None:
            self._beside_f = bench.settable.most_output_f(_SUPPLY_F)
        self._reached_v = 0.0
        self._start: tuple[Level, ...] = ()
        self._limit_a = envelope_a  # of its levels that are not slow
        self._charge_factor = 1.0
        #: Longest time at the current limit that the start allows.
        self.time_at_limit_s: float | None = None

    def on_line(self, nominal_v: float | None) -> None:
        """Take this one of a nominal range as nominal voltage from here on; None: as before."""
        if nominal_v is not None:
            self._input = self._whole.at(nominal_v)

    def frequencies_hz(self, stated_hz: tuple[float, ...] | None) -> tuple[float | None, ...]:
        """Return the line frequencies that a step states, or all of the unit's; (None,) for DC."""
        return (stated_hz or self._input.frequency_hz) if self._input.kind == "ac" else (None,)

    def start(
        self,
        levels_frac: tuple[float, ...],
        dwell_s: float,
        limit_a: float,
        frequency_hz: float | None,
        *,
        slow_limit_a: float | None = None,
        charge_factor: float,
        time_at_limit_s: float,
    ) -> tuple[Level, ...]:
        """Return the levels of a start, shares of nominal; it begins with the output off.

        ``slow_limit_a`` is the current limit of the lowest one, for AC of every one below the
        threshold, whose gains are weighed; None that of all.
        """
        self._charge_factor, self.time_at_limit_s = charge_factor, time_at_limit_s
        self._limit_a, self._reached_v = limit_a, 0.0
        self._start = ()
        for share in levels_frac:
            label = format_quantity(share, "%")
            below = share * self._input.nominal_v < self._input.start_threshold_v
            slow = below if self._input.kind == "ac" else not self._start
            level_a = limit_a if slow_limit_a is None or not slow else slow_limit_a
            level = self.held(label, dwell_s, level_a, frequency_hz, voltage_frac=share)
            if self._boots_at(level.voltage_v):
                level = replace(level, wait_s=self._input.boot_time_s or 0.0)
            self._start = (*self._start, self._watched(level))
            self._reached_v = level.voltage_v
        return self._start

    def nominal(self, dwell_s: float, limit_a: float | None, frequency_hz: float | None) -> Level:
        """Return nominal voltage; after a start that ended below it, the rest is watched too."""
        level = self.held("nominal", dwell_s, limit_a, frequency_hz)
        if self._start and self._reached_v < self._input.nominal_v:
            if self._boots_at(level.voltage_v):
                level = replace(level, wait_s=self._input.boot_time_s or 0.0)
            level = self._watched(level)
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

        ``limit_a`` None is the envelope's current, ``frequency_hz`` None the unit's first.
        """
        return Level(
            label=label,
            voltage_v=_rounded(voltage_frac * self._input.nominal_v),
            current_limit_a=self._envelope_a if limit_a is None else limit_a,
            dwell_s=dwell_s,
            frequency_hz=self._frequency_hz(frequency_hz),
            load=load,
            time_at_limit_s=time_at_limit_s,
            works_a=self._works_a(
                voltage_frac * self._input.nominal_v,
                # where something hangs at it by hand, time at the limit is bounded
                loaded=time_at_limit_s is not None or (load is not None and load.value > 0.0),
            ),
        )

    def returned(self, level: Level, *, loaded: bool) -> Level:
        """Return a level with what a unit may take whose input comes back to it.

        What is left on the bulk capacitor is not known: it may have to be filled from nothing,
        while a load, if there is one, is fed with all that the nameplate's current gives.
        """
        reached_v, self._reached_v = self._reached_v, 0.0
        watched = self._watched(level)
        self._reached_v = reached_v
        budget = watched.budget
        if budget is None:
            return watched
        if loaded:
            budget = replace(budget, idle_power_w=max(budget.idle_power_w, self._whole.apparent_va))
        boots_s = self._input.boot_time_s or 0.0  # a drop may have stopped it
        return replace(watched, budget=budget, time_at_limit_s=None, wait_s=boots_s)

    def _boots_at(self, voltage_v: float) -> bool:
        """Whether a unit begins to work at a level, by the one before."""
        return self._reached_v < self._input.start_threshold_v <= voltage_v

    def _works_a(self, voltage_v: float, *, loaded: bool) -> tuple[float, float] | None:
        """Return what a unit that works in phases draws at a voltage; None for any other.

        Loaded it may draw all that its nameplate says, and by itself its busy power.

        Source: I = P / V over the power factor, textbook; half and a tenth more: what leads, a
        diode and the tolerance of a nameplate make of it, common practice.
        """
        line = self._input
        if line.busy_power_w is None or voltage_v < line.start_threshold_v:
            return None
        least_a, most_a = (
            power_w / voltage_v / line.power_factor
            for power_w in (line.idle_power_w, line.apparent_va if loaded else line.own_power_w)
        )
        return 0.5 * least_a, 1.1 * most_a

    def again(
        self, limit_a: float | None, frequency_hz: float | None, *, slow: bool = False
    ) -> Iterator[Level]:
        """Yield the levels of the start and nominal voltage, to bring power back.

        None is slow unless it is a start of its own: nothing is weighed again, and by hand
        something may have been connected.
        """
        if not self._start:
            return
        for level in self._start:
            yield level if slow else replace(level, current_limit_a=self._limit_a)
        self._reached_v = self._start[-1].voltage_v
        if self._reached_v < self._input.nominal_v:
            yield self.nominal(self._start[-1].dwell_s, limit_a, frequency_hz)

    def below_threshold(self, frequency_hz: float | None) -> Iterator[Level]:
        """Yield what a unit with its load on it is started through: it does not work there yet.

        From there the voltage goes to nominal in one step, for a loaded converter on its way up
        would draw more than at nominal voltage. The unit has passed a start without load before.
        """
        for level in self._start:
            if level.voltage_v < self._input.start_threshold_v:
                yield replace(
                    level,
                    current_limit_a=self._limit_a,
                    frequency_hz=self._frequency_hz(frequency_hz),
                    budget=None,
                    time_at_limit_s=self.time_at_limit_s,
                )

    def _frequency_hz(self, stated_hz: float | None) -> float | None:
        return self.frequencies_hz(None if stated_hz is None else (stated_hz,))[0]

    def _watched(self, level: Level) -> Level:
        """Return a level with what the unit may take while it is entered."""
        capacitance_f = self._input.bulk_capacitance_f
        if capacitance_f is None:
            return replace(level, time_at_limit_s=self.time_at_limit_s)
        to_v, frequency_hz = level.voltage_v, level.frequency_hz
        voltage = self._accuracy.get("voltage", _EXACT)
        current = self._accuracy.get("current", _EXACT)
        is_dc = frequency_hz is None
        budget = InrushAllowance(
            kind="charge" if is_dc else "energy",
            capacitance_f=capacitance_f,
            peak_factor=self._input.peak_factor,
            charge_factor=self._charge_factor,
            from_v=self._reached_v,
            to_v=to_v,
            idle_power_w=self._input.own_power_w,
            threshold_v=self._input.start_threshold_v,
            leakage_a=self._input.leakage_a,
            # The budget knows a share only: the fixed part counts as its share of this level.
            voltage_error_frac=voltage.bound(to_v) / to_v,
            current_error_a=current.fixed,
            current_error_frac=current.reading_frac,
            beside_f=self._beside_f if is_dc else 0.0,
            lead_ohm=min(_LEAD_OHM, _LEAD_DROP_V / self._input.current_a) if is_dc else 0.0,
            diode_v=self._input.diode_v if self._input.kind == "dc" else 0.0,
            boosted_v=self._input.boosted_v or 0.0,
            window_s=max(self._window_s, 0.0 if frequency_hz is None else 1 / frequency_hz),
        )
        return replace(level, budget=budget)


def _rounded(value: float) -> float:
    """Return a product of decimal fractions as people write it: 2.4, not 2.4000000000000004."""
    return float(f"{value:.12g}")
