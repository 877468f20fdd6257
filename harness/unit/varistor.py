"""The varistor's power law: current, clamping behind a source, what a line heats it with.

``at_1ma_v`` is the varistor voltage, at 1 mA DC; ``exponent`` that of its non-linearity.
"""

from __future__ import annotations

import math

#: Steps of a quarter period; the mean of a sine's power is exact to a thousandth with them.
_STEPS = 200


def varistor_current_a(voltage_v: float, at_1ma_v: float, exponent: float) -> float:
    """Return the current at a voltage of either sign, never negative; infinite past all bounds.

    Source: I = K V^alpha, with K such that 1 mA flows at the varistor voltage: IEC 61051-1 terms.
    """
    try:
        return float(1e-3 * (abs(voltage_v) / at_1ma_v) ** exponent)
    except OverflowError:
        return math.inf


def varistor_voltage_v(current_a: float, at_1ma_v: float, exponent: float) -> float:
    """Return the voltage at which ``current_a`` flows: the power law solved for V."""
    return float(at_1ma_v * (current_a / 1e-3) ** (1.0 / exponent))


def exponent_between(first: tuple[float, float], second: tuple[float, float]) -> float:
    """Return alpha from two points ``(volts, amperes)`` of a data sheet.

    Source: alpha = log(I2 / I1) / log(V2 / V1): IEC 61051-1 terms.
    """
    return math.log(second[1] / first[1]) / math.log(second[0] / first[0])


def clamped_v(open_v: float, source_ohm: float, at_1ma_v: float, exponent: float) -> float:
    """Return the voltage across a varistor fed from ``open_v`` through ``source_ohm``, above 0.

    It is 0 where ``open_v`` is not above 0.

    Source: (V0 - V) / R = K V^alpha, solved by Newton's rule from above, where a convex function
        never overshoots; the only thing that limits a varistor past its voltage is the source.
        Textbook.
    """
    if open_v <= 0.0:
        return 0.0
    # No more flows than into a short, so that the varistor's voltage at that is an upper bound.
    across_v = min(open_v, varistor_voltage_v(open_v / source_ohm, at_1ma_v, exponent))
    for _ in range(60):
        drop_v = 1e-3 * (across_v / at_1ma_v) ** exponent * source_ohm
        step_v = (across_v + drop_v - open_v) / (1.0 + exponent * drop_v / across_v)
        across_v -= step_v
        if step_v <= 1e-13 * open_v:
            break
    return across_v


def line_load(
    peak_v: float, source_ohm: float, at_1ma_v: float, exponent: float, *, dc: bool
) -> tuple[float, float]:
    """Return mean power and rms current of a varistor across a line.

    ``peak_v`` is the peak of the line's open voltage, for DC its voltage; ``source_ohm`` is above
    0.

    Source: Mean of V I, and root of the mean of I^2, over a quarter period by the midpoint rule;
        textbook.
    """
    steps = 1 if dc else _STEPS
    power_w = square_a2 = 0.0
    for step in range(steps):
        open_v = peak_v if dc else peak_v * math.sin(0.5 * math.pi * (step + 0.5) / steps)
        across_v = clamped_v(open_v, source_ohm, at_1ma_v, exponent)
        current_a = (open_v - across_v) / source_ohm
        power_w += across_v * current_a / steps
        square_a2 += current_a**2 / steps
    return power_w, math.sqrt(square_a2)
