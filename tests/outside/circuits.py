"""The circuits between the source's terminals and the converter: DC feed, and AC rectifier.

Both are moved on to the time of each message by :meth:`advance`, in steps as fine as they need.

DC: a supply in constant voltage or constant current with a small output resistance and an output
capacitor; line and series resistance, a diode's drop; the bulk capacitor with its series resistance
and leakage. Two states, piecewise linear but for the converter's power, which is held over a step:
backward Euler with step doubling, whose difference bounds the error of a step; extrapolated to
second order (Hairer and Wanner, Solving Ordinary Differential Equations II, IV.9, textbook).

AC: only the envelope. With a sine of amplitude A behind a resistance R on a capacitor at voltage v,
current flows between the angles where A sin x > v; its mean, its square and its power over half a
period are elementary integrals of (A sin x - v) / R, which charge the capacitor between messages.
The ripple of the capacitor is left out. A source in current limit lowers its amplitude until its
rms current is the limit. (Textbook: capacitor-input rectifier.)
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from tests.outside.converter import Converter


@dataclass
class Ledger:
    """What went through the terminals since power came on."""

    charge_c: float = 0.0
    energy_j: float = 0.0
    i2t_a2s: float = 0.0
    highest_a: float = 0.0


@dataclass(frozen=True)
class DcParts:
    """Source and feed of a DC unit; SI units."""

    bulk_f: float
    supply_ohm: float = 0.02
    supply_f: float = 220e-6
    supply_bleed_ohm: float = 500.0
    line_ohm: float = 0.11
    series_ohm: float = 0.15
    diode_v: float = 0.5
    bulk_ohm: float = 0.1
    leak_ohm: float = 100e3


class _Source:
    """What both kinds of source have.

    Attributes:
        set_v: Voltage asked for; ``limit_a``: current limit.
        on: Whether its output is connected.
        ledger: Since power last came on.
        bulk_v: Voltage of the bulk capacitor.
        short_ohm: A fault: this across the terminals.
    """

    def __init__(self, converter: Converter, now_s: float) -> None:
        self.converter = converter
        self.now_s = now_s
        self.set_v = 0.0
        self.limit_a = 0.0
        self.on = False
        self.ledger = Ledger()
        self.bulk_v = 0.0
        self.short_ohm = math.inf
        self._drift: tuple[float, float, float, float] | None = None

    def drift_to(self, voltage_v: float, over_s: float) -> None:
        """Let the true voltage leave its setting, on a straight line."""
        self._drift = (self.now_s, self.now_s + over_s, self.set_v, voltage_v)

    def stop_drifting(self) -> None:
        """Let the true voltage be its setting again."""
        self._drift = None

    def wanted_v(self) -> float:
        """Return the voltage it holds: its setting, but for a drift."""
        if self._drift is None:
            return self.set_v
        begin_s, end_s, from_v, to_v = self._drift
        share = 1.0 if end_s <= begin_s else (self.now_s - begin_s) / (end_s - begin_s)
        return from_v + (to_v - from_v) * min(1.0, max(0.0, share))

    def switch(self, *, on: bool) -> None:
        """Connect or open the output; the ledger starts over with each power on."""
        if on and not self.on:
            self.ledger = Ledger()
        self.on = on

    def advance(self, to_s: float) -> None:
        """Move on to a time of the machine's monotonic clock."""
        while self.now_s < to_s:
            longest_s = min(to_s - self.now_s, self.converter.longest_step_s(self.now_s))
            if self._drift is not None and self.now_s < self._drift[1]:
                longest_s = min(longest_s, 2e-3)
            self._step(longest_s)

    def _step(self, longest_s: float) -> None:
        raise NotImplementedError


#: The regulator's mode, and whether the diode conducts.
_PIECES = tuple((mode, flows) for mode in ("voltage", "current", "none") for flows in (True, False))


