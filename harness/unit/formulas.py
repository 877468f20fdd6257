"""Closed forms for capacitor, rectifier, fuse and varistor: SI in, SI out.

Of a varistor, ``at_1ma_v`` is the voltage at 1 mA DC, ``exponent`` that of its power law.
"""

from __future__ import annotations

import math
from collections.abc import Callable

#: Steps of a quarter period: the mean of a sine's power is exact to a thousandth with them.
_STEPS = 200


def peak_v(rms_v: float) -> float:
    """Return the peak of a sine of ``rms_v`` volts rms. Source: Vp = sqrt(2) Vrms, textbook."""
    return math.sqrt(2.0) * rms_v


def capacitor_energy_j(capacitance_f: float, voltage_v: float) -> float:
    """Return the energy of a capacitor, in joules. Source: E = C V^2 / 2, textbook."""
    return 0.5 * capacitance_f * voltage_v**2


def capacitor_current_a(capacitance_f: float, voltage_v: float, frequency_hz: float) -> float:
    """Return the rms current of a capacitor on a sine. Source: I = 2 pi f C V, textbook."""
    return 2.0 * math.pi * frequency_hz * capacitance_f * voltage_v


def inrush_i2t_a2s(voltage_v: float, capacitance_f: float, resistance_ohm: float) -> float:
    """Return the I2t of charging a capacitor by a resistor. Source: V^2 C / (2 R), textbook."""
    return voltage_v**2 * capacitance_f / (2.0 * resistance_ohm)


def hold_up_s(capacitance_f: float, from_v: float, to_v: float, power_w: float) -> float:
    """Return how long it feeds a constant power. Source: t = C (V1^2 - V2^2) / (2 P), textbook."""
    return capacitance_f * (from_v**2 - to_v**2) / (2.0 * power_w)


def discharged_v(from_v: float, time_s: float, time_constant_s: float) -> float:
    """Return the voltage left after ``time_s`` on a resistor. Source: V exp(-t / RC), textbook."""
    return from_v * math.exp(-time_s / time_constant_s)


def boosted_valley_v(
    held_v: float, frequency_hz: float, capacitance_f: float, power_w: float
) -> float:
    """Return the lowest voltage of a capacitor that a boost stage holds; 0 if it collapses.

    Source: The stage draws P (1 - cos 2wt), so energy swings by P / 2w about its mean; textbook.
    """
    swing_j = power_w / (4.0 * math.pi * frequency_hz)
    square = held_v**2 - 2.0 * swing_j / capacitance_f
    return math.sqrt(square) if square > 0.0 else 0.0


def valley_at_constant_power_v(
    peak: float, frequency_hz: float, capacitance_f: float, power_w: float
) -> float:
    """Return the lowest bulk voltage of a full-wave rectifier; 0 if the capacitor runs empty.

    Conduction ends where the rectified sine of ``peak`` falls as fast as the load discharges the
    capacitor, and begins again where the next half-sine meets the discharge.

    Source: Exact solution of the ideal circuit, v^2 falls on a straight line; textbook.
    """
    half_s, omega = 0.5 / frequency_hz, 2.0 * math.pi * frequency_hz

    def falls_faster(time_s: float) -> float:
        across_v = max(peak * math.cos(omega * time_s), 1e-9)
        return peak * omega * math.sin(omega * time_s) - power_w / (capacitance_f * across_v)

    leave_s = _root(falls_faster, 0.0, 0.5 * half_s * (1 - 1e-9))
    leave_v = peak * math.cos(omega * leave_s)

    def discharge_v(time_s: float) -> float:
        square = leave_v**2 - 2.0 * power_w * (time_s - leave_s) / capacitance_f
        return math.sqrt(square) if square > 0.0 else 0.0

    def line_is_above(time_s: float) -> float:
        return peak * abs(math.cos(omega * time_s)) - discharge_v(time_s)

    return discharge_v(_root(line_is_above, max(leave_s, 0.5 * half_s), half_s))


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Return a root between ``low`` (negative) and ``high`` (not negative), by bisection."""
    for _ in range(80):
        middle = 0.5 * (low + high)
        if function(middle) < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def fuse_heat_a2s(current_a: float, duration_s: float, time_constant_s: float) -> float:
    """Return the heat a constant current (rms for AC) leaves in a fuse element, in A^2 s.

    To compare with the melting integral: i^2 t for a short pulse (adiabatic rule), and the melting
    integral itself, never reached, at the current that is carried for ever.

    Source: dH/dt = i^2 - H / tau, first-order heating; textbook.
    """
    return current_a**2 * time_constant_s * -math.expm1(-duration_s / time_constant_s)


def melting_time_s(
    current_a: float, melting_a2s: float, time_constant_s: float, heat_a2s: float = 0.0
) -> float:
    """Return how long until the element, which holds ``heat_a2s`` already, parts; or infinity."""
    final_a2s = current_a * current_a * time_constant_s
    if final_a2s <= melting_a2s:
        return math.inf
    ratio = (melting_a2s - heat_a2s) / (final_a2s - heat_a2s)
    return -time_constant_s * math.log1p(-ratio) if ratio > 0.0 else 0.0


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
    """Return alpha of two points ``(V, I)``. Source: log(I2 / I1) / log(V2 / V1), textbook."""
    return math.log(second[1] / first[1]) / math.log(second[0] / first[0])


def clamped_v(open_v: float, source_ohm: float, at_1ma_v: float, exponent: float) -> float:
    """Return the voltage across a varistor behind ``source_ohm``, which is above 0; 0 or more.

    Source: (V0 - V) / R = K V^alpha, solved by Newton's rule from above, where a convex function
        never overshoots. Textbook.
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
    crest_v: float, source_ohm: float, at_1ma_v: float, exponent: float, *, dc: bool
) -> tuple[float, float]:
    """Return mean power and rms current of a varistor across a line of ``crest_v``, open.

    Source: Means of V I and I^2 over a quarter period, midpoint rule; textbook.
    """
    steps = 1 if dc else _STEPS
    power_w = square_a2 = 0.0
    for step in range(steps):
        open_v = crest_v if dc else crest_v * math.sin(0.5 * math.pi * (step + 0.5) / steps)
        across_v = clamped_v(open_v, source_ohm, at_1ma_v, exponent)
        current_a = (open_v - across_v) / source_ohm
        power_w += across_v * current_a / steps
        square_a2 += current_a**2 / steps
    return power_w, math.sqrt(square_a2)
