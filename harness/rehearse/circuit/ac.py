"""An AC source and the unit on it: half-cycle by half-cycle, and many at once when they repeat."""

from __future__ import annotations

import math
from dataclasses import replace

from harness.rehearse.circuit.boost import BoostState
from harness.rehearse.circuit.boosted_half import boosted_half
from harness.rehearse.circuit.circuit import Circuit
from harness.rehearse.circuit.converter import Mode
from harness.rehearse.circuit.half_cycle import HalfCycle
from harness.rehearse.circuit.network import Drive, InputNetwork
from harness.rehearse.circuit.source import SourceModel, SourceSetting, folded_v
from harness.rehearse.circuit.windowed_means import Means, mean_of
from harness.rehearse.streams import stream
from harness.rehearse.unit_model import UnitModel

#: Parts of a half-cycle after which an inrush limiter is looked at.
_PARTS = 16
#: Two line periods are the same if bulk voltage repeats within the first share where the line
#: refills the capacitor, so that what is left to go is a few times as much; within the second where
#: only leaks empty it, and no instrument sees the microamperes that still creep in; all else,
#: within the third.
_REPEATS, _CREEPS, _RESTS = 1e-5, 1e-4, 1e-6
#: And of an output that drifts, such as that of a charger; and how far its power may have drifted
#: until line periods are looked at again, as a share of nominal.
_DRIFTS, _DRIFTED = 1e-4, 5e-3


