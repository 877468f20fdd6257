"""The two waits of every step: until the readings rest, and while they do."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from harness.bench.sample import SupplySample
from harness.judge.series import Trend
from harness.judge.settle import Settler, Watched
from harness.power.trip import TripReason
from harness.profile.level import Level
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.context import Context
from harness.run.probe import Stillness
from harness.run.thinning import window_s

__all__ = ["Hold", "hold", "settle"]

#: So many disturbed holds are no accident of the bench any more.
_DISTURBANCES = 3
#: A hold longer than this is thinned in the record; nothing else is.
_THINNED_FROM_S = 20.0
#: Fewest readings of a quantity a hold is judged by.
_FEWEST = 5
#: Share of its current limit from which on a supply may hold its voltage where it is.
_AT_LIMIT_FRAC = 0.9
#: Share of the voltage set that it may rest away from it, beside twice the supply's accuracy.
_AWAY_FRAC = 0.02
#: The tolerance of the voltage over that of the current: a supply holds what it is set to.
_VOLTAGE_SHARE = 0.2
#: Share of its mean by which a reading of the current may lie outside what was read at rest.
#: Coarse: a contact that opens, or a converter that starts again and again, falls to nothing or
#: rises from it; what a board at work draws goes up and down by some tens of per cent.
_CURRENT_JUMP_FRAC = 0.5
#: The same of the voltage: a supply holds it, and a load that pulses moves it by less.
_VOLTAGE_JUMP_FRAC = 0.005


@dataclass(frozen=True, slots=True)
class Hold:
    """Readings of one hold.

    Attributes:
        level: The level that was held.
        readings: Values by measure name (``supply.voltage``), each an array of shape ``(n,)``; in a
            long hold means of blocks of equal length (:class:`harness.judge.trend.Trend`).
        times: When each was read, on the run's clock, by measure name.
        number: Number under which it is known whether its readings live.
    """

    level: Level
    readings: Mapping[str, npt.NDArray[np.float64]]
    times: Mapping[str, npt.NDArray[np.float64]] = field(default_factory=dict)
    number: int = 0


def settle(context: Context, step: PlannedStep, level: Level) -> Settler:
    """Read the supply as fast as the link allows until the readings have settled.

    Returns:
        What decided it, to go on watching for movement during the hold.

    Raises:
        Tripped: They do not settle, or settle away from the voltage that was set.
    """
    context.begin(step, level)
    settler = Settler(*_watched(context, step, level), span_s=step.rest.span_s)
    begin_s = context.clock.now_s()
    while True:
        sample = context.sample()
        if settler.add(sample.time_s, (sample.voltage_v, sample.current_a)):
            break
        if sample.time_s - begin_s > step.rest.longest_s:
            _unsettled(context, step, level, settler)
    _require_moved(context, level, settler)
    # written so that a value that is no number fails
    if not abs(settler.mean(0) - level.voltage_v) <= _most_away_v(context, level):
        _not_reached(context, level, settler)
    context.event(EventKind.SETTLED, f"{level.label} after {sample.time_s - begin_s:.3f} s")
    return settler


def hold(
    context: Context, step: PlannedStep, level: Level, settler: Settler, measures: Iterable[str]
) -> Hold:
    """Hold a level for its dwell and read what is asked for, the supply in between always.

    A hold in which the readings move again proves nothing and begins anew; one loose contact may be
    the bench's, but the third such hold of a run cuts power. A voltage that rests away from what
    was set cuts power at once.

    Args:
        context: The run.
        step: The step.
        level: The level.
        settler: What decided that the level had settled.
        measures: Measure names beyond the supply's: ``meter.*`` and ``load.*``.

    Raises:
        Tripped: The readings do not stay at rest, or power was cut for any other reason.
    """
    context.begin(step, level)
    context.thin(window_s(level.dwell_s) if level.dwell_s > _THINNED_FROM_S else None)
    try:
        holding = _Holding(context, step, level, settler, measures)
        while not holding.complete:
            holding.take(context.sample())
    finally:
        context.thin(None)  # what comes next, power off too, is recorded in full
    return holding.close()


class _Holding:
    """One hold on its way."""

    def __init__(
        self,
        context: Context,
        step: PlannedStep,
        level: Level,
        settler: Settler,
        measures: Iterable[str],
    ) -> None:
        self._context = context
        self._step = step
        self._level = level
        self._settler = settler
        self._stillness = Stillness(context, level)
        self._away_v = _most_away_v(context, level)
        self._turns = _turns(measures)
        self._at_rest = True
        self._unrest_s = 0.0
        self._begin_anew(context.clock.now_s())

    def take(self, sample: SupplySample) -> None:
        """Take in a sample of the supply; while it rests, read the next of the others, too."""
        was_at_rest = self._at_rest
        self._at_rest = self._settler.add(sample.time_s, (sample.voltage_v, sample.current_a))
        if not self._at_rest:
            self._move(sample, was_at_rest=was_at_rest)
            return
        if not abs(self._settler.mean(0) - self._level.voltage_v) <= self._away_v:
            _not_reached(self._context, self._level, self._settler)
        self._keep("supply.voltage", sample.time_s, sample.voltage_v)
        self._keep("supply.current", sample.time_s, sample.current_a)
        self._keep("supply.power", sample.time_s, sample.power_w)
        self._samples += 1
        self._rest_s += self._stillness.look()
        if self._turns:  # one turn a sample, so that neither waits for more than one of the other
            self._take_turn()

    @property
    def complete(self) -> bool:
        """Whether it has rested for the dwell, and enough was read of everything."""
        return (
            self._samples >= _FEWEST
            and self._turn >= _FEWEST * len(self._turns)
            and self._context.clock.now_s() - self._rest_s >= self._level.dwell_s
        )

    def close(self) -> Hold:
        """Return what was read, once it is seen that the meter's answers are its own."""
        if any(turn.startswith("meter.") for turn in self._turns):
            self._context.check_meter()  # before its readings are believed
        trends = self._trends
        return Hold(
            self._level,
            readings={name: trend.values for name, trend in trends.items()},
            times={name: trend.times for name, trend in trends.items()},
            number=self._context.live.end_hold(
                {name: trend.last for name, trend in trends.items()}
            ),
        )

    def _begin_anew(self, time_s: float) -> None:
        """Forget what was read: the hold counts from here."""
        self._trends: dict[str, Trend] = defaultdict(Trend)
        self._samples = self._turn = 0
        self._rest_s = time_s

    def _keep(self, measure: str, time_s: float, value: float) -> None:
        self._trends[measure].add(time_s, value)

    def _take_turn(self) -> None:
        """Read the next of meter and load."""
        turn = self._turns[self._turn % len(self._turns)]
        time_s, rows = self._context.read_other(turn)
        for measure, value in rows.items():
            self._keep(measure, time_s, value)
        self._turn += 1

    def _move(self, sample: SupplySample, *, was_at_rest: bool) -> None:
        """Void the hold, and cut power where that goes on for too long or comes too often."""
        if was_at_rest:
            self._unrest_s = sample.time_s
            self._disturbed()
        if sample.time_s - self._unrest_s > self._step.rest.longest_s:
            _unsettled(self._context, self._step, self._level, self._settler)
        self._begin_anew(sample.time_s)

    def _disturbed(self) -> None:
        """Note that readings at rest have moved, and cut power when that goes on."""
        context, what = self._context, f"{self._level.label}: {self._settler.reason}"
        context.disturbances += 1
        context.event(EventKind.DISTURBED, what)
        if context.disturbances >= _DISTURBANCES:
            context.host.cut(
                TripReason.UNSETTLED, f"{context.disturbances} holds disturbed, the last at {what}"
            )


