"""Questions to the person at the bench; what they saw under power is asked about once it is off."""

from __future__ import annotations

from harness.judge.propagate import Estimate
from harness.profile.check import Check
from harness.profile.plan import PlannedStep
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.record.sink import CheckRow
from harness.run.causes import tester_causes
from harness.run.checks import UNKNOWN, judge
from harness.run.context import Context


def have_looked_at(context: Context, step: PlannedStep) -> None:
    """Say what to look at while a step is held; nobody is asked anything while power is on."""
    for check in _watched(step):
        context.event(EventKind.LOOK, f"{check.ask} This is asked once power is off.")


def ask_later(context: Context, step: PlannedStep) -> None:
    """Keep the questions of a step that has been held until power is off."""
    context.to_ask += [(step, check, len(context.verdicts)) for check in _watched(step)]


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
    yes_no = check.measure == "operator.yes_no"
    tester = context.bench.file.testers.get(check.tester or "")
    by = "" if tester is None else f" by {tester.name}, serial {tester.serial}"
    prompt = f"{check.ask or check.name}{f' [read{by}]' if by else ''}{seen}"
    answer: float | None
    if yes_no:
        answer, note = context.operator.ask_yes_no(prompt)
    else:
        answer, note = context.operator.ask_value(prompt, check.asked_unit)
    context.stop.raise_if_requested()
    estimate, said = UNKNOWN, "no answer"
    if answer is not None:
        causes = () if yes_no else tester_causes(check, tester, answer)
        estimate = Estimate(value=float(answer), contributions=causes)
        said = ("yes" if answer else "no") if yes_no else format_quantity(answer, check.unit)
        said += by
    context.event(EventKind.ANSWER, f"{check.name}: {said}" + (f" ({note})" if note else ""))
    stated = yes_no or bool(estimate.contributions)
    return judge(context, step, check, estimate, stated=stated, place=place)
