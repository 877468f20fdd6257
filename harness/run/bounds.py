"""From a plan to the hard bounds that the keeper holds."""

from __future__ import annotations

import math

from harness.power.envelope import OperatingEnvelope
from harness.profile.accuracy import Accuracy
from harness.profile.measures import SETTINGS
from harness.profile.plan import Plan


def envelope_of(plan: Plan) -> OperatingEnvelope:
    """Return the bounds the keeper holds: the profile's envelope and what the plan will set."""
    envelope = plan.profile.envelope
    levels = [level for step in plan.steps for level in step.all_levels]
    loads: dict[str, list[float]] = {mode: [] for mode in SETTINGS["load"]}
    for level in levels:
        if level.load is not None:
            loads[level.load.mode].append(level.load.value)
    for step in plan.steps:
        loads["current"] += getattr(step.step, "others", {}).values()
    assert plan.bench is not None  # pre-flight refuses a plan without one
    accuracy = plan.bench.feed.accuracy
    aux = envelope.aux if plan.enable_way == "aux" else None
    exact = Accuracy(0.0, 0.0)
    return OperatingEnvelope(
        voltage_v=envelope.voltage_v,
        current_a=envelope.current_a,
        power_w=envelope.power_w,
        voltage_error_v=accuracy.get("voltage", exact).bound(envelope.voltage_v),
        current_error_a=accuracy.get("current", exact).bound(0.0),
        power_error_w=accuracy.get("power", exact).bound(0.0),
        frequencies_hz=tuple({level.frequency_hz for level in levels if level.frequency_hz}),
        load_current_a=max(loads["current"], default=0.0),
        load_power_w=max(loads["power"], default=0.0),
        aux_voltage_v=0.0 if aux is None else aux.voltage_v,
        aux_current_a=0.0 if aux is None else aux.current_a,
        load_least_ohm=min(loads["resistance"], default=math.inf),
        load_least_v=min(loads["voltage"], default=math.inf),
        load_most_v=max(loads["voltage"], default=0.0),
    )
