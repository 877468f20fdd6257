"""Questions to the person at the bench: before power, while it is on, and of what they saw then.

What is asked while power is on keeps nobody from watching: the level is held on as before, each
sample is judged, and the answer is looked for in between. Where none comes, power is cut: nobody is
there.
"""

from __future__ import annotations

from harness.judge.propagate import Estimate
from harness.power.trip import TripReason
from harness.profile.check import Check
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.record.sink import CheckRow
from harness.run.causes import tester_causes
from harness.run.checks import UNKNOWN, judge
from harness.run.context import Context
from harness.run.operator import Answer
from harness.run.rest import Dwell


def have_looked_at(context: Context, step: PlannedStep) -> None:
    """Say what to look at while a step is held, and when it is asked."""
    for check in _watched(step):
        when = "while power is on, after the hold" if check.under_power else "once power is off"
        context.event(EventKind.LOOK, f"{check.ask} This is asked {when}.")


def ask_under_power(context: Context, step: PlannedStep, dwell: Dwell) -> None:
    """Ask what has to be read with power on, while the level is held on, and judge it.

    Raises:
        Tripped: Nobody has answered in time, or power was cut for any other reason.
    """
    for check in _watched(step):
        if check.under_power:
            answer = _answer_meanwhile(context, check, dwell)
            _judge_answer(context, step, check, answer)


def _answer_meanwhile(context: Context, check: Check, dwell: Dwell) -> Answer:
    """Hold on until there is an answer; none in time, or none that can come, cuts power."""
    begin_s = context.clock.now_s()
    answers: list[Answer] = []

    def answered() -> bool:
        try:
            answer = context.operator.answer()
        except EOFError:
            context.host.cut(TripReason.NO_ANSWER, f"{check.name}: the input has ended")
        if answer is not None:
            answers.append(answer)
        elif context.clock.now_s() - begin_s > check.answer_s:
            waited = format_quantity(check.answer_s, "s", 3)
            context.host.cut(TripReason.NO_ANSWER, f"{check.name}: no answer within {waited}")
        return bool(answers)

    unit = None if check.measure == "operator.yes_no" else check.asked_unit
    within = format_quantity(check.answer_s, "s", 3)
    prompt = f"{_words(context, check)} [answer within {within}, or power is cut]"
    context.operator.ask_meanwhile(prompt, unit)
    try:
        dwell.keep(answered)
    finally:
        context.operator.asked_enough()
    return answers[0]


def ask_later(context: Context, step: PlannedStep) -> None:
    """Keep the other questions of a step that has been held until power is off."""
    later = (check for check in _watched(step) if not check.under_power)
    context.to_ask += [(step, check, len(context.verdicts)) for check in later]


def ask_what_was_seen(context: Context) -> None:
    """Ask what was seen under power, and judge it, each check in its place among the others."""
    asked, context.to_ask = context.to_ask, []
    for before, (step, check, place) in enumerate(asked):
        context.step_name, context.level_label = step.name, ""
        seen = f" [seen while {step.name!r} was held]"
        ask_operator(context, step, check, seen=seen, place=place + before)


def _watched(step: PlannedStep) -> list[Check]:
    return [check for check in step.checks if check.by_operator]


def ask_operator(
    context: Context, step: PlannedStep, check: Check, *, seen: str = "", place: int | None = None
) -> CheckRow:
    """Ask for what a check rests on, power off, and judge it; without an answer it is undecided.

    ``seen`` is when there was something to see, and ``place`` the check's among those judged.
    """
    prompt = f"{_words(context, check)}{seen}"
    if check.measure == "operator.yes_no":
        answer: Answer = context.operator.ask_yes_no(prompt)
    else:
        answer = context.operator.ask_value(prompt, check.asked_unit)
    return _judge_answer(context, step, check, answer, place=place)


def _read_by(context: Context, check: Check) -> str:
    """Say which tester a person reads; empty where none is named."""
    tester = context.bench.file.testers.get(check.tester or "")
    return "" if tester is None else f" by {tester.name}, serial {tester.serial}"


def _words(context: Context, check: Check) -> str:
    by = _read_by(context, check)
    return f"{check.ask or check.name}{f' [read{by}]' if by else ''}"


def _judge_answer(
    context: Context, step: PlannedStep, check: Check, answer: Answer, *, place: int | None = None
) -> CheckRow:
    context.stop.raise_if_requested()
    value, note = answer
    yes_no = check.measure == "operator.yes_no"
    estimate, said = UNKNOWN, "no answer"
    if value is not None:
        tester = context.bench.file.testers.get(check.tester or "")
        causes = () if yes_no else tester_causes(check, tester, value)
        estimate = Estimate(value=float(value), contributions=causes)
        said = ("yes" if value else "no") if yes_no else format_quantity(value, check.unit)
        said += _read_by(context, check)
    context.event(EventKind.ANSWER, f"{check.name}: {said}" + (f" ({note})" if note else ""))
    stated = yes_no or bool(estimate.contributions)
    return judge(context, step, check, estimate, stated=stated, place=place)
