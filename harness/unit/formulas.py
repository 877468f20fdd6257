"""Closed forms for capacitor, rectifier and fuse: SI in, SI out."""

from __future__ import annotations

import math
from collections.abc import Callable


def peak_v(rms_v: float) -> float:
    """Return the peak of a sine of ``rms_v`` volts rms. Source: Vp = sqrt(2) Vrms, textbook."""
    return math.sqrt(2.0) * rms_v


def capacitor_energy_j(capacitance_f: float, voltage_v: float) -> float:
    """Return the energy of a capacitor, in joules. Source: E = C V^2 / 2, textbook."""
    return 0.5 * capacitance_f * voltage_v**2


def inrush_i2t_a2s(voltage_v: float, capacitance_f: float, resistance_ohm: float) -> float:
    """Return the I2t of charging a capacitor through a resistor from a stiff source.

    Source: Integral of (V/R exp(-t/RC))^2 dt = V^2 C / (2 R), textbook.
    """
    return voltage_v**2 * capacitance_f / (2.0 * resistance_ohm)


def hold_up_s(capacitance_f: float, from_v: float, to_v: float, power_w: float) -> float:
    """Return how long a capacitor feeds a constant power while it falls to a lower voltage.

    Source: t = C (V1^2 - V2^2) / (2 P), textbook.
    """
    return capacitance_f * (from_v**2 - to_v**2) / (2.0 * power_w)


def discharged_v(from_v: float, time_s: float, time_constant_s: float) -> float:
    """Return the voltage left after ``time_s`` on a resistor. Source: V exp(-t / RC), textbook."""
    return from_v * math.exp(-time_s / time_constant_s)


def valley_at_constant_power_v(
    peak: float, frequency_hz: float, capacitance_f: float, power_w: float
) -> float:
    """Return the lowest bulk voltage of an ideal full-wave rectifier at constant power.

    Conduction ends where the rectified sine of ``peak`` falls as fast as the load discharges the
    capacitor, and begins again where the next half-sine meets the discharge. The valley is 0 where
    the capacitor cannot bridge a half-cycle.

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
    """Return the heat a constant current leaves in a fuse element, in A^2 s.

    The current is rms for AC, ``duration_s`` may be infinite, and the element loses heat with
    ``time_constant_s``. To compare with the melting integral: i^2 t for a short pulse (adiabatic
    rule), and the melting integral itself, never reached, at the current that is carried for ever.

    Source: dH/dt = i^2 - H / tau, first-order heating; textbook.
    """
    return current_a**2 * time_constant_s * -math.expm1(-duration_s / time_constant_s)


def melting_time_s(
    current_a: float, melting_a2s: float, time_constant_s: float, heat_a2s: float = 0.0
) -> float:
    """Return how long a constant current flows until the element parts; infinite if never.

    Arguments and source as for :func:`fuse_heat_a2s`; ``heat_a2s`` is what it already holds.
    """
    final_a2s = current_a * current_a * time_constant_s
    if final_a2s <= melting_a2s:
        return math.inf
    ratio = (melting_a2s - heat_a2s) / (final_a2s - heat_a2s)
    return -time_constant_s * math.log1p(-ratio) if ratio > 0.0 else 0.0
