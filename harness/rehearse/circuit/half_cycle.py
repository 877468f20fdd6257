"""One half-cycle of an AC line into rectifier and bulk capacitor, from zero crossing on.

Between two instants the rectifier either conducts, and then the circuit is linear but for the
converter's current, which is replaced by its tangent; or it does not, and then bulk voltage has a
closed form under constant power. Both steps are exact for what they take as linear, so a dozen of
them carry a half-cycle, however small resistance and capacitance are.
"""

from __future__ import annotations

import math
from functools import cached_property

from harness.rehearse.circuit.converter import ConverterState
from harness.rehearse.circuit.network import Drive, Flows, InputNetwork, Thevenin
from harness.rehearse.circuit.pulse import Progress, carry_pulse
from harness.rehearse.circuit.windowed_means import LetThrough, Means
from harness.unit.formulas import varistor_current_a

#: Steps in a half-cycle while current flows; a varistor in conduction needs finer ones.
_STEPS = 40
_VARISTOR_STEPS = 160
#: Steps from the start of conduction to the peak of the line, and the shortest of them.
_RISE_STEPS = 20
_FINEST_S = 2e-6
#: The rectifier conducts from here on, in volts: above rounding, below notice.
_FORWARD_V = 1e-6
#: Where a rest ends and conduction begins: far enough for the next look to find it conducting.
_MEETING_V = 2e-6
#: Steps in a line period in which a varistor that leaks is counted.
_LEAK_STEPS = 64
#: The source's clamp is met at once where the inductance holds the current back no longer.
_AT_ONCE_S = 5e-6
#: How often a step under the clamp is halved at most.
_HALVINGS = 12


