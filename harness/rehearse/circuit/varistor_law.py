"""The varistor's power law, alone and behind a resistance."""

from __future__ import annotations

import math

from harness.rehearse.unit_model import Varistor

__all__ = ["exponent_between", "varistor_current_a", "varistor_voltage_v", "voltage_behind_v"]


def varistor_current_a(varistor: Varistor, voltage_v: float) -> float:
    """Return the current at ``voltage_v``, in amperes, never negative.

    Source:
        I = K V^alpha, with K such that 1 mA flows at the varistor voltage: IEC 61051-1 terms.
    """
    return float(1e-3 * (abs(voltage_v) / varistor.voltage_at_1ma_v) ** varistor.exponent)


def varistor_voltage_v(varistor: Varistor, current_a: float) -> float:
    """Return the voltage at which ``current_a`` flows: the power law solved for V."""
    return float(varistor.voltage_at_1ma_v * (current_a / 1e-3) ** (1.0 / varistor.exponent))


def exponent_between(first: tuple[float, float], second: tuple[float, float]) -> float:
    """Return alpha from two points ``(volts, amperes)`` of a data sheet.

    Source:
        alpha = log(I2 / I1) / log(V2 / V1): IEC 61051-1 terms.
    """
    return math.log(second[1] / first[1]) / math.log(second[0] / first[0])


def voltage_behind_v(varistor: Varistor, open_v: float, series_ohm: float) -> float:
    """Return the voltage across the varistor fed from ``open_v`` through ``series_ohm``.

    Solves (V0 - V) / R = K V^alpha by Newton's rule in the logarithm of the current, which
    converges from above for any open voltage.
    """
    if open_v <= 0.0:
        return 0.0
    inverse = 1.0 / varistor.exponent
    scale_v = varistor.voltage_at_1ma_v
    low_a, high_a = 0.0, open_v / series_ohm
    current_a = min(varistor_current_a(varistor, open_v), high_a)
    for _ in range(60):
        across_v = scale_v * (current_a / 1e-3) ** inverse if current_a > 0.0 else 0.0
        excess_v = across_v + current_a * series_ohm - open_v
        if abs(excess_v) < 1e-9 * open_v:
            break
        if excess_v > 0.0:
            high_a = current_a
        else:
            low_a = current_a
        slope = series_ohm + (across_v * inverse / current_a if current_a > 0.0 else math.inf)
        current_a -= excess_v / slope
        if not low_a < current_a < high_a:
            current_a = 0.5 * (low_a + high_a)
    return open_v - current_a * series_ohm
