"""What a step works with: the keeper, the meter, the clock, and where readings go."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from harness.bench.clock import Clock
from harness.bench.commands import Command
from harness.bench.keeper import failure_reason
from harness.bench.moves import CheckInStep
from harness.bench.port import Bench, Power
from harness.bench.roles import Meter
from harness.bench.sample import SupplySample
from harness.bench.trip import TripReason
from harness.errors import InstrumentError, RecordError
from harness.judge.settle import Settler
from harness.judge.verdict import Verdict
from harness.profile.check import Across
from harness.profile.plan import Level, Plan, PlannedStep
from harness.quantity import format_quantity
from harness.record.sink import CheckRow, Sink
from harness.run.operator import Nobody, Operator
from harness.run.stop import StopRequest
from harness.run.thinning import ThinnedRecord

__all__ = ["Context", "Hold"]

#: Longest time a level may take to settle, in seconds, beside its own averaging.
_SETTLE_LIMIT_S = 10.0
#: Least time that settling is judged over, however fast the link: a slow start of a converter and
#: the averaging of an instrument are over in less.
_SPAN_S = 0.2
#: So many disturbed holds are no accident of the bench any more.
_DISTURBANCES = 3
#: Longest time of nothing but readings of the meter; the keeper does the same for its instruments.
_IN_STEP_S = 0.5
#: A hold longer than this is thinned in the record; nothing else is.
_LONG_S = 20.0
#: Longest time a slow disk may take for a row; longer counts as an engine that hangs.
_WRITING_S = 1.0
#: Fewest readings of a quantity a hold is judged by.
_FEWEST = 5

_UNITS = {
    "voltage": "V",
    "current": "A",
    "power": "W",
    "voltage_dc": "V",
    "voltage_ac": "V",
    "current_dc": "A",
    "resistance": "ohm",
    "temperature": "degC",
}


#: Times and values by measure name.
_Series = dict[str, list[tuple[float, float]]]


@dataclass(frozen=True, slots=True)
class Hold:
    """Readings of one hold.

    Attributes:
        level: The level that was held.
        readings: Values by measure name (``supply.voltage``), each an array of shape ``(n,)``.
        times: When each was read, on the run's clock, by measure name.
    """

    level: Level
    readings: Mapping[str, npt.NDArray[np.float64]]
    times: Mapping[str, npt.NDArray[np.float64]] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class Context:
    """What a step works with.

    Attributes:
        plan: The plan.
        bench: The instruments.
        clock: The run's clock.
        sink: Where the record goes.
        stop: Whether somebody wants to stop.
        host: Power in the keeper's hands; the only way to the supply and the load.
        holds: Every hold so far, by step number.
        verdicts: Every verdict so far.
        step_name: Name of the step, for the record.
        level_label: Label of the level, for the record.
        origin_s: The clock's time at the run's start.
        disturbances: Holds in which readings at rest moved again.
        meter_checked_s: When it was last seen that the meter's answers belong to their questions.
        record_lost: Whether the record could not be written; nothing is written to it any more.
        operator: Who moves leads and answers questions.
        meter_at: Where the meter stands.
        energised: Whether power has been on in this run.
    """

    plan: Plan
    bench: Bench
    clock: Clock
    sink: Sink
    stop: StopRequest
    host: Power = field(init=False)
    holds: dict[int, list[Hold]] = field(default_factory=lambda: defaultdict(list))
    verdicts: list[Verdict] = field(default_factory=list)
    step_name: str = ""
    level_label: str = ""
    origin_s: float = 0.0
    disturbances: int = 0
    record_lost: bool = False
    meter_checked_s: float = 0.0
    operator: Operator = field(default_factory=Nobody)
    meter_at: Across = "output"
    energised: bool = False
    _thin: ThinnedRecord = field(default_factory=ThinnedRecord)

    # --- the record

    def event(self, kind: str, detail: str) -> None:
        """Write an event into the record, unless the record is lost."""
        self.energised = self.energised or kind == "power on"
        if self.record_lost:
            return
        self._announce_writing()
        try:
            self.sink.event(self.clock.now_s() - self.origin_s, kind, self.step_name, detail)
        except RecordError:
            self.record_lost = True
            raise

    def on_sample(self, sample: SupplySample) -> None:
        """Write a sample of the supply into the record; the keeper has judged it already."""
        rows = (
            ("voltage", sample.voltage_v, "V"),
            ("current", sample.current_a, "A"),
            ("power", sample.power_w, "W"),
        )
        if self._thin.keeps(sample):
            self._write(sample.time_s, rows, "supply")

    def judged(self, row: CheckRow) -> None:
        """Write a judged check into the record."""
        self.verdicts.append(Verdict(row.verdict))
        self.sink.check(row)
        self.event("check", f"{row.check}: {row.verdict}")

    # --- power

    def command(self, *commands: Command) -> None:
        """Hand commands to the keeper, one after the other."""
        for command in commands:
            self.stop.obey()
            self.host.command(command)

    def sample(self) -> SupplySample:
        """Read the supply once."""
        self.stop.obey()
        return self.host.sample()

    # --- the two waits of every step

    def settle(self, step: PlannedStep, level: Level) -> Settler:
        """Read the supply as fast as the link allows until the readings have settled.

        Returns:
            What decided it, to go on watching for movement during the hold.

        Raises:
            Tripped: They do not settle, or settle below the voltage that was set.
        """
        self._begin(step, level)
        settler = Settler(
            resolution=self._resolution(level),
            span_s=_SPAN_S,
            names=("supply voltage", "supply current"),
            units=("V", "A"),
        )
        begin_s = self.clock.now_s()
        while True:
            sample = self.sample()
            if settler.add(sample.time_s, (sample.voltage_v, sample.current_a)):
                break
            if sample.time_s - begin_s > _SETTLE_LIMIT_S:
                self._unsettled(level, settler)
        self._check_reached(level, sample.voltage_v)
        self.event("settled", f"{level.label} after {sample.time_s - begin_s:.3f} s")
        return settler

    def hold(
        self, step: PlannedStep, level: Level, settler: Settler, measures: Iterable[str]
    ) -> Hold:
        """Hold a level for its dwell and read what is asked for, the supply in between always.

        A hold in which the readings move again proves nothing and begins anew; one loose contact
        may be the bench's, but the third such hold of a run cuts power.

        Args:
            step: The step.
            level: The level.
            settler: What decided that the level had settled.
            measures: Measure names beyond the supply's: ``meter.*`` and ``load.*``.

        Raises:
            Tripped: The readings do not stay at rest, or power was cut for any other reason.
        """
        self._begin(step, level)
        self._thin = ThinnedRecord(self._resolution(level) if level.dwell_s > _LONG_S else None)
        turns = _turns(measures)
        readings: _Series = defaultdict(list)
        begin_s = rest_s = self.clock.now_s()
        at_rest = True
        turn = 0
        while True:
            sample = self.sample()
            was_at_rest = at_rest
            at_rest = settler.add(sample.time_s, (sample.voltage_v, sample.current_a))
            if not at_rest:
                if was_at_rest:
                    self._disturbed(level, settler)
                if sample.time_s - begin_s > _SETTLE_LIMIT_S + level.dwell_s:
                    self._unsettled(level, settler)
                readings.clear()
                rest_s, turn = sample.time_s, 0
                continue
            readings["supply.voltage"].append((sample.time_s, sample.voltage_v))
            readings["supply.current"].append((sample.time_s, sample.current_a))
            readings["supply.power"].append((sample.time_s, sample.power_w))
            if turns and not self.host.pending:  # first what the keeper has read meanwhile
                self._read_other(turns[turn % len(turns)], readings)
                turn += 1
            enough = len(readings["supply.voltage"]) >= _FEWEST and turn >= _FEWEST * len(turns)
            if enough and self.clock.now_s() - rest_s >= level.dwell_s:
                break
        if any(turn.startswith("meter.") for turn in turns):
            self._check_meter()  # before its readings are believed
        self._thin = ThinnedRecord()
        series = {name: np.array(values) for name, values in readings.items()}
        hold = Hold(
            level,
            readings={name: values[:, 1] for name, values in series.items()},
            times={name: values[:, 0] for name, values in series.items()},
        )
        self._check_reached(level, float(hold.readings["supply.voltage"].mean()))
        self.holds[step.number].append(hold)
        return hold

    def _disturbed(self, level: Level, settler: Settler) -> None:
        """Note that readings at rest have moved, and cut power when that goes on."""
        self.disturbances += 1
        self.event("disturbed", f"{level.label}: {settler.reason}")
        if self.disturbances >= _DISTURBANCES:
            self.host.cut(
                TripReason.UNSETTLED,
                f"{self.disturbances} holds disturbed, the last at {level.label}: {settler.reason}",
            )

    def _unsettled(self, level: Level, settler: Settler) -> None:
        self.host.cut(
            TripReason.UNSETTLED,
            f"after {format_quantity(_SETTLE_LIMIT_S, 's')} at {level.label}: {settler.reason}",
        )

    def _write(self, time_s: float, rows: tuple[tuple[str, float, str], ...], source: str) -> None:
        if self.record_lost:
            return
        self._announce_writing()
        try:
            self.sink.sample(time_s - self.origin_s, self.step_name, self.level_label, rows, source)
        except RecordError:
            self.record_lost = True  # once is enough: power is cut, and that must not fail again
            raise

    def _announce_writing(self) -> None:
        """Tell the keeper that a row goes to the disk: a slow one is no silent engine."""
        if hasattr(self, "host"):  # events come before power is in anybody's hands
            self.host.expect_silence(_WRITING_S)

    def _begin(self, step: PlannedStep, level: Level) -> None:
        self.step_name, self.level_label = step.name, level.label

    def _read_other(self, what: str, readings: _Series) -> None:
        """Read the meter or the load once; a reading that is none cuts power."""
        self.stop.obey()
        if what == "load":
            values = self.host.read_load()
            rows = tuple((name, value, _UNITS[name]) for name, value in values.items())
            source = "load"
        else:
            meter = self.bench.meter
            assert meter is not None
            quantity = what.removeprefix("meter.")
            if self.clock.now_s() - self.meter_checked_s >= _IN_STEP_S:
                self._check_meter()
            rows = ((quantity, self._read_meter(meter, quantity), _UNITS[quantity]),)
            source = "meter"
        now_s = self.clock.now_s()
        self._write(now_s, rows, source)
        for name, value, _ in rows:
            readings[f"{source}.{name}"].append((now_s, value))

    def read_meter_cold(self, quantity: str) -> float:
        """Read the meter once while power is off, into the record.

        Raises:
            InstrumentError: It gave no value.
        """
        self.stop.obey()
        meter = self.bench.meter
        assert meter is not None
        value = meter.read(quantity)
        self._write(self.clock.now_s(), ((quantity, value, _UNITS[quantity]),), "meter")
        return value

    def _read_meter(self, meter: Meter, quantity: str) -> float:
        self.host.expect_silence(meter.longest_s)
        try:
            return meter.read(quantity)
        except InstrumentError as error:
            self.host.cut(failure_reason(error), str(error))

    def _check_meter(self) -> None:
        """See that the meter's answers belong to their questions; one that does not cuts power."""
        meter = self.bench.meter
        assert meter is not None
        self.meter_checked_s = self.clock.now_s()
        self.host.expect_silence(3 * meter.longest_s)
        try:
            meter.check_in_step()
        except InstrumentError as error:
            self.host.cut(failure_reason(error, CheckInStep("meter")), str(error))

    def _check_reached(self, level: Level, voltage_v: float) -> None:
        """Cut power when the voltage stays away from what was set."""
        accuracy = self.bench.file.supply.accuracy.get("voltage")
        error_v = accuracy.bound(level.voltage_v) if accuracy else 0.0
        allowed_v = 2 * error_v + 0.02 * level.voltage_v
        if abs(voltage_v - level.voltage_v) > allowed_v:
            self.host.cut(
                TripReason.VOLTAGE_NOT_REACHED,
                f"{format_quantity(voltage_v, 'V')} where "
                f"{format_quantity(level.voltage_v, 'V')} was set",
            )

    def _resolution(self, level: Level) -> tuple[float, float]:
        """Movement that means nothing: what the supply's readings may be off by, or a trifle."""
        accuracy = self.bench.file.supply.accuracy
        voltage, current = accuracy.get("voltage"), accuracy.get("current")
        limit_a = level.current_limit_a
        return (
            max(voltage.bound(level.voltage_v) if voltage else 0.0, 1e-3 * level.voltage_v),
            max(current.bound(0.0) if current else 0.0, 5e-3 * limit_a),
        )


def _turns(measures: Iterable[str]) -> list[str]:
    """Name the readings that are taken in turn: each of the meter's, and the load as a whole."""
    names = sorted(measures)
    turns = [name for name in names if name.startswith("meter.")]
    return turns + (["load"] if any(name.startswith("load.") for name in names) else [])
