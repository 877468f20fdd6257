"""What the engine makes of an ending: outcome, reason, trip and the record's word for it."""

from __future__ import annotations

import contextlib
import datetime as dt
import math
import signal
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from harness.api import plan_for
from harness.errors import ExitCode, PowerOffUnconfirmed, RecordError, Refused
from harness.judge.verdict import Verdict
from harness.power.envelope import OperatingEnvelope
from harness.power.local_bench import LocalBench
from harness.power.local_keeper import LocalKeeper
from harness.power.trip import Trip, Tripped, TripReason
from harness.profile.level import LoadPoint
from harness.profile.plan import PlannedStep
from harness.record.events import EventKind
from harness.record.recorder import MemoryRecorder
from harness.record.run_summary import Outcome
from harness.record.sink import CheckRow
from harness.run import engine
from harness.run.bounds import envelope_of
from harness.run.context import Context
from harness.run.operator import Nobody
from harness.run.result import Output, RunInfo, RunResult, sum_up
from harness.run.steps import STEPS
from tests.run.test_engine import STARTED, LosesEnd, Rig, stopped_rig

FAIL, UNDECIDED, PASS = Verdict.FAIL, Verdict.UNDECIDED, Verdict.PASS

#: Carries a step out in the place of the engine's own.
Act = Callable[[Context, PlannedStep], None]


@pytest.fixture
def nominal(monkeypatch: pytest.MonkeyPatch) -> Callable[[Act], tuple[Rig, RunResult]]:
    """Return a function that runs unit A with a nominal step of one's own, power being on."""

    def run(act: Act) -> tuple[Rig, RunResult]:
        monkeypatch.setitem(STEPS, "nominal", act)  # type: ignore[misc]
        rig = Rig()
        return rig, rig.run()

    return run


Nominal = Callable[[Act], tuple[Rig, RunResult]]

SLOW = RecordError("the disk took 3 s to write a row", where="results", remedy="free some space")


def trips(reason: TripReason, *, slow_disk: RecordError | None, live: bool = True) -> Act:
    """A step in which the keeper has cut power, with the disk slow before or not."""

    def act(context: Context, _step: PlannedStep) -> None:
        context.slow_disk = slow_disk
        raise Tripped(Trip(reason=reason, detail="for 2 s", time_s=7.0, live=live))

    return act


class TestTripped:
    def test_silence_that_a_slow_disk_made_is_a_record_lost(self, nominal: Nominal) -> None:
        """The keeper heard nothing because the disk held the engine up: the disk is named."""
        _, result = nominal(trips(TripReason.CLIENT_SILENT, slow_disk=SLOW))

        assert result.trip == Trip(
            reason=TripReason.RECORD_LOST, detail=str(SLOW), time_s=7.0, live=True
        )
        assert result.reason == str(result.trip)
        assert result.outcome is Outcome.TRIPPED

    @pytest.mark.parametrize(
        ("reason", "slow_disk"),
        [(TripReason.CLIENT_SILENT, None), (TripReason.OVER_CURRENT, SLOW)],
    )
    def test_any_other_trip_keeps_its_reason(
        self, nominal: Nominal, reason: TripReason, slow_disk: RecordError | None
    ) -> None:
        """Silence with a quick disk stays silence, and what was seen is no matter of the disk."""
        _, result = nominal(trips(reason, slow_disk=slow_disk))

        assert result.trip is not None
        assert (result.trip.reason, result.trip.detail) == (reason, "for 2 s")

    @pytest.mark.parametrize(
        ("slow_disk", "reason", "said"),
        [
            (
                SLOW,
                TripReason.CLIENT_SILENT,
                f"record_lost: {SLOW} ({TripReason.RECORD_LOST.meaning})",
            ),
            (
                None,
                TripReason.CLIENT_SILENT,
                f"client_silent: for 2 s ({TripReason.CLIENT_SILENT.meaning})",
            ),
            (
                SLOW,
                TripReason.OVER_CURRENT,
                f"over_current: for 2 s ({TripReason.OVER_CURRENT.meaning})",
            ),
        ],
    )
    def test_the_record_s_event_names_the_disk_only_where_it_was_slow(
        self, nominal: Nominal, slow_disk: RecordError | None, reason: TripReason, said: str
    ) -> None:
        """The keeper's word of a silent client is replaced where the disk was slow, and nowhere."""

        def act(context: Context, _step: PlannedStep) -> None:
            context.slow_disk = slow_disk
            context.host.cut(reason, "for 2 s")

        rig, _ = nominal(act)
        events = rig.sink.frames().events
        assert list(events.loc[events["kind"] == "trip", "detail"]) == [said]

    def test_when_off_was_confirmed_stands_in_the_record_of_a_trip_too(
        self, nominal: Nominal
    ) -> None:
        """A tripped run says when its output was confirmed off."""
        before = dt.datetime.now(dt.UTC)
        _, result = nominal(trips(TripReason.OVER_CURRENT, slow_disk=None))

        assert result.off_confirmed is not None
        assert before <= result.off_confirmed <= dt.datetime.now(dt.UTC)


