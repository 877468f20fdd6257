"""One half-cycle of an AC line into a boost stage that runs."""

from __future__ import annotations

import math

from harness.rehearse.boost_stage import Boost
from harness.rehearse.circuit.boost import BoostState
from harness.rehearse.circuit.converter import ConverterState, Mode
from harness.rehearse.circuit.half_cycle import HalfCycle
from harness.rehearse.circuit.network import Drive, InputNetwork

#: Steps in a half-cycle. The line's quantities are taken in the middle of each: over a whole
#: half-cycle the sums of squares of a sine are exact.
_STEPS = 32


class BoostedHalf(HalfCycle):
    """A half-cycle in which the stage draws like a resistor of ``siemens`` behind the rectifier.

    What it takes goes into the bulk capacitor less its losses; where the line's peak is above the
    bulk voltage, as at a start, the rectifier fills the capacitor past it.

    Source: power balance of an averaged boost stage, C v dv/dt = (1 - k) v_in i_in - P - v^2 / R;
        textbook.
    """

    def __init__(
        self,
        network: InputNetwork,
        converter: ConverterState,
        drive: Drive,
        bulk_v: float,
        between_s: tuple[float, float],
        *,
        boost: Boost,
        siemens: float,
    ) -> None:
        super().__init__(network, converter, drive, bulk_v, between_s)
        self._boost, self._siemens = boost, siemens
        self._step_s = 0.5 / drive.frequency_hz / _STEPS

    def run(self, until_s: float) -> None:
        """Go on until ``until_s`` after the zero crossing."""
        while until_s - self.time_s > 1e-12:
            longest_s = min(self._converter.longest_step_s(), until_s - self.time_s)
            self._draw(min(self._step_s, longest_s))

    def _draw(self, step_s: float) -> None:
        """Take one step, its line quantities as in its middle."""
        net, drive, boost = self._network, self.drive, self._boost
        angle = self._omega * (self.time_s + 0.5 * step_s)
        source_v = drive.peak_v * math.sin(angle)
        shunt = net.shunt_siemens(source_v)
        open_v, ohm = self._feed(source_v, shunt)
        across_v = max(open_v - net.drop_v, 0.0)
        drawn_a = self._siemens * across_v / (1.0 + self._siemens * (net.series_ohm + ohm))
        drawn_a = min(drawn_a, boost.limit_a)
        if drawn_a + shunt * (open_v - ohm * drawn_a) > drive.clamp_a:
            self.clamped = True
            drawn_a = min(drawn_a, drive.clamp_a)
            input_v = net.drop_v + drawn_a * (net.series_ohm + 1.0 / self._siemens)
        else:
            input_v = open_v - ohm * drawn_a
        line_a = min(drawn_a + shunt * input_v, drive.clamp_a)
        rectified_v = max(input_v - net.drop_v - net.series_ohm * drawn_a, 0.0)
        past_c = self._past_it(input_v, drawn_a, step_s)
        kept_w = rectified_v * drawn_a * (1.0 - boost.loss_frac)
        power_w = self._converter.input_power_w(0.5 * step_s)
        start_v = self.bulk_v
        end_v = net.rested_v(start_v, max(power_w - kept_w, 0.0), step_s)
        if kept_w > power_w:
            gained = 2.0 * step_s / net.bulk_f * (kept_w - power_w)
            end_v = math.sqrt(end_v * end_v + gained)
        end_v += past_c / net.bulk_f
        self._sum_up(step_s, line_a + past_c / step_s, shunt, input_v, drawn_a, start_v)
        early_a = self._omega * boost.filter_f * drive.peak_v * math.cos(angle)
        self.peak_a = max(self.peak_a, abs(line_a + early_a))
        self._move_on(step_s, start_v, max(end_v, 0.0))

    def _feed(self, source_v: float, shunt: float) -> tuple[float, float]:
        """Return voltage and resistance that feed the rectifier. Source: Thevenin, textbook."""
        loaded = 1.0 + self._network.line_ohm * shunt
        return source_v / loaded, self._network.line_ohm / loaded

    def _past_it(self, input_v: float, drawn_a: float, step_s: float) -> float:
        """Return the charge that reaches the capacitor past the stage within a step.

        Source: R C of path and capacitor, textbook.
        """
        net = self._network
        forward_v = input_v - net.drop_v - net.series_ohm * drawn_a - self.bulk_v
        if forward_v <= 0.0:
            return 0.0
        time_s = (net.line_ohm + net.series_ohm + net.esr_ohm) * net.bulk_f
        charge_c = -net.bulk_f * forward_v * math.expm1(-step_s / time_s)
        return min(charge_c, max(self.drive.clamp_a - drawn_a, 0.0) * step_s)

    def _sum_up(
        self,
        step_s: float,
        line_a: float,
        shunt: float,
        input_v: float,
        drawn_a: float,
        bulk_v: float,
    ) -> None:
        """Add a step to the integrals; the current that is no sine carries no power."""
        net, drive = self._network, self.drive
        square_a2 = line_a * line_a + (self._boost.distortion_frac * drawn_a) ** 2
        terminal_v = input_v + line_a * (net.line_ohm - drive.source_ohm)
        self.line_square += step_s * square_a2
        self.terminal_square += step_s * terminal_v * terminal_v
        self.power_integral += step_s * terminal_v * line_a
        if shunt > 0.0:
            self.varistor_j += step_s * shunt * input_v * input_v
            self.shunted_square += step_s * (line_a * line_a - (line_a - shunt * input_v) ** 2)
        if net.fault_siemens > 0.0:
            self.inner += step_s * bulk_v
            self.inner_square += step_s * bulk_v * bulk_v


def boosted_half(
    boost: BoostState,
    network: InputNetwork,
    converter: ConverterState,
    drive: Drive,
    bulk_v: float,
    between_s: tuple[float, float],
) -> BoostedHalf | None:
    """Return the next half-cycle where the stage runs in it; None where it does not."""
    supplied = converter.mode is not Mode.OFF
    if network.short_siemens > 0.0:
        boost.rest(supplied=supplied)
        return None
    if not drive.conducts:  # it waits for the next half-cycle
        return None
    siemens = boost.siemens(drive, network, bulk_v, supplied=supplied)
    if siemens == 0.0:
        return None
    return BoostedHalf(
        network, converter, drive, bulk_v, between_s, boost=boost.model, siemens=siemens
    )