def _unsettled(context: Context, step: PlannedStep, level: Level, settler: Settler) -> None:
    context.host.cut(
        TripReason.UNSETTLED,
        f"after {format_quantity(step.rest.longest_s, 's')} at {level.label}: {settler.reason}",
    )


def _require_moved(context: Context, level: Level, settler: Settler) -> None:
    """Cut power where no digit has moved since another voltage was set; a supply in limit may."""
    voltage_v, current_a = settler.mean(0), settler.mean(1)
    moved = [context.live.changed_s(f"supply.{name}") for name in ("voltage", "current")]
    if current_a >= _AT_LIMIT_FRAC * level.current_limit_a:
        return
    if max(time_s or -math.inf for time_s in moved) < context.set_s:
        context.host.cut(
            TripReason.FROZEN_READINGS,
            f"{format_quantity(voltage_v, 'V', 4)} and {format_quantity(current_a, 'A', 3)} to the "
            f"last digit since {format_quantity(level.voltage_v, 'V')} was set",
        )


def _most_away_v(context: Context, level: Level) -> float:
    """How far from what was set the voltage may rest."""
    accuracy = context.bench.file.supply.accuracy.get("voltage")
    error_v = accuracy.bound(level.voltage_v) if accuracy else 0.0
    return 2 * error_v + _AWAY_FRAC * level.voltage_v


def _not_reached(context: Context, level: Level, settler: Settler) -> None:
    """Cut power: the voltage rests away from what was set."""
    voltage_v = settler.mean(0)
    context.host.cut(
        TripReason.VOLTAGE_NOT_REACHED,
        f"at rest at {format_quantity(voltage_v, 'V', 4)}, "
        f"{'above' if voltage_v > level.voltage_v else 'below'} the "
        f"{format_quantity(level.voltage_v, 'V')} that was set",
    )


def _watched(context: Context, step: PlannedStep, level: Level) -> tuple[Watched, Watched]:
    """What has to come to rest; what the supply's readings may be off by, or a trifle, is none."""
    accuracy, share = context.bench.file.supply.accuracy, step.rest.tolerance_frac
    voltage, current = accuracy.get("voltage"), accuracy.get("current")
    off_v = voltage.bound(level.voltage_v) if voltage else 0.0
    off_a = current.bound(0.0) if current else 0.0
    return (
        Watched(
            name="supply voltage",
            unit="V",
            tolerance=max(off_v, _VOLTAGE_SHARE * share * level.voltage_v),
            jump_frac=_VOLTAGE_JUMP_FRAC,
        ),
        Watched(
            name="supply current",
            unit="A",
            tolerance=max(off_a, share * level.current_limit_a),
            jump_frac=_CURRENT_JUMP_FRAC,
        ),
    )


def _turns(measures: Iterable[str]) -> list[str]:
    """Name the readings that are taken in turn: each of the meter's, and the load as a whole."""
    names = sorted(measures)
    turns = [name for name in names if name.startswith("meter.")]
    return turns + (["load"] if any(name.startswith("load.") for name in names) else [])
