"""A DC supply and the unit on it: two capacitors, implicit steps, and a jump where all is still."""

from __future__ import annotations

import math

from harness.rehearse.circuit.changes import Changes
from harness.rehearse.circuit.contact import Contact
from harness.rehearse.circuit.converter import ConverterState, Mode
from harness.rehearse.circuit.fuse_heat import FuseHeat
from harness.rehearse.circuit.let_through import LetThrough
from harness.rehearse.circuit.network import InputNetwork
from harness.rehearse.circuit.rosenbrock import rosenbrock_step
from harness.rehearse.circuit.source import SourceModel, SourceSetting
from harness.rehearse.circuit.windowed_means import Means, WindowedMeans
from harness.rehearse.unit_model import UnitModel

__all__ = ["DcSolver"]

_ABSOLUTE_V = 2e-5
_RELATIVE = 1e-4
_FIRST_S = 2e-6
_SHORTEST_S = 1e-9
#: Slower than this, in volts a second, counts as standing still.
_STILL = 2e-3

#: Currents of line and rectifier, voltages behind fuse and behind series resistance.
_Flows = tuple[float, float, float, float]


def _varistor_w(flows: _Flows, short_siemens: float) -> float:
    """Return the power in the varistor: what of the line's current no other path takes."""
    line_a, rectifier_a, input_v, _ = flows
    return max(line_a - rectifier_a - short_siemens * input_v, 0.0) * input_v


