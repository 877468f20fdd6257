"""What a discharge through a resistor told of the unit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from harness.judge.discharge_curve import Fall, Resistor, weigh_discharge
from harness.judge.propagate import Estimate, unknown
from harness.profile.discharge_step import DischargeStep
from harness.profile.instruments import Meter
from harness.profile.start_readings import reading_error
from harness.run.context import Context
from harness.run.start_figures import estimates_of, tell

#: What a fall without a resistor tells of the capacitor.
NO_RESISTOR = unknown("no resistor is stated for this discharge")


@dataclass(slots=True)
class Readout:
    """What the meter read after power off, one after the other."""

    times_s: list[float] = field(default_factory=list)
    voltage_v: list[float] = field(default_factory=list)

    def add(self, time_s: float, voltage_v: float) -> None:
        """Take a reading."""
        self.times_s.append(time_s)
        self.voltage_v.append(voltage_v)


def tell_discharge(
    context: Context, step: DischargeStep, meter: Meter, read: Readout
) -> Mapping[str, Estimate]:
    """Say what the fall that a meter followed told of the unit.

    Returned are the figures by the names of their measures.
    """
    assert step.resistor_ohm is not None
    line = context.plan.profile.fed.input
    errors = reading_error(meter, "voltage_dc", max(map(abs, read.voltage_v)))
    error_ohm = step.resistor_tolerance_frac * step.resistor_ohm
    told = weigh_discharge(
        Fall(times_s=np.array(read.times_s), voltage_v=np.array(read.voltage_v)),
        errors,
        Resistor(ohm=step.resistor_ohm, error_ohm=error_ohm),
        line.peak_factor,
    )
    tell(context, "discharge", told)
    return estimates_of(told)
