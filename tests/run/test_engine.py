from __future__ import annotations

import datetime as dt
import signal
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import replace

import pytest

from harness.api import plan_for, simulated_bench_file, simulated_unit
from harness.errors import LinkError, PowerOffUnconfirmed, RecordError
from harness.judge.verdict import Verdict
from harness.power.local_bench import LocalBench, open_bench
from harness.power.local_keeper import LocalKeeper
from harness.power.trip import Trip, TripReason
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_profile
from harness.record.recorder import MemoryRecorder
from harness.record.run_summary import Outcome
from harness.record.sink import Values
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.report.wording import headline
from harness.run.engine import carry_out
from harness.run.operator import Operator, StopRequest
from harness.run.result import Output, RunInfo, RunResult
from harness.run.steps import STEPS

STARTED = dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC)


class Rig:
    """Unit A on its simulated bench, with everything a test may want to bend."""

    def __init__(
        self, profile: str = "mount-controller-board", clock: SimulatedClock | None = None
    ) -> None:
        self.profile = load_profile(profile)
        self.file: BenchFile = simulated_bench_file(self.profile)
        self.clock = clock or SimulatedClock()
        self.bench = SimulatedBench(simulated_unit(self.profile), self.file, self.clock)
        self.sink: MemoryRecorder = MemoryRecorder(serial="HRW-0007", started=STARTED)
        self.stop = StopRequest()

    def connect(self) -> AbstractContextManager[LocalBench]:
        """Open the simulated instruments."""
        return open_bench(self.file, self.clock, library=self.bench.library())

    def run(
        self,
        connect: Callable[[], AbstractContextManager[LocalBench]] | None = None,
        operator: Operator | None = None,
        info: RunInfo | None = None,
    ) -> RunResult:
        """Carry the profile out."""
        return carry_out(
            plan_for(self.profile, self.file),
            connect=connect or self.connect,
            clock=self.clock,
            sink=self.sink,
            info=info or RunInfo(serial="HRW-0007", started=STARTED, rehearsal=True),
            stop=self.stop,
            operator=operator,
        )


class Impatient(SimulatedClock):
    """A clock by which somebody asks the run to stop."""

    def __init__(self, at_s: float) -> None:
        super().__init__()
        self._at_s = at_s
        self.on_time: Callable[[], None] = lambda: None

    def sleep_s(self, duration_s: float) -> None:
        """Advance, and speak up when it is time."""
        super().sleep_s(duration_s)
        if self.now_s() >= self._at_s:
            self.on_time()


def stopped_rig(at_s: float, number: int) -> Rig:
    """Return a rig whose run is asked to stop at a time, by a signal."""
    clock = Impatient(at_s)
    rig = Rig(clock=clock)
    clock.on_time = lambda: rig.stop.note(number)
    return rig


@pytest.fixture
def rig() -> Rig:
    """Unit A on its simulated bench."""
    return Rig()


