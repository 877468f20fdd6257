"""Bulk capacitance by the fall of its voltage through a known resistor, after power off.

A converter that still runs draws the voltage down as well, faster and faster. So the fall is taken
from its end upward, as far as it is one exponential: from where the converter has stopped.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from harness.judge.propagate import Estimate
from harness.judge.start_curve import FittedLevel, ReadingError, StartFigures
from harness.judge.uncertainty import (
    Contribution,
    FloatArray,
    combine,
    effective_number,
    rectangular,
)

CAPACITANCE = "discharge.bulk_capacitance"
TIME_CONSTANT = "discharge.time_constant"
STOP_VOLTAGE = "start.stop_voltage"
#: All that a fall through a resistor tells.
TOLD = (CAPACITANCE, TIME_CONSTANT, STOP_VOLTAGE)

#: Bleeder and leakage alone empty a bulk capacitor with a time constant of this at least (common
#: practice: they take next to nothing of the idle power).
_OWN_S = 20.0
#: Fewest readings of an exponential, and the least share by which it must have fallen meanwhile.
_FEWEST, _LEAST_FALL = 8, 0.3
#: Readings of less than so many of the meter's errors at zero tell nothing of the fall.
_LEAST_ERRORS = 20.0
#: A reading comes at its moment within this share of the time between two (common practice).
_JITTER = 0.1
#: A figure less certain than this says nothing.
_COARSEST_FRAC = 0.5
#: Points of the fitted curve.
_POINTS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Fall:
    """What the meter across the bulk capacitor read from power off on; each of shape ``(n,)``."""

    times_s: FloatArray
    voltage_v: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Resistor:
    """What is connected across the capacitor."""

    ohm: float
    error_ohm: float  # half-width


def weigh_discharge(
    fall: Fall, meter: ReadingError | None, resistor: Resistor, peak_factor: float
) -> StartFigures:
    """Weigh a bulk capacitor by its discharge, with its time constant, and tell the stop voltage.

    With the time constant T of the fall and that of the unit's own bleeder and leakage, T0, a
    resistor R gives 1 / (R C) = 1 / T - 1 / T0. Of T0 only the least is known.

    ``peak_factor`` is the bulk voltage over the input's: the root of two for AC.

    Source: exponential discharge, V = V0 exp(-t / R C), textbook; least squares of ln V with
        weights in proportion to V squared: JCGM 100:2008, H.3.2 and 5.1.2 (first order).
    """
    if meter is None:
        why = "The bench file states no accuracy of the meter's DC voltage."
        return StartFigures(why_not=dict.fromkeys(TOLD, why))
    clear = np.abs(fall.voltage_v) > _LEAST_ERRORS * max(meter.offset, meter.digit)
    count = int(np.argmin(clear)) if not clear.all() else clear.size
    times_s, voltage_v = fall.times_s[:count], np.abs(fall.voltage_v[:count])
    line = _exponential(times_s, voltage_v, meter)
    if line is None:
        why = (
            "The fall is no exponential over readings enough: something else draws from the "
            "capacitor, or it is over too soon."
        )
        return StartFigures(why_not=dict.fromkeys(TOLD, why))
    estimates = {TIME_CONSTANT: _time_constant(line, voltage_v[line.begin :])}
    why_not: dict[str, str] = {}
    found = _capacitance(line, voltage_v[line.begin :], resistor)
    if found is None or not combine(found.contributions).expanded < _COARSEST_FRAC * found.value:
        why_not[CAPACITANCE] = (
            "The resistor draws too little beside the unit's own bleeder and leakage: one of less "
            "resistance tells more."
        )
    else:
        estimates[CAPACITANCE] = found
    if line.begin == 0:
        why_not[STOP_VOLTAGE] = "Nothing but the resistor drew from the capacitor after power off."
    else:
        estimates[STOP_VOLTAGE] = _stopped(voltage_v, line.begin, meter, peak_factor)
    sign = math.copysign(1.0, fall.voltage_v[line.begin])
    return StartFigures(estimates=estimates, why_not=why_not, fitted=(line.curve(times_s, sign),))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """The straight line through ln V, with weights in proportion to V squared."""

    begin: int  # first reading on it
    rate: float  # 1/s, above zero
    rate_error: float  # standard
    dof: float
    middle_s: float  # where the line goes through ...
    middle_log: float  # ... this logarithm of the voltage
    bend: float  # by what a reading may lie off it, as a share, at most
    off: FloatArray  # of each reading, as a share; those before the first too ...
    allowed: FloatArray  # ... and by what it may be off

    @classmethod
    def of(
        cls, times_s: FloatArray, voltage_v: FloatArray, begin: int, meter: ReadingError
    ) -> Self:
        """Fit a line to the readings from one on."""
        x, y, weight = times_s[begin:], np.log(voltage_v[begin:]), voltage_v[begin:]
        share = weight**2 / float(weight @ weight)
        middle_s, middle_log = float(share @ x), float(share @ y)
        dx, dy = x - middle_s, y - middle_log
        sxx = float(weight**2 @ dx**2)
        slope = float(weight**2 @ (dx * dy)) / sxx
        residuals = weight * (dy - slope * dx)
        independent = effective_number(residuals, 2)
        variance = float(residuals @ residuals) / (independent - 2.0)
        apart_s = float(np.median(np.diff(times_s)))
        bound = meter.gain_frac + (meter.offset + meter.digit) / voltage_v
        allowed = bound + _JITTER * apart_s * abs(slope)
        off = np.log(voltage_v) - middle_log - slope * (times_s - middle_s)
        return cls(
            begin=begin,
            rate=-slope,
            rate_error=math.sqrt(variance * x.size / independent / sxx),
            dof=independent - 2.0,
            middle_s=middle_s,
            middle_log=middle_log,
            bend=float(allowed[begin:].max()),
            off=np.abs(off),
            allowed=allowed,
        )

    def curve(self, times_s: FloatArray, sign: float) -> FittedLevel:
        """Return the exponential over the readings that lie on it, as the meter shows it."""
        along_s = np.linspace(times_s[self.begin], times_s[-1], _POINTS)
        volts = sign * np.exp(self.middle_log - self.rate * (along_s - self.middle_s))
        return FittedLevel(
            label="through the resistor",
            times_s=tuple(along_s.tolist()),
            voltage_v=tuple(volts.tolist()),
            current_a=(),
        )

    @property
    def fits(self) -> bool:
        """Whether every reading lies on it."""
        return bool((self.off[self.begin :] <= self.allowed[self.begin :]).all())


def _exponential(times_s: FloatArray, voltage_v: FloatArray, meter: ReadingError) -> _Line | None:
    """Return the longest exponential that the fall ends with; None where it ends with none."""
    fallen = np.flatnonzero(voltage_v * (1.0 - _LEAST_FALL) >= voltage_v[-1:])
    last = min(int(fallen.max(initial=-1)), voltage_v.size - _FEWEST)
    if last < 0 or not np.all(np.diff(voltage_v[last:]) <= 0.05 * voltage_v[last + 1 :]):
        return None
    line = _Line.of(times_s, voltage_v, last, meter)
    if not line.fits:
        return None
    while line.begin > 0 and line.off[line.begin - 1] <= 2.0 * line.allowed[line.begin - 1]:
        longer = _Line.of(times_s, voltage_v, line.begin - 1, meter)
        if not longer.fits:
            break
        line = longer
    return line


def _of_rate(line: _Line, voltage_v: FloatArray) -> Iterator[Contribution]:
    """Yield what the rate of the fall is off by."""
    yield Contribution(
        name="scatter of the fall about its exponential",
        standard=line.rate_error,
        dof=line.dof,
        unit="1/s",
        distribution="t",
    )
    fallen = float(np.log(voltage_v[0] / voltage_v[-1]))
    moments = rectangular("accuracy and moment of the meter's readings", line.bend, unit="1")
    yield replace(moments, sensitivity=line.rate / fallen)


def _time_constant(line: _Line, voltage_v: FloatArray) -> Estimate:
    """Return the time constant of the fall, through the resistor and whatever the unit draws."""
    causes = _of_rate(line, voltage_v)
    return _inverse(1.0 / line.rate, line.rate, causes)


def _inverse(value: float, rate: float, causes: Iterable[Contribution]) -> Estimate:
    """Return what is in inverse proportion to a rate, with what that is off by."""
    scaled = (replace(one, sensitivity=-value / rate * one.sensitivity) for one in causes)
    return Estimate(value=value, contributions=tuple(scaled))


def _capacitance(line: _Line, voltage_v: FloatArray, resistor: Resistor) -> Estimate | None:
    """Return the capacitance; None where the unit itself may draw as much as the resistor."""
    own = 0.5 / _OWN_S  # 1/s, and as much either way
    rate = line.rate - own
    if rate <= own:
        return None
    value = 1.0 / (resistor.ohm * rate)
    bleeds = rectangular("bleeder and leakage of the unit", own, unit="1/s")
    found = _inverse(value, rate, (*_of_rate(line, voltage_v), bleeds))
    known = rectangular("resistor", resistor.error_ohm, unit="ohm")
    of_resistor = replace(known, sensitivity=-value / resistor.ohm)
    return replace(found, contributions=(*found.contributions, of_resistor))


#: Two junctions of a bridge at rest, or the diode of a DC input, with half-widths.
_RESTING_V, _RESTING_ERROR_V = 0.8, 0.8


def _stopped(
    voltage_v: FloatArray, begin: int, meter: ReadingError, peak_factor: float
) -> Estimate:
    """Return the input voltage at which the converter stopped: between two readings.

    Source: peak of a sine less the diodes, textbook; an interval in which any value is as likely:
        JCGM 100:2008, 4.3.7.
    """
    high_v, low_v = float(voltage_v[begin - 1]), float(voltage_v[begin])
    middle_v, half_v = 0.5 * (high_v + low_v), 0.5 * (high_v - low_v)
    share = 1.0 / peak_factor
    return Estimate(
        value=(middle_v + _RESTING_V) * share,
        contributions=(
            replace(rectangular("between two readings", half_v, unit="V"), sensitivity=share),
            replace(
                rectangular(
                    "meter voltage accuracy", meter.gain_frac * middle_v + meter.offset, unit="V"
                ),
                sensitivity=share,
            ),
            replace(rectangular("diodes at rest", _RESTING_ERROR_V, unit="V"), sensitivity=share),
        ),
    )
