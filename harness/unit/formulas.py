"""Rectifier, capacitor and discharge formulas: closed forms, SI in, SI out."""

from __future__ import annotations

import math
from collections.abc import Callable

__all__ = [
    "capacitor_charge_c",
    "capacitor_energy_j",
    "charge_time_s",
    "discharge_time_s",
    "discharged_v",
    "first_order_ripple_v",
    "hold_up_s",
    "inrush_i2t_a2s",
    "largest_time_constant_s",
    "least_bulk_v",
    "peak_v",
    "valley_at_constant_current_v",
    "valley_at_constant_power_v",
    "valley_on_resistor_v",
]


def peak_v(rms_v: float) -> float:
    """Return the peak of a sine of ``rms_v`` volts rms.

    Source:
        Vp = sqrt(2) Vrms, textbook.
    """
    return math.sqrt(2.0) * rms_v


def capacitor_charge_c(capacitance_f: float, voltage_v: float) -> float:
    """Return the charge of a capacitor, Q = C V, in coulombs (textbook)."""
    return capacitance_f * voltage_v


def capacitor_energy_j(capacitance_f: float, voltage_v: float) -> float:
    """Return the energy of a capacitor, E = C V^2 / 2, in joules (textbook)."""
    return 0.5 * capacitance_f * voltage_v**2


def charge_time_s(capacitance_f: float, voltage_v: float, current_a: float) -> float:
    """Return how long a constant current takes to charge a capacitor from zero.

    Source:
        t = C V / I, textbook.
    """
    return capacitance_f * voltage_v / current_a


def inrush_i2t_a2s(voltage_v: float, capacitance_f: float, resistance_ohm: float) -> float:
    """Return the I2t of charging a capacitor through a resistor from a stiff source.

    Source:
        Integral of (V/R exp(-t/RC))^2 dt = V^2 C / (2 R), textbook.
    """
    return voltage_v**2 * capacitance_f / (2.0 * resistance_ohm)


def hold_up_s(capacitance_f: float, from_v: float, to_v: float, power_w: float) -> float:
    """Return how long a capacitor feeds a constant power while it falls to a lower voltage.

    Source:
        t = C (V1^2 - V2^2) / (2 P), textbook.
    """
    return capacitance_f * (from_v**2 - to_v**2) / (2.0 * power_w)


def discharged_v(from_v: float, time_s: float, time_constant_s: float) -> float:
    """Return the voltage left after ``time_s`` on a resistor: V exp(-t / RC) (textbook)."""
    return from_v * math.exp(-time_s / time_constant_s)


def discharge_time_s(from_v: float, to_v: float, time_constant_s: float) -> float:
    """Return how long a capacitor on a resistor takes from one voltage to a lower one.

    Source:
        t = RC ln(V1 / V2), textbook.
    """
    return time_constant_s * math.log(from_v / to_v)


def largest_time_constant_s(from_v: float, to_v: float, time_s: float) -> float:
    """Return the largest RC that falls from ``from_v`` to ``to_v`` within ``time_s`` (textbook)."""
    return time_s / math.log(from_v / to_v)


def first_order_ripple_v(current_a: float, frequency_hz: float, capacitance_f: float) -> float:
    """Return the ripple (peak to peak) of a full-wave rectifier, conduction time neglected.

    Args:
        current_a: Load current.
        frequency_hz: Line frequency; the ripple has twice that.
        capacitance_f: Bulk capacitance.

    Source:
        dV = I / (2 f C), common practice. Always on the high side.
    """
    return current_a / (2.0 * frequency_hz * capacitance_f)


def least_bulk_v(peak: float, frequency_hz: float, capacitance_f: float, power_w: float) -> float:
    """Return a lower bound of the bulk voltage at constant power: no conduction time at all.

    Returns:
        The bound in volts; 0 where the capacitor cannot bridge a half-cycle.

    Source:
        sqrt(Vp^2 - P / (f C)), from the energy of half a line period.
    """
    square = peak**2 - power_w / (frequency_hz * capacitance_f)
    return math.sqrt(square) if square > 0.0 else 0.0


