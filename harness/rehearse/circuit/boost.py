"""The boost stage over time: whether it runs, and how much it draws in the next half-cycle."""

from __future__ import annotations

import math

from harness.rehearse.boost_stage import Boost
from harness.rehearse.circuit.network import Drive, InputNetwork

#: Time constants of the voltage loop: what is missing is made good in the first, what is drawn is
#: learned in the second. Together they are damped critically, and slow beside a half-cycle, so that
#: the current keeps to a sine (common practice: a crossover of 10 Hz or so).
_PROPORTIONAL_S, _INTEGRAL_S = 0.02, 0.08
#: It stops where the bulk voltage is below this share of the line's peak: its output is shorted.
_COLLAPSED_FRAC = 0.2
#: The draw of two half-cycles is the same within this share.
_STILL_FRAC = 1e-4


class BoostState:
    """One boost stage while a run goes on, asked at each zero crossing."""

    def __init__(self, model: Boost) -> None:
        self.model = model
        self.is_running = False
        self._waited_s = 0.0
        self._is_waiting = False
        self._aim_v2 = 0.0  # square of the voltage it holds, rising while it starts
        self._slope = 0.0  # of that, in V^2/s
        self._load_w = 0.0  # what the loop has learned is drawn
        self._siemens = self._before = 0.0

    @property
    def is_still(self) -> bool:
        """Whether nothing changes until line, load or bulk voltage does."""
        if not self.is_running:
            return not self._is_waiting
        close = abs(self._siemens - self._before) <= _STILL_FRAC * self._siemens
        return close and self._aim_v2 >= self.model.held_v**2

    def filter_square(self, square_v2: float, frequency_hz: float) -> float:
        """Return the mean square of the current of the filter, which adds to that of the rest.

        Source: I = w C V, a quarter of a period early: it carries no power; textbook.
        """
        siemens = 2.0 * math.pi * frequency_hz * self.model.filter_f
        return siemens * siemens * square_v2

    def rest(self, *, supplied: bool) -> None:
        """Stop for want of a line; ``supplied``: something still feeds what controls it."""
        self.is_running = self._is_waiting = False
        self._siemens = 0.0
        if not supplied:
            self._waited_s = 0.0

    def siemens(self, drive: Drive, net: InputNetwork, bulk_v: float, *, supplied: bool) -> float:
        """Return the conductance that the next half-cycle meets; 0 while it does not run.

        ``bulk_v`` is that at the zero crossing, which is the mean: the ripple of a stage that draws
        1 - cos 2wt crosses zero with the line. ``supplied`` is as in :meth:`rest`.

        Source: C d(v^2)/dt / 2 = P - Pload with a proportional and integral loop for P; textbook.
        """
        model, half_s = self.model, 0.5 / drive.frequency_hz
        begins = self._begins(drive.peak_v, bulk_v, half_s, supplied=supplied)
        self._before = self._siemens
        if not begins:
            self._siemens = 0.0
            return 0.0
        self._aim_v2 = min(self._aim_v2 + self._slope * half_s, model.held_v**2)
        missing_j = 0.5 * net.bulk_f * (self._aim_v2 - bulk_v * bulk_v)
        # On every line it takes no more than its limit passes at the lowest: feed-forward of the
        # line, common practice.
        most_w = 0.5 * model.limit_a * min(drive.peak_v, model.start_v)
        wanted_w = self._load_w + missing_j / _PROPORTIONAL_S
        if 0.0 < wanted_w < most_w:  # else the loop would learn of its own limit
            self._load_w += missing_j / _PROPORTIONAL_S * half_s / _INTEGRAL_S
        given_w = min(max(wanted_w, 0.0), most_w) / (1.0 - model.loss_frac)
        self._siemens = _conductance(given_w, drive.peak_v, net)
        return self._siemens

    def _begins(self, peak_v: float, bulk_v: float, half_s: float, *, supplied: bool) -> bool:
        """Start or stop; return whether it runs in the next half-cycle."""
        model = self.model
        if not model.works:
            return False
        if self.is_running:
            if peak_v < model.stop_v or bulk_v < _COLLAPSED_FRAC * peak_v:
                self.rest(supplied=supplied)
            return self.is_running
        if peak_v < model.start_v or bulk_v < _COLLAPSED_FRAC * peak_v:
            self.rest(supplied=supplied)
            return False
        self._waited_s += half_s
        self._is_waiting = self._waited_s < model.delay_s
        if self._is_waiting:
            return False
        self.is_running = True
        self._aim_v2, self._load_w = bulk_v * bulk_v, 0.0
        self._slope = max(model.held_v**2 - self._aim_v2, 0.0) / model.soft_start_s
        return True


def _conductance(power_w: float, peak_v: float, net: InputNetwork) -> float:
    """Return the conductance behind rectifier and path that takes a power.

    Source: i = G (Vp sin wt - Vd - R i), P = mean of i^2 / G = G M / (1 + G R)^2 with M the mean of
    (Vp sin wt - Vd)^2 = Vp^2 / 2 - 4 Vp Vd / pi + Vd^2: a quadratic equation; textbook.
    """
    ohm = net.series_ohm + net.line_ohm
    mean = 0.5 * peak_v * peak_v - 4.0 / math.pi * peak_v * net.drop_v + net.drop_v * net.drop_v
    inside = mean * (mean - 4.0 * power_w * ohm)
    if inside <= 0.0:  # more than the path can pass
        return 1.0 / ohm
    return 2.0 * power_w / (mean - 2.0 * power_w * ohm + math.sqrt(inside))
