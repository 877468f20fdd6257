"""The conduction pulse in one loop: a rectifier that charges its capacitor while all else is still.

This is :meth:`HalfCycle._carry <harness.rehearse.circuit.half_cycle.HalfCycle>` for the plain case,
step for step and formula for formula, with the constants taken out of the loop: half of all
steps of a rehearsal are such steps. It ends before anything happens that is not plain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.rehearse.circuit.feed import Flows
from harness.rehearse.circuit.network import InputNetwork

__all__ = ["Pulse", "Still", "carry_pulse"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Still:
    """What stands still during the pulse.

    Attributes:
        network: The input network: no short, no varistor in conduction.
        peak_v: Amplitude of the sine.
        omega: Its angular frequency.
        source_ohm: Part of the line's resistance inside the terminals.
        power_w: What the converter takes from the bulk capacitor.
        clamp_a: Source current before which the pulse ends.
        least_v: Bulk voltage before which the pulse ends: there the converter would stop.
        most_v: The same upwards: there it would start.
        step_s: Longest step.
    """

    network: InputNetwork
    peak_v: float
    omega: float
    source_ohm: float
    power_w: float
    clamp_a: float
    least_v: float
    most_v: float
    step_s: float


@dataclass(slots=True)
class Pulse:
    """Where the pulse is, and its integrals so far.

    Attributes:
        time_s: Time since the zero crossing.
        bulk_v: Bulk voltage.
        flows: Who carries what now.
        lowest_v: Lowest bulk voltage.
        highest_v: Highest bulk voltage.
        peak_a: Highest source current.
        line_square: Integral of the squared source current.
        terminal_square: Of the squared terminal voltage.
        power_integral: Of their product.
        bulk: Of the bulk voltage.
        bulk_square: Of its square.
        inner: Of the voltage behind the series resistance.
        inner_square: Of its square.
    """

    time_s: float
    bulk_v: float
    flows: Flows
    lowest_v: float
    highest_v: float
    peak_a: float
    line_square: float = 0.0
    terminal_square: float = 0.0
    power_integral: float = 0.0
    bulk: float = 0.0
    bulk_square: float = 0.0
    inner: float = 0.0
    inner_square: float = 0.0


def carry_pulse(  # noqa: PLR0915 - one loop over plain numbers: calls would cost what it saves
    still: Still, pulse: Pulse, until_s: float, end_v: float
) -> None:
    """Carry a pulse on until ``until_s``, or to the step in which something else happens.

    Args:
        still: What stands still.
        pulse: The pulse; it is moved on.
        until_s: Time since the zero crossing.
        end_v: Forward voltage below which the rectifier counts as blocking.

    Source:
        As in the half-cycle: C dv/dt = i - P/v - v/R with P/v replaced by its tangent is
        v' = -k v + s sin(wt) + c; integrals take every flow as a straight line.
    """
    net, omega, peak_v, power_w = still.network, still.omega, still.peak_v, still.power_w
    sin, cos, exp = math.sin, math.cos, math.exp
    esr_ohm, leak, line_ohm = net.esr_ohm, net.leak_siemens, net.line_ohm
    divider = 1.0 + esr_ohm * leak
    kept = 1.0 / divider
    total_ohm = line_ohm + net.series_ohm + esr_ohm * kept
    path = kept / total_ohm
    inverse = 1.0 / net.bulk_f
    drawn = path + leak
    least_v, longest_s = net.least_v, still.step_s
    time_s, bulk_v = pulse.time_s, pulse.bulk_v
    line_a, terminal_v, input_v, inner_v, forward_v, rectifier_a = pulse.flows
    angle = omega * time_s
    sine, cosine = sin(angle), cos(angle)
    peak_a, lowest_v, highest_v = pulse.peak_a, pulse.lowest_v, pulse.highest_v
    while until_s - time_s > 1e-12 and forward_v >= end_v and line_a <= still.clamp_a:
        step_s = until_s - time_s
        if step_s > longest_s:  # noqa: PLR1730 - here and below: a call costs as much as a line
            step_s = longest_s
        constant_a = 2.0 * power_w / bulk_v if power_w > 0.0 else 0.0
        slope = -power_w / (bulk_v * bulk_v) if power_w > 0.0 else 0.0
        rate = inverse * (drawn * kept * (1.0 - esr_ohm * slope) + slope)
        constant = inverse * (drawn * kept * esr_ohm * constant_a - path * net.drop_v - constant_a)
        if rate * step_s < 1e-9:
            break
        scale = inverse * path * peak_v / (rate * rate + omega * omega)
        begun = constant / rate + scale * (rate * sine - omega * cosine)
        next_s = time_s + step_s
        angle = omega * next_s
        sine, cosine = sin(angle), cos(angle)
        next_v = constant / rate + scale * (rate * sine - omega * cosine)
        next_v += (bulk_v - begun) * exp(-rate * step_s)

        source_v = peak_v * sine
        held_v = next_v if next_v > least_v else least_v  # noqa: FURB136
        power_a = power_w / held_v if power_w > 0.0 else 0.0
        inner1_v = (next_v - esr_ohm * power_a) / divider
        forward1_v = source_v - net.drop_v - inner1_v
        if forward1_v < 0.0 or not still.least_v < next_v < still.most_v:
            break
        rectifier1_a = forward1_v / total_ohm
        input1_v = source_v - rectifier1_a * line_ohm
        line1_a = (source_v - input1_v) / line_ohm
        if line1_a > still.clamp_a:
            break
        terminal1_v = source_v - line1_a * still.source_ohm
        inner1_v += rectifier1_a * esr_ohm * kept

        third, half = step_s / 3.0, 0.5 * step_s
        pulse.line_square += third * (line_a * line_a + line_a * line1_a + line1_a * line1_a)
        pulse.terminal_square += third * (
            terminal_v * terminal_v + terminal_v * terminal1_v + terminal1_v * terminal1_v
        )
        pulse.power_integral += (
            0.5
            * third
            * (
                line_a * (2.0 * terminal_v + terminal1_v)
                + line1_a * (terminal_v + 2.0 * terminal1_v)
            )
        )
        pulse.bulk += half * (bulk_v + next_v)
        pulse.bulk_square += third * (bulk_v * bulk_v + bulk_v * next_v + next_v * next_v)
        pulse.inner += half * (inner_v + inner1_v)
        pulse.inner_square += third * (inner_v * inner_v + inner_v * inner1_v + inner1_v * inner1_v)
        if line1_a > peak_a:  # noqa: PLR1730
            peak_a = line1_a
        if next_v > highest_v:
            highest_v = next_v
        elif next_v < lowest_v:
            lowest_v = next_v
        time_s, bulk_v = next_s, next_v
        line_a, terminal_v, input_v, inner_v = line1_a, terminal1_v, input1_v, inner1_v
        forward_v, rectifier_a = forward1_v, rectifier1_a
    pulse.time_s, pulse.bulk_v = time_s, bulk_v
    pulse.peak_a, pulse.lowest_v, pulse.highest_v = peak_a, lowest_v, highest_v
    pulse.flows = Flows(line_a, terminal_v, input_v, inner_v, forward_v, rectifier_a)
