"""What the engine makes of an ending: outcome, reason, trip and the record's word for it."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Callable, Iterator

import pytest

from harness.errors import PowerOffUnconfirmed, RecordError, Refused
from harness.judge.verdict import Verdict
from harness.power.local_bench import LocalBench, LocalKeeper
from harness.power.trip import Trip, Tripped, TripReason
from harness.profile.plan import PlannedStep
from harness.run import engine
from harness.run.context import Context
from harness.run.operator import Nobody
from harness.run.result import Outcome, Output, RunResult
from harness.run.steps import STEPS
from tests.run.test_engine import Impatient, Rig

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

    def test_the_record_s_event_names_the_disk_too(self, nominal: Nominal) -> None:
        """The keeper's word of a silent client is replaced only where the disk was slow."""
        events: list[tuple[str, str]] = []

        def act(context: Context, _step: PlannedStep) -> None:
            context.slow_disk = SLOW
            context.host.cut(TripReason.CLIENT_SILENT, "for 2 s")

        rig, _ = nominal(act)
        events = [(str(row.kind), str(row.detail)) for row in rig.sink.frames().events.itertuples()]
        assert dict(events)["trip"] == f"record_lost: {SLOW} ({TripReason.RECORD_LOST.meaning})"


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

    def test_off_not_confirmed(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Power that may still be on is told as that, and as nothing else."""

        def unconfirmed(_: LocalKeeper) -> None:
            raise PowerOffUnconfirmed("OUTPUT OFF COULD NOT BE CONFIRMED", where="supply")

        monkeypatch.setattr(LocalKeeper, "power_off", unconfirmed)

        assert self.told(Rig()) == [False]


class TestInterrupted:
    def test_the_reason_names_the_signal(self) -> None:
        """A stopped run says by which signal, and its exit code is the shell's."""
        clock = Impatient(3.0)
        rig = Rig(clock=clock)
        clock.on_time = lambda: rig.stop.note(signal.SIGTERM)

        result = rig.run()

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
        assert rig.sink.frames().events.empty


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
        assert result.released
        assert result.reason == "all 4 checks passed"


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
    assert engine._sum_up(verdicts) == said