class DcSolver:
    """State of a DC circuit and its way through time.

    The regulator gives (setting - terminal voltage) / resistance, between zero and the limit, into
    the output capacitor; current is measured there, before the capacitor.
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
        self.terminal_v = 0.0
        self.bulk_v = 0.0
        self._setting = setting
        self.broken_over = False
        self._step_s = _FIRST_S
        self._still = False
        self._power_w = 0.0
        self._flows: _Flows = (0.0, 0.0, 0.0, 0.0)
        self._rest = Means(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        self._rewire()

    @property
    def is_limiting(self) -> bool:
        """True if the regulator holds current instead of voltage."""
        limit_a = self._setting.current_limit_a
        return self._setting.on and self._regulated_a() >= limit_a * (1 - 1e-9)

    @property
    def peak_a(self) -> float:
        """Highest instantaneous current: the current now."""
        return self._regulated_a()

    @property
    def bulk_swing_v(self) -> float:
        """Highest less lowest bulk voltage of a line period: a DC input has none."""
        return 0.0

    def voltage_v(self, window_s: float) -> float:
        """Return the terminal voltage now, or its mean over ``window_s``."""
        means = self.ledger.means(window_s) if window_s > 0.0 else None
        return self.terminal_v if means is None else means.voltage

    def current_a(self, window_s: float) -> float:
        """Return the current through the regulator now, or its mean over ``window_s``."""
        means = self.ledger.means(window_s) if window_s > 0.0 else None
        return self._regulated_a() if means is None else means.current

    def power_w(self, window_s: float) -> float:
        """Return the power given at the terminals now, or its mean over ``window_s``."""
        means = self.ledger.means(window_s) if window_s > 0.0 else None
        return self.terminal_v * self._regulated_a() if means is None else means.power_w

    def set_source(self, setting: SourceSetting) -> None:
        """Change settings from now on."""
        if setting != self._setting:
            self._setting = setting
            self._disturb()

    def set_load(self, current_a: float) -> None:
        """Change the load's current from now on."""
        self.converter.set_load(current_a)
        self._disturb()

    def _disturb(self) -> None:
        """Note that something changed: the next step is a short one."""
        self._still = False
        self._step_s = _FIRST_S

    def _regulated_a(self) -> float:
        if self._still:
            return self._rest.current
        return max(self._given_a(self.terminal_v), 0.0)

    def advance_to(self, time_s: float) -> None:
        """Go on to ``time_s``."""
        while self.time_s < time_s:
            end_s = min(time_s, self.contact.next_s)
            if self.changes is not None:
                left_s = self.changes.onset_left_s(on=self._setting.on)
                end_s = min(end_s, self.time_s + left_s + 1e-9)
            while self.time_s < end_s:
                if self._still:
                    self._jump(end_s)
                else:
                    self._advance_once(end_s)
            if end_s == self.contact.next_s:
                self.contact.change()
                self._rewire()

    def _rewire(self) -> None:
        """Take over a change of fuse, contact or part."""
        closed = self.contact.is_closed and not self.fuse.is_open
        self._network = InputNetwork.of(
            self.model, self.source, broken_over=self.broken_over, is_closed=closed
        )
        self._disturb()

    def _solve(self, terminal_v: float, bulk_v: float) -> tuple[float, float, float, float]:
        """Return currents of line and rectifier, and voltages behind fuse and behind ESR."""
        net = self._network
        inner_v = net.inner_v(bulk_v, self._power_w)
        if not net.is_closed:
            return 0.0, 0.0, 0.0, inner_v
        held_v = inner_v if self.model.rectifier.conducts_positive else math.inf
        shunt = net.shunt_siemens(self.model, terminal_v, held_v)
        loaded = 1.0 + net.line_ohm * shunt
        open_v = terminal_v / loaded
        behind_ohm = net.line_ohm / loaded
        rectifier_a = 0.0
        if self.model.rectifier.conducts_positive and open_v > inner_v + net.drop_v:
            total_ohm = behind_ohm + net.series_ohm + net.esr_ohm / net.divider
            rectifier_a = (open_v - net.drop_v - inner_v) / total_ohm
        input_v = open_v - rectifier_a * behind_ohm
        line_a = rectifier_a + shunt * input_v
        return line_a, rectifier_a, input_v, inner_v + rectifier_a * net.esr_ohm / net.divider

    def _rates(self, terminal_v: float, bulk_v: float) -> tuple[float, float]:
        """Return the time derivatives of terminal and bulk voltage."""
        line_a, rectifier_a, _, inner_v = self._solve(terminal_v, bulk_v)
        given_a = self._given_a(terminal_v)
        power_a = self._network.power_a(bulk_v, self._power_w)
        bulk_a = rectifier_a - power_a - inner_v * self._network.leak_siemens
        return (
            (given_a - line_a) / self.source.output_capacitance_f,
            bulk_a / self._network.bulk_f,
        )

    def _given_a(self, terminal_v: float) -> float:
        """Return what the regulator gives, or its sink takes (negative)."""
        if not self._setting.on:
            return -terminal_v / self.source.sink_ohm
        short_of_v = self._setting.voltage_v - terminal_v
        if short_of_v < 0.0:
            return short_of_v / self.source.sink_ohm
        return min(short_of_v / self.source.resistance_ohm, self._setting.current_limit_a)

    def _advance_once(self, end_s: float) -> None:
        """Take one accepted step, not past ``end_s``."""
        converter = self.converter
        remaining_s = end_s - self.time_s
        # Voltage must be known well enough to tell constant current from constant voltage: the
        # step over that corner would otherwise look accurate and lead nowhere.
        band_v = 0.05 * self._setting.current_limit_a * self.source.resistance_ohm
        even_s = math.inf if self.changes is None else self._even_s()
        while True:
            step_s = min(self._step_s, remaining_s, converter.longest_step_s(), even_s)
            self._power_w = converter.input_power_w(0.5 * step_s)
            terminal_v, bulk_v, error_t, error_b = rosenbrock_step(
                self._rates, self.terminal_v, self.bulk_v, step_s
            )
            error = max(
                abs(error_t) / (_ABSOLUTE_V + min(_RELATIVE * abs(terminal_v), band_v)),
                abs(error_b) / (_ABSOLUTE_V + _RELATIVE * abs(bulk_v)),
            )
            factor = 4.0 if error < 2e-3 else 0.8 * error ** (-1 / 3)
            if error > 1.0 and step_s > _SHORTEST_S:
                self._step_s = step_s * max(factor, 0.1)
                continue
            share = self._share_to_event(bulk_v)
            if share < 1.0 and step_s > 1e-7:
                self._step_s = step_s * max(share, 0.01)
                continue
            break
        self._record(step_s, terminal_v, bulk_v)
        self.time_s = end_s if step_s == remaining_s else self.time_s + step_s
        self.terminal_v, self.bulk_v = max(terminal_v, 0.0), max(bulk_v, 0.0)
        grown_s = step_s * min(factor, 4.0)
        self._step_s = max(grown_s, self._step_s) if step_s == remaining_s else grown_s
        self._after(step_s)

    def _share_to_event(self, bulk_v: float) -> float:
        """Return the share of the step at which a threshold is met; 1 where it is met closely."""
        before_v = self.bulk_v
        if bulk_v > before_v:
            level_v = math.inf if self.broken_over else self.model.defects.breakdown_v
            level_v = min(level_v, self.converter.start_v)
            if self.changes is not None:
                level_v = min(level_v, self.changes.onset_v)
            if before_v < level_v < bulk_v - 1e-3 * level_v:
                return (level_v - before_v) / (bulk_v - before_v) + 1e-4
        elif self.converter.mode is not Mode.OFF:
            level_v = self.model.converter.stop_v
            if bulk_v + 1e-3 * level_v < level_v < before_v:
                return (before_v - level_v) / (before_v - bulk_v) + 1e-4
        return 1.0

    def _record(self, step_s: float, terminal_v: float, bulk_v: float) -> None:
        """Book one step: averages, fuse heat, let-through."""
        net = self._network
        before_v, bulk_before_v = self.terminal_v, self.bulk_v
        line0_a, series0_a, input0_v, inner0_v = self._solve(before_v, bulk_before_v)
        line1_a, series1_a, input1_v, inner1_v = self._solve(terminal_v, bulk_v)
        given0_a, given1_a = self._regulated_a(), max(self._given_a(terminal_v), 0.0)
        mean_v = 0.5 * (before_v + terminal_v)
        output_v = self.converter.output_v
        self.ledger.add(
            step_s,
            Means(
                mean_v,
                0.5 * (given0_a + given1_a),
                0.5 * (before_v * given0_a + terminal_v * given1_a),
                output_v,
                output_v * output_v,
                0.5 * (bulk_before_v + bulk_v),
                (bulk_before_v**2 + bulk_before_v * bulk_v + bulk_v**2) / 3.0,
            ),
        )
        if net.short_siemens > 0.0:
            self._count(step_s, input0_v, input1_v, net.short_siemens)
        if net.fault_siemens > 0.0:
            self._count(step_s, inner0_v, inner1_v, net.fault_siemens)
        square_a2 = (line0_a * line0_a + line0_a * line1_a + line1_a * line1_a) / 3.0
        if self.fuse.advance(step_s, square_a2):
            self._rewire()
        if self.changes is not None:
            flows0 = (line0_a, series0_a, input0_v, inner0_v)
            self._change(step_s, flows0, (line1_a, series1_a, input1_v, inner1_v), bulk_v)

    def _change(self, step_s: float, before: _Flows, after: _Flows, bulk_v: float) -> None:
        """Let the unit itself change: warmth, forming, late faults."""
        changes, short = self.changes, self._network.short_siemens
        assert changes is not None
        series_a2 = (before[1] ** 2 + before[1] * after[1] + after[1] ** 2) / 3.0
        varistor_w = 0.5 * (_varistor_w(before, short) + _varistor_w(after, short))
        if changes.advance(
            step_s,
            on=self._setting.on,
            bulk_v=bulk_v,
            series_a2=series_a2,
            varistor_w=varistor_w,
        ):
            self.model = changes.model
            self._rewire()

    def _even_s(self) -> float:
        """Return how long the unit stays what it is at the currents of now."""
        assert self.changes is not None
        flows = self._solve(self.terminal_v, self.bulk_v)
        return self.changes.even_s(
            bulk_v=self.bulk_v,
            series_a2=flows[1] ** 2,
            varistor_w=_varistor_w(flows, self._network.short_siemens),
        )

    def _count(self, step_s: float, from_v: float, to_v: float, siemens: float) -> None:
        square_v2 = (from_v * from_v + from_v * to_v + to_v * to_v) / 3.0
        mean_a = 0.5 * (abs(from_v) + abs(to_v)) * siemens
        self.let_through.add(step_s, mean_a, square_v2 * siemens**2, 1.0 / siemens)

    def _after(self, step_s: float) -> None:
        """Look for what the step set off."""
        converter = self.converter
        converter.advance(step_s)
        if converter.watch_bulk(self.bulk_v):
            self._disturb()
        converter.follow_line(self.bulk_v)
        if not self.broken_over and self.bulk_v >= self.model.defects.breakdown_v:
            self.broken_over = True
            self._rewire()
        if not converter.is_still:
            return
        self._power_w = converter.input_power_w()
        rate_t, rate_b = self._rates(self.terminal_v, self.bulk_v)
        self._still = abs(rate_t) < _STILL and abs(rate_b) < _STILL
        if self._still or self._comes_to_rest():
            self._flows = self._solve(self.terminal_v, self.bulk_v)
            given_a, output_v = max(self._given_a(self.terminal_v), 0.0), converter.output_v
            self._rest = Means(
                self.terminal_v,
                given_a,
                self.terminal_v * given_a,
                output_v,
                output_v * output_v,
                self.bulk_v,
                self.bulk_v * self.bulk_v,
            )

    def _comes_to_rest(self) -> bool:
        """Put voltages that are as good as at rest to rest; return True if they were.

        Where nothing but a leak loads the bulk capacitor, the rectifier opens and closes within
        the error allowed for a step, for ever. At rest it carries the leak's current:
        terminal, rectifier and leak are one divider.

        Source:
            Ohm's law.
        """
        net, setting = self._network, self._setting
        if self._power_w > 0.0 or not (setting.on and net.is_closed):
            return False
        if not self.model.rectifier.conducts_positive:
            return False
        shunt = net.shunt_siemens(self.model, setting.voltage_v)
        loaded = 1.0 + net.line_ohm * shunt
        behind_ohm = net.line_ohm / loaded + net.series_ohm
        shared = 1.0 + behind_ohm * net.leak_siemens
        terminal_v = setting.voltage_v
        for _ in range(2):  # what the source's own resistance takes is a trifle
            bulk_v = (terminal_v / loaded - net.drop_v) / shared
            if bulk_v <= 0.0:
                return False
            line_a = self._solve(terminal_v, bulk_v)[0]
            terminal_v = setting.voltage_v - line_a * self.source.resistance_ohm
        if not 0.0 <= line_a < setting.current_limit_a:
            return False
        off_v = abs(terminal_v - self.terminal_v), abs(bulk_v - self.bulk_v)
        if off_v[0] > _ABSOLUTE_V + _RELATIVE * terminal_v:
            return False
        if off_v[1] > _ABSOLUTE_V + _RELATIVE * bulk_v:
            return False
        self.terminal_v, self.bulk_v = terminal_v, bulk_v
        self._still = True
        return True

    def _jump(self, end_s: float) -> None:
        """Let time pass while nothing changes but the heat of the fuse."""
        line_a, _, input_v, inner_v = self._flows
        duration_s = min(end_s - self.time_s, self.fuse.time_left_s(line_a) + 1e-9)
        if self.changes is not None:
            duration_s = min(duration_s, self._even_s())
        self.ledger.add(duration_s, self._rest)
        net = self._network
        if net.short_siemens > 0.0:
            self._count(duration_s, input_v, input_v, net.short_siemens)
        if net.fault_siemens > 0.0:
            self._count(duration_s, inner_v, inner_v, net.fault_siemens)
        self.time_s = min(self.time_s + duration_s, end_s)
        if self.fuse.advance(duration_s, line_a * line_a):
            self._rewire()
        if self.changes is not None:
            self._change(duration_s, self._flows, self._flows, self.bulk_v)
