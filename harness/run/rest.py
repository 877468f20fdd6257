"""The two waits of every step: until the readings rest, and while they do."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

from harness.bench.sample import SupplySample
from harness.judge.series import Trend
from harness.judge.settle import Settler, Watched
from harness.power.trip import TripReason
from harness.profile.level import Level
from harness.profile.measures import role_of
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.agreement import disagreements
from harness.run.causes import Readings
from harness.run.context import WHOLE, Context
from harness.run.meters import check_in_sync, read_other
from harness.run.readings import window_s
from harness.run.rising import note_rises
from harness.run.stillness import Stillness, moved_s

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
#: Share of its mean by which a reading of the voltage may lie outside what was read at rest: a
#: supply holds it, and a load that pulses moves it by less.
_VOLTAGE_JUMP_FRAC = 0.005
#: The same of the current. Coarse: a contact that opens, or a converter that starts again and
#: again, falls to nothing or rises from it; a board at work goes up and down by tens of per cent.
_CURRENT_JUMP_FRAC = 0.5
#: What the mains, and so all that a hand sets, may move by in one span or from one reading to the
#: next (common practice).
_BY_HAND_FRAC = 0.02


@dataclass(frozen=True, slots=True)
class Hold:
    """Readings of one hold of a level."""

    level: Level
    #: By measure name (``supply.voltage``), each an array of shape ``(n,)``; in a long hold means
    #: of blocks of equal length (:class:`harness.judge.series.Trend`).
    readings: Mapping[str, npt.NDArray[np.float64]]
    times: Mapping[str, npt.NDArray[np.float64]]  # when each was read, on the run's clock
    #: The smallest change of each reading, infinite where it never changed.
    least_change: Mapping[str, float]
    number: int  # under which it is known whether its readings live


class Dwell:
    """One level of a step: its readings settle, and then it is held."""

    # from the beginning of the hold on
    _stillness: Stillness
    _poll_order: list[str]  # each quantity of the meter, and the load
    _trends: dict[str, Trend]
    _samples: int
    _polled: int  # readings of the others
    _rest_s: float  # since when it counts, less what a probe took
    _unrest_s: float | None = None  # since when the readings move again

    def __init__(self, context: Context, step: PlannedStep, level: Level) -> None:
        context.step_name, context.level_label = step.name, level.label
        self._context, self._step, self._level = context, step, level
        share, voltage_v = step.rest.tolerance_frac, level.voltage_v
        fed_by = context.fed_by.replace("_", " ")
        error_v = context.error_of(f"{context.fed_by}.voltage", voltage_v)
        error_a = context.error_of(f"{context.fed_by}.current", 0.0)
        self._away_v = 2 * error_v + _AWAY_FRAC * voltage_v
        moves_v, jump_frac = max(error_v, _VOLTAGE_SHARE * share * voltage_v), _VOLTAGE_JUMP_FRAC
        if level.turn is not None:  # the mains moves, and a hand is no regulator
            moves_v = voltage_v - level.turn.low_v
            self._away_v, jump_frac = 2 * moves_v, _BY_HAND_FRAC
            share = max(share, _BY_HAND_FRAC)
        # what the readings may be off by, or a trifle, is no movement
        voltage = Watched(
            name=f"{fed_by} voltage",
            unit="V",
            tolerance=moves_v,
            jump_frac=jump_frac,
        )
        current = Watched(
            name=f"{fed_by} current",
            unit="A",
            tolerance=max(error_a, share * level.current_limit_a),
            jump_frac=_CURRENT_JUMP_FRAC,
            free=level.works_a or (math.inf, -math.inf),
        )
        # The current of a charge moves on until it ends: bounds and budget watch it all the same.
        watched = (voltage,) if level.charges else (voltage, current)
        self._settler = Settler(*watched, span_s=step.rest.span_s)

    def settle(self) -> Self:
        """Read the supply as fast as the link allows until the readings have settled.

        Raises:
            Tripped: They do not settle, or settle away from the voltage that was set.
        """
        begin_s = self._context.clock.now_s()
        wait_s = self._level.wait_s
        while wait_s and self._context.sample().time_s - begin_s < wait_s:
            pass  # a charger has not found yet what hangs at it, or a board boots
        begin_s = self._context.clock.now_s()
        note_rises(self._context, self._step)
        while not self._is_at_rest(sample := self._context.sample()):
            self._require_patience(begin_s, sample)
            note_rises(self._context, self._step)
        self._require_moved()
        self._require_reached()
        after_s = sample.time_s - begin_s
        self._context.event(EventKind.SETTLED, f"{self._level.label} after {after_s:.3f} s")
        return self

    def hold(self, measures: Iterable[str] = ()) -> Hold:
        """Hold the settled level; read the measures in turn, the supply in between always.

        A hold in which the readings move again proves nothing and begins from its start; one loose
        contact may be the bench's, but the third such hold of a run cuts power. A voltage that
        rests away from what was set cuts power at once.

        Raises:
            Tripped: The readings do not stay at rest, or power was cut for any other reason.
        """
        context, dwell_s = self._context, self._level.dwell_s
        self._stillness = Stillness(context, self._level)
        names = sorted(measures)
        by_role = [(role_of(name.partition(".")[0]), name) for name in names]
        self._poll_order = [name for role, name in by_role if role == "meter"]
        # a load as a whole
        loads = (name.partition(".")[0] for role, name in by_role if role == "load")
        self._poll_order += dict.fromkeys(loads)
        if "power_meter" in context.bench.readers:  # always: it is held to the envelope, too
            self._poll_order.append("power_meter")
        self._poll_order += [
            name
            for name in names
            if name.startswith("power_meter.") and name.partition(".")[2] not in WHOLE
        ]
        driven = context.enabled and context.plan.enable_way == "aux"
        if driven or any(role == "aux" for role, _ in by_role):  # always: it has its envelope, too
            self._poll_order.append("aux")
        self._restart(context.clock.now_s())
        context.thin(window_s(dwell_s) if dwell_s > _THINNED_FROM_S else None)
        try:
            while not self._is_complete():
                self._take(context.sample())
        finally:
            context.thin(None)  # what comes next, power off too, is recorded in full
        for key in {source.partition(".")[0] for source in self._poll_order}:
            if key in context.bench.readers:
                check_in_sync(context, key)  # before its readings are believed
        trends = self._trends.items()
        hold = Hold(
            self._level,
            readings={name: trend.values for name, trend in trends},
            times={name: trend.times for name, trend in trends},
            least_change={name: trend.least_change for name, trend in trends},
            number=context.live.end_hold(self._trends),
        )
        self._compare(hold)
        return hold

    def keep(self, until: Callable[[], bool]) -> None:
        """Go on holding the level, watched as before, until something is so.

        What is read meanwhile goes into the record and into no check.

        Raises:
            Tripped: The readings do not stay at rest, or power was cut for any other reason.
        """
        context = self._context
        self._restart(context.clock.now_s())
        context.thin(window_s(_THINNED_FROM_S))
        try:
            while not until():
                self._take(context.sample())
        finally:
            context.thin(None)

    def _compare(self, hold: Hold) -> None:
        """Say where supply and power meter disagree in a hold; what rests on that is undecided."""
        context = self._context
        found = disagreements(context.bench.file, Readings(hold.readings, hold.least_change))
        if found:
            context.disagreed[hold.number] = found
            for told in dict.fromkeys(found.values()):
                context.event(EventKind.DISAGREEMENT, f"{self._level.label}: {told}")

    def _restart(self, time_s: float) -> None:
        """Forget what was read: the hold counts from here."""
        self._trends = defaultdict(Trend)
        self._samples = self._polled = 0
        self._rest_s = time_s

    def _is_complete(self) -> bool:
        """Whether it has rested for the dwell, and enough was read of everything."""
        return (
            self._samples >= _FEWEST
            and self._polled >= _FEWEST * len(self._poll_order)
            and self._context.clock.now_s() - self._rest_s >= self._level.dwell_s
        )

    def _is_at_rest(self, sample: SupplySample) -> bool:
        readings = (sample.voltage_v, sample.current_a)
        return self._settler.add(sample.time_s, readings[: 1 if self._level.charges else 2])

    def _take(self, sample: SupplySample) -> None:
        """Take in a sample of the supply; while it rests, read the next of the others, too."""
        if not self._is_at_rest(sample):
            self._void(sample)
            return
        self._require_reached()
        if self._unrest_s is not None:
            after_s = sample.time_s - self._unrest_s
            self._unrest_s = None
            self._context.event(
                EventKind.SETTLED, f"{self._level.label} again after {after_s:.3f} s"
            )
        trends, fed_by = self._trends, self._context.fed_by
        trends[f"{fed_by}.voltage"].add(sample.time_s, sample.voltage_v)
        trends[f"{fed_by}.current"].add(sample.time_s, sample.current_a)
        trends[f"{fed_by}.power"].add(sample.time_s, sample.power_w)
        self._samples += 1
        self._rest_s += self._stillness.look(sample.time_s)
        if self._poll_order:  # one a sample, so that neither waits for more than one of the other
            source = self._poll_order[self._polled % len(self._poll_order)]
            time_s, values = read_other(self._context, source)
            for measure, value in values.items():
                trends[measure].add(time_s, value)
            self._polled += 1

    def _void(self, sample: SupplySample) -> None:
        """Begin the hold again, unless the readings move for too long or too often."""
        context = self._context
        if self._unrest_s is None:
            self._unrest_s = sample.time_s
            what = f"{self._level.label}: {self._settler.reason}"
            context.disturbances += 1
            context.event(EventKind.DISTURBED, what)
            if context.disturbances >= _DISTURBANCES:
                times = f"{context.disturbances} holds disturbed"
                context.host.cut(TripReason.UNSETTLED, f"{times}, the last at {what}")
        self._require_patience(self._unrest_s, sample)
        self._restart(sample.time_s)

    def _require_patience(self, since_s: float, sample: SupplySample) -> None:
        """Cut power where the readings have moved for too long."""
        longest_s = self._step.rest.longest_s
        if sample.time_s - since_s > longest_s:
            self._context.host.cut(
                TripReason.UNSETTLED,
                f"after {format_quantity(longest_s, 's')} at {self._level.label}: "
                f"{self._settler.reason}",
            )

    def _require_moved(self) -> None:
        """Cut power where no digit has moved since another voltage was set; in limit it may."""
        context, level = self._context, self._level
        voltage_v = self._settler.mean(0)
        current_a = 0.0 if level.charges else self._settler.mean(1)
        if level.charges and context.last_sample is not None:
            current_a = context.last_sample.current_a
        in_limit = current_a >= _AT_LIMIT_FRAC * level.current_limit_a
        if not in_limit and moved_s(context) < context.set_s:
            context.host.cut(
                TripReason.FROZEN_READINGS,
                f"{format_quantity(voltage_v, 'V', 4)} and {format_quantity(current_a, 'A', 3)} "
                f"unchanged since {format_quantity(level.voltage_v, 'V')} was set",
            )

    def _require_reached(self) -> None:
        """Cut power where the voltage rests away from what was set."""
        voltage_v, set_v = self._settler.mean(0), self._level.voltage_v
        if abs(voltage_v - set_v) <= self._away_v:  # false, too, for a value that is no number
            return
        self._context.host.cut(
            TripReason.VOLTAGE_NOT_REACHED,
            f"settled at {format_quantity(voltage_v, 'V', 4)}, "
            f"{'above' if voltage_v > set_v else 'below'} the {format_quantity(set_v, 'V')} set",
        )