class TestRefused:
    def test_a_step_that_cannot_be_gone_on_from_says_why_in_the_record(
        self, nominal: Nominal
    ) -> None:
        """With power on before, a refusal in a step interrupts the run; its event has the words."""
        refusal = Refused(("The leads were not moved.",))

        def act(_context: Context, _step: PlannedStep) -> None:
            raise refusal

        rig, result = nominal(act)
        events = rig.sink.frames().events.set_index("kind")

        assert result.outcome is Outcome.INTERRUPTED
        assert result.reason == str(refusal)
        assert events.loc["refused", "detail"] == str(refusal)
        assert result.output is Output.OFF

    def test_before_power_it_is_a_refusal(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A step that cannot be gone on from, before power was ever on, refuses the run."""

        def act(_context: Context, _step: PlannedStep) -> None:
            raise Refused(("The fuse is open.",))

        monkeypatch.setitem(STEPS, "start", act)  # type: ignore[misc]
        result = Rig().run()

        assert result.outcome is Outcome.REFUSED
        assert result.output is Output.NEVER_ON
        assert result.off_confirmed is None


class Told(Nobody):
    """An operator who notes what is said of power."""

    def __init__(self) -> None:
        self.confirmed: list[bool] = []

    def power_off(self, *, confirmed: bool) -> None:
        """Note whether power is known to be off."""
        self.confirmed.append(confirmed)


class TestOperator:
    """The person at the bench is told the moment it is known, and never that all is well if not."""

    @staticmethod
    def told(rig: Rig) -> list[bool]:
        """Run, and return what the operator was told of power that goes off."""
        operator = Told()
        with contextlib.suppress(PowerOffUnconfirmed):
            rig.run(operator=operator)
        return operator.confirmed

    def test_off_confirmed(self) -> None:
        """Power that went off is told as off, and as nothing else."""
        assert set(self.told(Rig())) == {True}

    def test_only_the_word_of_power_off_counts(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """An output of which the keeper says that it is not confirmed off is not told as off."""
        on_event = engine._Run._on_event

        def said(run: engine._Run, kind: EventKind, _detail: str) -> None:
            on_event(run, kind, "unconfirmed" if kind == EventKind.POWER_OFF else "confirmed")

        monkeypatch.setattr(engine._Run, "_on_event", said)

        assert self.told(Rig()) == []

    def test_off_not_confirmed(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Power that may still be on is told as that, and as nothing else."""

        def unconfirmed(_: LocalKeeper) -> None:
            raise PowerOffUnconfirmed("OUTPUT OFF COULD NOT BE CONFIRMED", where="supply")

        monkeypatch.setattr(LocalKeeper, "power_off", unconfirmed)

        assert self.told(Rig()) == [False]

    def test_an_error_in_switching_off_says_what_to_do(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """What happened, at which instrument, and that the mains are to be cut by hand."""

        def broken(_: LocalKeeper) -> None:
            raise OSError("no such thing")

        monkeypatch.setattr(LocalKeeper, "power_off", broken)
        with pytest.raises(PowerOffUnconfirmed) as raised:
            Rig().run()

        assert str(raised.value) == (
            "supply: switching off met an error of the program (OSError: no such thing); "
            "cut the mains of the supply by hand now, and treat the unit as live"
        )


def test_a_current_that_is_no_number_never_shows_that_power_is_off(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The supply says that it is off, but what it reads then is no number: that proves nothing."""
    rig = Rig()

    def nothing(*_: object) -> dict[str, float]:
        rig.clock.sleep_s(0.01)
        return dict.fromkeys(("voltage", "current", "power"), math.nan)

    monkeypatch.setattr(LocalKeeper, "read", nothing)
    with pytest.raises(PowerOffUnconfirmed):
        rig.run()


class TestInterrupted:
    def test_the_reason_names_the_signal(self) -> None:
        """A stopped run says by which signal, and its exit code is the shell's."""
        result = stopped_rig(3.0, signal.SIGTERM).run()

        assert result.reason == "stopped by SIGTERM"
        assert result.signal == signal.SIGTERM

    def test_a_request_from_before_the_first_message_is_met_without_power(self) -> None:
        """A run that is asked to stop before it begins never comes to power."""
        rig = Rig()
        rig.stop.note(signal.SIGINT)

        result = rig.run()

        assert result.outcome is Outcome.INTERRUPTED
        assert result.output is Output.NEVER_ON
        assert result.reason == "stopped by SIGINT"
        assert list(rig.sink.frames().events["kind"]) == ["plan"]


class TestErrorsOutsideOfPower:
    def test_an_error_before_power_is_named(self) -> None:
        """What the system could not give is told by its kind and its words."""

        def connect() -> contextlib.AbstractContextManager[LocalBench]:
            raise OSError(24, "Too many open files")

        result = Rig().run(connect)

        assert result.reason == "internal: OSError: [Errno 24] Too many open files"
        assert result.outcome is Outcome.REFUSED

    def test_an_error_in_closing_the_links_changes_no_result(self) -> None:
        """The run was over, power was off: a link that cannot be closed takes nothing back."""
        rig = Rig()

        @contextlib.contextmanager
        def connect() -> Iterator[LocalBench]:
            with rig.connect() as bench:
                yield bench
            raise OSError(5, "it cannot be closed")

        result = rig.run(connect)

        assert result.outcome is Outcome.COMPLETED
        assert (result.verdict, result.exit_code) == (Verdict.PASS, ExitCode.RELEASE)
        assert result.reason == "all 4 checks passed"


class TestBeforePower:
    """What the instruments answer decides before anything is energised."""

    @pytest.mark.parametrize(("identity", "rehearsal"), [("SIMULATED", True), ("PS-200", False)])
    def test_an_instrument_that_says_it_is_simulated_makes_a_rehearsal(
        self, monkeypatch: pytest.MonkeyPatch, identity: str, rehearsal: bool
    ) -> None:
        """However the command was given: a run on a simulated instrument releases no real unit."""
        answers = {role: f"Workshop,{role},1,1" for role in ("supply", "meter", "load")}
        answers["supply"] = f"Workshop,{identity},1,1"
        monkeypatch.setattr(LocalBench, "identities", lambda _: answers)
        rig = Rig()
        for role in answers:
            instrument = getattr(rig.file, role).model_copy(update={"identity": None})
            rig.file = rig.file.model_copy(update={role: instrument})

        result = rig.run(info=RunInfo(serial="HRW-0007", started=STARTED))
        facts = rig.sink.frames().run

        assert result.rehearsal is rehearsal
        assert facts["rehearsal"] is rehearsal
        assert facts["identities"] == answers

    def test_a_question_that_an_instrument_does_not_know_refuses_the_run(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Each question of the run is tried first; what is wrong with one is the reason."""
        wrong = ("The meter does not answer MEAS:VOLT:AC?.",)
        monkeypatch.setattr(LocalBench, "try_questions", lambda _self, _questions: wrong)

        result = Rig().run()

        assert result.outcome is Outcome.REFUSED
        assert result.reason == str(Refused(wrong))
        assert result.output is Output.NEVER_ON
        assert result.off_confirmed is None


class Filed(MemoryRecorder):
    """A record that is said to lie in a folder."""

    folder = Path("results", "here")  # type: ignore[assignment]


class TestResult:
    """What a run comes to, beside its outcome."""

    def test_it_names_the_record_and_how_long_it_took(self) -> None:
        """The id, the folder, and the time from the start of the run, whatever the clock shows."""
        rig = Rig()
        rig.clock.sleep_s(1000.0)
        rig.sink = Filed(serial="HRW-0007", started=STARTED)
        result = rig.run()

        assert result.run_id == rig.sink.run_id
        assert result.folder == Path("results", "here")
        assert result.duration_s == pytest.approx(rig.clock.now_s() - 1000.0)
        assert rig.sink.frames().events["time_s"].min() < 1.0

    def test_warnings_of_pre_flight_and_of_the_run_stand_in_it(self) -> None:
        """An instrument without a calibration date is warned of."""
        rig = Rig()
        supply = rig.file.supply.model_copy(update={"calibration_due": None})
        rig.file = rig.file.model_copy(update={"supply": supply})

        assert rig.run().warnings == ("The bench file gives no calibration date for the supply.",)

    @pytest.mark.parametrize(
        ("kind", "notes"), [(Filed, [f"record {Filed.folder}"]), (MemoryRecorder, None)]
    )
    def test_power_that_may_be_on_names_the_record_that_says_so(
        self,
        monkeypatch: pytest.MonkeyPatch,
        kind: type[MemoryRecorder],
        notes: list[str] | None,
    ) -> None:
        """The error's note says where the record is, where there is one."""

        def unconfirmed(_: LocalKeeper) -> None:
            raise PowerOffUnconfirmed("OUTPUT OFF COULD NOT BE CONFIRMED", where="supply")

        monkeypatch.setattr(LocalKeeper, "power_off", unconfirmed)
        rig = Rig()
        rig.sink = kind(serial="HRW-0007", started=STARTED)
        with pytest.raises(PowerOffUnconfirmed) as raised:
            rig.run()

        assert getattr(raised.value, "__notes__", None) == notes

    def test_a_refusal_stays_one_where_its_record_cannot_be_finished(self) -> None:
        """Nothing was energised: a lost record makes no trip of that."""
        rig = Rig()
        rig.sink = LosesEnd(serial="HRW-0007", started=STARTED)
        supply = rig.file.supply.model_copy(update={"identity": "another"})
        rig.file = rig.file.model_copy(update={"supply": supply})

        assert rig.run().outcome is Outcome.REFUSED


class LosesChecks(MemoryRecorder):
    """A record that can take in no check."""

    def check(self, row: CheckRow) -> None:
        """Fail."""
        raise RecordError(f"no space left for {row.check}", where="results")


def test_checks_that_cannot_be_written_are_no_release() -> None:
    """The checks are written once power is off: a disk that is full by then loses the run."""
    rig = Rig()
    rig.sink = LosesChecks(serial="HRW-0007", started=STARTED)

    result = rig.run()

    assert result.outcome is Outcome.TRIPPED
    assert result.reason.startswith("record_lost: results: no space left for ")


def test_each_step_is_an_event_without_a_level() -> None:
    """A step's event names its kind, and no level of the step before it stands any more."""
    rig = Rig()
    labels: list[str] = []

    def act(context: Context, _step: PlannedStep) -> None:
        labels.append(context.level_label)

    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(STEPS, "nominal", act)  # type: ignore[misc]
        rig.run()
    events = rig.sink.frames().events
    steps = events[events["kind"] == "step"]

    assert list(steps["detail"]) == [step.kind for step in plan_for(rig.profile, rig.file).steps]
    assert labels == [""]


class TestEnvelope:
    """What the keeper holds, from the profile and the bench; figures worked out by hand."""

    @staticmethod
    def of(profile: str, *loads: LoadPoint) -> OperatingEnvelope:
        """Return the envelope of a profile's plan; with other loads in the place of its own."""
        rig = Rig(profile)
        plan = plan_for(rig.profile, rig.file)
        if loads:
            start, last = plan.steps[0], plan.steps[-1]
            levels = tuple(replace(last.levels[0], load=load) for load in loads)
            plan = replace(plan, steps=(start, replace(last, levels=levels)))
        return envelope_of(plan)

    def test_ac(self) -> None:
        """132 V read to 0.1 % and 0.1 V, currents to 3 mA at zero, power to 0.2 W."""
        found = self.of("dome-shutter-power-unit")

        assert (found.voltage_v, found.current_a, found.power_w) == (132.0, 1.5, 90.0)
        assert found.voltage_error_v == pytest.approx(0.001 * 132.0 + 0.1)
        assert (found.current_error_a, found.power_error_w) == (0.003, 0.2)
        assert sorted(found.frequencies_hz) == [50.0, 60.0]
        assert (found.load_current_a, found.load_power_w) == (2.5, 0.0)
        assert found.load_least_ohm == math.inf

    def test_dc(self) -> None:
        """26.4 V read to 0.05 % and 10 mV, currents to 2 mA at zero; no power, no load."""
        found = self.of("mount-controller-board")

        assert (found.voltage_v, found.current_a, found.power_w) == (26.4, 1.5, 36.0)
        assert found.voltage_error_v == pytest.approx(0.0005 * 26.4 + 0.01)
        assert (found.current_error_a, found.power_error_w) == (0.002, 0.0)
        assert found.frequencies_hz == ()
        assert (found.load_current_a, found.load_power_w) == (0.0, 0.0)
        assert (found.load_least_v, found.load_most_v) == (math.inf, 0.0)

    def test_a_supply_of_unknown_accuracy(self) -> None:
        """A supply whose bench file states no accuracy counts as exact."""
        rig = Rig()
        plan = plan_for(rig.profile, rig.file)
        supply = rig.file.supply.model_copy(update={"accuracy": {}})

        found = envelope_of(replace(plan, bench=rig.file.model_copy(update={"supply": supply})))

        assert (found.voltage_error_v, found.current_error_a, found.power_error_w) == (0, 0, 0)

    def test_an_auxiliary_supply_that_drives_nothing(self) -> None:
        """Nothing may be set at it, whatever its envelope: 6.5 V and 20 mA where it wakes."""
        rig = Rig("lamp-battery-charger-full-release")
        plan = plan_for(rig.profile, rig.file)
        wakes, idle = (envelope_of(replace(plan, enable_way=way)) for way in ("aux", ""))

        assert (wakes.aux_voltage_v, wakes.aux_current_a) == (6.5, 0.02)
        assert (idle.aux_voltage_v, idle.aux_current_a) == (0.0, 0.0)

    def test_the_largest_load_of_each_mode(self) -> None:
        """The largest current and power, and the smallest resistance, bound the load."""
        found = self.of(
            "dome-shutter-power-unit",
            LoadPoint("power", 20.0),
            LoadPoint("power", 40.0),
            LoadPoint("resistance", 12.0),
            LoadPoint("resistance", 48.0),
            LoadPoint("voltage", 12.0),
            LoadPoint("voltage", 18.0),
        )

        assert (found.load_current_a, found.load_power_w, found.load_least_ohm) == (0, 40, 12)
        assert (found.load_least_v, found.load_most_v) == (12.0, 18.0)


@pytest.mark.parametrize(
    ("verdicts", "said"),
    [
        ([], "nothing was checked"),
        ([PASS], "the one check passed"),
        ([UNDECIDED], "the one check is undecided"),
        ([FAIL], "the one check failed"),
        ([PASS, PASS], "all 2 checks passed"),
        ([PASS, UNDECIDED], "1 of 2 checks undecided"),
        ([FAIL, UNDECIDED, FAIL], "2 of 3 checks failed"),
    ],
)
def test_the_checks_are_summed_up_in_a_sentence(verdicts: list[Verdict], said: str) -> None:
    """One check, several, or none: the worst of them is what is said."""
    assert sum_up(verdicts) == said
