"""What a profile must have before some faults can show in it at all."""

from __future__ import annotations

from collections.abc import Iterator

from harness.profile.drain_step import DrainStep
from harness.profile.hand_loads import is_battery
from harness.profile.held_steps import LineStep, SoakStep
from harness.profile.load_step import LoadStep
from harness.profile.plan_notes import WARM_S
from harness.profile.schema import Profile
from harness.profile.step import HandLoadedStep, LoadableStep
from harness.profile.wiring import sets_load
from harness.rehearse.fault import Need
from harness.rehearse.senses import is_about_cooling

#: Share of nominal output current that counts as full load.
_FULL_FRAC = 0.9


def _largest_a(step: HandLoadedStep, profile: Profile) -> float:
    """Return the largest load current of a step; a load by hand counts as nominal."""
    output = step.loaded_output(profile.unit)
    if step.load is not None:
        return output.current_a
    points = step.points if isinstance(step, LoadStep) else ()
    if isinstance(step, LoadableStep) and step.point is not None:
        points = (step.point,)
    return max((one.current_a(output) for one in points if one.value > 0), default=0.0)


def _fully_loaded(profile: Profile) -> Iterator[HandLoadedStep]:
    for step in profile.steps:
        if isinstance(step, HandLoadedStep) and profile.unit.output:
            full_a = _FULL_FRAC * step.loaded_output(profile.unit).current_a
            if _largest_a(step, profile) >= full_a:
                yield step


def _warms_up(profile: Profile) -> bool:
    return any(
        getattr(step, "duration_s", getattr(step, "dwell_s", 0.0)) >= WARM_S
        and any(check.measure == "meter.temperature" for check in step.checks)
        for step in _fully_loaded(profile)
    )


def _charges(step: HandLoadedStep) -> bool:
    return step.load is not None and is_battery(step.load)


def _asked(profile: Profile) -> Iterator[str]:
    for step in profile.steps:
        yield from (check.ask or "" for check in step.checks if check.by_operator)


NOMINAL_LOAD = Need(
    "under load, and this profile has no load step",
    "add a load step",
    lambda profile: any(isinstance(step, LoadStep) for step in profile.steps),
    loads=True,
)
LOADED_CORNERS = Need(
    "under full load away from nominal line voltage, and this profile has no such step",
    "add a line step with its load",
    lambda profile: any(isinstance(step, LineStep) for step in _fully_loaded(profile)),
    loads=True,
)
HIGH_LINE = Need(
    "at the highest line voltage, and this profile has no line step",
    "add a line step",
    lambda profile: any(isinstance(step, LineStep) for step in profile.steps),
)
OVERLOAD = Need(
    "when more than the nominal current is drawn, and this profile never does",
    "add a load step with overload = true",
    lambda profile: any(isinstance(step, LoadStep) and step.overload for step in profile.steps),
    loads=True,
)
COOLED = Need(
    "when the unit has warmed up, or to a person who looks at its fan, and this profile has no "
    "loaded hold of half an hour with a check of meter.temperature, and no question about the fan",
    "add one",
    lambda profile: _warms_up(profile) or any(map(is_about_cooling, _asked(profile))),
)
LIMITER_MEASURED = Need(
    "at switch-on under a large current limit, which no start here has, or cold, across the part",
    'add a cold check of meter.resistance across "limiter"',
    lambda profile: any(
        check.across == "limiter" for step in profile.steps for check in step.checks
    ),
)
BULK_UNDER_POWER = Need(
    "across the bulk capacitor under power, and no start step has a check there",
    'add a start step with a check of meter.voltage_dc across "bulk"',
    lambda profile: any(
        check.across == "bulk"
        for step in profile.steps
        if step.kind == "start"
        for check in step.checks
    ),
)
PART_ALONE = Need(
    "on the part by itself: no reading of this bench tells",
    "measure the part",
    lambda _profile: False,
)
HELD_VOLTAGE = Need(
    "at the least battery, into a load that holds its voltage, and this profile has no such step",
    'add a load step with mode = "voltage"',
    lambda profile: any(
        isinstance(step, LoadStep) and step.mode == "voltage" for step in profile.steps
    ),
)
CHARGES = Need(
    "while a battery is charged, and nothing is charged in this profile",
    'add a load step with load = "battery", or with mode = "voltage"',
    lambda profile: any(
        isinstance(step, HandLoadedStep) and (_charges(step) or sets_load(step))
        for step in profile.steps
    ),
)
CHARGED_TO_THE_END = Need(
    "at the end of a charge, and this profile has no soak step with a battery",
    'add one with load = "battery"',
    lambda profile: any(isinstance(step, SoakStep) and _charges(step) for step in profile.steps),
)
DRAINED = Need(
    "with mains off and a battery connected, and this profile has no drain step",
    "add one",
    lambda profile: any(isinstance(step, DrainStep) for step in profile.steps),
)
