"""One file a step kind; a new kind is a new file and a line here.

Each carries out one planned step: sets its levels, lets them settle, holds them, and has its checks
judged. Whatever leaves the envelope on the way raises
:class:`~harness.power.trip.Tripped` with power already off.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from harness.profile.plan import PlannedStep
from harness.run.context import Context
from harness.run.steps import cold, discharge, line, load, nominal, soak, start

__all__ = ["STEPS"]

#: How each kind of step is carried out.
STEPS: Mapping[str, Callable[[Context, PlannedStep], None]] = {
    "cold": cold.carry_out,
    "start": start.carry_out,
    "nominal": nominal.carry_out,
    "line": line.carry_out,
    "load": load.carry_out,
    "soak": soak.carry_out,
    "discharge": discharge.carry_out,
}