class TestEndings:
    def test_a_completed_run_leaves_power_off(self, rig: Rig) -> None:
        """After a completed run the output is off, confirmed, and measured to be off."""
        result = rig.run()
        events = rig.sink.frames().events

        assert result.outcome is Outcome.COMPLETED
        assert not rig.bench.circuit.source_on
        assert tuple(events.iloc[-2][["kind", "detail"]]) == ("power off", "confirmed")
        assert events.iloc[-1]["kind"] == "off measured"

    def test_what_cuts_power_at_the_very_end_counts(
        self, rig: Rig, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A trip that comes to light as power is switched off leaves no completed run."""
        trip = Trip(reason=TripReason.UNWATCHED, detail="for 20 s", time_s=9.0, live=True)
        monkeypatch.setattr(LocalKeeper, "trip", trip)

        result = rig.run()

        assert result.outcome is Outcome.TRIPPED
        assert result.trip == trip
        assert not result.released

    def test_a_wrong_identity_is_refused_before_power(self, rig: Rig) -> None:
        """An instrument that is not the one the bench file names means no power at all."""
        supply = rig.file.supply.model_copy(update={"identity": "somebody else's"})
        rig.file = rig.file.model_copy(update={"supply": supply})

        result = rig.run()

        assert result.outcome is Outcome.REFUSED
        assert result.exit_code == 5
        assert "somebody else's" in result.reason
        assert "power on" not in set(rig.sink.frames().events["kind"])

    def test_a_system_without_means_is_refused(self, rig: Rig) -> None:
        """Where no process or link can be made, for whatever reason, nothing is energised."""

        def connect() -> AbstractContextManager[LocalBench]:
            raise OSError(24, "Too many open files")

        result = rig.run(connect)

        assert result.outcome is Outcome.REFUSED
        assert result.output is Output.NEVER_ON
        assert "Too many open files" in result.reason

    def test_the_record_says_when_off_was_confirmed(self, rig: Rig) -> None:
        """A run in which power was on says that the output is off, and when that was confirmed."""
        before = dt.datetime.now(dt.UTC)
        result = rig.run()
        facts = rig.sink.frames().run

        assert result.output is Output.OFF
        assert result.off_confirmed is not None
        assert before <= result.off_confirmed <= dt.datetime.now(dt.UTC)
        assert facts["output"] == "off, confirmed"
        assert facts["off_confirmed_utc"] == result.off_confirmed.isoformat(timespec="seconds")

    @pytest.mark.parametrize("trouble", [OSError(5, "no such thing"), MemoryError()])
    def test_switching_off_that_meets_an_error_is_never_taken_for_off(
        self, rig: Rig, monkeypatch: pytest.MonkeyPatch, trouble: Exception
    ) -> None:
        """Whatever goes wrong in switching off: power may still be on, and the record says so."""

        def power_off(_: LocalKeeper) -> None:
            raise trouble

        monkeypatch.setattr(LocalKeeper, "power_off", power_off)
        with pytest.raises(PowerOffUnconfirmed) as raised:
            rig.run()
        facts = rig.sink.frames().run

        assert raised.value.exit_code == 6
        assert facts["output"] == "may still be on"
        assert facts["reason"].startswith("POWER MAY STILL BE ON: ")
        assert headline(facts)[0] == "Power may still be on"

    def test_an_instrument_that_cannot_be_opened_is_refused(self, rig: Rig) -> None:
        """A link that does not open ends in a refusal that names the instrument."""

        def connect() -> AbstractContextManager[LocalBench]:
            raise LinkError("it cannot be opened", instrument="meter (nowhere)")

        result = rig.run(connect)

        assert result.outcome is Outcome.REFUSED
        assert "meter (nowhere)" in result.reason

    @pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
    @pytest.mark.parametrize("after_s", [0.0, 0.5, 3.0, 9.0])
    def test_a_stop_request_is_obeyed_at_once_and_power_goes_off(
        self, number: int, after_s: float
    ) -> None:
        """At any moment a stop request ends the run within a message or two, output off."""
        rig = stopped_rig(after_s, number)
        result = rig.run()

        assert result.outcome is Outcome.INTERRUPTED
        assert result.exit_code == 128 + number
        assert not result.released
        assert not rig.bench.circuit.source_on
        assert rig.clock.now_s() - after_s < 0.1

    def test_an_error_of_the_program_itself_cuts_power(
        self, rig: Rig, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A slip in a step leaves the unit off and the run tripped, with the error's name."""

        def broken(*_: object) -> None:
            rig_on = rig.bench.circuit.source_on
            raise ZeroDivisionError(f"source on: {rig_on}")

        monkeypatch.setitem(STEPS, "nominal", broken)  # type: ignore[misc]
        result = rig.run()

        assert result.trip is not None
        assert result.trip.reason is TripReason.INTERNAL
        assert "ZeroDivisionError: source on: True" in result.reason
        assert not rig.bench.circuit.source_on


class TestCutShort:
    """What passed before power was cut proves nothing of the run as a whole."""

    def test_an_interrupted_run_keeps_no_pass(self) -> None:
        """A run that is stopped in its last hold, all checks passed so far, is undecided."""
        rig = stopped_rig(9.0, signal.SIGINT)

        result = rig.run()

        frames = rig.sink.frames()
        assert result.outcome is Outcome.INTERRUPTED
        assert list(frames.checks["verdict"]) == ["pass"]
        assert result.verdict is Verdict.UNDECIDED
        assert frames.run["verdict"] == "undecided"

    def test_a_tripped_run_keeps_no_pass(self, rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
        """A run that trips after a check that passed is undecided."""

        def broken(*_: object) -> None:
            raise ZeroDivisionError

        monkeypatch.setitem(STEPS, "nominal", broken)  # type: ignore[misc]

        result = rig.run()

        frames = rig.sink.frames()
        assert result.outcome is Outcome.TRIPPED
        assert list(frames.checks["verdict"]) == ["pass"]
        assert result.verdict is Verdict.UNDECIDED
        assert frames.run["verdict"] == "undecided"


class TestCurrentLimit:
    def test_it_changes_with_the_level_before_the_voltage_does(self) -> None:
        """Levels of different limits: the supply is told the new limit, then the new voltage."""
        rig = Rig()
        plan = plan_for(rig.profile, rig.file)
        start = plan.steps[0]
        *lower, highest = start.levels
        other = replace(highest, current_limit_a=0.45)
        changed = replace(start, levels=(*lower, other))
        device = rig.bench.devices[rig.file.supply.resource]
        heard: list[str] = []
        write = device.write

        def listen(data: bytes) -> None:
            heard.append(data.decode().strip())
            write(data)

        device.write = listen  # type: ignore[method-assign]
        result = carry_out(
            replace(plan, steps=(changed, *plan.steps[1:])),
            connect=rig.connect,
            clock=rig.clock,
            sink=rig.sink,
            info=RunInfo(serial="HRW-0007", started=STARTED, rehearsal=True),
        )

        assert result.outcome is Outcome.COMPLETED
        settings = [one for one in heard if one.startswith(("CURR ", "VOLT "))]
        at = settings.index("VOLT 24.000")
        assert settings[at - 1] == "CURR 0.4500"


class LosesRecord(MemoryRecorder):
    """A record that cannot be written any more after some samples."""

    left = 50

    def sample(self, time_s: float, step: str, level: str, values: Values, source: str) -> None:
        """Fail from the fiftieth sample on."""
        self.left -= 1
        if self.left <= 0:
            raise RecordError("no space left on the disk", where="results", remedy="free some")
        super().sample(time_s, step, level, values, source)


class LosesEvents(MemoryRecorder):
    """A record whose events cannot be written from the first settled level on."""

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Fail when something settled."""
        if kind == "settled":
            raise RecordError("no space left on the disk", where="results", remedy="free some")
        super().event(time_s, kind, step, detail)


class LosesEnd(MemoryRecorder):
    """A record that cannot be finished."""

    def finish(self, run: Mapping[str, object]) -> None:  # noqa: ARG002 - it fails before
        """Fail."""
        raise RecordError("no space left on the disk", where="results", remedy="free some")


class TestRecordLost:
    @pytest.mark.parametrize("kind", [LosesRecord, LosesEvents])
    def test_a_unit_whose_record_is_lost_is_not_kept_energised(
        self, rig: Rig, kind: type[MemoryRecorder]
    ) -> None:
        """A record that cannot be written cuts power (safety rule 9) and is left alone."""
        rig.sink = kind(serial="HRW-0007", started=STARTED)
        result = rig.run()

        assert result.outcome is Outcome.TRIPPED
        assert result.trip is not None
        assert result.trip.reason is TripReason.RECORD_LOST
        assert result.exit_code == 3
        assert not rig.bench.circuit.source_on

    def test_a_record_that_cannot_be_finished_is_no_release(self, rig: Rig) -> None:
        """A run without its record does not count, however well it went."""
        rig.sink = LosesEnd(serial="HRW-0007", started=STARTED)
        result = rig.run()

        assert result.outcome is Outcome.TRIPPED
        assert not result.released
        assert "no space left" in result.reason


class TestChecks:
    def test_a_check_the_bench_cannot_make_is_undecided(self, rig: Rig) -> None:
        """Without a meter its checks prove nothing: undecided, so the unit is not released."""
        rig.file = rig.file.model_copy(update={"meter": None})
        result = rig.run()
        checks = rig.sink.frames().checks.set_index("check")

        assert checks.loc["5 V rail", "verdict"] == "undecided"
        assert checks.loc["idle current", "verdict"] == "pass"
        assert result.verdict is Verdict.UNDECIDED
        assert result.exit_code == 4

    def test_an_instrument_without_stated_accuracy_decides_nothing(self, rig: Rig) -> None:
        """Where the bench file states no accuracy, the uncertainty is unknown: undecided."""
        meter = rig.file.meter
        assert meter is not None
        rig.file = rig.file.model_copy(update={"meter": meter.model_copy(update={"accuracy": {}})})
        result = rig.run()

        assert result.verdict is Verdict.UNDECIDED
        assert not result.released

    def test_load_checks_are_judged_at_their_load_point_only(self) -> None:
        """A check with a load point is judged there and nowhere else."""
        rig = Rig("dome-shutter-power-unit")
        rig.run()
        names = list(rig.sink.frames().checks["check"])

        assert [name for name in names if name.startswith("efficiency")] == [
            "efficiency at full load"
        ]
        assert sum(name.startswith("24 V rail at") for name in names) == 3


class TestNotes:
    def test_every_check_row_is_what_the_file_format_asks_for(self, rig: Rig) -> None:
        """The rows of a run carry their step, limits, uncertainty, rule and margin."""
        rig.run()
        row = rig.sink.frames().checks.set_index("check").loc["5 V rail"]

        assert row["step"] == "nominal"
        assert (row["low"], row["high"], row["unit"]) == (4.9, 5.1, "V")
        assert row["rule"] == "guarded"
        assert row["margin"] == pytest.approx(
            min(row["value"] - 4.9, 5.1 - row["value"]) - row["uncertainty"]
        )
