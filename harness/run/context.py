"""What a step works with: the keeper, the meter, the clock, and where readings go."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

from harness.bench.clock import Clock
from harness.bench.sample import SupplySample
from harness.errors import RecordError
from harness.judge.verdict import Verdict
from harness.power.commands import Arm, Command, Set, SwitchOn
from harness.power.port import Bench, Power
from harness.profile.check import Check as ProfileCheck
from harness.profile.level import Level
from harness.profile.measures import READINGS, role_of
from harness.profile.plan import Plan, PlannedStep
from harness.profile.start_step import Polarity
from harness.profile.wiring import AT_OUTPUT, MeterPlace
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.record.sink import CheckRow, Sink, Values
from harness.report.wording import found_text, wanted_text
from harness.run.operator import Nobody, Operator, StopRequest
from harness.run.readings import Liveness, Row, ThinnedRecord
from harness.run.start_log import StartLog
from harness.run.windows import Windows

#: Voltages so close are one setting where the supply's accuracy is not stated.
_CLOSE_FRAC = 0.005
#: Longest time a slow disk may take for a row; longer counts as an engine that hangs.
_WRITING_S = 1.0

#: So often the keeper's account of a level is taken down: nothing but a person goes by it.
_ACCOUNT_EVERY_S = 0.1

#: From this share of the envelope's current or power on, every sample is recorded.
_NEAR_FRAC = 0.98
#: What is read of an instrument that is read as a whole.
WHOLE = ("voltage", "current", "power")
#: Events that are warnings of the record.
_WARNED = frozenset({EventKind.WRONG_DIALECT, EventKind.CONTACT_FAULT, EventKind.DISAGREEMENT})
#: Events before which the last readings are recorded in full.
_IN_FULL = frozenset({EventKind.TRIP, EventKind.DISTURBED})


@dataclass(slots=True, kw_only=True)
class Context:
    """What a step works with, and what is known so far of the run."""

    plan: Plan
    clock: Clock
    sink: Sink
    stop: StopRequest
    operator: Operator = field(default_factory=Nobody)
    bench: Bench = field(init=False)
    host: Power = field(init=False)  # the only way to the supply and the load
    origin_s: float = 0.0  # the clock's time at the run's start

    # where the run stands
    step_name: str = ""
    level_label: str = ""
    meter_at: MeterPlace = AT_OUTPUT  # of the one that is moved by hand
    charged_cold: bool = False  # whether an ohmmeter has driven current through the bulk capacitor
    load_at: str = ""  # output that the electronic load is connected to by hand
    polarity: Polarity = "normal"  # of the supply's leads at the unit's input
    hand_load: tuple[str, str] | None = None  # load connected by hand, and to which output
    pulled: bool = False  # whether the enable input is, by hand ...
    enabled: bool = False  # ... or, with power on, by the bench
    lamp: bool | None = None  # whether that of a source set by hand is in series; None: not known
    energised: bool = False  # whether power has been on
    found_s: float = -math.inf  # when what is left on the bulk capacitor was last looked for
    disturbances: int = 0  # holds in which readings at rest moved again
    set_s: float = -math.inf  # when another voltage was last set with power on ...
    set_v: float = 0.0  # ... and which

    # what was read, and judged
    live: Liveness = field(default_factory=Liveness)
    last_sample: SupplySample | None = None  # since power came on
    log: StartLog | None = None  # of the start that goes on
    windows: Windows | None = None  # of the start or level that goes on
    #: A meter's last DC voltage since power came on, by its measure name.
    rail: tuple[str, float] | None = None
    #: What meters read while outputs come up, by step and measure name: times and volts.
    rises: dict[tuple[int, str], list[tuple[float, float]]] = field(default_factory=dict)
    #: When the answers of each reader were last seen to belong to their questions.
    checked_s: dict[str, float] = field(default_factory=dict)
    #: How supply and power meter disagreed, by hold and measure name.
    disagreed: dict[int, Mapping[str, str]] = field(default_factory=dict)
    verdicts: list[Verdict] = field(default_factory=list)
    judged_checks: list[str] = field(default_factory=list)  # their names, one a verdict
    #: What a person was to look at, to be asked about; each with its place among the checks.
    to_ask: list[tuple[PlannedStep, ProfileCheck, int]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    _rows: list[tuple[CheckRow, tuple[tuple[int, str], ...]]] = field(default_factory=list)

    # the record
    record_lost: bool = False  # nothing is written to it any more
    slow_disk: RecordError | None = None  # the disk kept the engine from its work under power
    _thin: ThinnedRecord | None = None
    _account_s: float = -math.inf  # when the keeper's account was last taken down

    @property
    def fed_by(self) -> str:
        """Key of what reads the feed, whose samples the keeper judges."""
        return "supply" if self.plan.bench is None else self.plan.bench.fed_by

    def event(self, kind: EventKind, detail: str) -> None:
        """Write an event into the record, unless the record is lost."""
        self.energised = self.energised or kind == EventKind.POWER_ON
        self.enabled = self.enabled and kind != EventKind.POWER_OFF
        if kind in _WARNED:
            self.warnings.append(f"{detail[:1].upper()}{detail[1:]}.")
        time_s = self.clock.now_s() - self.origin_s
        if self._thin is not None:
            self._thin.flush(in_full=kind in _IN_FULL)
        self._record(self.sink.event, time_s, kind, self.step_name, detail)

    def on_sample(self, sample: SupplySample) -> None:
        """Write a sample of the supply into the record; the keeper has judged it already."""
        self.last_sample = sample
        if self.log is not None:
            self.log.add(sample)
        if self.windows is not None:
            self.windows.add(sample)
        values = (
            ("voltage", sample.voltage_v, "V"),
            ("current", sample.current_a, "A"),
            ("power", sample.power_w, "W"),
        )
        self._take(sample.time_s, values, self.fed_by)
        account = sample.account
        if account is not None and sample.time_s - self._account_s >= _ACCOUNT_EVERY_S:
            self._account_s = sample.time_s
            figures = account._asdict()
            unit = figures.pop("unit")
            told = tuple((name, value, unit) for name, value in figures.items())
            self._put(Row(sample.time_s, self.level_label, told, "keeper"))

    def enter(self, level: Level) -> None:
        """Note that a level is set next."""
        if self.log is not None:
            self.log.begin(level, self.clock.now_s())
        if self.windows is not None:
            self.windows.enter(level, self.clock.now_s())
        limit = format_quantity(level.current_limit_a, "A", 3)
        set_to = f"{format_quantity(level.voltage_v, 'V')}, limit {limit}"
        hold = format_quantity(level.dwell_s, "s", 3)
        self.event(EventKind.LEVEL, f"{level.label}: {set_to}, hold {hold}")

    def begin_windows(self, windows: Windows | None, level: Level) -> None:
        """See every sample from now on in the windows of a level, all of which is set; or none."""
        self.windows = windows
        if windows is not None:
            windows.enter(level, self.clock.now_s())

    def thin(self, window_s: float | None) -> None:
        """Thin the record from here on by windows of time, or (None) keep every reading again."""
        if self._thin is not None:
            self._thin.flush()
        self._thin = None if window_s is None else ThinnedRecord(self._put, window_s, self._is_near)

    def _is_near(self, row: Row) -> bool:
        """Whether the supply's current or power is next to its bound, or no number."""
        if row.source != self.fed_by:
            return False
        envelope = self.plan.profile.envelope
        _, (_, current_a, _), (_, power_w, _) = row.values
        # written so that a value that is no number is near
        return not (
            current_a <= _NEAR_FRAC * envelope.current_a
            and power_w <= _NEAR_FRAC * envelope.power_w
        )

    def _take(self, time_s: float, values: Values, source: str) -> None:
        """Take readings in, for liveness and for the record."""
        for name, value, _ in values:
            self.live.add(f"{source}.{name}", time_s, value)
        row = Row(time_s, self.level_label, values, source)
        if self._thin is None:
            self._put(row)
        else:
            self._thin.add(row)

    def _put(self, row: Row) -> None:
        time_s = row.time_s - self.origin_s
        self._record(self.sink.sample, time_s, self.step_name, row.level, row.values, row.source)

    def _record(self, write: Callable[..., None], *what: object) -> None:
        """Have something written, unless the record is lost.

        Raises:
            RecordError: It cannot be, or the disk takes so long that the keeper must take this for
                an engine that hangs. Each is told once: power is cut, and that must not fail again.
        """
        if self.record_lost:
            return
        powered = hasattr(self, "host")  # events come before power is in anybody's hands
        if powered:
            self.host.expect_silence(_WRITING_S)
        begin_s = self.clock.now_s()
        try:
            write(*what)
        except RecordError:
            self.record_lost = True
            raise
        took_s = self.clock.now_s() - begin_s
        if took_s > _WRITING_S and powered and self.host.live and self.slow_disk is None:
            self.slow_disk = RecordError(
                f"the disk took {format_quantity(took_s, 's', 3)} to write a row",
                where=str(self.sink.folder),
                remedy="name a folder on a disk of this machine with --results",
            )
            raise self.slow_disk

    def judged(
        self, row: CheckRow, rests_on: Iterable[tuple[int, str]], place: int | None = None
    ) -> None:
        """Keep a judged check until the end of the run, when it is known whether it counts.

        It rests on holds, by number, each with the measure name of a reading. Without a ``place``
        among the others it comes last.
        """
        at = len(self.verdicts) if place is None else place
        self.verdicts.insert(at, Verdict(row.verdict))
        self.judged_checks.insert(at, row.check)
        self._rows.insert(at, (row, tuple(rests_on)))
        found = found_text(row.quantity, row.value, row.uncertainty, row.unit)
        wanted = wanted_text(row.quantity, row.low, row.high, row.unit)
        why = f"; {'; '.join(row.unknown)}" if row.unknown else ""
        self.event(EventKind.CHECK, f"{row.check}: {row.verdict}, {found} ({wanted}){why}")

    def enter_checks(self) -> None:
        """Write every check into the record; one that passed on readings that stood is undecided.

        Power is off by now, and that was the last occasion on which they could move. One that
        failed stays: a rail that is dead has nothing to move.
        """
        rows, self._rows = self._rows, []
        for number, (row, rests_on) in enumerate(rows):
            standing = self.live.standing(rests_on)
            if standing and self.verdicts[number] is Verdict.PASS:
                self.verdicts[number] = Verdict.UNDECIDED
                what = " and ".join(standing)
                self.event(
                    EventKind.NOT_SHOWN_TO_LIVE,
                    f"{row.check}: {what} did not change after its hold",
                )
            self.sink.check(replace(row, verdict=self.verdicts[number].value))

    def command(self, *commands: Command) -> None:
        """Hand commands to the keeper, one after the other."""
        for command in commands:
            self.stop.raise_if_requested()
            match command:
                case Arm():
                    self.set_v = command.voltage_v
                case SwitchOn():
                    self.event(EventKind.SWITCHING_ON, "")
                    self.operator.power_on(self.step_name)
                case Set(quantity="voltage"):
                    self._note_setting(command.value)
            self.host.command(command)

    def _note_setting(self, voltage_v: float) -> None:
        """Note when another voltage is set, by more than a reading may be off."""
        error_v = self.error_of(f"{self.fed_by}.voltage", voltage_v, _CLOSE_FRAC * voltage_v)
        if abs(voltage_v - self.set_v) > 2 * error_v:
            self.set_s, self.set_v = self.clock.now_s(), voltage_v

    def sample(self) -> SupplySample:
        """Read the supply once."""
        self.stop.raise_if_requested()
        return self.host.sample()

    def take_now(self, source: str, values: Mapping[str, float]) -> float:
        """Take what an instrument read just now; return when that was."""
        now_s = self.clock.now_s()
        units = READINGS[role_of(source)]
        self._take(now_s, tuple((name, values[name], units[name]) for name in values), source)
        return now_s

    def error_of(self, measure: str, reading: float, unknown: float = 0.0) -> float:
        """Return what a reading may be off by, as the bench file states it; else ``unknown``."""
        role, _, quantity = measure.partition(".")
        instrument = self.bench.file.instruments.get(role)
        accuracy = None if instrument is None else instrument.accuracy.get(quantity)
        return unknown if accuracy is None else accuracy.bound(reading)
