"""Checks of windows of time: what a level has of them, and how they are judged."""

from __future__ import annotations

import numpy as np

from harness.judge.propagate import Estimate
from harness.profile.level import Level
from harness.profile.plan import PlannedStep
from harness.record.events import EventKind
from harness.run.causes import Readings, instrument_causes
from harness.run.checks import UNKNOWN, checks_at, judge, name_at
from harness.run.context import Context
from harness.run.rest import Hold
from harness.run.windows import Windows


def windows_of(
    context: Context, step: PlannedStep, level: Level, threshold_v: float = 0.0
) -> Windows | None:
    """Return the windows of time of a level, of a start's from within it; None: no check has one.

    ``threshold_v`` is the input voltage from which on a start's windows count.
    """
    checks = [check for check in checks_at(step, level) if check.is_windowed]
    averaged_s = context.plan.averaged_s
    return Windows(checks, threshold_v=threshold_v, averaged_s=averaged_s) if checks else None


def judge_windows(context: Context, step: PlannedStep, hold: Hold) -> None:
    """Judge the checks that are made of windows of time; the level has been held since."""
    windows, context.windows = context.windows, None
    if windows is None:
        return
    for check, found in windows.found():
        estimate = UNKNOWN
        if found is None:
            too_few = f"{check.name}: too few readings fell into its window"
            context.event(EventKind.NO_READING, too_few)
        else:
            fed_by, (_, _, quantity) = context.fed_by, check.measure.partition(".")
            read = {f"{fed_by}.{name}": np.array([one]) for name, one in found.readings.items()}
            causes = instrument_causes(
                context.bench.file, f"{fed_by}.{quantity}", Readings.of(read)
            )
            estimate = Estimate(value=found.value, contributions=causes)
        judge(context, step, check, estimate, name=name_at(step, check, hold.level), holds=(hold,))
