"""What the fall through a resistor, after power off, will be able to tell, said before power.

A fall as a healthy unit of the nameplate has it, read at the meter's pace and with its errors, is
weighed exactly as that of the run will be.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from harness.judge.discharge_curve import TOLD, Fall, Resistor, weigh_discharge
from harness.judge.start_curve import ReadingError, StartFigures
from harness.judge.uncertainty import FloatArray
from harness.profile.check import Check
from harness.profile.discharge_step import DischargeStep
from harness.profile.forecast import Forecast, forecast_of
from harness.profile.instruments import Meter
from harness.profile.nameplate_figures import nameplate_figures
from harness.profile.start_readings import LEAK_PER_S, MOST_READINGS, noisy, reading_error
from harness.unit.nameplate import Input

#: A fall through a resistor is followed to this share of the threshold's peak, well below where any
#: converter stops; and no longer than this.
STILL_TELLS_FRAC, LONGEST_FALL_S = 0.3, 60.0
#: Time of one reading where the bench file states none. Source: one cycle of the mains for the
#: value, one for the zero, and the answer; common practice.
_READING_S = 0.050
#: A converter stops at this share of the voltage at which it begins (common practice).
_STOPS_FRAC = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Discharge:
    """A discharge as it is weighed: all that its figures depend on."""

    line: Input
    resistor: Resistor
    meter: ReadingError | None
    reading_s: float
    pace_stated: bool

    @property
    def assumed_pace(self) -> tuple[str, float] | None:
        """Return whose readings are taken to be so far apart; None where the bench file says."""
        return None if self.pace_stated else ("meter", self.reading_s)

    def weighed(self, seed: int) -> StartFigures:
        """Return what comes of one draw of noise."""
        return _weighed(self, seed)


def discharge_forecasts(
    checks: Iterable[tuple[int, str, Check]], step: DischargeStep, line: Input, meter: Meter
) -> Iterator[Forecast]:
    """Yield what each check of a figure of a discharge can be expected to know.

    ``checks`` have number and name of their step, and ``meter`` reads across the bulk capacitor.
    Nothing is forecast without a resistor, or for a nameplate without a bulk capacitance.
    """
    if step.resistor_ohm is None or line.bulk_capacitance_f is None:
        return
    error_ohm = step.resistor_tolerance_frac * step.resistor_ohm
    fall = Discharge(
        line=line,
        resistor=Resistor(ohm=step.resistor_ohm, error_ohm=error_ohm),
        meter=reading_error(meter, "voltage_dc", line.stored_v(line.nominal_v)),
        reading_s=meter.reading_time_s or _READING_S,
        pace_stated=meter.reading_time_s is not None,
    )
    stated = nameplate_figures(line)
    for number, name, check in checks:
        if check.measure in TOLD:
            yield forecast_of(number, name, check, fall, stated.get(check.measure))


@lru_cache(maxsize=64)
def _weighed(fall: Discharge, seed: int) -> StartFigures:
    read = _fall_readings(fall, np.random.default_rng(seed))
    return weigh_discharge(read, fall.meter, fall.resistor, fall.line.peak_factor)


def _fall_readings(fall: Discharge, rng: np.random.Generator) -> Fall:
    """Return readings of a healthy unit's fall: the converter draws its idle power until it stops.

    Source: C dv/dt = -P / v - v / R, so with u = v^2: u = (u0 + P R) exp(-2 t / R C) - P R;
        textbook.
    """
    line = fall.line
    assert line.bulk_capacitance_f is not None
    bulk_f = line.bulk_capacitance_f
    rate = 1.0 / (fall.resistor.ohm * bulk_f) + LEAK_PER_S
    from_v = line.stored_v(line.nominal_v)
    stop_v = min(_STOPS_FRAC * line.peak_factor * line.start_threshold_v, from_v)
    drawn_v2 = line.idle_power_w / (rate * bulk_f)
    stops_s = 0.5 / rate * math.log((from_v**2 + drawn_v2) / (stop_v**2 + drawn_v2))
    lowest_v = STILL_TELLS_FRAC * line.peak_factor * line.start_threshold_v
    lasts_s = min(stops_s + math.log(max(stop_v / lowest_v, 1.0)) / rate, LONGEST_FALL_S)
    every_s = max(fall.reading_s, lasts_s / MOST_READINGS)
    times_s = np.arange(rng.uniform(0.0, every_s), lasts_s + 2.0 * every_s, every_s)
    running = (from_v**2 + drawn_v2) * np.exp(-2.0 * rate * times_s) - drawn_v2
    volts: FloatArray = np.where(
        times_s <= stops_s,
        np.sqrt(np.maximum(running, 0.0)),
        stop_v * np.exp(-rate * np.maximum(times_s - stops_s, 0.0)),
    )
    return Fall(times_s=times_s, voltage_v=noisy(volts, fall.meter, rng))
