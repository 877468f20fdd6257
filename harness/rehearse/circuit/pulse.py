"""The conduction pulse in one loop: a rectifier that charges its capacitor while all else is still.

The circuit and the solution between two instants are those of a half-cycle; but here nothing may
happen that is not plain, so a handful of long steps with Simpson's rule does the work of dozens of
short ones, and the end of the pulse is found instead of stepped upon. Nearly all the time of a
rehearsal's circuit is spent here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from harness.rehearse.circuit.network import Drive, InputNetwork

#: Steps from the start of conduction to the peak of the line, steps in a half-cycle, and the
#: shortest step.
_RISE_STEPS, _STEPS, _FINEST_S = 3, 8, 8e-6
#: Forward voltage that counts as none where the pulse ends.
_ENDS_V = 4e-7


@dataclass(slots=True)
class Progress:
    """How far a half-cycle got, and its integrals over time so far."""

    bulk_v: float
    lowest_v: float  #: of the bulk voltage, as far as it got; so is the highest
    highest_v: float
    time_s: float = 0.0  #: since the zero crossing
    peak_a: float = 0.0  #: highest source current met
    line_square: float = 0.0  #: of the squared source current, in A^2 s
    terminal_square: float = 0.0
    power_integral: float = 0.0
    bulk: float = 0.0
    bulk_square: float = 0.0
    inner: float = 0.0  #: of the voltage behind the series resistance, which a fault sees
    inner_square: float = 0.0


def carry_pulse(  # noqa: C901, PLR0915 - one long loop over plain numbers: calls would cost dear
    progress: Progress,
    net: InputNetwork,
    drive: Drive,
    power_w: float,
    until_s: float,
    between_v: tuple[float, float],
) -> None:
    """Carry a pulse on to its end, to ``until_s``, or to the step in which something else happens.

    The network has no short and no varistor in conduction. The pulse ends before the source's clamp
    and before the bulk voltages ``between_v``, at which the converter would stop or start; the
    half-cycle stays where it is if the first step is not plain.

    Source: C dv/dt = i - P/v - v/R with P/v replaced by its tangent is v' = -k v + s sin(wt) + c, a
    linear equation with a closed solution; integrals by Simpson's rule over each step. Textbook.
    """
    omega, peak_v, clamp_a = drive.omega, drive.peak_v, drive.clamp_a
    least_v, most_v = between_v
    sin, cos, exp = math.sin, math.cos, math.exp
    esr_ohm, leak, drop_v, floor_v = net.esr_ohm, net.leak_siemens, net.drop_v, net.least_v
    kept = 1.0 / net.divider
    lifted = esr_ohm * kept
    total_ohm = net.line_ohm + net.series_ohm + lifted
    path = kept / total_ohm
    drawn = (path + leak) * kept
    inverse = 1.0 / net.bulk_f
    crest, tracked = peak_v * omega, kept * inverse

    def after(step_s: float) -> tuple[float, float, float, float, float]:
        """Return bulk voltage, currents of converter and line, source voltage and its slope."""
        angle = omega * (time_s + step_s)
        sine, cosine = sin(angle), cos(angle)
        voltage_v = rest_v + scale * (rate * sine - omega * cosine)
        voltage_v += away_v * exp(-rate * step_s)
        power_a = power_w / max(voltage_v, floor_v)
        forward_v = peak_v * sine - drop_v - (voltage_v - esr_ohm * power_a) * kept
        return voltage_v, power_a, forward_v / total_ohm, peak_v * sine, crest * cosine

    begun_s = time_s = progress.time_s
    bulk_v = progress.bulk_v
    source_v, rises = peak_v * sin(omega * time_s), crest * cos(omega * time_s)
    power_a = power_w / max(bulk_v, floor_v)
    line_a = (source_v - drop_v - (bulk_v - esr_ohm * power_a) * kept) / total_ohm
    peak_a = max(progress.peak_a, line_a)
    inner_v = (bulk_v - esr_ohm * power_a) * kept + lifted * line_a
    bulk_a = line_a - power_a - inner_v * leak
    climb = rises - tracked * bulk_a  # of the voltage that drives the rectifier, in V/s
    line_square = source_line = bulk = bulk_square = inner = inner_square = 0.0
    longest_s = math.pi / omega / _STEPS
    rise_s = 0.5 * (math.pi / omega) - time_s
    if rise_s > 0.0:  # short steps for a short pulse
        longest_s = min(longest_s, max(rise_s / _RISE_STEPS, _FINEST_S))
    step_s = longest_s / 8.0  # the current rises fast at first
    ended = False
    while not ended and until_s - time_s > 1e-12:
        tangent = -power_w / (bulk_v * bulk_v) if power_w > 0.0 else 0.0
        rate = inverse * (drawn * (1.0 - esr_ohm * tangent) + tangent)
        step_s = min(2.0 * step_s, longest_s, until_s - time_s)
        if rate * step_s < 1e-9:
            break
        if time_s == begun_s and rate * step_s > 2.0:  # or all but jumps
            step_s = max(2.0 / rate, 0.02 * step_s)
        constant = inverse * (2.0 * power_a * (drawn * esr_ohm - 1.0) - path * drop_v)
        rest_v = constant / rate
        scale = inverse * path * peak_v / (rate * rate + omega * omega)
        angle = omega * time_s
        away_v = bulk_v - rest_v - scale * (rate * sin(angle) - omega * cos(angle))

        bulk2_v, power2_a, line2_a, source2_v, rises2 = after(step_s)
        if line2_a < 0.0:
            ended = True
            step_s = _end_s(after, step_s, line_a, line2_a, _ENDS_V / total_ohm)
            bulk2_v, power2_a, line2_a, source2_v, rises2 = after(step_s)
        half_s = 0.5 * step_s
        bulk1_v, power1_a, line1_a, source1_v, rises1 = after(half_s)
        low_v, high_v = min(bulk1_v, bulk2_v), max(bulk1_v, bulk2_v)
        if not (low_v > least_v and high_v < most_v):
            break
        if line1_a > clamp_a or line2_a > clamp_a:
            break

        inner1_v = (bulk1_v - esr_ohm * power1_a) * kept + lifted * line1_a
        inner2_v = (bulk2_v - esr_ohm * power2_a) * kept + lifted * line2_a
        sixth = step_s / 6.0
        line_square += sixth * (line_a * line_a + 4.0 * line1_a * line1_a + line2_a * line2_a)
        source_line += sixth * (source_v * line_a + 4.0 * source1_v * line1_a + source2_v * line2_a)
        bulk += sixth * (bulk_v + 4.0 * bulk1_v + bulk2_v)
        bulk_square += sixth * (bulk_v * bulk_v + 4.0 * bulk1_v * bulk1_v + bulk2_v * bulk2_v)
        inner += sixth * (inner_v + 4.0 * inner1_v + inner2_v)
        inner_square += sixth * (
            inner_v * inner_v + 4.0 * inner1_v * inner1_v + inner2_v * inner2_v
        )

        bulk1_a = line1_a - power1_a - inner1_v * leak
        bulk2_a = line2_a - power2_a - inner2_v * leak
        climb1, climb2 = rises1 - tracked * bulk1_a, rises2 - tracked * bulk2_a
        if bulk_a * bulk1_a < 0.0:
            turn_v = _turn(bulk_v, bulk1_v, bulk_a * inverse, bulk1_a * inverse, half_s)
            low_v, high_v = min(low_v, turn_v), max(high_v, turn_v)
        if bulk1_a * bulk2_a < 0.0:
            turn_v = _turn(bulk1_v, bulk2_v, bulk1_a * inverse, bulk2_a * inverse, half_s)
            low_v, high_v = min(low_v, turn_v), max(high_v, turn_v)
        peak_a = max(peak_a, line1_a, line2_a)
        if climb > 0.0 > climb1:
            turn_a = _turn(line_a, line1_a, climb / total_ohm, climb1 / total_ohm, half_s)
            peak_a = max(peak_a, turn_a)
        if climb1 > 0.0 > climb2:
            turn_a = _turn(line1_a, line2_a, climb1 / total_ohm, climb2 / total_ohm, half_s)
            peak_a = max(peak_a, turn_a)
        progress.lowest_v = min(progress.lowest_v, low_v)
        progress.highest_v = max(progress.highest_v, high_v)
        time_s += step_s
        bulk_v, power_a, line_a, source_v = bulk2_v, power2_a, line2_a, source2_v
        inner_v, bulk_a, climb = inner2_v, bulk2_a, climb2

    # The terminals carry the source less what its own resistance takes of it.
    sine_square = 0.5 * (time_s - begun_s) - 0.25 / omega * (
        sin(2.0 * omega * time_s) - sin(2.0 * omega * begun_s)
    )
    ohm = drive.source_ohm
    progress.line_square += line_square
    progress.power_integral += source_line - ohm * line_square
    progress.terminal_square += peak_v * peak_v * sine_square - ohm * (
        2.0 * source_line - ohm * line_square
    )
    progress.bulk += bulk
    progress.bulk_square += bulk_square
    progress.inner += inner
    progress.inner_square += inner_square
    progress.time_s, progress.bulk_v, progress.peak_a = time_s, bulk_v, peak_a


def _end_s(
    after: Callable[[float], tuple[float, float, float, float, float]],
    step_s: float,
    from_a: float,
    to_a: float,
    near_a: float,
) -> float:
    """Return how long a current lasts that is gone within a step: regula falsi, Illinois form."""
    low_s, low_a, high_s, high_a = 0.0, max(from_a, near_a), step_s, to_a
    side = 0.0
    for _ in range(40):
        end_s = high_s - high_a * (high_s - low_s) / (high_a - low_a)
        end_a = after(end_s)[2]
        if abs(end_a) < near_a:
            break
        if end_a < 0.0:
            high_s, high_a, low_a = end_s, end_a, low_a * (0.5 if side < 0.0 else 1.0)
        else:
            low_s, low_a, high_a = end_s, end_a, high_a * (0.5 if side > 0.0 else 1.0)
        side = end_a
    return end_s


def _turn(from_: float, to: float, from_slope: float, to_slope: float, span: float) -> float:
    """Return the extreme between two readings whose slopes have opposite signs.

    Source: The cubic with these values and slopes (Hermite), where its derivative is zero.
    Textbook.
    """
    first, last, rise = span * from_slope, span * to_slope, to - from_
    second, third = 3.0 * rise - 2.0 * first - last, first + last - 2.0 * rise
    root = math.sqrt(max(second * second - 3.0 * first * third, 0.0))
    share = first / (math.copysign(root, first) - second)
    return from_ + share * (first + share * (second + share * third))