class DcCircuit(_Source):
    """A DC supply with the unit on it.

    Attributes:
        terminal_v: Voltage at the terminals.
        current_a: Current through the supply's shunt, which lies before its output capacitor.
        limiting: Whether it is in constant current.
    """

    #: Error allowed in a step, in volts.
    TOLERANCE_V = 2e-4

    def __init__(self, parts: DcParts, converter: Converter, now_s: float) -> None:
        super().__init__(converter, now_s)
        self.parts = parts
        self.terminal_v = 0.0
        self.current_a = 0.0
        self.limiting = False
        self._h_s = 1e-5

    @property
    def power_w(self) -> float:
        """Power at the terminals."""
        return self.terminal_v * self.current_a

    def _step(self, longest_s: float) -> None:
        converter = self.converter
        while True:
            step_s = min(self._h_s, longest_s)
            drawn_a = converter.drawn_a(self.now_s, self.bulk_v)
            start = (self.terminal_v, self.bulk_v)
            whole = self._euler(*start, step_s, drawn_a)
            half = self._euler(*start, 0.5 * step_s, drawn_a)
            end = self._euler(*half, 0.5 * step_s, drawn_a)
            error_v = max(abs(end[0] - whole[0]), abs(end[1] - whole[1]))
            moved_v = abs(end[1] - start[1])
            # what the converter draws is held over a step: its voltage may move little in it
            fine = error_v <= self.TOLERANCE_V and moved_v <= 0.1 + 0.01 * self.bulk_v
            if not fine and step_s > 1e-6:
                self._h_s = 0.4 * step_s
                continue
            if converter.crosses(end[1]) and step_s > 2e-5:
                self._h_s = 0.3 * step_s
                continue
            break
        self._book(start, half, end, step_s, drawn_a)
        self.terminal_v, self.bulk_v = end
        if step_s >= self._h_s:
            self._h_s = min(0.05, step_s * (3.0 if error_v < 0.1 * self.TOLERANCE_V else 1.3))
        self.now_s += step_s
        converter.move(self.now_s, step_s, self.bulk_v)
        self.current_a, self.limiting = self._regulated(self.terminal_v)

    def _regulated(self, terminal_v: float) -> tuple[float, bool]:
        if not self.on:
            return 0.0, False
        free_a = self._free_a(terminal_v, self.wanted_v())
        if free_a >= self.limit_a:
            return self.limit_a, True
        return max(0.0, free_a), False

    def _free_a(self, terminal_v: float, wanted_v: float) -> float:
        """Return what the regulator gives past its own bleed, which lies before the shunt."""
        parts = self.parts
        return (wanted_v - terminal_v) / parts.supply_ohm - terminal_v / parts.supply_bleed_ohm

    def _euler(
        self, terminal_v: float, bulk_v: float, step_s: float, drawn_a: float
    ) -> tuple[float, float]:
        """One backward Euler step: solve piece after piece, until the solution lies in it."""
        parts = self.parts
        conduct_s = 1.0 / (parts.line_ohm + parts.series_ohm + parts.bulk_ohm)
        shift_v = parts.diode_v - parts.bulk_ohm * drawn_a
        wanted_v, reg_s = self.wanted_v(), 1.0 / parts.supply_ohm
        # where the terminals float, nothing holds their voltage but the bleed
        bleed_s = 1.0 / self.short_ohm
        out_f, bulk_f = parts.supply_f / step_s, parts.bulk_f / step_s
        guess = (self._mode(terminal_v, wanted_v), terminal_v - shift_v > bulk_v)
        # every piece is tried: going from piece to piece can swing between two that both miss
        for mode, flows in (guess, *(piece for piece in _PIECES if piece != guess)):
            reg = reg_s if mode == "voltage" else 0.0
            given_a = wanted_v * reg_s if reg else self.limit_a if mode == "current" else 0.0
            drain = bleed_s + (0.0 if mode == "current" else 1.0 / parts.supply_bleed_ohm)
            feed = conduct_s if flows else 0.0
            a11, a12 = out_f + reg + drain + feed, -feed
            a21, a22 = -feed, bulk_f + 1.0 / parts.leak_ohm + feed
            b1 = out_f * terminal_v + given_a + feed * shift_v
            b2 = bulk_f * bulk_v - drawn_a - feed * shift_v
            det = a11 * a22 - a12 * a21
            new_v = (b1 * a22 - a12 * b2) / det
            new_bulk_v = (a11 * b2 - a21 * b1) / det
            found = (self._mode(new_v, wanted_v), new_v - shift_v > new_bulk_v)
            if found == (mode, flows):
                return max(0.0, new_v), max(0.0, new_bulk_v)
        # on the border of two pieces, to the last bit: either will do
        return max(0.0, new_v), max(0.0, new_bulk_v)

    def _mode(self, terminal_v: float, wanted_v: float) -> str:
        if not self.on or terminal_v >= wanted_v:
            return "none"
        limits = self._free_a(terminal_v, wanted_v) >= self.limit_a
        return "current" if limits else "voltage"

    def _book(
        self,
        start: tuple[float, float],
        half: tuple[float, float],
        end: tuple[float, float],
        step_s: float,
        drawn_a: float,
    ) -> None:
        """Simpson's rule over the step, of the current into the unit."""
        parts, ledger = self.parts, self.ledger
        conduct_s = 1.0 / (parts.line_ohm + parts.series_ohm + parts.bulk_ohm)
        shift_v = parts.diode_v - parts.bulk_ohm * drawn_a
        for (terminal_v, bulk_v), weight in ((start, 1.0), (half, 4.0), (end, 1.0)):
            into_a = max(0.0, terminal_v - shift_v - bulk_v) * conduct_s
            into_a += terminal_v / self.short_ohm
            share_s = step_s * weight / 6.0
            ledger.charge_c += into_a * share_s
            ledger.energy_j += into_a * terminal_v * share_s
            ledger.i2t_a2s += into_a * into_a * share_s
            ledger.highest_a = max(ledger.highest_a, into_a)


