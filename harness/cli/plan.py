"""``softwake plan``: what would be done, level by level; energises nothing."""

from __future__ import annotations

import datetime as dt
import textwrap
from collections.abc import Iterator

from rich.console import RenderableType
from rich.table import Column, Table
from rich.text import Text

from harness.api import plan_for
from harness.cli.contents import of_plan
from harness.cli.documents import telling
from harness.cli.options import described
from harness.cli.tables import console, figures, heading, listed, show, table
from harness.profile.check import Check
from harness.profile.instruments import Tester
from harness.profile.level import Level
from harness.profile.load import load_bench, load_profile
from harness.profile.plan import Plan, PlannedStep
from harness.profile.preflight import Preflight, preflight, refuse
from harness.profile.proposal import proposal
from harness.profile.unit_at_hand import UnitAtHand
from harness.quantity import format_limits, format_quantity
from harness.report.wording import source_lines
from harness.unit.nameplate import Input, RectifiedInput
from harness.unit.unit_file import load_unit
from harness.watch.screen import terminal_size

#: Lines around the question: an empty one above, the answers below, and where they are typed.
_AROUND = 3


@described
def plan(
    profile: str, bench: str | None = None, unit: str | None = None, *, json: bool = False
) -> None:
    """Show what would be done: volts, limits, budgets, time, cautions; energises nothing."""
    file = None if bench is None else load_bench(bench)
    at_hand = None if unit is None else UnitAtHand(file=load_unit(unit))
    made = plan_for(load_profile(profile), file, at_hand=at_hand)
    found = Preflight(made.objections, ())
    if file is not None:
        found = preflight(made, today=dt.datetime.now().astimezone().date())
    with telling(wanted=json) as tell:
        if tell is None:
            show(plan_lines(made, found.warnings))
        else:
            tell("plan", of_plan(made, found.warnings, found.reasons))
    refuse(found)


def plan_lines(plan: Plan, warnings: tuple[str, ...] = ()) -> Iterator[RenderableType]:
    """Yield the parts of a plan, top to bottom; the warnings are those of pre-flight."""
    envelope = plan.profile.envelope
    yield Text(plan.profile.title, style="bold")
    yield Text(
        f"Envelope: {_show(envelope.voltage_v, 'V')}, {_show(envelope.current_a, 'A')}, "
        f"{_show(envelope.power_w, 'W')}. A reading outside it cuts power."
    )
    bench = "none yet; budgets leave its errors out" if plan.bench is None else plan.bench.name
    yield Text(f"Bench: {bench}.\n")
    yield _levels(plan)
    yield Text()
    yield from _legend(plan)
    if any(step.checks for step in plan.steps):
        yield Text()
        yield _checks(plan)
        limited = (check for check in plan.checks if check.measure != "operator.yes_no")
        sources = source_lines((check.name, check.source or "") for check in limited)
        yield from listed("Where the limits come from", sources)
        yield from listed("Read by hand", map(_tester, plan.testers.items()))
    yield from listed("What this bench will tell of the unit", _foreseen(plan))
    yield from _release(plan)
    yield from listed("Notes", plan.notes)
    yield from listed("Warnings", warnings, "yellow")
    yield Text(
        f"\nHolds take {_duration(plan.duration_s)}; settling comes on top. "
        "Nothing was energised to make this plan."
    )
    yield from listed("Cautions", plan.cautions, "bold")  # last: a question may follow


def what_comes(plan: Plan, serial: str) -> str:
    """Say in a sentence which unit gets what: volts, limit, and the bounds that cut power."""
    levels = [level for step in plan.steps for level in step.all_levels]
    if not levels:
        return f"{serial}: no step of this plan switches the output on."
    first, most_v = levels[0], max(level.voltage_v for level in levels)
    envelope = plan.profile.envelope
    bounds = ", ".join(
        (
            _show(envelope.voltage_v, "V"),
            _show(envelope.current_a, "A"),
            _show(envelope.power_w, "W"),
        )
    )
    return (
        f"{serial}: {_show(first.voltage_v, 'V')} with a limit of "
        f"{_show(first.current_limit_a, 'A')} first, up to {_show(most_v, 'V')}; beyond {bounds} "
        "power is cut."
    )


def question(plan: Plan, serial: str) -> str:
    """Return what is asked before power, in lines that leave the cautions in view above it.

    What keeps the run from a release is cut to the room there is: the plan above has all of it.
    """
    width, rows = terminal_size()
    out = console()
    cautions = listed("Cautions", plan.cautions, "bold")
    taken = sum(len(out.render_lines(part)) for part in cautions)
    asked = f"{what_comes(plan, serial)} Go on to the steps of this plan, and energise the unit?"
    lines = textwrap.wrap(asked, width)
    room = max(rows - taken - len(lines) - _AROUND, 1)
    why = textwrap.wrap(plan.cannot_release, width, max_lines=room, placeholder=" ... (see above)")
    return "\n".join((*why, *lines))


