"""An AC source and the unit on it: half-cycle by half-cycle, and many at once when they repeat."""

from __future__ import annotations

import math
from functools import lru_cache

from harness.rehearse.circuit.changes import Changes
from harness.rehearse.circuit.contact import Contact
from harness.rehearse.circuit.converter import ConverterState, Mode
from harness.rehearse.circuit.diodes import Diodes
from harness.rehearse.circuit.fuse_heat import FuseHeat
from harness.rehearse.circuit.half_cycle import HalfCycle
from harness.rehearse.circuit.half_cycle_result import HalfCycleResult
from harness.rehearse.circuit.let_through import LetThrough
from harness.rehearse.circuit.network import InputNetwork
from harness.rehearse.circuit.source import SourceModel, SourceSetting, folded_v
from harness.rehearse.circuit.thevenin import Drive
from harness.rehearse.circuit.windowed_means import Means, WindowedMeans
from harness.rehearse.unit_model import UnitModel

__all__ = ["AcSolver"]

#: Parts of a half-cycle after which an inrush limiter is looked at.
_PARTS = 16
#: Two line periods are the same if bulk voltage repeats within the first share where the line
#: refills the capacitor, so that what is left to go is a few times as much; all else, the second.
_REPEATS, _RESTS = 1e-5, 1e-6


