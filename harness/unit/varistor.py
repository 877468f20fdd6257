"""The varistor's power law: current, clamping behind a source, energy, time it lasts."""

from __future__ import annotations

import math

__all__ = [
    "clamped_v",
    "exponent_between",
    "line_power_w",
    "rms_current_a",
    "time_to_energy_s",
    "varistor_current_a",
    "varistor_voltage_v",
]

#: Steps of a quarter period; the mean of a sine's power is exact to a thousandth with them.
_STEPS = 200


def varistor_current_a(voltage_v: float, at_1ma_v: float, exponent: float) -> float:
    """Return the current at ``voltage_v``, in amperes, never negative; infinite past all bounds.

    Args:
        voltage_v: Voltage across the varistor; its sign does not matter.
        at_1ma_v: Varistor voltage: the voltage at 1 mA DC.
        exponent: Non-linearity exponent.

    Source:
        I = K V^alpha, with K such that 1 mA flows at the varistor voltage: IEC 61051-1 terms.
    """
    if voltage_v == 0.0:
        return 0.0
    power = exponent * math.log(abs(voltage_v) / at_1ma_v)
    return 1e-3 * math.exp(power) if power < 700.0 else math.inf


def varistor_voltage_v(current_a: float, at_1ma_v: float, exponent: float) -> float:
    """Return the voltage at which ``current_a`` flows: the power law solved for V."""
    return at_1ma_v * math.exp(math.log(current_a / 1e-3) / exponent)


def exponent_between(first: tuple[float, float], second: tuple[float, float]) -> float:
    """Return alpha from two points ``(volts, amperes)`` of a data sheet.

    Source:
        alpha = log(I2 / I1) / log(V2 / V1): IEC 61051-1 terms.
    """
    return math.log(second[1] / first[1]) / math.log(second[0] / first[0])


def clamped_v(open_v: float, source_ohm: float, at_1ma_v: float, exponent: float) -> float:
    """Return the voltage across a varistor fed from ``open_v`` through ``source_ohm``.

    Args:
        open_v: Voltage without the varistor, not negative.
        source_ohm: Resistance of the source, above 0.
        at_1ma_v: Varistor voltage at 1 mA DC.
        exponent: Non-linearity exponent.

    Source:
        (V0 - V) / R = K V^alpha, solved by Newton's rule from above, where a convex function never
        overshoots; the only thing that limits a varistor past its voltage is the source. Textbook.
    """
    if open_v == 0.0:
        return 0.0
    # No more flows than into a short, so that the varistor's voltage at that is an upper bound.
    across_v = min(open_v, varistor_voltage_v(open_v / source_ohm, at_1ma_v, exponent))
    for _ in range(60):
        drop_v = varistor_current_a(across_v, at_1ma_v, exponent) * source_ohm
        step_v = (across_v + drop_v - open_v) / (1.0 + exponent * drop_v / across_v)
        across_v -= step_v
        if step_v <= 1e-13 * open_v:
            break
    return across_v


def line_power_w(
    peak_v: float, source_ohm: float, at_1ma_v: float, exponent: float, *, dc: bool
) -> float:
    """Return the mean power of a varistor across a line.

    Args:
        peak_v: Peak of the line's open voltage; for DC its voltage.
        source_ohm: Resistance of the source, above 0.
        at_1ma_v: Varistor voltage at 1 mA DC.
        exponent: Non-linearity exponent.
        dc: The line is DC.

    Source:
        Mean of V I over a quarter period, by the midpoint rule; textbook.
    """
    total = 0.0
    for open_v in _line(peak_v, dc=dc):
        across_v = clamped_v(open_v, source_ohm, at_1ma_v, exponent)
        total += across_v * (open_v - across_v) / source_ohm
    return total / (1 if dc else _STEPS)


def rms_current_a(
    peak_v: float, source_ohm: float, at_1ma_v: float, exponent: float, *, dc: bool
) -> float:
    """Return the rms current of a varistor across a line; arguments as :func:`line_power_w`.

    Source:
        Root of the mean of I^2 over a quarter period, by the midpoint rule; textbook.
    """
    total = 0.0
    for open_v in _line(peak_v, dc=dc):
        across_v = clamped_v(open_v, source_ohm, at_1ma_v, exponent)
        total += ((open_v - across_v) / source_ohm) ** 2
    return math.sqrt(total / (1 if dc else _STEPS))


def _line(peak_v: float, *, dc: bool) -> list[float]:
    """Return the open voltages of a quarter period, or the one of a DC line."""
    if dc:
        return [peak_v]
    return [peak_v * math.sin(0.5 * math.pi * (step + 0.5) / _STEPS) for step in range(_STEPS)]


def time_to_energy_s(energy_j: float, power_w: float) -> float:
    """Return how long a mean power takes to reach an energy rating; infinite without power.

    Source:
        t = E / P, no heat given off: on the short side for long times. Common practice.
    """
    return energy_j / power_w if power_w > 0.0 else math.inf
