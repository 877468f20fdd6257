"""What a unit draws at each level of its start: where it begins, and what the start took in all."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from harness.judge.propagate import Estimate
from harness.judge.start_curve import LevelReadings, ReadingError, StartFigures, SupplyErrors
from harness.judge.uncertainty import Contribution, rectangular

BEGIN_VOLTAGE = "start.begin_voltage"
ENERGY = "start.energy"

#: Share of a hold, at its end, that tells what is drawn at rest.
_END_FRAC = 1.0 / 3.0
#: A converter begins where the draw rises by this share of the idle power over what goes with the
#: square of the voltage.
_BEGINS_FRAC = 0.3


def weigh_begin(
    levels: Sequence[LevelReadings], voltage: ReadingError | None, idle_power_w: float
) -> StartFigures:
    """Tell between which two levels the converter begins to work.

    What a leak draws rises with the square of the voltage; the idle power of a converter comes all
    at once. An offset of the readings of power is the same at every level.

    Source: P = V^2 / R, textbook; an interval in which any value is as likely: JCGM 100:2008,
        4.3.7.
    """
    if voltage is None:
        return _none("The bench file states no accuracy of the supply's voltage.")
    if not idle_power_w > 0.0:
        return _none("The nameplate states no idle power.")
    held = [level for level in levels if level.times_s.size]
    if len(held) < 2:
        return _none("Only one level is held: there is no step of the draw to look for.")
    rest = [_at_rest(level) for level in held]
    for number, (before, after) in enumerate(itertools.pairwise(held)):
        (low_v, low_w), (high_v, high_w) = rest[number : number + 2]
        # what goes with the square of the voltage, by the levels before, or else by those above
        others = rest[:1] + rest[number : number + 1] if number else rest[1:3]
        leak_w = _siemens(others) * (high_v**2 - low_v**2)
        if high_w - low_w - leak_w < _BEGINS_FRAC * idle_power_w:
            continue
        middle_v = 0.5 * (low_v + high_v)
        bound_v = voltage.gain_frac * middle_v + voltage.offset
        causes = (
            rectangular(
                f"between {before.label} and {after.label}", 0.5 * (high_v - low_v), unit="V"
            ),
            rectangular("supply voltage accuracy", bound_v, unit="V"),
        )
        return StartFigures(
            estimates={BEGIN_VOLTAGE: Estimate(value=middle_v, contributions=causes)}
        )
    return _none(
        "The draw rises by no step: the converter begins below the lowest level, or not at all."
    )


def weigh_energy(levels: Sequence[LevelReadings], errors: SupplyErrors) -> StartFigures:
    """Sum the energy that the supply gave from the first reading of the start to its last.

    For a supply that reads no power it is voltage times current.

    Source: W = integral of P dt, textbook, by the trapezoidal rule; JCGM 100:2008, 5.1.2 and 4.3.7:
        an offset counts for as long as it was read.
    """
    held = [level for level in levels if level.times_s.size]
    if not held:
        return StartFigures(why_not={ENERGY: "Nothing was read of the start."})
    times_s, voltage_v, current_a, power_w = (
        np.concatenate([getattr(level, name) for level in held])
        for name in ("times_s", "voltage_v", "current_a", "power_w")
    )
    value = float(np.trapezoid(power_w, times_s))
    volts, amps, power = errors.voltage, errors.current, errors.power
    causes: tuple[Contribution, ...]
    if power is not None:
        lasts_s = float(times_s[-1] - times_s[0])
        causes = (
            rectangular("supply power gain", power.gain_frac * abs(value), unit="J"),
            rectangular("supply power offset", power.offset * lasts_s, unit="J"),
        )
    elif volts is not None and amps is not None:
        charge_c = float(np.trapezoid(np.abs(current_a), times_s))
        volt_seconds = float(np.trapezoid(np.abs(voltage_v), times_s))
        gains = volts.gain_frac + amps.gain_frac
        causes = (
            rectangular("supply voltage and current gain", gains * abs(value), unit="J"),
            rectangular("supply voltage offset", volts.offset * charge_c, unit="J"),
            rectangular("supply current offset", amps.offset * volt_seconds, unit="J"),
        )
    else:
        why = "The bench file states no accuracy of the supply's power, or voltage and current."
        return StartFigures(why_not={ENERGY: why})
    return StartFigures(estimates={ENERGY: Estimate(value=value, contributions=causes)})


def _siemens(rest: Sequence[tuple[float, float]]) -> float:
    """Return the conductance that two levels show, each voltage and power; not below zero."""
    if len(rest) < 2:
        return 0.0
    (low_v, low_w), (high_v, high_w) = rest
    return max(high_w - low_w, 0.0) / (high_v**2 - low_v**2) if high_v > low_v else 0.0


def _none(why: str) -> StartFigures:
    return StartFigures(why_not={BEGIN_VOLTAGE: why})


def _at_rest(level: LevelReadings) -> tuple[float, float]:
    """Return voltage and power at the end of a hold."""
    end = slice(-max(int(_END_FRAC * level.times_s.size), 1), None)
    return float(level.voltage_v[end].mean()), float(level.power_w[end].mean())
