"""A DC supply and the unit on it: two capacitors, implicit steps, and a jump where all is still."""

from __future__ import annotations

import math

from harness.rehearse.circuit.bridge_on_dc import bridge_on_dc
from harness.rehearse.circuit.circuit import Circuit
from harness.rehearse.circuit.converter import Mode
from harness.rehearse.circuit.source import SourceModel, SourceSetting
from harness.rehearse.circuit.windowed_means import Means
from harness.rehearse.unit_model import UnitModel

_ABSOLUTE_V = 2e-5
_RELATIVE = 1e-4
_FIRST_S = 2e-6
_SHORTEST_S = 1e-9
#: Slower than this, in volts a second, counts as standing still.
_STILL = 2e-3

#: Coefficients of the Rosenbrock pair.
_D, _E32 = 1.0 / (2.0 + math.sqrt(2.0)), 6.0 + math.sqrt(2.0)

#: Currents of line and rectifier, voltages behind fuse and behind series resistance, current of the
#: converter.
_Flows = tuple[float, float, float, float, float]


class DcCircuit(Circuit):
    """A circuit fed with DC: a DC unit, or an AC unit through two diodes of its bridge.

    The regulator gives (setting - terminal voltage) / resistance, between zero and the limit, into
    the output capacitor; current is measured there, before the capacitor.
    """

    def __init__(self, model: UnitModel, source: SourceModel, *, seed: int = 1) -> None:
        self._terminal_v = 0.0
        self._power_w = 0.0
        self._is_limited = True  # the cold inrush limiter of an AC unit is in the path
        self._flows: _Flows = (0.0, 0.0, 0.0, 0.0, 0.0)
        self._rest = Means()
        super().__init__(model, source, seed=seed)

    def _terminals(self, window_s: float) -> tuple[float, float, float]:
        means = self._means.over(window_s) if window_s > 0.0 else None
        if means is not None:
            return means[:3]
        current_a = max(self._given_a(self._terminal_v), 0.0)
        return self._terminal_v, current_a, self._terminal_v * current_a

    def source_limiting(self) -> bool:
        """Return True if the regulator holds current instead of voltage."""
        given_a = max(self._given_a(self._terminal_v), 0.0)
        return self.setting.on and given_a >= self.setting.current_limit_a * (1 - 1e-9)

    def _take_setting(self, wanted: SourceSetting) -> None:
        self.setting = wanted
        if self.model.input_kind == "ac":
            self._rewire()
        self._disturb()

    def _rewire(self) -> None:
        super()._rewire()
        model = self.model
        self._is_limited = self._limits
        if model.input_kind == "ac":
            meets = self.backwards and self._network.is_closed
            self._network = bridge_on_dc(
                self._network,
                self.setting.current_limit_a,
                shorted_leg_ohm=model.defects.shorted_leg_ohm if meets else math.inf,
                cold_ohm=model.rectifier.cold_limiter_ohm if self._is_limited else 0.0,
            )

    @property
    def _limits(self) -> bool:
        """Whether a cold inrush limiter is in the path: until the converter first runs."""
        if self.converter.mode is Mode.REGULATING:
            return False
        return self._is_limited or self.converter.mode is Mode.OFF

    def _draw(self, current_a: float) -> None:
        self.converter.set_load(current_a, self.load.held_v)
        self._disturb()

    def _disturb(self) -> None:
        self._still = False
        self._step_s = _FIRST_S

    def _advance_to(self, time_s: float) -> None:
        while self.time_s < time_s:
            left_s = self.changes.onset_left_s(on=self.setting.on)
            end_s = min(time_s, self._contact.next_s, self.time_s + left_s + 1e-9)
            while self.time_s < end_s:
                if self._still:
                    self._jump(end_s)
                else:
                    self._advance_once(end_s)
            if end_s == self._contact.next_s:
                self._contact.change()
                self._rewire()

    def _solve(self, terminal_v: float, bulk_v: float) -> _Flows:
        net = self._network
        power_a = net.power_a(bulk_v, self._power_w)
        inner_v = (bulk_v - net.esr_ohm * power_a) / net.divider
        if not net.is_closed:
            return 0.0, 0.0, 0.0, inner_v, power_a
        shunt = net.shunt_siemens(terminal_v, inner_v)
        loaded = 1.0 + net.line_ohm * shunt
        open_v = terminal_v / loaded
        behind_ohm = net.line_ohm / loaded
        rectifier_a = 0.0
        if open_v > inner_v + net.drop_v:
            total_ohm = behind_ohm + net.series_ohm + net.esr_ohm / net.divider
            rectifier_a = (open_v - net.drop_v - inner_v) / total_ohm
        input_v = open_v - rectifier_a * behind_ohm
        line_a = rectifier_a + shunt * input_v
        inner_v += rectifier_a * net.esr_ohm / net.divider
        return line_a, rectifier_a, input_v, inner_v, power_a

    def _rates(self, terminal_v: float, bulk_v: float) -> tuple[float, float]:
        net = self._network
        line_a, rectifier_a, _, inner_v, power_a = self._solve(terminal_v, bulk_v)
        terminal_a = self._given_a(terminal_v) - line_a
        bulk_a = rectifier_a - power_a - inner_v * net.leak_siemens
        return terminal_a / self.source.output_capacitance_f, bulk_a / net.bulk_f

    def _given_a(self, terminal_v: float) -> float:
        """Return what the regulator gives, or its sink takes (negative)."""
        if not self.setting.on:
            return -terminal_v / self.source.sink_ohm
        short_of_v = self.setting.voltage_v - terminal_v
        if short_of_v < 0.0:
            return short_of_v / self.source.sink_ohm
        return min(short_of_v / self.source.resistance_ohm, self.setting.current_limit_a)

    def _advance_once(self, end_s: float) -> None:
        converter = self.converter
        remaining_s = end_s - self.time_s
        # Voltage must be known well enough to tell constant current from constant voltage: the
        # step over that corner would otherwise look accurate and lead nowhere.
        band_v = 0.05 * self.setting.current_limit_a * self.source.resistance_ohm
        even_s = self._even_s()
        while True:
            step_s = min(self._step_s, remaining_s, converter.longest_step_s(), even_s)
            self._power_w = converter.input_power_w(0.5 * step_s)
            terminal_v, bulk_v, error_t, error_b = self._rosenbrock_step(step_s)
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
        before = self._solve(self._terminal_v, self.bulk_v)
        after = self._solve(terminal_v, bulk_v)
        self._book(step_s, self._means_to(terminal_v, bulk_v), before, after, bulk_v)
        self.time_s = end_s if step_s == remaining_s else self.time_s + step_s
        self._terminal_v, self.bulk_v = max(terminal_v, 0.0), max(bulk_v, 0.0)
        grown_s = step_s * min(factor, 4.0)
        self._step_s = max(grown_s, self._step_s) if step_s == remaining_s else grown_s
        self._after(step_s)

    def _rosenbrock_step(self, step_s: float) -> tuple[float, float, float, float]:
        """Return terminal and bulk voltage after a step, and the local error of both.

        The modified Rosenbrock pair of orders 2 and 3 is L-stable, so that a regulator that settles
        in microseconds does not hold back a step of seconds. The Jacobian is taken by forward
        differences.

        Source: L. F. Shampine and M. W. Reichelt, "The MATLAB ODE suite", SIAM J. Sci. Comput. 18
        (1997), section 3.1.
        """
        rates, a, b = self._rates, self._terminal_v, self.bulk_v
        f0a, f0b = rates(a, b)
        da = 1e-7 * (abs(a) + 1e-3)
        db = 1e-7 * (abs(b) + 1e-3)
        fa, fb = rates(a + da, b)
        jaa, jba = (fa - f0a) / da, (fb - f0b) / da
        fa, fb = rates(a, b + db)
        jab, jbb = (fa - f0a) / db, (fb - f0b) / db
        hd = step_s * _D
        waa, wab, wba, wbb = 1.0 - hd * jaa, -hd * jab, -hd * jba, 1.0 - hd * jbb
        det = waa * wbb - wab * wba
        k1a = (wbb * f0a - wab * f0b) / det
        k1b = (waa * f0b - wba * f0a) / det
        f1a, f1b = rates(a + 0.5 * step_s * k1a, b + 0.5 * step_s * k1b)
        ra, rb = f1a - k1a, f1b - k1b
        k2a = (wbb * ra - wab * rb) / det + k1a
        k2b = (waa * rb - wba * ra) / det + k1b
        na, nb = a + step_s * k2a, b + step_s * k2b
        f2a, f2b = rates(na, nb)
        ra = f2a - _E32 * (k2a - f1a) - 2.0 * (k1a - f0a)
        rb = f2b - _E32 * (k2b - f1b) - 2.0 * (k1b - f0b)
        k3a = (wbb * ra - wab * rb) / det
        k3b = (waa * rb - wba * ra) / det
        return (
            na,
            nb,
            step_s / 6.0 * (k1a - 2.0 * k2a + k3a),
            step_s / 6.0 * (k1b - 2.0 * k2b + k3b),
        )

    def _share_to_event(self, bulk_v: float) -> float:
        """Return the share of the step at which a threshold is met; 1 where it is met closely."""
        before_v = self.bulk_v
        if bulk_v > before_v:
            breakdown_v = math.inf if self._broken_over else self.model.defects.breakdown_v
            level_v = min(breakdown_v, self.converter.upper_v, self.changes.onset_v)
            if before_v < level_v < bulk_v - 1e-3 * level_v:
                return (level_v - before_v) / (bulk_v - before_v) + 1e-4
        else:
            level_v = self.converter.stop_v
            if bulk_v + 1e-3 * level_v < level_v < before_v:
                return (before_v - level_v) / (before_v - bulk_v) + 1e-4
        return 1.0

    def _means_to(self, terminal_v: float, bulk_v: float) -> Means:
        from_v, to_v, output_v = self._terminal_v, terminal_v, self.converter.output_v
        from_a, to_a = max(self._given_a(from_v), 0.0), max(self._given_a(to_v), 0.0)
        return Means(
            0.5 * (from_v + to_v),
            0.5 * (from_a + to_a),
            0.5 * (from_v * from_a + to_v * to_a),
            output_v,
            output_v * output_v,
            0.5 * (self.bulk_v + bulk_v),
            _mean_square(self.bulk_v, bulk_v),
            max(from_a, to_a),
        )

    def _book(
        self, step_s: float, means: Means, before: _Flows, after: _Flows, bulk_v: float
    ) -> None:
        net = self._network
        self._record(step_s, means, _mean_square(before[0], after[0]))
        for siemens, at in ((net.short_siemens, 2), (net.fault_siemens, 3)):
            if siemens > 0.0:
                mean_v = 0.5 * (abs(before[at]) + abs(after[at]))
                square_v2 = _mean_square(before[at], after[at])
                self.let_through.add(siemens, step_s * mean_v, step_s * square_v2)
        if not self.changes.is_constant:
            self._age(
                step_s,
                on=self.setting.on,
                bulk_v=bulk_v,
                series_a2=_mean_square(before[1], after[1]),
                varistor_w=0.5 * (self._varistor_w(before) + self._varistor_w(after)),
            )

    def _varistor_w(self, flows: _Flows) -> float:
        """Return the power in the varistor: what of the line's current no other path takes."""
        line_a, rectifier_a, input_v = flows[:3]
        shorted_a = self._network.short_siemens * input_v
        return max(line_a - rectifier_a - shorted_a, 0.0) * input_v

    def _even_s(self) -> float:
        if self.changes.is_constant:
            return math.inf
        flows = self._solve(self._terminal_v, self.bulk_v)
        return self.changes.even_s(
            bulk_v=self.bulk_v, series_a2=flows[1] ** 2, varistor_w=self._varistor_w(flows)
        )

    def _after(self, step_s: float) -> None:
        converter = self.converter
        converter.advance(step_s)
        if converter.watch_bulk(self.bulk_v):
            self._disturb()
        converter.follow_line(self.bulk_v)
        self._break_over(self.bulk_v)
        if self._limits != self._is_limited:
            self._rewire()
        if not converter.is_still:
            return
        self._power_w = converter.input_power_w()
        rate_t, rate_b = self._rates(self._terminal_v, self.bulk_v)
        self._still = abs(rate_t) < _STILL and abs(rate_b) < _STILL
        if self._still or self._comes_to_rest():
            self._flows = self._solve(self._terminal_v, self.bulk_v)
            self._rest = self._means_to(self._terminal_v, self.bulk_v)

    def _comes_to_rest(self) -> bool:
        """Put voltages that are as good as at rest to rest; return True if they were.

        Where nothing but a leak loads the bulk capacitor, the rectifier opens and closes within
        the error allowed for a step, for ever. At rest it carries the leak's current:
        terminal, rectifier and leak are one divider. Source: Ohm's law.
        """
        net, setting = self._network, self.setting
        if self._power_w > 0.0 or not (setting.on and net.is_closed):
            return False
        shunt = net.shunt_siemens(setting.voltage_v)
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
        for there_v, now_v in ((terminal_v, self._terminal_v), (bulk_v, self.bulk_v)):
            if abs(there_v - now_v) > _ABSOLUTE_V + _RELATIVE * there_v:
                return False
        self._terminal_v, self.bulk_v = terminal_v, bulk_v
        self._still = True
        return True

    def _jump(self, end_s: float) -> None:
        """Let time pass while nothing changes but the heat of the fuse."""
        left_s = self.fuse.time_left_s(self._flows[0]) + 1e-9
        duration_s = min(end_s - self.time_s, left_s, self._even_s(), self.converter.even_s())
        if self.converter.is_drifting:
            self._let_drift(duration_s)
        self._book(duration_s, self._rest, self._flows, self._flows, self.bulk_v)
        self.time_s = min(self.time_s + duration_s, end_s)

    def _let_drift(self, duration_s: float) -> None:
        """Let an output move on that does so while all else rests, and solve for it again."""
        converter = self.converter
        converter.advance(duration_s)
        output_v = converter.output_v
        self._rest = self._rest._replace(output_v=output_v, output_square=output_v**2)
        if converter.input_power_w() != self._power_w:
            self._disturb()


def _mean_square(start: float, end: float) -> float:
    """Return the mean square of what goes in a straight line from start to end."""
    return (start * start + start * end + end * end) / 3.0