@dataclass(frozen=True)
class AcParts:
    """Source and rectifier of an AC unit; SI units."""

    bulk_f: float
    source_ohm: float = 0.3
    series_ohm: float = 1.2
    drop_v: float = 1.8
    leak_ohm: float = 500e3
    filter_f: float = 100e-9
    averaging_s: float = 0.05


class AcCircuit(_Source):
    """An AC source with the unit on it; all its readings are means over the averaging window.

    Attributes:
        frequency_hz: Line frequency.
        limiting: Whether it holds its current limit.
        peak_a: Highest instantaneous current of the rectifier since the output last came on.
    """

    LONGEST_S = 1e-3

    def __init__(self, parts: AcParts, converter: Converter, now_s: float) -> None:
        super().__init__(converter, now_s)
        self.parts = parts
        self.frequency_hz = 60.0
        self.lamp_ohm = 0.0  # in series, before the terminals
        self.limiting = False
        self.peak_a = 0.0
        self._sums = [0.0, 0.0, 0.0]  # of squared voltage, squared current, power
        self._past: deque[tuple[float, float, float, float]] = deque([(now_s, 0.0, 0.0, 0.0)])

    def switch(self, *, on: bool) -> None:
        """Switch the output; what it holds of its peak begins anew."""
        if on and not self.on:
            self.peak_a = 0.0
        super().switch(on=on)

    def means(self) -> tuple[float, float, float]:
        """Return voltage rms, current rms and real power over the window."""
        since_s = self.now_s - self.parts.averaging_s
        past = self._past
        while len(past) > 2 and past[1][0] <= since_s:
            past.popleft()
        first = past[0]
        if first[0] < since_s and len(past) > 1:
            share = (since_s - first[0]) / (past[1][0] - first[0])
            first = tuple(a + share * (b - a) for a, b in zip(first, past[1], strict=True))
        span_s = max(self.now_s - first[0], 1e-9)
        volts, amperes, watts = (
            (total - before) / span_s for total, before in zip(self._sums, first[1:], strict=True)
        )
        return math.sqrt(max(0.0, volts)), math.sqrt(max(0.0, amperes)), watts

    def _step(self, longest_s: float) -> None:
        step_s = min(longest_s, self.LONGEST_S)
        converter, parts = self.converter, self.parts
        amplitude_v, mean_a, square_a2, power_w, slope_s = self._drive()
        # Ohm's law at the peak of the line
        ohm = parts.source_ohm + self.lamp_ohm + parts.series_ohm
        over_v = amplitude_v - self.bulk_v - parts.drop_v
        self.peak_a = max(self.peak_a, over_v / ohm)
        rms_v = amplitude_v / math.sqrt(2.0)
        drawn_a = converter.power_w(self.now_s) / max(self.bulk_v, 10.0)
        drawn_a += self.bulk_v / parts.leak_ohm
        # exponential Euler: exact for the tangent, so a stiff rectifier cannot swing
        rate = (mean_a - drawn_a) / parts.bulk_f
        stiff = slope_s * step_s / parts.bulk_f
        gain_s = step_s if stiff < 1e-9 else step_s * -math.expm1(-stiff) / stiff
        self.bulk_v = max(0.0, self.bulk_v + rate * gain_s)
        self.now_s += step_s
        filter_a = rms_v * 2.0 * math.pi * self.frequency_hz * parts.filter_f
        square_a2 += filter_a * filter_a
        if self.short_ohm < math.inf:
            power_w += rms_v * rms_v / self.short_ohm
        # mean of the square of what the lamp leaves: (v - R i)^2, with the power at the terminals
        lamp_ohm = self.lamp_ohm
        left_v2 = rms_v * rms_v - 2.0 * lamp_ohm * power_w - lamp_ohm**2 * square_a2
        for index, value in enumerate((max(0.0, left_v2), square_a2, power_w)):
            self._sums[index] += value * step_s
        self._past.append((self.now_s, *self._sums))
        since_s = self.now_s - parts.averaging_s
        while len(self._past) > 2 and self._past[1][0] <= since_s:
            self._past.popleft()
        ledger = self.ledger
        ledger.charge_c += mean_a * step_s
        ledger.energy_j += power_w * step_s
        ledger.i2t_a2s += square_a2 * step_s
        ledger.highest_a = max(ledger.highest_a, math.sqrt(square_a2))
        converter.move(self.now_s, step_s, self.bulk_v)

    def _drive(self) -> tuple[float, float, float, float, float]:
        """Amplitude at the terminals, mean, square and power of the current, and its slope."""
        if not self.on:
            self.limiting = False
            return 0.0, 0.0, 0.0, 0.0, 0.0
        full_v = math.sqrt(2.0) * self.wanted_v()
        if self.short_ohm < math.inf:
            full_v = min(full_v, math.sqrt(2.0) * self.limit_a * self.short_ohm)
        found = self._rectified(full_v)
        self.limiting = found[1] > self.limit_a**2
        if not self.limiting:
            return (full_v, *found)
        low_v, high_v = 0.0, full_v
        for _ in range(18):
            middle_v = 0.5 * (low_v + high_v)
            if self._rectified(middle_v)[1] > self.limit_a**2:
                high_v = middle_v
            else:
                low_v = middle_v
        return (low_v, *self._rectified(low_v))

    def _rectified(self, amplitude_v: float) -> tuple[float, float, float, float]:
        """Mean, mean square, and source power of the rectifier's current; slope of the mean."""
        parts = self.parts
        source_ohm = parts.source_ohm + self.lamp_ohm
        ohm = source_ohm + parts.series_ohm
        back_v = self.bulk_v + parts.drop_v
        if amplitude_v <= back_v:
            return 0.0, 0.0, 0.0, 0.0
        s = back_v / amplitude_v
        low = math.asin(s)
        width, cosine = 0.5 * math.pi - low, math.sqrt(1.0 - s * s)
        # integrals over low..pi/2 of (sin x - s), (sin x - s)^2 and sin x (sin x - s)
        first = cosine - s * width
        sines = 0.5 * (width + s * cosine)
        second = sines - 2.0 * s * cosine + s * s * width
        power = sines - s * cosine
        scale = 2.0 / math.pi
        per_ohm = amplitude_v / ohm
        source_w = scale * power * amplitude_v * per_ohm
        return (
            scale * first * per_ohm,
            scale * second * per_ohm * per_ohm,
            # at the terminals: what the source's own resistance takes is not in it
            source_w - scale * second * per_ohm * per_ohm * source_ohm,
            scale * width / ohm,
        )
