"""``softwake plan``: what would be done, level by level; energises nothing."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.profile.plan import Plan

__all__ = ["plan", "show_plan"]


def plan(
    profile: Annotated[str, typer.Argument(help="A profile file, or the name of a shipped one.")],
    bench: Annotated[
        str | None, typer.Option(help="Plan for this bench: its ranges, accuracies and dialects.")
    ] = None,
) -> None:
    """Show what would be done: volts, limits, budgets, time, cautions; energises nothing."""
    from harness.api import plan_for
    from harness.profile.load import load_bench, load_profile
    from harness.profile.preflight import preflight, refuse

    table = None if bench is None else load_bench(bench)
    made = plan_for(load_profile(profile), table)
    if table is None:
        show_plan(made)
        return
    found = preflight(made, today=dt.datetime.now().astimezone().date())
    show_plan(made, warnings=found.warnings)
    refuse(found)


def show_plan(plan: Plan, *, warnings: tuple[str, ...] = ()) -> None:
    """Print a plan.

    Args:
        plan: The plan.
        warnings: What pre-flight warned of.
    """
    from harness.cli.plan_table import plan_lines
    from harness.cli.screen import console

    screen = console()
    for part in plan_lines(plan, warnings):
        screen.print(part)
