"""The engine: carries a plan out on a bench, and never leaves it energised."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace

from harness.bench.clock import Clock
from harness.bench.trial import questions_of
from harness.errors import (
    HarnessError,
    PowerOffUnconfirmed,
    RecordError,
    Refused,
)
from harness.judge.verdict import Verdict
from harness.power.port import Bench, Power
from harness.power.trip import Trip, Tripped, TripReason
from harness.profile.open_points import still_open
from harness.profile.plan import Plan
from harness.profile.preflight import preflight
from harness.record.events import EventKind
from harness.record.run_summary import Outcome, open_words, run_verdict
from harness.record.sink import Sink
from harness.run.announce import Announced, plan_detail
from harness.run.batteries import left_behind
from harness.run.bounds import envelope_of
from harness.run.checks import judge_dropped
from harness.run.context import Context
from harness.run.off import measure_off
from harness.run.operator import Interrupted, Operator, StopRequest
from harness.run.questions import ask_what_was_seen
from harness.run.result import Output, RunInfo, RunResult, run_entry, sum_up
from harness.run.steps import STEPS

_LOG = logging.getLogger(__name__)


def carry_out(
    plan: Plan,
    *,
    connect: Callable[[], AbstractContextManager[Bench]],
    clock: Clock,
    sink: Sink,
    info: RunInfo,
    stop: StopRequest | None = None,
    operator: Operator | None = None,
) -> RunResult:
    """Carry a plan out and record it; power is off, and confirmed off, when this returns.

    ``connect`` opens the bench the plan was made for; its links are closed again on the way out.
    Where nobody moves leads and answers questions (``operator`` None), what only a person can tell
    stays undecided.

    Raises:
        PowerOffUnconfirmed: Output off could not be confirmed. The record says so too, and the
            error's note says where it is.
    """
    context = Context(
        plan=plan,
        clock=clock,
        sink=sink,
        stop=stop or StopRequest(),
        origin_s=clock.now_s(),
    )
    if operator is not None:
        context.operator = Announced(operator, context)
    run = _Run(context, info)
    _LOG.info("profile %s, SHA-256 %s", plan.profile.source, plan.profile.sha256)
    _LOG.info("record %s", sink.folder or "in memory")
    try:
        context.event(EventKind.PLAN, plan_detail(plan, info, clock.utc()))
        with connect() as bench:
            run.check(bench)
            run.power(bench)
    except Interrupted as error:  # asked to stop before power
        run.interrupted(error)
    except HarnessError as error:  # refused, or an instrument that cannot be opened
        run.reason = str(error)
    except Exception as error:  # noqa: BLE001 - no more files, no memory: power sees to its own
        run.met(error)
    return run.conclude()


@dataclass(slots=True)
class _Run:
    """One run on its way: what is known of its end so far."""

    context: Context
    info: RunInfo
    outcome: Outcome = Outcome.REFUSED
    reason: str = ""
    trip: Trip | None = None
    signal: int | None = None
    unconfirmed: PowerOffUnconfirmed | None = None
    off_confirmed: dt.datetime | None = None
    identities: dict[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def check(self, bench: Bench) -> None:
        """Pre-flight with the instruments' own answers (safety rule 1).

        Raises:
            Refused: Something does not fit; nothing has been energised.
        """
        plan, stop = self.context.plan, self.context.stop
        stop.raise_if_requested()
        self.identities = bench.identities()
        for role, said in self.identities.items():
            _LOG.info("%s is %s", role, said)
        if any("simulated" in identity.lower() for identity in self.identities.values()):
            if not self.info.rehearsal:  # served to us, but no bench
                said = "; ".join(sorted(set(self.identities.values())))
                self.context.event(EventKind.SIMULATED, said)
            self.info = replace(self.info, rehearsal=True)
        findings = preflight(plan, today=self.info.started.date(), identities=self.identities)
        self.warnings = findings.warnings
        if findings.reasons:
            raise Refused(findings.reasons)
        stop.raise_if_requested()
        wrong = bench.try_questions(questions_of(plan))  # only of those that are right
        if wrong:
            raise Refused(wrong)

    def power(self, bench: Bench) -> None:
        """Carry out every step; power is off when this returns, however it returns."""
        context = self.context
        context.bench = bench
        try:
            host = bench.power(envelope_of(context.plan), self._on_event, context.on_sample)
            context.host = host
            try:
                self._steps()
            except (Tripped, PowerOffUnconfirmed):
                raise
            except Interrupted as error:
                self.interrupted(error)
            except Refused as error:
                self._refused(error)
            except RecordError as error:
                host.cut(TripReason.RECORD_LOST, str(error))
            except Exception as error:  # noqa: BLE001 - whatever it is, the unit must be off
                host.cut(TripReason.INTERNAL, f"{type(error).__name__}: {error}")
            finally:
                _switch_off(host)
                measure_off(context, wholly=self.outcome is Outcome.COMPLETED)
            self.off_confirmed = _now()  # asked once more, at the very end
            if host.trip is not None and self.outcome is Outcome.COMPLETED:
                raise Tripped(host.trip)  # noqa: TRY301 - it came to light as power went off
            self._ask()
        except Tripped as tripped:
            self._tripped(tripped.trip)
        except RecordError as error:  # met at the very end: the run was over, but it does not count
            self.outcome, self.reason = Outcome.TRIPPED, _record_lost(error)
        except PowerOffUnconfirmed as error:
            context.operator.power_off(confirmed=False)  # before the record, which may take long
            self.unconfirmed = error
            self.outcome, self.reason = Outcome.TRIPPED, f"POWER MAY STILL BE ON: {error}"
        self._enter_checks()

    def _enter_checks(self) -> None:
        """Write the checks into the record, now that it is known which readings lived."""
        try:
            self.context.enter_checks()
        except RecordError as error:
            self.outcome, self.reason = Outcome.TRIPPED, _record_lost(error)

    def _ask(self) -> None:
        """Ask what was seen under power; it is off now, and the run stands but for that."""
        if self.outcome is not Outcome.COMPLETED:
            return
        try:
            ask_what_was_seen(self.context)
        except Interrupted as error:
            self.interrupted(error)

    def _on_event(self, kind: EventKind, detail: str) -> None:
        """Tell the operator of every change of power, then the record."""
        if kind == EventKind.POWER_OFF and detail == "confirmed":
            self.off_confirmed = _now()
            self.context.operator.power_off(confirmed=True)
        if kind == EventKind.TURN:  # power goes off by hand
            self.context.operator.turn(0.0, f"Turn {detail}.")
        if kind == EventKind.TRIP and detail.startswith(f"{TripReason.CLIENT_SILENT}: "):
            slow_disk = self.context.slow_disk
            detail = detail if slow_disk is None else _record_lost(slow_disk)
        self.context.event(kind, detail)

    def met(self, error: Exception) -> None:
        """Note an error before power; one in closing the bench changes nothing any more."""
        if self.outcome is Outcome.REFUSED and not self.reason:
            self.reason = f"{TripReason.INTERNAL}: {type(error).__name__}: {error}"

    def interrupted(self, error: Interrupted) -> None:
        """Note that somebody stopped the run."""
        self.outcome, self.reason, self.signal = Outcome.INTERRUPTED, str(error), error.number

    def _refused(self, error: Refused) -> None:
        """Note that a step cannot be gone on from: a cold check failed, or leads were not moved."""
        self.context.event(EventKind.REFUSED, str(error))
        self.outcome = Outcome.INTERRUPTED if self.context.energised else Outcome.REFUSED
        self.reason = str(error)

    def conclude(self) -> RunResult:
        """Finish the record and say how the run ended.

        Raises:
            PowerOffUnconfirmed: Output off could not be confirmed; the record says so.
        """
        result, context, sink = self._result(), self.context, self.context.sink
        folder = sink.folder
        try:
            if context.record_lost:
                sink.abandon()
            else:
                sink.finish(run_entry(context.plan, result, self.info, self.identities))
        except Exception as error:  # noqa: BLE001 - without its record no run counts, whatever it is
            sink.abandon()
            refused = self.outcome is Outcome.REFUSED
            result = replace(
                result,
                outcome=Outcome.REFUSED if refused else Outcome.TRIPPED,
                reason=_record_lost(error),
            )
        if self.unconfirmed is not None:
            if folder is not None:
                self.unconfirmed.add_note(f"record {folder}")
            raise self.unconfirmed
        return replace(result, folder=folder)

    def _steps(self) -> None:
        context = self.context
        judge_dropped(context)
        for step in context.plan.steps:
            context.step_name, context.level_label = step.name, ""
            context.event(EventKind.STEP, step.kind)
            STEPS[step.kind](context, step)
        self.outcome = Outcome.COMPLETED

    def _tripped(self, trip: Trip) -> None:
        slow_disk = self.context.slow_disk
        if trip.reason is TripReason.CLIENT_SILENT and slow_disk is not None:
            trip = replace(trip, reason=TripReason.RECORD_LOST, detail=str(slow_disk))
        if trip.reason is TripReason.STOPPED:
            self.outcome, self.reason = Outcome.INTERRUPTED, trip.detail
            self.signal = self.context.stop.number
            return
        self.trip = trip
        self.outcome = Outcome.TRIPPED if self._was_on() else Outcome.REFUSED
        self.reason = str(trip)

    def _was_on(self) -> bool:
        return self.context.energised or (self.trip is not None and self.trip.live)

    def _output(self) -> Output:
        if self.unconfirmed is not None:
            return Output.UNCONFIRMED
        return Output.OFF if self._was_on() else Output.NEVER_ON

    def _result(self) -> RunResult:
        context, verdicts = self.context, self.context.verdicts
        output, purpose = self._output(), context.plan.profile.purpose
        judged = zip(context.judged_checks, verdicts, strict=True)
        points = still_open(context.plan.open_points, judged)
        verdict = run_verdict(verdicts, outcome=self.outcome, purpose=purpose, open_points=points)
        reason = self.reason or sum_up(verdicts)
        if not self.reason and verdict is Verdict.UNDECIDED and {*verdicts} == {Verdict.PASS}:
            reason = "\n".join((f"{reason}, but {open_words(points)}:", *points))
        return RunResult(
            run_id=context.sink.run_id,
            outcome=self.outcome,
            verdict=verdict,
            rehearsal=self.info.rehearsal,
            reason=reason,
            purpose=purpose,
            open_points=points,
            trip=self.trip,
            signal=self.signal,
            duration_s=context.clock.now_s() - context.origin_s,
            output=output,
            off_confirmed=self.off_confirmed if output is Output.OFF else None,
            warnings=(*self.warnings, *context.warnings, *left_behind(context)),
        )


def _switch_off(host: Power) -> None:
    """Switch off and confirm, also where the record is lost on the way.

    Raises:
        PowerOffUnconfirmed: That failed, whatever it was that went wrong.
    """
    try:
        host.power_off()
    except (RecordError, PowerOffUnconfirmed) as error:
        if isinstance(error, RecordError):
            host.power_off()
        raise
    except Exception as error:
        raise PowerOffUnconfirmed(
            f"switching off met an error of the program ({type(error).__name__}: {error})",
            where="supply",
        ) from error


def _now() -> dt.datetime:
    """Return the time of day at which power is off: people go by it, of a rehearsal too."""
    return dt.datetime.now(dt.UTC)


def _record_lost(error: Exception) -> str:
    what = str(error) if isinstance(error, RecordError) else f"{type(error).__name__}: {error}"
    return f"{TripReason.RECORD_LOST}: {what} ({TripReason.RECORD_LOST.meaning})"
