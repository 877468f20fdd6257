"""Meters that are read while outputs come up, so that it shows when each did."""

from __future__ import annotations

from harness.profile.plan import PlannedStep
from harness.run.context import Context
from harness.run.meters import read_other


def note_rises(context: Context, step: PlannedStep) -> None:
    """Read once each meter that a check of a step needs for when an output came up."""
    asked = (step.made_of[check.name] for check in step.checks if check.measure == "rise_delay")
    # the one that is to be up first goes first: it is up when the other is read
    for name in dict.fromkeys(name for names in asked for name in reversed(names)):
        time_s, values = read_other(context, name)
        context.rises.setdefault((step.number, name), []).append((time_s, values[name]))
