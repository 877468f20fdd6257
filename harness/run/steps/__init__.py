"""One file a step kind, found by its name: each carries one planned step out.

It sets levels, lets them settle, holds them, and has its checks judged. Whatever leaves the
envelope on the way raises :class:`~harness.power.trip.Tripped` with power already off.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module

from harness.profile.plan import PlannedStep
from harness.profile.steps import STEP_KINDS
from harness.run.context import Context

__all__ = ["STEPS"]

#: How each kind of step is carried out; a kind without its file keeps the program from starting.
STEPS: Mapping[str, Callable[[Context, PlannedStep], None]] = {
    kind: import_module(f"{__name__}.{kind}").carry_out for kind in STEP_KINDS
}
