"""Every kind of step: its class says what a profile states and what the plan makes of it.

What depends on the kind is told there; how it is carried out is told in ``run/steps.py``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Literal, get_args

from pydantic import Field

from harness.profile.cycle_step import CycleStep
from harness.profile.dip_step import DipStep
from harness.profile.discharge_step import DischargeStep
from harness.profile.drain_step import DrainStep
from harness.profile.held_steps import LineStep, NominalStep, SoakStep
from harness.profile.load_step import LoadStep
from harness.profile.measures import Measure, Situation
from harness.profile.start_step import StartStep
from harness.profile.step import AnyStep, Place


class ColdStep(AnyStep):
    """Checks without power, before the first start."""

    place = Place.BEFORE_POWER
    situations = frozenset({Situation.COLD})
    about = "checks without power, by meter and operator"

    kind: Literal["cold"]


_OneStep = (
    StartStep
    | ColdStep
    | NominalStep
    | LineStep
    | LoadStep
    | SoakStep
    | CycleStep
    | DipStep
    | DrainStep
    | DischargeStep
)

Step = Annotated[_OneStep, Field(discriminator="kind")]


def step_kinds(classes: Iterable[type[AnyStep]]) -> dict[str, type[AnyStep]]:
    """Return the class of each kind of step.

    Raises:
        TypeError: A class leaves out what the order of steps and the checks go by.
    """
    kinds: dict[str, type[AnyStep]] = {}
    for step in classes:
        (kind,) = get_args(step.model_fields["kind"].annotation)
        for told in ("place", "situations", "about"):
            if not hasattr(step, told):
                raise TypeError(f"the step kind {kind!r} does not state its {told}")
        kinds[kind] = step
    return kinds


#: Every kind of step that a profile can name, the very ones it is validated by.
STEP_KINDS: Mapping[str, type[AnyStep]] = step_kinds(get_args(_OneStep))


def kinds_for(measure: Measure) -> tuple[str, ...]:
    """Return the kinds of step that something can be measured in."""
    return tuple(kind for kind, step in STEP_KINDS.items() if measure.situations & step.situations)