class HalfCycle(Progress):
    """One half-cycle, run once; the integrals stay readable afterwards.

    It begins with the bulk capacitor at ``bulk_v`` and moves the converter on. It may begin late or
    be cut short: ``between_s`` counts from the zero crossing.
    """

    def __init__(
        self,
        network: InputNetwork,
        converter: ConverterState,
        drive: Drive,
        bulk_v: float,
        between_s: tuple[float, float],
    ) -> None:
        self._begin_s, self.end_s = between_s
        super().__init__(bulk_v, bulk_v, bulk_v, self._begin_s)
        self.drive, self.duration_s = drive, self.end_s - self._begin_s
        self.clamped = False  # once the source clamped its current
        self._short = self._short_square = 0.0  # of the voltage over a short across the input
        self._network, self._converter = network, converter
        self._conductances = network.short_siemens, network.fault_siemens
        self._omega = drive.omega
        # Plain: nothing but the rectifier loads the line.
        shorted = network.short_siemens > 0.0
        self._plain = not (network.is_closed and (shorted or drive.peak_v >= network.leaking_v))
        self._leaking = network.leaking_law(drive.peak_v)
        self._free = Thevenin.free(network.line_ohm, 0.0, drive.peak_v)
        self._known: tuple[tuple[Thevenin, float, float, float], Flows] | None = None
        steps = _STEPS if self._plain or shorted else _VARISTOR_STEPS
        self._grid_s = 0.5 / drive.frequency_hz / steps
        self._sum_output = self._sum_output_square = 0.0

    def run(self, until_s: float) -> None:
        """Go on until ``until_s`` after the zero crossing."""
        converter = self._converter
        while until_s - self.time_s > 1e-12:
            longest_s = min(until_s - self.time_s, converter.longest_step_s())
            step_s = min(longest_s, self._grid_s)
            power_w = converter.input_power_w(0.5 * step_s)
            if self._plain:
                forward_v = self._forward_v(self.time_s, self.bulk_v, power_w)
                if forward_v < _FORWARD_V and self.rectifier_a <= 0.0:  # the rectifier blocks
                    self._rest(longest_s, power_w)
                    continue
                if self._pulse(longest_s, forward_v):
                    continue
            self._carry(step_s, power_w)

    def go_on_with(self, network: InputNetwork) -> None:
        """Take over a network whose resistances moved a little."""
        self._network, self._known = network, None

    @property
    def series_square(self) -> float:
        """Integral of the squared current through the rectifier so far."""
        return self.line_square - self.shunted_square

    @cached_property
    def means(self) -> Means:
        """Averages over what was run; voltage and current as mean squares. Read at the end."""
        inverse = 1.0 / (self.time_s - self._begin_s)
        return Means(
            self.terminal_square * inverse,
            self.line_square * inverse,
            self.power_integral * inverse,
            self._sum_output * inverse,
            self._sum_output_square * inverse,
            self.bulk * inverse,
            self.bulk_square * inverse,
            self.peak_a,
        )

    def count_let_through(self, total: LetThrough, times: int = 1) -> None:
        """Add what went through faults to a total, as often as the half-cycle stands for."""
        short, fault = self._conductances
        if short > 0.0:
            total.add(short, times * self._short, times * self._short_square)
        if fault > 0.0:
            total.add(fault, times * self.inner, times * self.inner_square)

    def _forward_v(self, time_s: float, bulk_v: float, power_w: float) -> float:
        """Return what would drive the rectifier if nothing but it loaded the line."""
        if not self.drive.conducts:
            return -1.0
        drive_v = self.drive.peak_v * math.sin(self._omega * time_s)
        return drive_v - self._network.drop_v - self._network.inner_v(bulk_v, power_w)

    def _rest(self, longest_s: float, power_w: float) -> None:
        """Take one step without conduction and without a shunt: only the bulk capacitor moves."""
        net, drive, omega = self._network, self.drive, self._omega
        start_s, start_v = self.time_s, self.bulk_v
        stop_v = self._converter.stop_v
        step_s = min(longest_s, net.rest_time_s(start_v, stop_v, power_w) + 1e-9)
        rise_s = 0.25 / drive.frequency_hz - start_s
        if drive.conducts and rise_s > 1e-12:
            peak_s = min(step_s, rise_s)
            rested_v = net.rested_v(start_v, power_w, peak_s)
            if self._forward_v(start_s + peak_s, rested_v, power_w) > _MEETING_V:
                step_s = self._time_to_conduction(peak_s, power_w)
                # A lightly loaded rectifier conducts for a fraction of a step only.
                self._grid_s = min(self._grid_s, max((rise_s - step_s) / _RISE_STEPS, _FINEST_S))
        end_v = net.rested_v(start_v, power_w, step_s)
        # The terminals carry the bare sine: its square has a closed integral.
        angle0, angle1 = 2.0 * omega * start_s, 2.0 * omega * (start_s + step_s)
        sine_square = 0.5 * (step_s - (math.sin(angle1) - math.sin(angle0)) / (2.0 * omega))
        self.terminal_square += drive.peak_v**2 * sine_square
        if net.fault_siemens > 0.0:
            square, mean = net.rested_integrals(start_v, end_v, power_w, step_s)
            self.inner_square += square
            self.inner += mean
        if self._leaking:
            self._leak(step_s, *self._leaking)
        self._move_on(step_s, start_v, end_v)

    def _leak(self, step_s: float, *law: float) -> None:
        """Count what a varistor draws that leaks at the crest of the line; by Simpson's rule."""
        drive = self.drive
        parts = 2 * math.ceil(_LEAK_STEPS * drive.frequency_hz * step_s)
        for part in range(parts + 1):
            weight = 1.0 if part in (0, parts) else 4.0 if part % 2 else 2.0
            sine = math.sin(self._omega * (self.time_s + step_s * part / parts))
            source_v = drive.peak_v * max(sine, 0.0)
            current_a = varistor_current_a(source_v, *law)
            square = weight * step_s / (3.0 * parts) * current_a * current_a
            energy_j = weight * step_s / (3.0 * parts) * current_a * source_v
            self.peak_a = max(self.peak_a, current_a)
            self.line_square += square
            self.shunted_square += square
            self.power_integral += energy_j
            self.varistor_j += energy_j

    def _time_to_conduction(self, longest_s: float, power_w: float) -> float:
        """Return the time until the rising sine meets the falling bulk voltage.

        Newton's rule from where the sine meets the voltage of now, bracketed: the bulk voltage may
        fall faster than the sine rises.
        """
        net, omega, peak_v = self._network, self._omega, self.drive.peak_v
        low_s, high_s = 0.0, longest_s
        standing_v = net.drop_v + net.inner_v(self.bulk_v, power_w)
        meet_s = math.asin(min(standing_v / peak_v, 1.0)) / omega - self.time_s
        for _ in range(60):
            if not low_s < meet_s < high_s:
                meet_s = 0.5 * (low_s + high_s)
            bulk_v = net.rested_v(self.bulk_v, power_w, meet_s)
            over_v = self._forward_v(self.time_s + meet_s, bulk_v, power_w) - _MEETING_V
            if abs(over_v) < 0.5 * _FORWARD_V:
                break
            if over_v > 0.0:
                high_s = meet_s
            else:
                low_s = meet_s
            falls = (net.power_a(bulk_v, power_w) + bulk_v * net.leak_siemens) / net.bulk_f
            meet_s -= over_v / (peak_v * omega * math.cos(omega * (self.time_s + meet_s)) + falls)
        return meet_s

    def _carry(self, step_s: float, power_w: float) -> None:
        """Take one step with current in the line: through the rectifier, a shunt, or both."""
        net, drive = self._network, self.drive
        shunt, feed = 0.0, self._free
        if not self._plain:
            mid_v = drive.peak_v * math.sin(self._omega * (self.time_s + 0.5 * step_s))
            inner_v = net.inner_v(self.bulk_v, power_w) if drive.conducts else math.inf
            shunt = net.shunt_siemens(mid_v, inner_v)
            feed = Thevenin.free(net.line_ohm, shunt, drive.peak_v)
        before = self._flows(feed, self.time_s, self.bulk_v, power_w)
        if before.line_a > drive.clamp_a:
            feed = Thevenin.held(shunt, drive.clamp_a)
            before = self._flows(feed, self.time_s, self.bulk_v, power_w)
        step_s, end_v, after = self._step(feed, before, step_s, power_w)
        if after.line_a > drive.clamp_a and not feed.is_held:
            feed = Thevenin.held(shunt, drive.clamp_a)
            step_s, end_v, after = self._step(feed, before, step_s, power_w)
        if feed.is_held:
            self.clamped = True
            free = Thevenin.free(net.line_ohm, shunt, drive.peak_v)
            for _ in range(_HALVINGS):
                # A clamp held longer than needed would lift the capacitor above the line.
                free_v = self._flows(free, self.time_s + step_s, end_v, power_w).forward_v
                if free_v >= 0.0 or before.rectifier_a <= 0.0:
                    break
                step_s, end_v, after = self._step(feed, before, 0.5 * step_s, power_w)
        self._count(step_s, before, after, shunt - net.short_siemens)
        if self._plain:
            self.rectifier_a = after.rectifier_a
        self._move_on(step_s, self.bulk_v, max(end_v, 0.0))

    def _pulse(self, longest_s: float, forward_v: float) -> bool:
        """Carry the plain part of a conduction pulse in one go; return False if there is none."""
        converter, drive, net = self._converter, self.drive, self._network
        start_s, left_a = self.time_s, drive.clamp_a - self.rectifier_a
        if forward_v > drive.clamp_a * (net.line_ohm + net.series_ohm) and (
            left_a <= 0.01 * drive.clamp_a or net.inductance_h * left_a < forward_v * _AT_ONCE_S
        ):
            return False  # at its clamp, or as good as there
        between_v = converter.stop_v, converter.upper_v
        power_w = converter.input_power_w(0.5 * longest_s)
        carry_pulse(self, net, drive, power_w, start_s + longest_s, between_v)
        passed_s = self.time_s - start_s
        if passed_s <= 0.0:
            return False
        self._move_converter(passed_s)
        return True

    def _step(
        self, feed: Thevenin, before: Flows, step_s: float, power_w: float
    ) -> tuple[float, float, Flows]:
        """Return the step taken, bulk voltage and flows after it.

        The step is cut where the rectifier's current ends, so that it never runs backwards.
        """
        net, time_s = self._network, self.time_s
        if before.rectifier_a <= 0.0:
            end_v = net.rested_v(self.bulk_v, power_w, step_s)
            return step_s, end_v, self._flows(feed, time_s + step_s, end_v, power_w)
        for is_cut in (False, True):
            end_v = feed.conducted_v(net, self._omega, time_s, step_s, self.bulk_v, power_w)
            after = self._flows(feed, time_s + step_s, end_v, power_w)
            if is_cut or after.forward_v >= 0.0:
                break
            step_s *= max(before.forward_v / (before.forward_v - after.forward_v), 1e-3)
        return step_s, end_v, after

    def _flows(self, feed: Thevenin, time_s: float, bulk_v: float, power_w: float) -> Flows:
        """Return who carries what at one instant; the end of a step is the next one's beginning."""
        instant = feed, time_s, bulk_v, power_w
        if self._known is None or self._known[0] != instant:
            sine = math.sin(self._omega * time_s)
            flows = feed.flows(self._network, self.drive, sine, bulk_v, power_w)
            self._known = instant, flows
        return self._known[1]

    def _count(self, step_s: float, before: Flows, after: Flows, varistor_siemens: float) -> None:
        """Add a step to the integrals, every flow taken as a straight line."""
        net, sixth = self._network, step_s / 6.0
        i0, i1 = before.line_a, after.line_a
        v0, v1 = before.terminal_v, after.terminal_v
        self.line_square += _square(step_s, i0, i1)
        self.terminal_square += _square(step_s, v0, v1)
        self.power_integral += sixth * (i0 * (2.0 * v0 + v1) + i1 * (v0 + 2.0 * v1))
        self.peak_a = max(self.peak_a, i0, i1)
        if net.short_siemens > 0.0:
            self._short_square += _square(step_s, before.input_v, after.input_v)
            self._short += 0.5 * step_s * (before.input_v + after.input_v)
        if net.fault_siemens > 0.0:
            self.inner_square += _square(step_s, before.inner_v, after.inner_v)
            self.inner += 0.5 * step_s * (before.inner_v + after.inner_v)
        if varistor_siemens > 0.0:
            self.varistor_j += varistor_siemens * _square(step_s, before.input_v, after.input_v)
            shunted_a2 = i0**2 - before.rectifier_a**2 + i1**2 - after.rectifier_a**2
            self.shunted_square += 0.5 * step_s * shunted_a2

    def _move_on(self, step_s: float, start_v: float, end_v: float) -> None:
        self.time_s += step_s
        self.bulk_v = end_v
        self.lowest_v = min(self.lowest_v, end_v)
        self.highest_v = max(self.highest_v, end_v)
        self.bulk += 0.5 * step_s * (start_v + end_v)
        self.bulk_square += _square(step_s, start_v, end_v)
        self._move_converter(step_s)

    def _move_converter(self, step_s: float) -> None:
        """Move the converter on to the present."""
        converter = self._converter
        from_v = converter.output_v
        converter.advance(step_s)
        converter.watch_bulk(self.bulk_v)
        to_v = converter.output_v
        self._sum_output += 0.5 * step_s * (from_v + to_v)
        self._sum_output_square += _square(step_s, from_v, to_v)


def _square(step_s: float, start: float, end: float) -> float:
    """Return the integral of the square of what goes in a straight line from start to end."""
    return step_s / 3.0 * (start * start + start * end + end * end)
