"""The plan as a technician reads it at the bench, in eighty columns of plain characters."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from harness.quantity import format_quantity

if TYPE_CHECKING:
    from rich.console import RenderableType

    from harness.profile.plan import Level, Plan, PlannedStep
    from harness.profile.schema import Check

__all__ = ["plan_lines"]

_DIGITS = 3


def plan_lines(plan: Plan, warnings: tuple[str, ...] = ()) -> Iterator[RenderableType]:
    """Yield the parts of a plan, top to bottom, for a rich console to print.

    Args:
        plan: The plan.
        warnings: What pre-flight warned of.
    """
    profile = plan.profile
    yield Text(profile.title, style="bold")
    envelope = profile.envelope
    bounds = (
        f"{_show(envelope.voltage_v, 'V')}, {_show(envelope.current_a, 'A')}, "
        f"{_show(envelope.power_w, 'W')}"
    )
    yield Text(f"Envelope: {bounds}. A reading outside it cuts power.")
    bench = "none yet; budgets leave its errors out" if plan.bench is None else plan.bench.name
    yield Text(f"Bench: {bench}.")
    yield Text()
    yield _levels(plan)
    yield Text()
    yield from _legend(plan)
    if any(step.checks for step in plan.steps):
        yield Text()
        yield _checks(plan)
    yield from _listed("This run cannot release the unit", plan.open_points, style="bold red")
    yield from _listed("Notes", plan.notes)
    others = tuple(warning for warning in warnings if warning != plan.cannot_release)
    yield from _listed("Warnings", others, style="yellow")
    yield from _listed("Cautions", plan.cautions, style="bold")
    yield Text()
    yield Text(
        f"Holds take {_duration(plan.duration_s)}; settling comes on top. "
        "Nothing was energised to make this plan."
    )


def _show(value: float, unit: str) -> str:
    return format_quantity(value, unit, _DIGITS)


def _duration(time_s: float) -> str:
    """Show a time as people say it: ``12 s``, ``3 min 20 s``, ``2 h 5 min``."""
    seconds = round(time_s)
    if seconds < 120:
        return format_quantity(time_s, "s", _DIGITS)
    if seconds < 7200:
        return f"{seconds // 60} min {seconds % 60} s"
    return f"{seconds // 3600} h {seconds % 3600 // 60} min"


def _table() -> Table:
    return Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="underline")


def _levels(plan: Plan) -> Table:
    """Return every level: what is set, and what the unit may take on the way there."""
    table = _table()
    # Names are folded, figures never: whatever a step or a load is called, no column is lost.
    table.add_column("Step", min_width=8, max_width=24, overflow="fold")
    columns = [column for column in _COLUMNS if column != "Mains" or _is_ac(plan)]
    for column in columns:
        if column == "Level":
            table.add_column(column, justify="right", min_width=8, overflow="fold")
        else:
            table.add_column(column, justify="right", no_wrap=True)
    for step in plan.steps:
        title = f"{step.number} {step.name}"
        for level in step.levels:
            cells = _cells(level)
            table.add_row(Text(title), *(Text(cells[column]) for column in columns))
            title = ""
    return table


_COLUMNS = ("Level", "Volts", "Mains", "Limit", "Fills", "Slack", "Hold")


def _is_ac(plan: Plan) -> bool:
    return plan.profile.unit.input.kind == "ac"


def _cells(level: Level) -> dict[str, str]:
    fills = slack = mains = ""
    if level.budget is not None:
        unit = "C" if level.budget.kind == "charge" else "J"
        fills = _show(level.budget.healthy, unit)
        slack = _show(level.budget.slack(level.current_limit_a), unit)
    elif level.time_at_limit_s is not None:
        slack = _show(level.time_at_limit_s, "s")
    if level.frequency_hz is not None:
        mains = _show(level.frequency_hz, "Hz")
    return {
        "Level": f"{level.label} load" if _is_load_point(level) else level.label,
        "Volts": _show(level.voltage_v, "V"),
        "Mains": mains,
        "Limit": _show(level.current_limit_a, "A"),
        "Fills": fills,
        "Slack": slack,
        "Hold": _duration(level.dwell_s),
    }


def _is_load_point(level: Level) -> bool:
    return level.load is not None and level.load.label == level.label


def _legend(plan: Plan) -> Iterator[Text]:
    """Explain the two columns that are no settings."""
    levels = [level for step in plan.steps for level in step.levels]
    budgeted = [level for level in levels if level.budget is not None]
    if budgeted and _is_ac(plan):
        yield Text(
            "Fills: energy the bulk capacitor takes at this level. Slack: what may stay "
            "unexplained before power is cut; most of it is what the source's averaging hides.",
            style="dim",
        )
    elif budgeted:
        unseen = _show(budgeted[0].current_limit_a * 1e-3, "C")
        yield Text(
            "Fills: charge the bulk capacitor takes at this level. Slack: what may stay "
            f"unexplained before power is cut, and {unseen} a millisecond between two readings.",
            style="dim",
        )
    if any(level.time_at_limit_s is not None for level in levels):
        yield Text("Slack: longest time at the current limit before power is cut.", style="dim")


def _checks(plan: Plan) -> Table:
    table = _table()
    table.add_column("Check", ratio=1, min_width=16, overflow="fold")
    for name in ("Step", "Measure", "Limits"):
        table.add_column(name, overflow="fold")
    for step in plan.steps:
        for check in step.checks:
            table.add_row(
                Text(check.name), Text(_where(step, check)), Text(check.measure), _limits(check)
            )
    return table


def _where(step: PlannedStep, check: Check) -> str:
    points = [level.load for level in step.levels if level.load is not None]
    at = next((point.label for point in points if point.value == check.at), "")
    return f"{step.number} at {at}" if at else f"{step.number}"


def _limits(check: Check) -> Text:
    if check.measure == "operator.yes_no":
        return Text("yes" if check.low == 1 else "no")
    low = None if check.low is None else format_quantity(check.low, check.unit)
    high = None if check.high is None else format_quantity(check.high, check.unit)
    if low is None:
        text = f"at most {high}"
    else:
        text = f"at least {low}" if high is None else f"{low} to {high}"
    return Text(text if check.rule == "guarded" else f"{text} (simple rule)")


def _listed(title: str, lines: tuple[str, ...], style: str = "") -> Iterator[RenderableType]:
    """Yield a titled list with hanging indents; nothing for an empty one."""
    if not lines:
        return
    yield Text()
    yield Text(title, style=style or "underline")
    for line in lines:
        yield Padding(Text(line), (0, 0, 0, 2), expand=False)