class AcCircuit(Circuit):
    """A circuit fed with AC.

    A change of voltage, limit or frequency takes effect at the next zero crossing, a change of
    load at the last one, switching off at once. Switching on begins at any phase of the line: the
    seed decides, unless the source has one of its own.
    """

    def __init__(self, model: UnitModel, source: SourceModel, *, seed: int = 1) -> None:
        self._edge_s = 0.0  # the last zero crossing, or how far the unit has rested with power off
        self._begin_s = 0.0  # how long after it power came on
        self._phases = stream(seed, "switch-on")
        self._amplitude_v = 0.0
        self._is_limited = True  # the cold inrush limiter is in the path
        self._negative = False
        self._past: list[HalfCycle] = []
        self._pair, self._pair_w = Means(), 0.0
        self._boost = None if model.boost is None else BoostState(model.boost)
        super().__init__(model, source, seed=seed)
        self._acting = self.setting  # until the next zero crossing

    def _terminals(self, window_s: float) -> tuple[float, float, float]:
        twice_hz = 2.0 * self._acting.frequency_hz
        halves = (round(window_s * twice_hz) or 1) if window_s > 0.0 else 2
        means = self._means.over(halves / twice_hz) if self._acting.on else None
        if means is None:
            return 0.0, 0.0, 0.0
        return math.sqrt(means.voltage), math.sqrt(means.current), means.power_w

    def source_limiting(self) -> bool:
        """Return True while the source folds its amplitude back or clamps its current."""
        return bool(self._past) and (self._past[-1].clamped or self._is_folded)

    @property
    def _is_folded(self) -> bool:
        return self._amplitude_v < 0.999 * self._acting.voltage_v

    def _take_setting(self, wanted: SourceSetting) -> None:
        self._catch_up()
        if wanted.on != self.setting.on:
            if wanted.on:  # at full amplitude
                self._rest_to(self.time_s)
                self._amplitude_v = wanted.voltage_v
            elif self.time_s - self._edge_s > self._begin_s + 1e-9:  # the half-cycle is cut short
                self._run_half(self.time_s - self._edge_s)
            self._edge_s, self._begin_s = self.time_s, 0.0
            self._past.clear()
            self._repeats = False
        switched_on = wanted.on and not self.setting.on
        self.setting = wanted
        if not wanted.on or self._edge_s >= self.time_s:
            self._take_over()
        if switched_on:
            self._begin_within_a_period()

    def _begin_within_a_period(self) -> None:
        """Let the line begin at its phase."""
        deg = self.source.switch_on_deg
        periods = self._phases.random() if deg is None else deg / 360.0 % 1.0
        self._negative = periods >= 0.5
        self._begin_s = periods % 0.5 / self._acting.frequency_hz
        self._edge_s -= self._begin_s

    def _draw(self, current_a: float) -> None:
        self._catch_up()
        self.converter.set_load(current_a, self.load.held_v)
        self._repeats = False

    def _disturb(self) -> None:
        cold_ohm = self._network.series_ohm + self.model.rectifier.cold_limiter_ohm
        self._limited = replace(self._network, series_ohm=cold_ohm)
        self._networks: dict[float, InputNetwork] = {}  # with the diodes at some current
        self._repeats = False
        self._alike = 0

    def _advance_to(self, time_s: float) -> None:
        self.time_s = time_s  # the last half-cycle begun waits for its end
        if not self._acting.on:
            self._rest_to(time_s)
            return
        half_s = 0.5 / self._acting.frequency_hz
        while self._edge_s + half_s <= time_s + 1e-12:
            while self._contact.next_s <= self._edge_s:  # at the first zero crossing after it
                self._contact.change()
                self._rewire()
            if self._repeats and self.setting is self._acting:
                if self._reuse(time_s, half_s):
                    continue
                waits = time_s - self._edge_s < 2.0 * half_s - 1e-12
                if waits and self._contact.next_s > time_s:
                    return
            self._run_half(half_s)
            self._take_over()
            half_s = 0.5 / self._acting.frequency_hz

    def _take_over(self) -> None:
        """Let the setting take effect."""
        if self.setting is self._acting:
            return
        was_folded, wanted_v = self._is_folded, self.setting.voltage_v
        self._amplitude_v = min(self._amplitude_v, wanted_v) if was_folded else wanted_v
        self._acting = self.setting
        self._repeats = False

    def _catch_up(self) -> None:
        self._repeats = False
        if self._acting.on:  # a half-cycle may have waited for its pair
            self._advance_to(self.time_s)

    def _run_half(self, duration_s: float) -> None:
        acting, rectifier = self._acting, self.model.rectifier
        leg = rectifier.conducts_negative if self._negative else rectifier.conducts_positive
        drive = Drive(
            peak_v=math.sqrt(2.0) * self._amplitude_v,
            frequency_hz=acting.frequency_hz,
            clamp_a=self.source.crest_factor * acting.current_limit_a,
            source_ohm=self.source.resistance_ohm,
            conducts=leg and self._network.is_closed and not self._shorted,
        )
        network = self._half_network(drive.peak_v)
        between_s = self._begin_s, duration_s
        half = self._half(network, drive, between_s)
        self._run_parts(half)
        self._begin_s = 0.0
        self._alike += 1
        self.bulk_v = half.bulk_v
        self._edge_s += duration_s
        self._negative = not self._negative
        means = self._with_filter(half.means)
        self._record(half.duration_s, means, means.current)
        half.count_let_through(self.let_through)
        given_a = math.sqrt(2.0 * acting.frequency_hz * half.line_square)
        limit_a = acting.current_limit_a
        self._amplitude_v = folded_v(self._amplitude_v, acting.voltage_v, given_a, limit_a)
        self.converter.follow_line(half.means.bulk_v)
        self._limit_inrush()
        self._break_over(half.highest_v)
        self._past = [*self._past[-2:], half]
        self._change_unit(half.duration_s, half, None)  # the limiter has been warmed in parts
        self._repeats = self._is_periodic()
        if self._repeats:
            pair = mean_of([(1.0, one.means) for one in self._past[-2:]])
            self._pair = self._with_filter(pair)
            self._pair_w = self.converter.input_power_w()

    def _half(
        self, network: InputNetwork, drive: Drive, between_s: tuple[float, float]
    ) -> HalfCycle:
        """Return the half-cycle to run: one that a boost stage shapes, where one runs."""
        where = self.converter, drive, self.bulk_v, between_s
        if self._boost is not None:  # the diodes as they are stated: they carry an even current
            net = self._limited if self._is_limited else self._network
            if boosted := boosted_half(self._boost, net, *where):
                return boosted
        return HalfCycle(network, *where)

    def _with_filter(self, means: Means) -> Means:
        """Return means with what a capacitor across the line takes."""
        if self._boost is None:
            return means
        return means._replace(
            current=means.current
            + self._boost.filter_square(means.voltage, self._acting.frequency_hz)
        )

    def _limit_inrush(self) -> None:
        """Put the cold inrush limiter into the path, or take it out."""
        wanted = self._is_limited
        if self.converter.mode is Mode.REGULATING:
            wanted = False
        elif self.converter.mode is Mode.OFF:
            wanted = True
        if wanted != self._is_limited:
            self._is_limited = wanted
            self._disturb()

    @property
    def _shorted(self) -> bool:
        """True in the half of the line that a shorted diode of the bridge shorts."""
        return self._negative and self.model.defects.shorted_leg_ohm < math.inf

    def _half_network(self, peak_v: float) -> InputNetwork:
        net = self._limited if self._is_limited else self._network
        if self._shorted:
            return net.across_a_shorted_leg(self.model.defects.shorted_leg_ohm)
        if net.emission_v <= 0.0 or not net.is_closed:
            return net
        current_a = net.diode_current_a(peak_v, self.bulk_v)
        if current_a not in self._networks:
            self._networks[current_a] = net.about(current_a)
        return self._networks[current_a]

    def _run_parts(self, half: HalfCycle) -> None:
        if self.model.rectifier.limiter is None:
            half.run(half.end_s)
            return  # else in parts: the limiter warms within it
        for part in range(1, _PARTS + 1):
            before_s, before_a2s = half.time_s, half.series_square
            half.run(half.end_s - half.duration_s * (1.0 - part / _PARTS))
            passed_s = half.time_s - before_s
            if passed_s > 0.0 and self.changes.warm(
                passed_s, (half.series_square - before_a2s) / passed_s
            ):
                self._rewire()
                half.go_on_with(self._half_network(half.drive.peak_v))

    def _is_periodic(self) -> bool:
        """Return True if the last line period ended as it began, with all else at rest."""
        if min(len(self._past), self._alike) < 3:
            return False
        if not self.converter.is_still or not self._network.is_closed:
            return False
        if self._boost is not None and not self._boost.is_still:
            return False
        first, second, last = self._past
        drifts = self.converter.is_drifting
        share = _DRIFTS if drifts else _RESTS
        if not drifts and max(second.peak_a, last.peak_a) > 0.0:
            share = _CREEPS if self.converter.mode is Mode.OFF else _REPEATS
        return (
            abs(first.drive.peak_v - last.drive.peak_v)
            <= _RESTS * math.sqrt(2.0) * self._acting.voltage_v
            and abs(first.bulk_v - last.bulk_v) <= share * self.bulk_v
            and abs(first.means.output_v - last.means.output_v)
            <= (_DRIFTS if drifts else _RESTS) * self.model.converter.output_v
        )

    def _reuse(self, time_s: float, half_s: float) -> bool:
        """Let whole line periods pass that are known already, in one go; return False if none."""
        last_two = self._past[-2:]
        until_s = min(time_s, self._contact.next_s)
        left_s = self.fuse.time_left_s(math.sqrt(self._pair.current))
        if not self.changes.is_constant:
            even_s = self.changes.even_s(
                bulk_v=last_two[1].highest_v,
                series_a2=0.5 * sum(half.series_square / half.duration_s for half in last_two),
                varistor_w=0.5 * sum(half.varistor_j / half.duration_s for half in last_two),
            )
            left_s = min(left_s, self.changes.onset_left_s(on=True), even_s)
        if self.converter.is_drifting:
            left_s = min(left_s, max(self.converter.even_s(), 2.0 * half_s))
        pairs = int(min(until_s - self._edge_s + 1e-12, left_s) / (2.0 * half_s))
        if pairs < 1:
            return False
        self._let_drift(pairs * 2.0 * half_s)
        self._record(pairs * 2.0 * half_s, self._pair, self._pair.current)
        self._edge_s += pairs * 2.0 * half_s
        for half in last_two:
            half.count_let_through(self.let_through, pairs)
            self._change_unit(pairs * half_s, half, half.series_square / half.duration_s)
        return True

    def _has_drifted(self) -> bool:
        """Whether the converter takes another power than when line periods began to repeat."""
        nominal_w = self.model.converter.output_nominal_w
        moved_w = abs(self.converter.input_power_w() - self._pair_w)
        return moved_w > _DRIFTED * nominal_w or not self.converter.is_still

    def _let_drift(self, duration_s: float) -> None:
        """Let an output move on that does so while line periods repeat."""
        converter = self.converter
        if converter.is_drifting:
            converter.advance(duration_s)
            output_v = converter.output_v
            self._pair = self._pair._replace(output_v=output_v, output_square=output_v**2)
            self._repeats = not self._has_drifted()

    def _change_unit(self, duration_s: float, half: HalfCycle, series_a2: float | None) -> None:
        varistor_w = half.varistor_j / half.duration_s
        self._age(
            duration_s, on=True, bulk_v=half.highest_v, series_a2=series_a2, varistor_w=varistor_w
        )

    def _rest_to(self, time_s: float) -> None:
        """Let the unit empty itself with the source off."""
        converter = self.converter
        if self._boost is not None:
            self._boost.rest(supplied=converter.mode is not Mode.OFF)
        while time_s - self._edge_s > 1e-12:
            net, before_v = self._network, self.bulk_v
            step_s = min(time_s - self._edge_s, converter.longest_step_s())
            power_w = converter.input_power_w(0.5 * step_s)
            step_s = min(step_s, net.rest_time_s(before_v, converter.stop_v, power_w) + 1e-9)
            self.bulk_v = net.rested_v(before_v, power_w, step_s)
            if net.fault_siemens > 0.0:
                square, mean = net.rested_integrals(before_v, self.bulk_v, power_w, step_s)
                self.let_through.add(net.fault_siemens, mean, square)
            output_v = converter.output_v
            mean_v = 0.5 * (before_v + self.bulk_v)
            converter.advance(step_s)
            converter.watch_bulk(self.bulk_v)
            means = Means(0.0, 0.0, 0.0, output_v, output_v**2, mean_v, mean_v**2)
            self._record(step_s, means, 0.0)
            self._age(step_s, on=False, bulk_v=mean_v)
            self._edge_s += step_s