def valley_at_constant_current_v(
    peak: float, frequency_hz: float, capacitance_f: float, current_a: float
) -> float:
    """Return the lowest bulk voltage of an ideal full-wave rectifier at constant current.

    Conduction ends where the sine falls as fast as the current discharges the capacitor, and
    begins again where the next half-sine meets the straight line from there.

    Args:
        peak: Peak of the rectified sine.
        frequency_hz: Line frequency.
        capacitance_f: Bulk capacitance.
        current_a: Load current.

    Source:
        Exact solution of the ideal circuit, textbook.
    """
    omega = 2.0 * math.pi * frequency_hz
    leave_s = _leaving(lambda _: current_a / capacitance_f, peak, omega)
    leave_v = peak * math.cos(omega * leave_s)

    def discharge(time_s: float) -> float:
        return leave_v - current_a * (time_s - leave_s) / capacitance_f

    return _valley(discharge, leave_s, peak, frequency_hz)


def valley_at_constant_power_v(
    peak: float, frequency_hz: float, capacitance_f: float, power_w: float
) -> float:
    """Return the lowest bulk voltage of an ideal full-wave rectifier at constant power.

    Arguments as for :func:`valley_at_constant_current_v`, with power in watts.

    Source:
        Exact solution of the ideal circuit, v^2 falls on a straight line; textbook.
    """
    omega = 2.0 * math.pi * frequency_hz
    leave_s = _leaving(lambda v: power_w / (capacitance_f * v), peak, omega)
    leave_v = peak * math.cos(omega * leave_s)

    def discharge(time_s: float) -> float:
        square = leave_v**2 - 2.0 * power_w * (time_s - leave_s) / capacitance_f
        return math.sqrt(square) if square > 0.0 else 0.0

    return _valley(discharge, leave_s, peak, frequency_hz)


def valley_on_resistor_v(
    peak: float, frequency_hz: float, capacitance_f: float, resistance_ohm: float
) -> float:
    """Return the lowest bulk voltage of an ideal full-wave rectifier with a resistor as load.

    Arguments as for :func:`valley_at_constant_current_v`, with the load in ohms.

    Source:
        Exact solution of the ideal circuit, textbook.
    """
    omega = 2.0 * math.pi * frequency_hz
    time_constant_s = resistance_ohm * capacitance_f
    leave_s = _leaving(lambda v: v / time_constant_s, peak, omega)
    leave_v = peak * math.cos(omega * leave_s)

    def discharge(time_s: float) -> float:
        return leave_v * math.exp(-(time_s - leave_s) / time_constant_s)

    return _valley(discharge, leave_s, peak, frequency_hz)


def _leaving(fall: Callable[[float], float], peak: float, omega: float) -> float:
    """Return the time after the peak at which the sine falls faster than the capacitor.

    ``fall`` gives the capacitor's rate, in volts a second, at a voltage.
    """

    def excess(time_s: float) -> float:
        angle = omega * time_s
        return peak * omega * math.sin(angle) - fall(max(peak * math.cos(angle), 1e-9))

    return _root(excess, 0.0, 0.5 * math.pi / omega * (1 - 1e-9))


def _valley(
    discharge: Callable[[float], float], leave_s: float, peak: float, frequency_hz: float
) -> float:
    """Return where the discharge meets the next rising half-sine."""
    half_s = 0.5 / frequency_hz
    omega = 2.0 * math.pi * frequency_hz

    def excess(time_s: float) -> float:
        return peak * abs(math.cos(omega * time_s)) - discharge(time_s)

    return discharge(_root(excess, max(leave_s, 0.5 * half_s), half_s))


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Return a root between ``low`` (negative) and ``high`` (not negative), by bisection."""
    for _ in range(80):
        middle = 0.5 * (low + high)
        if function(middle) < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