class AcSolver:
    """State of an AC circuit and its way through time.

    A change of voltage, limit or frequency takes effect at the next zero crossing, a change of
    load at the last one, switching off at once. Switching on begins with a zero crossing.
    """

    def __init__(
        self, model: UnitModel, source: SourceModel, setting: SourceSetting, *, seed: int
    ) -> None:
        self.changes = Changes.of(model)
        self.model = model if self.changes is None else self.changes.model
        self.source = source
        self.converter = ConverterState(model.converter, model.bulk)
        self.fuse = FuseHeat(model.fuse)
        self.contact = Contact(model.defects.intermittence, seed=seed)
        self.ledger = WindowedMeans()
        self.let_through = LetThrough()
        self.time_s = 0.0
        self.bulk_v = 0.0
        self.broken_over = False
        self._edge_s = 0.0
        self._setting = self._wanted = setting
        self._amplitude_v = 0.0
        self._negative = False
        self._past: list[HalfCycleResult] = []
        self._repeats = False
        self._alike = 0
        self._pair = Means(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        self._rewire()

    @property
    def is_limiting(self) -> bool:
        """True while the source folds its amplitude back or clamps its current."""
        if not self._setting.on or not self._past:
            return False
        return self._past[-1].clamped or self._amplitude_v < 0.999 * self._setting.voltage_v

    @property
    def peak_a(self) -> float:
        """Highest instantaneous current of the last line period."""
        return (
            max((past.peak_a for past in self._past[-2:]), default=0.0) if self._setting.on else 0.0
        )

    @property
    def bulk_swing_v(self) -> float:
        """Highest less lowest bulk voltage of the last line period."""
        if not self._past or not self._setting.on:
            return 0.0
        last = self._past[-2:]
        return max(past.highest_v for past in last) - min(past.lowest_v for past in last)

    def voltage_v(self, window_s: float) -> float:
        """Return the rms voltage at the terminals over ``window_s``."""
        means = self._means(window_s)
        return 0.0 if means is None else math.sqrt(means.voltage)

    def current_a(self, window_s: float) -> float:
        """Return the rms current over ``window_s``."""
        means = self._means(window_s)
        return 0.0 if means is None else math.sqrt(means.current)

    def power_w(self, window_s: float) -> float:
        """Return the real power over ``window_s``."""
        means = self._means(window_s)
        return 0.0 if means is None else means.power_w

    def set_source(self, setting: SourceSetting) -> None:
        """Change settings from now on."""
        if setting == self._wanted:
            return
        self._catch_up()
        if setting.on and not self._wanted.on:
            self._switch_on(setting)
        elif not setting.on and self._wanted.on:
            self._switch_off()
        self._wanted = setting
        if not setting.on or self._edge_s >= self.time_s:
            self._take_over()

    def set_load(self, current_a: float) -> None:
        """Change the load's current."""
        self._catch_up()
        self.converter.set_load(current_a)
        self._repeats = False

    def advance_to(self, time_s: float) -> None:
        """Go on to ``time_s``; the last half-cycle begun waits for its end."""
        self.time_s = time_s
        if not self._setting.on:
            self._rest_to(time_s)
            return
        half_s = 0.5 / self._setting.frequency_hz
        while self._edge_s + half_s <= time_s + 1e-12:
            self._change_contact()
            if self._repeats and self._wanted is self._setting:
                if self._reuse(time_s, half_s):
                    continue
                waits = time_s - self._edge_s < 2.0 * half_s - 1e-12
                if waits and self.contact.next_s > time_s:
                    return
            self._run_half(half_s)
            self._take_over()
            half_s = 0.5 / self._setting.frequency_hz

    def _means(self, window_s: float) -> Means | None:
        """Return averages over whole half-cycles: as many as fit best, one line period for 0."""
        if not self._setting.on:
            return None
        return self.ledger.means(_whole_s(window_s, self._setting.frequency_hz))

    def _switch_on(self, setting: SourceSetting) -> None:
        """Begin with a zero crossing and at full amplitude."""
        self._rest_to(self.time_s)
        self._edge_s = self.time_s
        self._amplitude_v = setting.voltage_v
        self._negative = False
        self._past.clear()
        self._repeats = False

    def _switch_off(self) -> None:
        """Cut the half-cycle short."""
        if self.time_s - self._edge_s > 1e-9:
            self._run_half(self.time_s - self._edge_s)
        self._edge_s = self.time_s
        self._past.clear()
        self._repeats = False

    def _take_over(self) -> None:
        """Let wanted settings take effect."""
        if self._wanted is self._setting:
            return
        was_folded = self._amplitude_v < 0.999 * self._setting.voltage_v
        self._setting = self._wanted
        if not was_folded:
            self._amplitude_v = self._setting.voltage_v
        self._amplitude_v = min(self._amplitude_v, self._setting.voltage_v)
        self._repeats = False

    def _catch_up(self) -> None:
        """Run the half-cycle that waited for its pair, if one does."""
        self._repeats = False
        if self._setting.on:
            self.advance_to(self.time_s)

    def _rewire(self) -> None:
        self._network = InputNetwork.of(
            self.model,
            self.source,
            broken_over=self.broken_over,
            is_closed=self.contact.is_closed and not self.fuse.is_open,
        )
        self._diodes = Diodes(self._network)
        self._repeats = False
        self._alike = 0

    def _change_contact(self) -> None:
        """Open or close the contact at the first zero crossing after its time."""
        while self.contact.next_s <= self._edge_s:
            self.contact.change()
            self._rewire()

    def _run_half(self, duration_s: float) -> None:
        """Run one half-cycle, or the first part of one."""
        setting = self._setting
        rectifier = self.model.rectifier
        leg = rectifier.conducts_negative if self._negative else rectifier.conducts_positive
        network = self._half_network()
        half = HalfCycle(
            self.model,
            network,
            self.converter,
            Drive(
                peak_v=self._peak_v,
                frequency_hz=setting.frequency_hz,
                clamp_a=self.source.crest_factor * setting.current_limit_a,
                source_ohm=self.source.resistance_ohm,
                conducts=leg and network.is_closed and not self._shorted,
            ),
            self.bulk_v,
        )
        self._run_parts(half, duration_s)
        self._alike += 1
        means = half.means()
        past = HalfCycleResult(
            duration_s=duration_s,
            end_v=half.bulk_v,
            amplitude_v=self._amplitude_v,
            means=means,
            peak_a=half.peak_a,
            clamped=half.clamped,
            lowest_v=half.lowest_v,
            highest_v=half.highest_v,
            series_a2=half.series_square / duration_s,
            varistor_w=half.varistor_j / duration_s,
            let_through=self._fault_flows(half, network),
        )
        self.bulk_v = half.bulk_v
        self._edge_s += duration_s
        self._negative = not self._negative
        self._book(past)
        self._amplitude_v = folded_v(
            self._amplitude_v, setting.voltage_v, math.sqrt(means.current), setting.current_limit_a
        )
        self.converter.follow_line(means.bulk_v)
        if not self.broken_over and half.highest_v >= self.model.defects.breakdown_v:
            self.broken_over = True
            self._rewire()
        self._past.append(past)
        del self._past[:-3]
        self._change(duration_s, past, warmed=True)
        self._repeats = self._is_periodic()
        if self._repeats:
            pair = zip(self._past[-2].means, past.means, strict=True)
            self._pair = Means(*[0.5 * (one + other) for one, other in pair])

    @property
    def _peak_v(self) -> float:
        """Amplitude of the source's sine now."""
        return math.sqrt(2.0) * self._amplitude_v

    @property
    def _shorted(self) -> bool:
        """True in the half of the line that a shorted diode of the bridge shorts."""
        return self._negative and self.model.defects.shorted_leg_ohm < math.inf

    def _half_network(self) -> InputNetwork:
        """Return the network of this half of the line."""
        if self._shorted:
            return self._network.across_a_shorted_leg(self.model.defects.shorted_leg_ohm)
        return self._diodes.at(self._peak_v, self.bulk_v)

    def _run_parts(self, half: HalfCycle, duration_s: float) -> None:
        """Run a half-cycle: in parts where a limiter warms within it."""
        if self.model.rectifier.limiter is None or self.changes is None:
            half.run(duration_s)
            return
        for part in range(1, _PARTS + 1):
            before_s, before_a2s = half.time_s, half.series_square
            half.run(duration_s * part / _PARTS)
            passed_s = half.time_s - before_s
            if passed_s > 0.0 and self.changes.warm(
                passed_s, (half.series_square - before_a2s) / passed_s
            ):
                self.model = self.changes.model
                self._rewire()
                half.go_on_with(self._half_network())

    def _change(self, duration_s: float, past: HalfCycleResult, *, warmed: bool = False) -> None:
        """Let the unit itself change, from the next zero crossing on."""
        changes = self.changes
        if changes is not None and changes.advance(
            duration_s,
            on=self._setting.on,
            bulk_v=past.highest_v,
            series_a2=None if warmed else past.series_a2,
            varistor_w=past.varistor_w,
        ):
            self.model = changes.model
            self._rewire()

    @staticmethod
    def _fault_flows(half: HalfCycle, network: InputNetwork) -> tuple[float, float, float]:
        """Return charge, energy and I2t through faults during a half-cycle."""
        short, fault = network.short_siemens, network.fault_siemens
        return (
            short * half.short_mean + fault * half.fault_mean,
            short * half.short_square + fault * half.fault_square,
            short**2 * half.short_square + fault**2 * half.fault_square,
        )

    def _is_periodic(self) -> bool:
        """Return True if the last line period ended as it began, with all else at rest."""
        if min(len(self._past), self._alike) < 3:
            return False
        if not self.converter.is_still or not self._network.is_closed:
            return False
        first, second, last = self._past
        share = _REPEATS if max(second.peak_a, last.peak_a) > 0.0 else _RESTS
        return (
            abs(first.amplitude_v - last.amplitude_v) <= _RESTS * self._setting.voltage_v
            and abs(first.end_v - last.end_v) <= share * self.bulk_v
            and abs(first.means.output_v - last.means.output_v)
            <= _RESTS * self.model.converter.output_v
        )

    def _reuse(self, time_s: float, half_s: float) -> bool:
        """Let whole line periods pass that are known already, in one go; return False if none."""
        first, second = self._past[-2], self._past[-1]
        until_s = min(time_s, self.contact.next_s)
        left_s = self.fuse.time_left_s(math.sqrt(self._pair.current))
        if self.changes is not None:
            left_s = min(left_s, self.changes.onset_left_s(on=True), self._even_s(first, second))
        pairs = int(min(until_s - self._edge_s + 1e-12, left_s) / (2.0 * half_s))
        if pairs < 1:
            return False
        self._count(pairs * 2.0 * half_s, self._pair)
        self._let_through(first, pairs)
        self._let_through(second, pairs)
        self._edge_s += pairs * 2.0 * half_s
        self._change(pairs * half_s, first)
        self._change(pairs * half_s, second)
        return True

    def _even_s(self, first: HalfCycleResult, second: HalfCycleResult) -> float:
        """Return how long the unit stays what it is at the last line period's currents."""
        assert self.changes is not None
        return self.changes.even_s(
            bulk_v=second.highest_v,
            series_a2=0.5 * (first.series_a2 + second.series_a2),
            varistor_w=0.5 * (first.varistor_w + second.varistor_w),
        )

    def _book(self, past: HalfCycleResult) -> None:
        self._count(past.duration_s, past.means)
        self._let_through(past, 1)

    def _count(self, duration_s: float, means: Means) -> None:
        self.ledger.add(duration_s, means)
        if self.fuse.advance(duration_s, means.current):
            self._rewire()

    def _let_through(self, past: HalfCycleResult, times: int) -> None:
        charge_c, energy_j, i2t_a2s = past.let_through
        self.let_through.charge_c += times * charge_c
        self.let_through.energy_j += times * energy_j
        self.let_through.i2t_a2s += times * i2t_a2s

    def _rest_to(self, time_s: float) -> None:
        """Let the unit empty itself with the source off."""
        net, converter = self._network, self.converter
        while time_s - self._edge_s > 1e-12:
            step_s = min(time_s - self._edge_s, converter.longest_step_s())
            power_w = converter.input_power_w(0.5 * step_s)
            if converter.mode is not Mode.OFF:
                stop_v = self.model.converter.stop_v
                step_s = min(step_s, net.rest_time_s(self.bulk_v, stop_v, power_w) + 1e-9)
            end_v = net.rested_v(self.bulk_v, power_w, step_s)
            if net.fault_siemens > 0.0:
                square, mean = net.rested_integrals(self.bulk_v, end_v, power_w, step_s)
                fault = net.fault_siemens
                self.let_through.charge_c += fault * mean
                self.let_through.energy_j += fault * square
                self.let_through.i2t_a2s += fault**2 * square
            output_v = converter.output_v
            mean_v = 0.5 * (self.bulk_v + end_v)
            converter.advance(step_s)
            converter.watch_bulk(end_v)
            self.ledger.add(step_s, Means(0.0, 0.0, 0.0, output_v, output_v**2, mean_v, mean_v**2))
            self.fuse.advance(step_s, 0.0)
            if self.changes is not None and self.changes.advance(step_s, on=False, bulk_v=mean_v):
                self.model = self.changes.model
                self._rewire()
                net = self._network
            self.bulk_v = end_v
            self._edge_s += step_s


@lru_cache(maxsize=64)
def _whole_s(window_s: float, frequency_hz: float) -> float:
    """Return the whole half-cycles that fit a window best, in seconds; one line period for 0."""
    halves = max(round(window_s * 2.0 * frequency_hz), 1) if window_s > 0.0 else 2
    return halves / (2.0 * frequency_hz)
