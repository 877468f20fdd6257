"""The conduction pulse in one loop: a rectifier that charges its capacitor through the line.

Between two instants the circuit is linear but for the converter's current, which is replaced by its
tangent: inductance and capacitor then have a closed solution. Nothing may happen here that is not
plain, so a handful of long steps with Simpson's rule does the work of dozens of short ones, and the
end of the pulse is found instead of stepped upon. Nearly all the time of a rehearsal's circuit is
spent here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.rehearse.circuit.network import Drive, InputNetwork
from harness.unit.formulas import varistor_current_a

#: Steps from the start of conduction to the peak of the line, steps in a half-cycle, and the
#: shortest step.
_RISE_STEPS, _STEPS, _FINEST_S = 3, 8, 8e-6
#: A step over a threshold is cut down to this.
_CUT_S = 4e-6
#: Where line, inductance and capacitor ring, a step is this share of 1/angular frequency at most.
_RINGS = 0.6
#: The converter's tangent is taken again once bulk voltage is off by this share.
_TANGENT_FRAC = 0.03
#: Current that counts as none where the pulse ends, in amperes.
_ENDS_A = 3e-7


@dataclass(slots=True)
class Progress:
    """How far a half-cycle got, and its integrals over time so far."""

    bulk_v: float
    lowest_v: float  #: of the bulk voltage, as far as it got; so is the highest
    highest_v: float
    time_s: float = 0.0  #: since the zero crossing
    rectifier_a: float = 0.0  #: current in the inductance of the path
    peak_a: float = 0.0  #: highest source current met
    line_square: float = 0.0  #: of the squared source current, in A^2 s
    shunted_square: float = 0.0  #: the part of it that is not the squared rectifier's
    varistor_j: float = 0.0
    terminal_square: float = 0.0
    power_integral: float = 0.0
    bulk: float = 0.0
    bulk_square: float = 0.0
    inner: float = 0.0  #: of the voltage behind the series resistance, which a fault sees
    inner_square: float = 0.0


class _Course:
    """Current and bulk voltage over time, from one instant on.

    Source: L di/dt = V sin(wt) - Vd - R i - k (v - r p), C dv/dt = k (i - p - v/Rp) with
    k = 1/(1 + r/Rp) and the converter's current p by its tangent: two linear equations, solved by a
    particular solution and the eigenvalues of their matrix. Textbook.
    """

    __slots__ = ("_at", "_cosine", "_i", "_rates", "_rings", "_sine", "_start_s", "_v", "swift")

    def __init__(
        self,
        net: InputNetwork,
        drive: Drive,
        power_w: float,
        start: tuple[float, float, float],
    ) -> None:
        start_s, start_a, start_v = start
        omega, esr_ohm, kept = drive.omega, net.esr_ohm, 1.0 / net.divider
        ohm = net.line_ohm + net.series_ohm + esr_ohm * kept
        constant_a, slope = 0.0, net.leak_siemens
        back = kept
        if power_w > 0.0:
            at_v = max(start_v, net.least_v)
            constant_a, tangent = 2.0 * power_w / at_v, -power_w / (at_v * at_v)
            slope += tangent
            back -= kept * esr_ohm * tangent
        damping, charging = ohm / net.inductance_h, kept / net.bulk_f
        fading, pulling = charging * slope, back / net.inductance_h
        product = damping * fading + charging * pulling
        # the part that follows the line
        real, imag = product - omega * omega, omega * (damping + fading)
        scale = drive.peak_v / net.inductance_h / (real * real + imag * imag)
        sine_a, cosine_a = fading * real + omega * imag, omega * real - fading * imag
        self._sine = scale * sine_a, scale * charging * real
        self._cosine = scale * cosine_a, -scale * charging * imag
        # the part that stands still
        rest_v = kept * esr_ohm * constant_a - net.drop_v - ohm * constant_a
        rest_v /= ohm * slope + back
        rest_a = constant_a + slope * rest_v
        self._at = omega, rest_a, rest_v
        # the part that dies away
        sine, cosine = math.sin(omega * start_s), math.cos(omega * start_s)
        away_a = start_a - rest_a - self._sine[0] * sine - self._cosine[0] * cosine
        away_v = start_v - rest_v - self._sine[1] * sine - self._cosine[1] * cosine
        mean = -0.5 * (damping + fading)
        split = mean * mean - product
        apart = math.sqrt(abs(split)) or 1e-9
        turned_a = ((-damping - mean) * away_a - pulling * away_v) / apart
        turned_v = (charging * away_a + (-fading - mean) * away_v) / apart
        self._start_s, self._rings = start_s, split < 0.0
        if self._rings:
            self._rates = mean, apart
            self._i, self._v = (away_a, turned_a), (away_v, turned_v)
        else:
            fast = mean - apart
            self._rates = product / fast, fast
            self._i = 0.5 * (away_a + turned_a), 0.5 * (away_a - turned_a)
            self._v = 0.5 * (away_v + turned_v), 0.5 * (away_v - turned_v)
        #: Longest step that follows it; infinite where nothing rings.
        self.swift = _RINGS / apart if self._rings else math.inf

    def at(self, time_s: float) -> tuple[float, float, float]:
        """Return current, bulk voltage, and sine of the line at a time."""
        omega, rest_a, rest_v = self._at
        passed_s = time_s - self._start_s
        sine, cosine = math.sin(omega * time_s), math.cos(omega * time_s)
        if self._rings:
            mean, apart = self._rates
            fallen = math.exp(mean * passed_s)
            first, last = fallen * math.cos(apart * passed_s), fallen * math.sin(apart * passed_s)
        else:
            slow, fast = self._rates
            first, last = math.exp(slow * passed_s), math.exp(fast * passed_s)
        line_a = rest_a + self._sine[0] * sine + self._cosine[0] * cosine
        bulk_v = rest_v + self._sine[1] * sine + self._cosine[1] * cosine
        line_a += self._i[0] * first + self._i[1] * last
        bulk_v += self._v[0] * first + self._v[1] * last
        return line_a, bulk_v, sine


def carry_pulse(  # noqa: C901, PLR0912, PLR0915 - one long loop: calls would cost dear
    progress: Progress,
    net: InputNetwork,
    drive: Drive,
    power_w: float,
    until_s: float,
    between_v: tuple[float, float],
) -> None:
    """Carry a pulse on to its end, to ``until_s``, or to where something else happens.

    The network has no short, and a varistor's current loads the line by nothing worth mentioning.
    The pulse ends before the source's clamp, and just beyond the bulk voltages ``between_v``, at
    which the converter stops, starts or gives in; the half-cycle stays where it is if the first
    step meets the clamp.

    Source: Integrals by Simpson's rule over each step. Textbook.
    """
    omega, peak_v, clamp_a = drive.omega, drive.peak_v, drive.clamp_a
    least_v, most_v = between_v
    esr_ohm, leak, drop_v, floor_v = net.esr_ohm, net.leak_siemens, net.drop_v, net.least_v
    kept = 1.0 / net.divider
    lifted = esr_ohm * kept
    total_ohm = net.line_ohm + net.series_ohm + lifted
    line_ohm, inverse_h, inverse_f = net.line_ohm, 1.0 / net.inductance_h, kept / net.bulk_f
    law = net.leaking_law(peak_v)

    begun_s = time_s = progress.time_s
    bulk_v, line_a = progress.bulk_v, progress.rectifier_a
    source_v = peak_v * math.sin(omega * time_s)
    power_a = power_w / max(bulk_v, floor_v)
    inner_v = (bulk_v - esr_ohm * power_a) * kept
    over_v = source_v - drop_v - inner_v - total_ohm * line_a  # across the inductance
    inner_v += lifted * line_a
    filling_a = line_a - power_a - leak * bulk_v
    shunt_a = varistor_current_a(source_v - line_ohm * line_a, *law) if law else 0.0
    peak_a = max(progress.peak_a, line_a + shunt_a)
    line_square = series_square = shunt_j = 0.0
    source_line = bulk = bulk_square = inner = inner_square = 0.0
    longest_s = math.pi / omega / _STEPS
    rise_s = 0.5 * (math.pi / omega) - time_s
    if rise_s > 0.0:  # short steps for a short pulse
        longest_s = min(longest_s, max(rise_s / _RISE_STEPS, _FINEST_S))
    step_s = longest_s / 8.0  # the current rises fast at first
    if over_v > 1e-3:  # or all but jumps
        step_s = min(step_s, 0.125 / (total_ohm * inverse_h))
    course = None
    tangent_v = bulk_v
    ended = False
    while not ended and until_s - time_s > 1e-12:
        moved = power_w > 0.0 and abs(bulk_v - tangent_v) > _TANGENT_FRAC * tangent_v
        if course is None or moved:
            course, tangent_v = _Course(net, drive, power_w, (time_s, line_a, bulk_v)), bulk_v
        step_s = min(2.0 * step_s, longest_s, course.swift, until_s - time_s)
        while True:
            line2_a, bulk2_v, sine2 = course.at(time_s + step_s)
            ended = line2_a < 0.0
            if ended:
                step_s = _end_s(course, time_s, step_s, line_a, line2_a)
                line2_a, bulk2_v, sine2 = course.at(time_s + step_s)
                line2_a = 0.0
            line1_a, bulk1_v, sine1 = course.at(time_s + 0.5 * step_s)
            clamps = line1_a > clamp_a or line2_a > clamp_a
            crosses = not (least_v < bulk2_v < most_v and least_v < bulk1_v < most_v)
            if step_s <= _CUT_S or not (clamps or crosses):
                break
            step_s *= 0.25
        if clamps:
            break
        ended |= crosses
        source1_v, source2_v = peak_v * sine1, peak_v * sine2
        power1_a, power2_a = power_w / max(bulk1_v, floor_v), power_w / max(bulk2_v, floor_v)
        inner1_v = (bulk1_v - esr_ohm * power1_a) * kept
        inner2_v = (bulk2_v - esr_ohm * power2_a) * kept
        over1_v = source1_v - drop_v - inner1_v - total_ohm * line1_a
        over2_v = source2_v - drop_v - inner2_v - total_ohm * line2_a
        inner1_v += lifted * line1_a
        inner2_v += lifted * line2_a
        drawn_a, drawn1_a, drawn2_a = line_a, line1_a, line2_a
        sixth, half_s = step_s / 6.0, 0.5 * step_s
        if law:
            across1_v, across2_v = source1_v - line_ohm * line1_a, source2_v - line_ohm * line2_a
            shunt1_a = varistor_current_a(across1_v, *law)
            shunt2_a = varistor_current_a(across2_v, *law)
            series_square += sixth * (line_a * line_a + 4.0 * line1_a * line1_a + line2_a * line2_a)
            shunt_j += sixth * (
                (source_v - line_ohm * line_a) * shunt_a
                + 4.0 * across1_v * shunt1_a
                + across2_v * shunt2_a
            )
            drawn_a, drawn1_a = line_a + shunt_a, line1_a + shunt1_a
            drawn2_a, shunt_a = line2_a + shunt2_a, shunt2_a
        line_square += sixth * (drawn_a * drawn_a + 4.0 * drawn1_a * drawn1_a + drawn2_a * drawn2_a)
        source_line += sixth * (
            source_v * drawn_a + 4.0 * source1_v * drawn1_a + source2_v * drawn2_a
        )
        bulk += sixth * (bulk_v + 4.0 * bulk1_v + bulk2_v)
        bulk_square += sixth * (bulk_v * bulk_v + 4.0 * bulk1_v * bulk1_v + bulk2_v * bulk2_v)
        inner += sixth * (inner_v + 4.0 * inner1_v + inner2_v)
        inner_square += sixth * (
            inner_v * inner_v + 4.0 * inner1_v * inner1_v + inner2_v * inner2_v
        )

        filling1_a = line1_a - power1_a - leak * bulk1_v
        filling2_a = line2_a - power2_a - leak * bulk2_v
        low_v, high_v = min(bulk1_v, bulk2_v), max(bulk1_v, bulk2_v)
        if filling_a * filling1_a < 0.0:
            turn_v = _turn(bulk_v, bulk1_v, filling_a * inverse_f, filling1_a * inverse_f, half_s)
            low_v, high_v = min(low_v, turn_v), max(high_v, turn_v)
        if filling1_a * filling2_a < 0.0:
            turn_v = _turn(bulk1_v, bulk2_v, filling1_a * inverse_f, filling2_a * inverse_f, half_s)
            low_v, high_v = min(low_v, turn_v), max(high_v, turn_v)
        peak_a = max(peak_a, drawn1_a, drawn2_a)
        if over_v > 0.0 > over1_v:
            turn_a = _turn(line_a, line1_a, over_v * inverse_h, over1_v * inverse_h, half_s)
            peak_a = max(peak_a, turn_a + drawn1_a - line1_a)
        if over1_v > 0.0 > over2_v:
            turn_a = _turn(line1_a, line2_a, over1_v * inverse_h, over2_v * inverse_h, half_s)
            peak_a = max(peak_a, turn_a + drawn1_a - line1_a)
        progress.lowest_v = min(progress.lowest_v, low_v)
        progress.highest_v = max(progress.highest_v, high_v)
        time_s += step_s
        bulk_v, power_a, line_a, source_v = bulk2_v, power2_a, line2_a, source2_v
        inner_v, filling_a, over_v = inner2_v, filling2_a, over2_v

    # The terminals carry the source less what its own resistance takes of it.
    sine_square = 0.5 * (time_s - begun_s) - 0.25 / omega * (
        math.sin(2.0 * omega * time_s) - math.sin(2.0 * omega * begun_s)
    )
    ohm = drive.source_ohm
    progress.line_square += line_square
    progress.power_integral += source_line - ohm * line_square
    progress.terminal_square += peak_v * peak_v * sine_square - ohm * (
        2.0 * source_line - ohm * line_square
    )
    if law:
        progress.shunted_square += line_square - series_square
        progress.varistor_j += shunt_j
    progress.bulk += bulk
    progress.bulk_square += bulk_square
    progress.inner += inner
    progress.inner_square += inner_square
    progress.time_s, progress.bulk_v, progress.peak_a = time_s, bulk_v, peak_a
    progress.rectifier_a = line_a


def _end_s(course: _Course, time_s: float, step_s: float, from_a: float, to_a: float) -> float:
    """Return how long a current lasts that is gone within a step: regula falsi, Illinois form."""
    low_s, low_a, high_s, high_a = 0.0, max(from_a, _ENDS_A), step_s, to_a
    side = 0.0
    for _ in range(40):
        end_s = high_s - high_a * (high_s - low_s) / (high_a - low_a)
        end_a = course.at(time_s + end_s)[0]
        if abs(end_a) < _ENDS_A:
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