def _release(plan: Plan) -> Iterator[RenderableType]:
    """Say what stands between the unit and its release, before power (safety rule 11)."""
    title = "This run cannot release the unit"
    if plan.profile.purpose == "pre-check":
        yield from heading("Purpose: a pre-check. It can pass, and releases no unit", "bold")
        title = "What would keep a release back"
    open_ones = (point.text for point in plan.open_points if not point.proved_by)
    yield from listed(title, open_ones, "bold red")
    provable = (
        f"{point.text} Open unless check {point.proved_by!r} passes."
        for point in plan.open_points
        if point.proved_by
    )
    yield from listed("To be proved by this run", provable, "bold yellow")


def _foreseen(plan: Plan) -> Iterator[str]:
    """Say what is expected of the figures of the start, and what would make them good enough."""
    for forecast in plan.forecasts:
        yield f"{forecast.text} {proposal(forecast)}".rstrip()
    assumed = {one.of.assumed_pace for one in plan.forecasts if one.of.assumed_pace}
    for role, apart_s in sorted(assumed, reverse=True):
        yield (
            f"Reckoned with readings {_show(apart_s, 's')} apart; reading_time in the "
            f"bench file says how far apart this {role}'s are."
        )


def _show(value: float, unit: str) -> str:
    return format_quantity(value, unit, 3)


def _duration(time_s: float) -> str:
    """A time as people say it: ``12 s``, ``3 min 20 s``, ``2 h 5 min``."""
    seconds = round(time_s)
    if seconds < 120:
        return _show(time_s, "s")
    if seconds < 7200:
        return f"{seconds // 60} min {seconds % 60} s"
    return f"{seconds // 3600} h {seconds % 3600 // 60} min"


def _levels(plan: Plan) -> Table:
    line = plan.profile.fed.input
    beside = "Mains" if line.kind == "ac" else "As rms" if isinstance(line, RectifiedInput) else ""
    # Names are folded, figures never: whatever a step or a load is called, no column is lost.
    levels = table(
        Column("Step", min_width=8, max_width=24, overflow="fold"),
        Column("Level", justify="right", min_width=8, overflow="fold"),
        *figures("Volts", *([beside] if beside else []), "Limit", "Fills", "Slack", "Hold"),
        header_style="underline",
    )
    for step in plan.steps:
        title = f"{step.number} {step.name}"
        for level in step.levels:
            levels.add_row(title, *_cells(level, line))
            title = ""
    return levels


def _cells(level: Level, line: Input) -> Iterator[str]:
    is_load_point = level.load is not None and level.load.label == level.label
    yield f"{level.label} load" if is_load_point else level.label
    yield _show(level.voltage_v, "V")
    if line.kind == "ac":
        yield "" if level.frequency_hz is None else _show(level.frequency_hz, "Hz")
    elif isinstance(line, RectifiedInput):
        yield _show(line.rms_v(level.voltage_v), "V")
    yield _show(level.current_limit_a, "A")
    if level.budget is not None:
        unit = "C" if level.budget.kind == "charge" else "J"
        yield _show(level.budget.healthy, unit)
        yield _show(level.budget.slack(level.current_limit_a), unit)
    else:
        yield ""
        yield "" if level.time_at_limit_s is None else _show(level.time_at_limit_s, "s")
    yield _duration(level.dwell_s)


def _legend(plan: Plan) -> Iterator[Text]:
    """Explain the two columns that are no settings."""
    levels = [level for step in plan.steps for level in step.levels]
    if isinstance(plan.profile.fed.input, RectifiedInput):
        yield Text(
            "Volts: DC. As rms: the mains voltage that would charge the bulk capacitor as high.",
            style="dim",
        )
    budgeted = [level for level in levels if level.budget is not None]
    if budgeted:
        kind, beside = "energy", "; most of it is what the source's averaging hides"
        if plan.profile.fed.input.kind == "dc":
            unseen = _show(budgeted[0].current_limit_a * 1e-3, "C")
            kind, beside = "charge", f", and {unseen} a millisecond between two readings"
        yield Text(
            f"Fills: {kind} the bulk capacitor takes at this level. Slack: what may stay "
            f"unexplained before power is cut{beside}.",
            style="dim",
        )
    if any(level.time_at_limit_s is not None for level in levels):
        yield Text("Slack: longest time at the current limit before power is cut.", style="dim")


def _checks(plan: Plan) -> Table:
    checks = table(
        Column("Check", ratio=1, min_width=16, overflow="fold"),
        *(Column(name, overflow="fold") for name in ("Step", "Measure", "Limits")),
        header_style="underline",
    )
    for step in plan.steps:
        for check in step.checks:
            checks.add_row(check.name, _where(step, check), check.measure, _limits(check))
    return checks


def _tester(named: tuple[str, Tester]) -> str:
    name, tester = named
    due = tester.calibration_due
    dated = "no calibration date" if due is None else f"calibration due {due}"
    return f"{name}: {tester.name}, serial {tester.serial}, {dated}"


def _where(step: PlannedStep, check: Check) -> str:
    points = [level.load for level in step.levels if level.load is not None]
    at = check.level or next((point.label for point in points if point.value == check.at), "")
    return f"{step.number} at {at}" if at else f"{step.number}"


def _limits(check: Check) -> str:
    if check.measure == "operator.yes_no":
        return "yes" if check.low == 1 else "no"
    text = format_limits(check.low, check.high, check.unit)
    return text if check.rule == "guarded" else f"{text} (simple rule)"
